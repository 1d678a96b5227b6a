"""A whole sweep, from the contacts to the alignment, over lines that do not carry well.

Everything is real but the half and the line: probe bytes, decoder, tracker, conversation,
debouncing, alignment. Each line is made worse in a seeded, repeatable way.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from rigs import CIRCUIT, Carry, byte_wise, delayed, half_with, lossy, noisy

from keydiag.circuit import Reading
from keydiag.faults import parse_fault, predict
from keydiag.observe import Observer
from keydiag.observe.sweep import Sweep
from keydiag.sources.base import Counted, LinkDown, ReadingAt
from keydiag.sources.hands import HandScript, Slips
from keydiag.sources.virtual import VirtualSource, ideal

FAULTS = ("L23 diode reversed", "L45 switch-diode joint open")
LINKS: dict[str, tuple[Callable[[], Carry], Callable[[], Carry]]] = {
    "perfect": (lambda: ideal, lambda: ideal),
    "byte-wise": (byte_wise, byte_wise),
    "delayed": (delayed, delayed),
    "lossy": (lambda: lossy(1), lambda: lossy(2)),
    "noisy": (lambda: noisy(3), lambda: noisy(4)),
}


class Seen:
    """A sweep by the script's hands, and all that came of it."""

    def __init__(self, down: Carry, up: Carry, slips: Slips, faults: tuple[str, ...]) -> None:
        half = half_with(*faults)
        script = HandScript.sweep(CIRCUIT.keys, seed=11, slips=slips, start_us=1_500_000)
        source = VirtualSource(half, script, down=down, up=up)
        self.sweep, observer = Sweep(CIRCUIT), Observer()
        self.readings: list[Reading] = []
        self.counted = Counted(0, 0)
        self.broken = 0
        source.open()
        source.start(CIRCUIT.pins, 1_000)
        end_us = half.now_us + script.length_us + 2_000_000
        while half.now_us < end_us:
            for event in source.read(0.5):
                match event:
                    case ReadingAt(t_us, reading):
                        self.readings.append(reading)
                        for press in observer.feed(t_us, reading):
                            self.sweep.feed(press)
                    case LinkDown():
                        self.broken += 1
                        for press in observer.restart():
                            self.sweep.feed(press)
                    case Counted():
                        self.counted = event
            for rest in observer.rests:
                self.sweep.note_rest(rest)
        self.sweep.finish()


@pytest.mark.parametrize("link", LINKS)
def test_no_false_reading_is_ever_accepted(link: str) -> None:
    """Whatever the line does: each reading accepted is one that the half can give, steady or in
    the middle of a reading (some pins before a contact moved, some after)."""
    down, up = LINKS[link]
    seen = Seen(down(), up(), Slips(), FAULTS)
    faults = [parse_fault(CIRCUIT, text) for text in FAULTS]
    possible = [predict(CIRCUIT, faults, frozenset()).as_reading()]
    possible += [predict(CIRCUIT, faults, frozenset({k})).as_reading() for k in CIRCUIT.keys]
    masks = [{reading.low[i] for reading in possible} for i in range(len(CIRCUIT.pins))]
    assert len(seen.readings) > 100
    for reading in seen.readings:
        assert all(mask in allowed for mask, allowed in zip(reading.low, masks, strict=True))


@pytest.mark.parametrize("link", ["perfect", "byte-wise", "delayed"])
def test_lines_that_lose_nothing_give_the_whole_sweep(link: str) -> None:
    down, up = LINKS[link]
    seen = Seen(down(), up(), Slips(), FAULTS)
    odd = {key: status for key, status in seen.sweep.status.items() if status != "seen"}
    assert odd == {"L23": "odd", "L45": "passed"}
    assert seen.counted == Counted(0, 0) and seen.broken == 0


@pytest.mark.parametrize("link", ["lossy", "noisy"])
def test_lines_that_lose_something_count_it_and_tell_no_lies(link: str) -> None:
    down, up = LINKS[link]
    seen = Seen(down(), up(), Slips(), FAULTS)
    assert seen.counted.corrupt > 10 and seen.counted.lost > 10
    status = seen.sweep.status
    assert status["L45"] != "seen"
    assert status["L23"] != "seen"
    # A press lost on the line looks like a key left out, which is asked for; most are seen. (29 to
    # 38 of 41 on a noisy line, over a dozen seeds.)
    assert sum(s == "seen" for s in status.values()) >= 28
    # (Of three or more neighbours on a line one is asked for first.)
    asked = {line for key in seen.sweep.ask() for line in CIRCUIT.crossing[key]}
    for key, stands in status.items():
        if stands in ("passed", "unsure", "waiting"):
            assert not asked.isdisjoint(CIRCUIT.crossing[key])


def test_rollover_between_keys() -> None:
    seen = Seen(ideal, ideal, Slips(rollover=0.7), ())
    assert set(seen.sweep.status.values()) == {"seen"}
    rest, *found = seen.sweep.observations()
    assert rest.held == () and len(found) == 41
    for observation in found:
        want = predict(CIRCUIT, (), frozenset(observation.held))
        assert want.agrees(observation.reading)
