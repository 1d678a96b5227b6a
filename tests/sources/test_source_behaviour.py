"""What every source must do, written once and run over each of them.

"virtual" is a VirtualSource on its own fast clock, "serial" a SerialSource (pyserial) on a
pseudo-terminal that a virtual half is served on. Both carry the real protocol, byte for byte.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from rigs import CIRCUIT, PERIOD_US, RIGS, Rig, half_with

from keydiag.chips import chips
from keydiag.errors import ProbeRefused
from keydiag.sources.base import Counted, LevelAt, LinkDown, LinkUp, Paced, ProbeSaid, ReadingAt

HEALTHY = CIRCUIT.healthy_rest


@pytest.fixture(params=RIGS)
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with RIGS[request.param](half_with()) as made:
        yield made


def started(rig: Rig) -> Rig:
    rig.source.open()
    rig.source.start(CIRCUIT.pins, PERIOD_US)
    rig.until(lambda event: isinstance(event, ReadingAt))
    return rig


def test_says_who_is_there(rig: Rig) -> None:
    hi = rig.source.open()
    assert (hi.version, hi.chip, hi.pins) == (1, "atmega32u4", 26)


def test_reads_nothing_before_it_is_started(rig: Rig) -> None:
    rig.source.open()
    rig.command("press L23")
    assert not any(isinstance(event, ReadingAt) for event in rig.source.read(0.3))


def test_a_sound_half_at_rest_reads_only_itself(rig: Rig) -> None:
    started(rig)
    assert rig.readings()[0].reading == HEALTHY
    (pace,) = [event for event in rig.events if isinstance(event, Paced)]
    assert pace.settle_us >= 10 and pace.reading_us >= 14 * pace.settle_us


def test_a_press_shows_its_crossing_one_way_and_goes_again(rig: Rig) -> None:
    started(rig)
    rig.command("press L23")
    rig.until_reads("row R2", "column C3", True)
    held = rig.until_reads("row R2", "column C3", True)  # bounce is over, or will be
    assert not held.reading.low[CIRCUIT.pin_of_line["column C3"]] & 0b11
    rig.command("release L23")
    rig.until_reads("row R2", "column C3", False)


def test_masks_are_the_circuits_not_the_probes(rig: Rig) -> None:
    """The probe's pin 0 is PB0; the circuit's is the pin of row R1 (PD1)."""
    started(rig)
    rig.command("press L66")
    i, j = CIRCUIT.forward["L66"]
    reading = rig.until_reads("row R6", "column C6", True).reading
    assert reading.low[i] == 1 << i | 1 << j
    assert len(reading.low) == len(CIRCUIT.pins) == 13


def test_time_grows(rig: Rig) -> None:
    started(rig)
    for key in ("L11", "L12", "L13"):
        rig.command(f"press {key}")
        rig.until_reads("row R1", f"column C{key[-1]}", True)
    times = [event.t_us for event in rig.readings()]
    assert times == sorted(times) and times[-1] > times[0]


def test_says_something_several_times_a_second_when_nothing_happens(rig: Rig) -> None:
    started(rig)
    first = rig.readings()[-1].t_us
    rig.until(lambda event: isinstance(event, ReadingAt) and event.t_us > first + 1_000_000)
    assert len([e for e in rig.readings() if e.t_us > first]) >= 8


def test_keeps_the_probe_alive_beyond_its_two_seconds_of_patience(rig: Rig) -> None:
    started(rig)
    first = rig.readings()[-1].t_us
    rig.until(lambda event: isinstance(event, ReadingAt) and event.t_us > first + 2_600_000)
    assert not any(isinstance(event, LinkDown | ProbeSaid) for event in rig.events)


def test_a_port_the_probe_does_not_have_is_refused_by_name(rig: Rig) -> None:
    rig.source.open()
    with pytest.raises(ProbeRefused, match=r"\(atmega32u4\) has no pin PX9; check that the chip"):
        rig.source.start(("PD1", "PX9"), PERIOD_US)


def test_level_of_a_closed_crossing_is_one_diode(rig: Rig) -> None:
    """0.511 V at 5 V and 35 kOhm: ngspice 39 with NXP's published 1N4148 model."""
    started(rig)
    rig.command("press L23")
    rig.until_reads("row R2", "column C3", True)
    drive, sense = CIRCUIT.forward["L23"]
    rig.source.ask_level(drive, sense)
    level = rig.until(lambda event: isinstance(event, LevelAt))
    assert isinstance(level, LevelAt)
    assert (level.drive, level.sense) == (drive, sense)
    assert level.millivolts == pytest.approx(511, abs=10)


def test_a_pin_without_analogue_input_says_so(rig: Rig) -> None:
    started(rig)
    row = CIRCUIT.pin_of_line["row R1"]
    assert CIRCUIT.pins[row] not in chips()["atmega32u4"].analog
    rig.source.ask_level(CIRCUIT.pin_of_line["column C1"], row)
    said = rig.until(lambda event: isinstance(event, ProbeSaid))
    assert isinstance(said, ProbeSaid) and said.code == "analog"


def test_goes_on_by_itself_after_the_probe_was_reset(rig: Rig) -> None:
    started(rig)
    before = rig.readings()[-1].t_us
    rig.command("reset")
    rig.command("press L11")
    after = rig.until_reads("row R1", "column C1", True)
    assert after.t_us > before
    links = [event for event in rig.events if isinstance(event, LinkDown | LinkUp)]
    assert [type(event) for event in links] == [LinkDown, LinkUp]


def test_an_ideal_line_loses_nothing(rig: Rig) -> None:
    started(rig)
    for key in ("L11", "L21", "L31"):
        rig.command(f"press {key}")
        rig.until_reads(f"row R{key[1]}", "column C1", True)
    assert not any(isinstance(event, Counted | LinkDown | LinkUp) for event in rig.events)


def test_closing_twice_and_without_opening_does_no_harm(rig: Rig) -> None:
    rig.source.close()
    rig.source.close()


@pytest.mark.parametrize("name", RIGS)
def test_a_client_may_come_and_go(name: str) -> None:
    half = half_with()
    if name == "serial":
        from rigs import served

        from keydiag.sources.serialport import SerialSource

        with served(half) as it:
            for _ in range(3):
                rig = Rig(SerialSource(it.path), it.command)
                started(rig)
                rig.source.close()
    else:
        for _ in range(3):
            with RIGS[name](half) as rig:
                started(rig)
