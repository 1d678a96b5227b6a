"""Debouncing, on a matrix of three pins: row 0, row 1, column 2.

Drawings: one character is one millisecond and one state of the matrix. "." rest, "a" the bit of
key A = (drive 0, sense 2), "b" that of B = (drive 1, sense 2), "c" both, "x" both directions of
the A crossing, "r" rows 0 and 1 bridged.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keydiag.circuit import Reading
from keydiag.observe import CHATTER_US, REJOIN_US, STEADY_US, Observer, PressEvent

MATRIX = {
    ".": Reading(0, (0b001, 0b010, 0b100)),
    "a": Reading(0, (0b101, 0b010, 0b100)),
    "b": Reading(0, (0b001, 0b110, 0b100)),
    "c": Reading(0, (0b101, 0b110, 0b100)),
    "x": Reading(0, (0b101, 0b010, 0b101)),
    "r": Reading(0, (0b011, 0b011, 0b100)),
    "R": Reading(0, (0b111, 0b111, 0b100)),  # bridged rows, and A held
    "g": Reading(0b100, (0b101, 0b110, 0b100)),  # column 2 to ground
}
A, B = (0, 2), (1, 2)
REST = "." * 200
HOLD = 60


def play(*parts: str, rest: str = REST) -> Iterator[tuple[int, Reading]]:
    """The drawing as readings, one each millisecond."""
    for ms, sign in enumerate(rest + "".join(parts)):
        yield ms * 1000, MATRIX[sign]


def watch(*parts: str, rest: str = REST) -> list[PressEvent]:
    """All events of a drawing, each number once, in its final form."""
    observer = Observer()
    events = {}
    for t_us, reading in play(*parts, rest=rest):
        events |= {e.number: e for e in observer.feed(t_us, reading)}
    events |= {e.number: e for e in observer.finish()}
    assert all(e.done for e in events.values())
    return [events[number] for number in sorted(events)]


def bits(events: list[PressEvent]) -> list[set[tuple[int, int]]]:
    return [set(event.bits) for event in events]


# --- plain presses ---


def test_nothing_pressed_no_event() -> None:
    assert watch("." * 500) == []


def test_a_clean_press() -> None:
    (event,) = watch("a" * HOLD, "." * 40)
    assert event.bits == event.appeared == {A} and not event.gone
    assert event.reading == MATRIX["a"] and event.rest == MATRIX["."]
    assert (event.t_us, event.until_us) == (200_000, 260_000)
    assert event.steady and event.steady_us == 60_000 and event.samples == 60
    (bit,) = event.unsteady
    assert (bit.drive, bit.sense, bit.share, bit.changes) == (0, 2, 1.0, 2)
    assert (bit.make_us, bit.break_us, bit.dropouts) == (0, 0, 0)


def test_bounce_on_closing_and_opening_is_one_press_and_is_measured() -> None:
    """Three closings within 5 ms and two openings within 4: inside what makers of switches allow
    (key switches up to 5 ms, tact switches up to 3 ms closing and 8 ms opening)."""
    (event,) = watch("a.aa.", "a" * HOLD, "..a.", "." * 40)
    assert event.bits == {A}
    assert (event.t_us, event.until_us) == (200_000, 268_000)
    (bit,) = event.unsteady
    assert (bit.make_us, bit.break_us, bit.dropouts) == (5_000, 3_000, 0)
    assert bit.changes == 8
    assert bit.share == pytest.approx((3 + HOLD + 1) / (5 + HOLD + 3))


def test_event_comes_once_when_steady_and_once_when_over() -> None:
    observer = Observer()
    said = [
        (t_us // 1000, e.number, e.done)
        for t_us, reading in play("a" * HOLD, "." * 40)
        for e in observer.feed(t_us, reading)
    ]
    assert said == [
        (200 + STEADY_US // 1000, 1, False),
        (200 + HOLD + REJOIN_US // 1000, 1, True),
    ]


def test_two_presses() -> None:
    assert bits(watch("a" * HOLD, "." * 80, "b" * HOLD, "." * 40)) == [{A}, {B}]


def test_double_press_is_two_events() -> None:
    assert bits(watch("a" * HOLD, "." * 31, "a" * HOLD, "." * 40)) == [{A}, {A}]


# --- both sides of each limit ---


@pytest.mark.parametrize(("held", "steady"), [(7, False), (8, True)])
def test_steady_limit(held: int, steady: bool) -> None:
    (event,) = watch("a" * held, "." * 40)
    assert (event.steady, event.bits) == (steady, {A})


@pytest.mark.parametrize(("gap", "presses"), [(22, 1), (23, 2)])
def test_drop_out_or_second_press(gap: int, presses: int) -> None:
    """Back and steady (8 ms) within 30 ms of letting go = a drop-out; later = a second press."""
    events = watch("a" * 30, "." * gap, "a" * 30, "." * 40)
    assert bits(events) == [{A}] * presses
    assert sum(u.dropouts for e in events for u in e.unsteady) == 2 - presses


@pytest.mark.parametrize(("quiet", "learned"), [(199, 0), (200, 1)])
def test_rest_is_learned_after_200_ms(quiet: int, learned: int) -> None:
    observer = Observer()
    for t_us, reading in play("a", rest="." * quiet):
        observer.feed(t_us, reading)
    assert len(observer.rests) == learned


# --- evidence of bad contacts ---


def test_short_drop_outs_while_held() -> None:
    (event,) = watch("a" * 20, "...", "a" * 20, "." * 6, "a" * 20, "." * 40)
    (bit,) = event.unsteady
    assert (bit.dropouts, bit.dropout_us) == (2, 6_000)
    assert (bit.make_us, bit.break_us) == (0, 0)


def test_long_drop_out_while_held_is_evidence_too() -> None:
    (event,) = watch("a" * 30, "." * 15, "a" * 30, "." * 40)
    (bit,) = event.unsteady
    assert (bit.dropouts, bit.dropout_us) == (1, 15_000)


def test_a_contact_that_never_holds_still() -> None:
    (event,) = watch("aaa.." * 8, "." * 40)
    assert not event.steady and event.bits == {A} and event.reading == MATRIX["a"]
    (bit,) = event.unsteady
    assert bit.changes == 16 and bit.share == pytest.approx(24 / 38)


def test_endless_chatter_is_reported_in_pieces() -> None:
    events = watch("a." * 600, "." * 40)
    assert [e.steady for e in events] == [False, False, False]
    assert events[0].until_us - events[0].t_us <= CHATTER_US


def test_reverse_bit_that_only_flickers_goes_with_the_press() -> None:
    (event,) = watch("ax", "a" * HOLD, "." * 40)
    assert event.bits == {A}
    assert [(u.drive, u.sense) for u in event.unsteady] == [(0, 2), (2, 0)]


def test_one_reading_gone_astray_at_rest() -> None:
    (event,) = watch(".....", "b", "." * 40)
    assert not event.steady and event.bits == {B} and event.until_us - event.t_us == 1_000


# --- two keys at once ---


def test_rollover_gives_two_events_and_the_second_key_alone() -> None:
    first, second = watch("a" * 50, "c" * 30, "b" * 30, "." * 40)
    assert (first.bits, second.bits) == ({A}, {B})
    assert (first.reading, second.reading) == (MATRIX["a"], MATRIX["b"])
    assert first.over == second.over == ()
    assert (first.until_us, second.t_us) == (280_000, 250_000)


def test_second_key_pressed_and_released_while_the_first_is_held() -> None:
    first, second = watch("a" * 50, "c" * 30, "a" * 30, "." * 40)
    assert (first.bits, second.bits) == ({A}, {B})
    assert second.reading == MATRIX["c"] and second.over == (first.number,)
    assert first.reading == MATRIX["a"]


def test_two_keys_within_one_bounce_are_one_event_with_both_bits() -> None:
    assert bits(watch("aa", "c" * HOLD, "." * 40)) == [{A, B}]


def test_both_directions_at_once() -> None:
    assert bits(watch("x" * HOLD, "." * 40)) == [{A, (2, 0)}]


def test_a_key_that_stays_down_does_not_hide_the_others() -> None:
    events = watch("a" * 100, "c" * HOLD, "a" * 100, "c" * HOLD, "a" * 100)
    assert bits(events) == [{A}, {B}, {B}]
    assert events[2].over == (1,)


# --- rest that is not empty ---


def test_bridge_at_rest_is_part_of_the_baseline() -> None:
    (event,) = watch("R" * HOLD, "r" * 40, rest="r" * 200)
    assert event.rest == MATRIX["r"]
    assert event.bits == {A, B}


def test_line_to_ground_at_rest() -> None:
    observer = Observer()
    for t_us, reading in play(rest="g" * 201):
        observer.feed(t_us, reading)
    assert observer.rest == MATRIX["g"]
    assert watch("g" * 100, rest="g" * 200) == []


def test_key_held_while_rest_was_learned() -> None:
    observer = Observer()
    events = []
    for t_us, reading in play("." * 250, "b" * HOLD, "." * 40, rest="a" * 250):
        events += observer.feed(t_us, reading)
    assert [r.reading for r in observer.rests] == [MATRIX["a"], MATRIX["."]]
    assert [(e.bits, e.reading, e.rest) for e in events if e.done] == [
        ({B}, MATRIX["b"], MATRIX["."])
    ]


def test_unquiet_rest_takes_the_most_frequent_reading() -> None:
    observer = Observer()
    for t_us, reading in play(rest="....r" * 500):
        observer.feed(t_us, reading)
    (rest,) = observer.rests
    assert rest.reading == MATRIX["."] and not rest.steady


def test_a_bridge_that_lets_go_for_a_moment() -> None:
    (event,) = watch("." * 20, "r" * 100, rest="r" * 300)
    assert event.appeared == set() and event.gone == {(0, 1), (1, 0)}


# --- links and journals ---


def test_after_a_broken_link_rest_is_learned_anew() -> None:
    observer = Observer()
    events = []
    for t_us, reading in play("a" * 30):
        events += observer.feed(t_us, reading)
    events += observer.restart()
    assert events[-1].done and events[-1].bits == {A}
    assert observer.rest is None
    for ms in range(300):
        assert observer.feed(1_000_000 + ms * 1000, MATRIX["r"]) == []
    assert observer.rest == MATRIX["r"]


DRAWINGS = st.lists(
    st.tuples(st.sampled_from(".abcxrg"), st.sampled_from([1, 2, 7, 8, 9, 29, 30, 31, 60, 210])),
    max_size=25,
).map(lambda parts: REST + "".join(sign * count for sign, count in parts))


def final(readings: list[tuple[int, Reading]]) -> tuple[dict[int, PressEvent], list]:
    observer = Observer()
    events: dict[int, PressEvent] = {}
    for t_us, reading in readings:
        events |= {e.number: e for e in observer.feed(t_us, reading)}
    events |= {e.number: e for e in observer.finish()}
    return events, observer.rests


@given(DRAWINGS, st.sets(st.integers(0, 2000)))
def test_only_changes_count_not_how_often_an_unchanged_reading_came(
    drawing: str, extra: set[int]
) -> None:
    """What a journal keeps (changes, and the end) gives the same events as all readings do."""
    every = list(play(drawing, rest=""))
    changes = [
        item
        for ms, item in enumerate(every)
        if ms == 0 or ms in extra or ms == len(every) - 1 or item[1] != every[ms - 1][1]
    ]
    assert final(changes) == final(every)


@given(DRAWINGS)
def test_laws_of_events(drawing: str) -> None:
    events, _ = final(list(play(drawing, rest="")))
    for number, event in events.items():
        assert event.done and event.number == number
        assert event.bits and event.t_us <= event.until_us <= len(drawing) * 1000
        assert event.gone <= event.bits
        assert not set(event.over) & {number} and set(event.over) <= set(events)
        for bit in event.unsteady:
            assert 0 <= bit.share <= 1 and bit.changes >= 1
