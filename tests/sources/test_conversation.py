"""The host's side of the protocol, fed by hand: shared/wire-v1.md, sections 2, 4 and 5."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag.circuit import Reading
from keydiag.errors import ProbeRefused
from keydiag.sources.base import Counted, LinkDown, LinkUp, ProbeSaid, ReadingAt, SourceEvent
from keydiag.sources.conversation import Conversation
from keydiag.wire import (
    Decoder,
    Diff,
    Full,
    Go,
    Halt,
    Hello,
    Hi,
    Message,
    Oops,
    Pin,
    Same,
    Scan,
    Use,
    check_of_reading,
    encode,
)

HI = Hi(1, "x", "b", 3, 5000)
PINS = [Pin(0, "PA0"), Pin(1, "PA1"), Pin(2, "PA2")]
REST = (0, (0b001, 0b100))  # of the pins PA0 and PA2
# The circuit calls PA2 its pin 0 and PA0 its pin 1.
PORTS = ("PA2", "PA0")


class Talk:
    """A conversation and its clock."""

    def __init__(self) -> None:
        self.talk = Conversation()
        self.now_s = 100.0
        self.sent = Decoder()

    def hear(self, *messages: Message, after_s: float = 0.01) -> list[SourceEvent]:
        self.now_s += after_s
        return self.talk.feed(b"".join(encode(m) for m in messages), self.now_s)

    def said(self) -> list[object]:
        return list(self.sent.feed(self.talk.take()))


@pytest.fixture
def talk() -> Talk:
    """A conversation that is up and reading."""
    talk = Talk()
    talk.talk.hello(talk.now_s)
    assert talk.said() == [Hello()]
    talk.hear(HI, *PINS)
    assert talk.talk.ready
    talk.talk.start(PORTS, 1000)
    assert talk.said() == [Use(0b101), Go(1000)]
    events = talk.hear(Scan(0, 5_000_000, *REST))
    assert [type(e) for e in events] == [ReadingAt]
    return talk


def test_not_ready_until_every_pin_is_known() -> None:
    talk = Talk()
    talk.talk.hello(0.0)
    talk.hear(HI, *PINS[:2])
    assert not talk.talk.ready
    talk.hear(PINS[2])
    assert talk.talk.ready


def test_pins_that_one_answer_lacks_another_one_brings() -> None:
    talk = Talk()
    talk.talk.hello(0.0)
    talk.hear(HI, PINS[0])
    talk.talk.hello(0.5)
    talk.hear(PINS[1], PINS[2], HI)
    assert talk.talk.ready


def test_masks_and_order_are_the_circuits(talk: Talk) -> None:
    (event,) = talk.hear(Diff(1, 5_001_000, None, ((0, 0b101),)))  # PA2 reads low against PA0
    assert isinstance(event, ReadingAt)
    assert event.reading == Reading(0, (0b01, 0b11))


def test_time_begins_near_zero_and_follows_the_probe(talk: Talk) -> None:
    (one,) = talk.hear(Same(0, 5_100_000, check_of_reading(*REST)))
    (two,) = talk.hear(Same(0, 5_180_000, check_of_reading(*REST)))
    assert isinstance(one, ReadingAt) and isinstance(two, ReadingAt)
    assert two.t_us - one.t_us == 80_000 and one.t_us < 1_000_000


def test_same_object_for_an_unchanged_reading(talk: Talk) -> None:
    (one,) = talk.hear(Same(0, 5_100_000, check_of_reading(*REST)))
    (two,) = talk.hear(Same(0, 5_180_000, check_of_reading(*REST)))
    assert one.reading is two.reading  # type: ignore[union-attr]


def test_something_is_said_at_least_once_a_second(talk: Talk) -> None:
    said_at = []
    for n in range(100):
        talk.hear(Same(0, 5_000_000 + n * 50_000, check_of_reading(*REST)), after_s=0.05)
        if talk.said():
            said_at.append(talk.now_s)
    gaps = [b - a for a, b in zip(said_at, said_at[1:], strict=False)]
    assert said_at and max(gaps) <= 1.0


def test_a_lost_line_makes_it_say_full_but_not_without_end(talk: Talk) -> None:
    events = talk.hear(Diff(3, 5_010_000, None, ((0, 0b101),)))
    assert events == [Counted(0, 2)]
    assert talk.said() == [Full()]
    for _ in range(5):
        talk.hear(Diff(4, 5_011_000, None, ((0, 0b001),)), after_s=0.001)
    assert talk.said() == []
    (event,) = [e for e in talk.hear(Scan(9, 5_030_000, *REST)) if isinstance(e, ReadingAt)]
    assert event.reading == Reading(0, (0b01, 0b10))


def test_damaged_lines_are_counted(talk: Talk) -> None:
    talk.now_s += 0.01
    events = talk.talk.feed(b"SCAN 1 2 3*0000\nnonsense\n", talk.now_s)
    assert events == [Counted(2, 0)]


def test_use_and_go_again_when_readings_stay_away(talk: Talk) -> None:
    events = talk.hear(after_s=0.55)
    assert [type(e) for e in events] == [LinkDown]
    assert talk.said() == [Use(0b101), Go(1000)]
    events = talk.hear(Scan(0, 9_000_000, *REST))
    assert [type(e) for e in events] == [LinkUp, ReadingAt]


@pytest.mark.parametrize("code", ["silent", "usb"])
def test_a_probe_that_stopped_by_itself_is_started_again(talk: Talk, code: str) -> None:
    events = talk.hear(Oops(code, "text"))
    assert [type(e) for e in events] == [ProbeSaid, LinkDown]
    assert talk.said() == [Use(0b101), Go(1000)]


def test_a_probe_that_was_reset_is_started_again_and_time_goes_on(talk: Talk) -> None:
    (before,) = talk.hear(Same(0, 5_100_000, check_of_reading(*REST)))
    assert [type(e) for e in talk.hear(HI)] == [LinkDown]
    assert talk.hear(*PINS) == []
    assert talk.said() == [Use(0b101), Go(1000)]
    _, after = talk.hear(Scan(0, 17, *REST), after_s=1.0)
    assert isinstance(before, ReadingAt) and isinstance(after, ReadingAt)
    assert after.t_us - before.t_us == pytest.approx(1_020_000, abs=20_000)


def test_another_probe_that_lacks_a_pin_is_not_started(talk: Talk) -> None:
    events = talk.hear(Hi(1, "y", "b", 1, 0), PINS[0])
    assert [type(e) for e in events] == [LinkDown, LinkDown]
    assert "has no pin PA2" in events[1].reason  # type: ignore[union-attr]
    talk.said()
    talk.hear(after_s=2.0)
    assert Go(1000) not in talk.said()


def test_a_version_we_do_not_speak_is_refused() -> None:
    talk = Talk()
    talk.talk.hello(0.0)
    talk.hear(Hi(9, "z", "b", 1, 0))
    assert talk.talk.ready
    with pytest.raises(ProbeRefused, match="version 9"):
        talk.talk.start(PORTS, 1000)


def test_after_the_port_was_gone_the_half_line_is_forgotten(talk: Talk) -> None:
    talk.talk.feed(b"SCAN 1 500", talk.now_s)
    (down,) = talk.talk.link_down("unplugged")
    assert down == LinkDown("unplugged")
    talk.talk.take()
    talk.talk.hello(talk.now_s)
    talk.hear(HI, *PINS)
    assert talk.talk.decoder.corrupt == 0
    assert talk.said() == [Hello(), Use(0b101), Go(1000)]


def test_halt_is_the_last_word(talk: Talk) -> None:
    talk.talk.halt()
    assert talk.said() == [Halt()]
    assert talk.hear(Scan(5, 6_000_000, *REST)) == [Counted(0, 4)]
    talk.hear(after_s=5.0)
    assert talk.said() == []


PIECES = st.lists(
    st.binary(max_size=60)
    | st.sampled_from([encode(m) for m in (HI, *PINS, Scan(0, 5, *REST), Scan(1, 9, 0, (1,)))]),
    max_size=20,
)


@settings(deadline=None)
@given(PIECES, st.booleans())
def test_no_bytes_upset_it(pieces: list[bytes], started: bool) -> None:
    talk = Talk()
    talk.talk.hello(talk.now_s)
    if started:
        talk.hear(HI, *PINS)
        talk.talk.start(PORTS, 1000)
    times = []
    for piece in pieces:
        talk.now_s += 0.2
        for event in talk.talk.feed(piece, talk.now_s):
            if isinstance(event, ReadingAt):
                times.append(event.t_us)
                assert event.reading == Reading(0, (0b01, 0b10))
        talk.talk.take()
    assert times == sorted(times)
