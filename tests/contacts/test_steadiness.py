"""Watches of one crossing; times in microseconds, small enough to check by eye."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keydiag import board
from keydiag.circuit import Circuit
from keydiag.contacts.steadiness import Steadiness, judge_steadiness, steadiness
from keydiag.sources.base import EdgesAt

CIRCUIT = Circuit(board.load(Path(__file__).parents[1] / "board" / "two-by-three.toml"))


def watch(*at_us: int, closed: bool = True, t_us: int = 0, watched_us: int = 200_000) -> EdgesAt:
    return EdgesAt(0, 2, t_us, watched_us, 60, closed, at_us)


def test_held_and_steady():
    assert steadiness([watch()]) == Steadiness(True, None, 0, 0, 0, 200_000, 60)


def test_never_closed():
    seen = steadiness([watch(closed=False)])
    assert not seen.closed_at_all and not seen.settled


def test_bounce_ends_when_it_stays_closed():
    # closed at 50.0 ms, open at 50.3, closed at 51.5 and from then on
    seen = steadiness([watch(50_000, 50_300, 51_500, closed=False)])
    assert (seen.bounce_us, seen.dropouts, seen.settled) == (1_500, 0, True)


def test_a_clean_closure_has_no_bounce():
    assert steadiness([watch(50_000, closed=False)]).bounce_us == 0


def test_a_closure_between_two_watches_was_not_seen():
    seen = steadiness([watch(closed=False), watch(t_us=205_000)])
    assert seen.bounce_us is None and seen.settled


def test_an_opening_while_held_is_a_dropout():
    seen = steadiness([watch(100_000, 103_000)])
    assert (seen.dropouts, seen.longest_us, seen.let_go) == (1, 3_000, 0)


def test_a_dropout_that_chatters_is_one():
    # open 100.0, closed 100.2, open 100.4, closed 104.0: one drop-out of 4 ms
    seen = steadiness([watch(100_000, 100_200, 100_400, 104_000)])
    assert (seen.dropouts, seen.longest_us) == (1, 4_000)


def test_letting_go_is_no_dropout_however_it_chatters():
    seen = steadiness([watch(100_000, 100_400, 103_000)])
    assert (seen.dropouts, seen.let_go) == (0, 0)


def test_letting_go_and_pressing_again_is_the_finger():
    seen = steadiness([watch(50_000, 170_000), watch(t_us=201_000)])
    assert (seen.dropouts, seen.let_go) == (0, 1)


@pytest.mark.parametrize(("us", "dropouts"), [(100_000, 1), (100_004, 0)])
def test_the_longest_dropout_and_the_shortest_letting_go(us, dropouts):
    assert steadiness([watch(40_000, 40_000 + us)]).dropouts == dropouts


def test_a_dropout_over_the_end_of_a_watch():
    # open at 199 ms, the next watch begins at 202 ms with the contact still open, closed at 204
    seen = steadiness([watch(199_000), watch(2_000, closed=False, t_us=202_000)])
    assert (seen.dropouts, seen.longest_us) == (1, 5_000)


def test_all_chatter_never_settles():
    seen = steadiness([watch(*range(5_000, 105_000, 5_000), closed=False, watched_us=105_000)])
    assert seen.closed_at_all and not seen.settled and seen.bounce_us is None


@given(
    st.lists(st.integers(1, 199_999), unique=True, max_size=28).map(sorted),
    st.integers(0, 199_000),
    st.booleans(),
)
def test_cutting_a_watch_in_two_changes_nothing(at_us, cut_us, closed):
    """But for how a closure began that falls on the cut."""
    whole = watch(*at_us, closed=closed)
    before = [t for t in at_us if t <= cut_us]
    after = [t - cut_us for t in at_us if t > cut_us]
    parts = [
        watch(*before, closed=closed, watched_us=cut_us),
        watch(*after, closed=closed ^ bool(len(before) & 1), t_us=cut_us,
              watched_us=200_000 - cut_us),
    ]  # fmt: skip
    assert steadiness(parts) == steadiness([whole])


STEADY = steadiness([watch(50_000, closed=False)])
LOOSE = steadiness([watch(100_000, 103_000)])
WORN = steadiness([watch(50_000, 50_300, 65_000, closed=False)])
RESTLESS = steadiness([watch(*range(5_000, 105_000, 5_000), watched_us=105_000)])


def told(**seen: Steadiness) -> list[tuple[str, tuple[str, ...]]]:
    every = dict.fromkeys(CIRCUIT.keys, STEADY) | seen
    return [(n.kind, n.places if n.shared else n.keys) for n in judge_steadiness(CIRCUIT, every)]


def test_steady_keys_do_not_stand_out():
    assert told() == []


def test_one_unsteady_key_is_local_and_all_beyond_a_stretch_are_the_stretch():
    assert told(A2=LOOSE) == [("drop-outs", ("A2",))]
    assert told(A2=LOOSE, A3=LOOSE) == [("drop-outs", ("row Ra between A1 and A2",))]
    assert told(A1=LOOSE, B2=LOOSE) == [("drop-outs", ("A1",)), ("drop-outs", ("B2",))]


def test_long_bounce_and_no_rest_at_all():
    assert told(B1=WORN) == [("bounce", ("B1",))]
    assert told(B1=RESTLESS) == [("no rest", ("B1",))]
