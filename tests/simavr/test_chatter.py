"""Ten thousand chattering presses through the real binary: what the host hears is, bit for bit,
what was on the pads whenever the sketch looked, and nothing is lost on the way.

Two truths that do not know the sketch: the harness's record of the pads (harness/events.h), and
the circuit model's prediction for the keys that the script of this test holds.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

from keydiag import wire
from keydiag.board import example
from keydiag.circuit import Circuit
from keydiag.faults import predict
from tests.simavr.bench import Bench
from tests.simavr.from_board import netlist
from tests.simavr.harness import PORTS, SimulatedProbe

BOARD = example("bramblewick-left")
CIRCUIT = Circuit(BOARD)
USE = tuple(sorted(CIRCUIT.pins, key=PORTS.index))
KEYS = tuple(BOARD.key)

Readings = list[tuple[int, tuple[int, ...]]]  # (rest, low) as the wire has them
Event = tuple[int, str, int]

# The keys of one slot go down within 1 ms, chatter for up to 1.5 ms (common for key switches:
# makers' limits are 1 to 5 ms), are held, and come up in the same way.
PRESSES, FINGERS = 10_000, 4
SLOT_US, UP_US, SPREAD_US, CHATTER_US = 7_500, 3_800, 1_000, 1_500


def chatter(rng: random.Random, at_us: int, key: str, closed: int) -> Iterator[Event]:
    """The contact ends up as `closed`, after 0 to 8 more moves."""
    times = sorted(rng.sample(range(CHATTER_US), 2 * rng.randint(0, 4) + 1))
    for i, t in enumerate(times):
        yield at_us + t, key, closed ^ (i & 1)


def script(seed: int) -> tuple[list[Event], list[tuple[str, ...]]]:
    """What the switches do, and which keys each slot holds."""
    rng = random.Random(seed)
    events: list[Event] = []
    slots = [tuple(rng.sample(KEYS, FINGERS)) for _ in range(PRESSES // FINGERS)]
    for n, keys in enumerate(slots):
        for key in keys:
            for start_us, closed in ((0, 1), (UP_US, 0)):
                begin_us = n * SLOT_US + start_us + rng.randrange(SPREAD_US)
                events += chatter(rng, begin_us, key, closed)
    return sorted(events), slots


def listen(bench: Bench, until: Callable[[wire.Message], bool], readings: Readings) -> None:
    """Hear until then; every reading that differs from the one before is added. Gives a sign of
    life by the probe's clock, not by ours: the simulation runs as fast as it can."""
    spoke_us = 0
    while True:
        msg = bench.hear()
        if msg is None:
            continue
        assert bench.reading
        if bench.reading.t_us - spoke_us > 500_000:
            spoke_us = bench.reading.t_us
            bench.say(wire.Full())
        now = (bench.reading.rest, bench.reading.low)
        if not readings or readings[-1] != now:
            readings.append(now)
        if until(msg):
            return


def play(events: list[Event]) -> tuple[Readings, Readings, Bench]:
    """What the host heard and what the pads were, while the switches did this."""
    with SimulatedProbe(netlist(BOARD), speed=0) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(USE)
        bench.keep_alive = False
        bench.settled()
        heard: Readings = []
        probe.record_truth()
        probe.play(events)
        # The probe says SAME when it has been quiet for 80 ms: nothing is on its way any more.
        listen(bench, lambda m: isinstance(m, wire.Same) and not probe.still_to_play(), heard)
        return heard, probe.truth(), bench


def conducting(reading: tuple[int, tuple[int, ...]]) -> set[tuple[str, str]]:
    pins = [PORTS.index(port) for port in USE]
    return {
        (PORTS[i], PORTS[j])
        for i, low in zip(pins, reading[1], strict=True)
        for j in wire.pins_of(low)
        if i != j
    }


def predicted(keys: tuple[str, ...]) -> set[tuple[str, str]]:
    """The circuit model's word for it: no bit of a sound half is unknown here."""
    reading = predict(CIRCUIT, [], frozenset(keys))
    return {
        (CIRCUIT.pins[i], CIRCUIT.pins[j])
        for i, low in enumerate(reading.low)
        for j in wire.pins_of(low & ~reading.unknown[i])
        if i != j
    }


def test_ten_thousand_chattering_presses_bit_for_bit() -> None:
    events, slots = script(2026)
    heard, truth, bench = play(events)
    assert bench.tracker.lost == 0 and bench.decoder.corrupt == 0
    assert heard == truth
    print(f"{PRESSES} presses, {len(events)} moves of contacts, {len(heard)} different readings")
    # Every slot in its turn: all of its crossings, then none; and never any but those of its keys
    # and of the slot before (whose last key may open and close once more after all were open).
    left = iter(heard)
    before: set[tuple[str, str]] = set()
    for keys in slots:
        expected = predicted(keys)
        for wanted in (expected, set()):
            for reading in left:
                now = conducting(reading)
                assert now <= expected | before and reading[0] == 0, (keys, now)
                if now == wanted:
                    break
            else:
                raise AssertionError(f"never seen: {keys}, {wanted}")
        before = expected


def test_nothing_is_lost_while_every_key_chatters_at_once() -> None:
    rng = random.Random(7)
    events = []
    for key in KEYS:
        t, closed = rng.randrange(3000), 1
        while t < 500_000 or not closed:
            events.append((t, key, closed))
            t, closed = t + rng.randrange(300, 3000), 1 - closed
    heard, truth, bench = play(sorted(events))
    assert bench.tracker.lost == 0 and bench.decoder.corrupt == 0
    assert heard == truth and len(heard) > 300
    print(f"{len(events)} moves in 0.5 s, {len(heard)} different readings, none lost")
