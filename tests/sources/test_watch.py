"""Rise times and watched crossings, from every source; WATCH of the virtual half by its rules."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from rigs import C3, CIRCUIT, PERIOD_US, PORTS, R2, RIGS, USE, Rig, half_with

from keydiag.faults import parse_fault
from keydiag.sources.base import (
    EdgesAt,
    ProbeSaid,
    ReadingAt,
    RiseAt,
    SourceEvent,
    from_journal,
    to_journal,
)
from keydiag.sources.contacts import Contacts
from keydiag.sources.conversation import Conversation
from keydiag.sources.virtual_half import VirtualHalf
from keydiag.wire import (
    Corrupt,
    Decoder,
    Edges,
    Full,
    Go,
    Halt,
    Hello,
    Hi,
    Level,
    Message,
    Oops,
    Pin,
    Rise,
    Same,
    Scan,
    Use,
    Volt,
    Watch,
    encode,
)

DRIVE, SENSE = CIRCUIT.forward["L23"]


@pytest.fixture(params=RIGS)
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with RIGS[request.param](half_with()) as made:
        made.source.open()
        made.source.start(CIRCUIT.pins, PERIOD_US)
        made.until(lambda event: isinstance(event, ReadingAt))
        yield made


def watched(rig: Rig, ms: int = 200) -> EdgesAt:
    rig.source.ask_watch(DRIVE, SENSE, ms)
    event = rig.until(lambda event: isinstance(event, EdgesAt))
    assert isinstance(event, EdgesAt) and (event.drive, event.sense) == (DRIVE, SENSE)
    return event


def test_rise_times_are_by_circuit_pin(rig: Rig) -> None:
    (rise,) = [event for event in rig.events if isinstance(event, RiseAt)]
    by_line = dict(zip(CIRCUIT.line_names, rise.ns, strict=True))
    # A row of seven keys, one of six, and columns of six and of five.
    assert by_line["row R1"] == by_line["row R5"] > by_line["row R6"]
    assert by_line["column C1"] == by_line["row R6"] > by_line["column C7"] > 1_000


def test_a_watch_of_an_open_and_of_a_held_crossing(rig: Rig) -> None:
    seen = watched(rig)
    assert not seen.closed and seen.at_us == () and 200_000 <= seen.watched_us < 201_000
    rig.command("press L23")
    rig.until(lambda e: isinstance(e, ReadingAt) and bool(e.reading.low[DRIVE] >> SENSE & 1))
    watched(rig)  # bounce is over after it
    seen = watched(rig)
    assert seen.closed and seen.at_us == ()


def test_the_time_of_a_watch_is_that_of_the_readings_around_it(rig: Rig) -> None:
    rig.until(lambda event: isinstance(event, ReadingAt))
    before = rig.readings()[-1].t_us
    seen = watched(rig)
    after = rig.until(lambda event: isinstance(event, ReadingAt))
    assert isinstance(after, ReadingAt)
    assert before <= seen.t_us <= before + 150_000
    assert after.t_us >= seen.t_us + seen.watched_us


def test_reading_goes_on_by_itself_after_a_watch(rig: Rig) -> None:
    watched(rig, ms=250)
    rig.command("press L24")
    rig.until_reads("row R2", "column C4", True)


def test_two_pins_that_are_one_are_refused(rig: Rig) -> None:
    rig.source.ask_watch(DRIVE, DRIVE, 10)
    said = rig.until(lambda event: isinstance(event, ProbeSaid))
    assert isinstance(said, ProbeSaid) and said.code == "pin"


@pytest.mark.parametrize(
    "event", [RiseAt((0, 125, 3500)), EdgesAt(1, 2, 77, 200_000, 60, False, (10, 400))]
)
def test_they_come_back_from_the_journal(event: SourceEvent) -> None:
    written = to_journal(event)
    assert written is not None and from_journal(written) == event


# --- the conversation, over the wrap of the probe's clock ---


def test_the_probes_clock_may_wrap_within_a_watch() -> None:
    talk = Conversation()
    talk.hello(0.0)
    low = tuple(1 << i for i in range(26))
    said: list[Message] = [Hi(1, "atmega32u4", "t", 26, 5000)]
    said += [Pin(i, port) for i, port in enumerate(PORTS)]
    talk.feed(b"".join(map(encode, said)), 0.0)
    talk.start(("PD0", "PF6"), 1000)
    scan = Scan(0, 2**32 - 1_000, 0, (low[R2], low[C3]))
    edges = Edges(R2, C3, 500, 10_000, 60, False, (3,))
    answers = b"".join(map(encode, (Rise((3000, 125)), scan, edges)))
    events = talk.feed(answers, 0.1)
    (rise,) = [e for e in events if isinstance(e, RiseAt)]
    assert rise.ns == (3000, 125)  # PD0 is probe pin 10 and PF6 is 24: here in that order already
    (reading,) = [e for e in events if isinstance(e, ReadingAt)]
    (seen,) = [e for e in events if isinstance(e, EdgesAt)]
    assert (seen.drive, seen.sense) == (0, 1)
    assert seen.t_us - reading.t_us == 1_500


def test_rise_times_of_pins_in_another_order_are_sorted_out() -> None:
    talk = Conversation()
    talk.hello(0.0)
    said: list[Message] = [Hi(1, "atmega32u4", "t", 26, 5000)]
    said += [Pin(i, port) for i, port in enumerate(PORTS)]
    talk.feed(b"".join(map(encode, said)), 0.0)
    talk.start(("PF6", "PD0", "PB0"), 1000)
    events = talk.feed(encode(Rise((1000, 2000, 3000))), 0.1)  # PB0, PD0, PF6
    assert events == [RiseAt((3000, 2000, 1000))]
    assert talk.feed(encode(Rise((1000, 2000))), 0.1) == []  # of another USE


# --- the virtual half ---


def tell(half: VirtualHalf, *messages: Message) -> list[Message | Corrupt]:
    for message in messages:
        half.hear(encode(message))
    return Decoder().feed(half.take())


def running(half: VirtualHalf) -> VirtualHalf:
    tell(half, Hello(), Use(USE), Go(1000))
    half.run(half.now_us)
    half.take()
    return half


def after(half: VirtualHalf, us: int) -> list[Message | Corrupt]:
    half.run(half.now_us + us)
    return Decoder().feed(half.take())


def test_a_watch_needs_a_running_scan_and_two_pins_of_use() -> None:
    half = half_with()
    (oops,) = tell(half, Hello(), Use(USE), Watch(R2, C3, 10))[27:]
    assert isinstance(oops, Oops) and oops.code == "order"
    running(half)
    codes = [m.code for m in tell(half, Watch(R2, 0, 10), Watch(C3, C3, 10))
             if isinstance(m, Oops)]  # fmt: skip
    assert codes == ["pin", "pin"]


def test_nothing_else_is_said_during_a_watch_and_a_scan_follows() -> None:
    half = running(half_with())
    tell(half, Watch(R2, C3, 250))
    half.press("L24")  # another crossing: nobody looks
    assert after(half, 249_000) == []
    edges, scan, *_ = after(half, 5_000)
    assert isinstance(edges, Edges) and not edges.closed and edges.at_us == ()
    assert isinstance(scan, Scan)


def test_closing_is_seen_with_its_bounce_and_the_edges_are_the_contacts_own() -> None:
    half = running(half_with(seed=3))
    tell(half, Watch(R2, C3, 200))
    half.press("L23", half.now_us + 50_000)
    (edges, *_) = after(half, 210_000)
    assert isinstance(edges, Edges) and not edges.closed
    assert len(edges.at_us) % 2 == 1  # it ends closed
    assert 50_000 <= edges.at_us[0] <= 50_000 + edges.gap_us
    # Bounce of a virtual contact is over after 6.2 ms (sources/bounce_model.py).
    assert edges.at_us[-1] <= 50_000 + 6_200 + edges.gap_us


def test_the_28th_edge_ends_a_watch() -> None:
    half = running(VirtualHalf(CIRCUIT, worn=["L23"], seed=3))  # chatters for 15 to 60 ms
    tell(half, Watch(R2, C3, 250))
    half.press("L23", half.now_us + 1_000)
    (edges, *_) = after(half, 260_000)
    assert isinstance(edges, Edges) and len(edges.at_us) == 28
    assert edges.watched_us == edges.at_us[-1] < 100_000


@pytest.mark.parametrize("stop", [Halt(), Hello(), Use(USE)])
def test_whatever_stops_the_scan_ends_a_watch_without_an_answer(stop: Message) -> None:
    half = running(half_with())
    tell(half, Watch(R2, C3, 100))
    tell(half, stop)
    assert not any(isinstance(message, Edges) for message in after(half, 500_000))


def test_go_ends_a_watch_and_full_does_not() -> None:
    half = running(half_with())
    tell(half, Watch(R2, C3, 100), Full())
    assert isinstance(after(half, 110_000)[0], Edges)
    tell(half, Watch(R2, C3, 100), Go(1000))
    said = after(half, 110_000)
    assert not any(isinstance(message, Edges) for message in said)
    assert any(isinstance(message, Scan | Same) for message in said)


def test_a_driven_pin_that_stays_high_ends_a_watch() -> None:
    half = running(half_with("row R2 shorted to supply"))
    tell(half, Watch(R2, C3, 100))
    (oops, *_) = after(half, 10_000)
    assert isinstance(oops, Oops) and oops.code == "supply"


# --- levels and rise times that follow the circuit ---


def contacts(*faults: str, closed: tuple[str, ...] = ("L23",), **more: object) -> Contacts:
    made = Contacts(CIRCUIT, [parse_fault(CIRCUIT, text) for text in faults], seed=1, **more)  # type: ignore[arg-type]
    for key in closed:
        made.press(key, 0)
    made.advance(1_000_000)
    return made


def level(*faults: str, closed: tuple[str, ...] = ("L23",), **more: object) -> int:
    return contacts(*faults, closed=closed, **more).level_mv("PD0", "PF6")


# ngspice 39, NXP's model of the 1N4148, 5 V and 35 kOhm, sink 25 Ohm.
@pytest.mark.parametrize(("mv", "ohm"), [(511, 0), (634, 1000), (751, 2000), (1066, 5000)])
def test_the_level_of_one_diode_and_a_resistive_joint(mv: int, ohm: int) -> None:
    assert level(resistive={"L23 diode-row joint": ohm}) == pytest.approx(mv, abs=15)


def test_levels_of_no_diode_of_two_and_of_none_closed() -> None:
    assert level("L23 diode shorted") < 30
    assert level(closed=()) > 4_900
    assert level("L23 diode reversed") > 4_900
    # L23 never pressed: from C3 by L33 to R3, which is bridged to C4, and on by L24 to R2.
    two = level("row R3 bridged to column C4", closed=("L33", "L24"))
    assert two == pytest.approx(1_006, abs=15)


def test_resistance_along_the_wires_counts_for_the_keys_beyond_it() -> None:
    beyond = {"row R2 between L24 and L23": 1000.0}
    assert level(resistive=beyond) == pytest.approx(634, abs=15)
    assert contacts(resistive=beyond, closed=("L24",)).level_mv("PD0", "PF7") < 530


def test_rise_times_follow_what_hangs_on_the_pin() -> None:
    index = CIRCUIT.pin_of_line
    sound = contacts(closed=()).rise_ns()
    cut = contacts("row R2 lead open", closed=()).rise_ns()
    broken = contacts("row R2 broken between L24 and L23", closed=()).rise_ns()
    r2 = index["row R2"]
    assert cut[r2] == 250 < broken[r2] < sound[r2]
    assert [n for n, (a, b) in enumerate(zip(cut, sound, strict=True)) if a != b] == [r2]
    assert contacts("row R2 shorted to ground", closed=()).rise_ns()[r2] == 0
    assert contacts("row R2 shorted to supply", closed=()).rise_ns()[r2] == 0
    assert max(sound) <= 10_000  # what the settle time is enough for


def test_a_level_can_be_measured_while_a_watch_runs() -> None:
    half = running(half_with())
    answers = tell(half, Watch(R2, C3, 100), Level(R2, C3))
    (volt,) = answers
    assert isinstance(volt, Volt) and volt.millivolts > 4_900
    assert isinstance(after(half, 110_000)[0], Edges)
