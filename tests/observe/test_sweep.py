"""Sweeps of the small half (hands.py), by every way a sweep can go.

`statuses` writes the outcome as three rows of four signs, so that it can be checked by eye:
"." waiting, "+" seen, "-" passed, "!" odd, "?" unsure.
"""

from __future__ import annotations

import pytest
from hands import Hands, small_half

from keydiag.observe.sweep import Sweep

HALF = small_half()
KEYS = HALF.keys
SIGNS = {"waiting": ".", "seen": "+", "passed": "-", "odd": "!", "unsure": "?"}


def statuses(sweep: Sweep) -> str:
    signs = [SIGNS[sweep.status[key]] for key in KEYS]
    return " ".join("".join(signs[i : i + 4]) for i in (0, 4, 8))


def all_but(*left_out: str) -> list[str]:
    return [key for key in KEYS if key not in left_out]


# --- hands that follow the order, and a sound half ---


def test_clean_sweep() -> None:
    sweep = Hands(HALF).sweep(KEYS)
    assert statuses(sweep) == "++++ ++++ ++++"
    assert sweep.next_key is None and sweep.ask() == () and sweep.passed() == ()
    seen = sweep.observations()
    assert [o.held for o in seen] == [(), *((key,) for key in KEYS)]
    assert [o.origin for o in seen] == ["rest"] + ["sweep"] * 12
    assert all(o.confidence > 0.99 for o in seen)


def test_every_step_names_the_next_key() -> None:
    hands, sweep = Hands(HALF), Sweep(HALF)
    for key in KEYS:
        assert sweep.next_key == key
        hands.go_on(sweep, [key])
    assert sweep.next_key is None


def test_half_way() -> None:
    sweep = Hands(HALF).sweep(KEYS[:5])
    assert statuses(sweep) == "++++ +... ...."
    assert sweep.ask() == ()


def test_double_press() -> None:
    sweep = Hands(HALF).sweep("a1 a2 a2 a3 a4 b1 b2 b3 b4 c1 c2 c3 c4")
    assert statuses(sweep) == "++++ ++++ ++++"
    assert sum(o.held == ("a2",) for o in sweep.observations()) == 2


def test_wrong_key_then_the_right_one() -> None:
    sweep = Hands(HALF).sweep("a1 c4 a2 a3 a4 b1 b2 b3 b4 c1 c2 c3 c4")
    assert statuses(sweep) == "++++ ++++ ++++"


def test_going_back_to_repeat_some() -> None:
    sweep = Hands(HALF).sweep("a1 a2 a3 a4 b1 b2 a1 a2 a3 a4 b1 b2 b3 b4 c1 c2 c3 c4")
    assert statuses(sweep) == "++++ ++++ ++++"
    assert sweep.ask() == ()


def test_two_keys_pressed_in_the_wrong_order_are_asked_for_and_told_apart() -> None:
    """Hands, or the two keys exchanged: only pressing again can tell."""
    hands = Hands(HALF)
    sweep = hands.sweep("a1 a2 a4 a3 b1 b2 b3 b4 c1 c2 c3 c4")
    assert statuses(sweep) == "++?? ++++ ++++"
    assert set(sweep.ask()) == {"a3", "a4"}
    hands.confirm(sweep)
    assert statuses(sweep) == "++++ ++++ ++++"


def test_key_left_out_by_mistake_answers_when_it_is_asked_for() -> None:
    hands = Hands(HALF)
    sweep = hands.sweep(all_but("b2"))
    assert statuses(sweep) == "++++ +-++ ++++"
    assert sweep.ask()[0] == "b2" and len(sweep.ask()) == 2
    hands.confirm(sweep)
    assert statuses(sweep) == "++++ ++++ ++++" and sweep.ask() == ()
    confirmed = [o for o in sweep.observations() if o.held == ("b2",)]
    assert [o.origin for o in confirmed] == ["confirm"]


# --- keys that give no sign ---


@pytest.mark.parametrize(
    ("dead", "wanted"),
    [
        (["b2"], "++++ +-++ ++++"),
        (["b2", "b3"], "++++ +--+ ++++"),
        (["a1"], "-+++ ++++ ++++"),
        (["a1", "a2"], "--++ ++++ ++++"),
        (["a2", "b4", "c3"], "+-++ +++- ++-+"),
        (["b1", "b2", "b3", "b4"], "++++ ---- ++++"),
    ],
)
def test_dead_keys(dead: list[str], wanted: str) -> None:
    hands = Hands(HALF, [f"{key} switch dead" for key in dead])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == wanted
    assert sweep.passed() == tuple(dead)
    silent = [o for o in sweep.observations() if o.held and o.reading == hands.rest]
    assert [o.held[0] for o in silent] == dead
    assert all(o.confidence > 0.75 for o in silent)


def test_dead_key_is_noticed_as_soon_as_the_next_one_answers() -> None:
    hands = Hands(HALF, ["a3 switch dead"])
    sweep = hands.sweep("a1 a2 a3")
    assert (statuses(sweep), sweep.next_key) == ("++.. .... ....", "a3")
    hands.go_on(sweep, "a4")
    assert (statuses(sweep), sweep.next_key) == ("++-+ .... ....", "b1")


def test_dead_key_asked_for_once_more_is_certain() -> None:
    hands = Hands(HALF, ["b2 switch dead"])
    sweep = hands.sweep(KEYS)
    assert sweep.ask() == ("b2", "c3")  # c3: known to answer, and not the key pressed last
    hands.confirm(sweep)
    assert statuses(sweep) == "++++ +-++ ++++" and sweep.ask() == ()
    silent = [o for o in sweep.observations() if o.held == ("b2",)]
    assert [o.origin for o in silent] == ["sweep", "confirm"]
    assert all(o.confidence > 0.97 for o in silent)


def test_dead_last_key_cannot_be_told_from_stopping_until_it_is_asked_for() -> None:
    hands = Hands(HALF, ["c4 switch dead"])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == "++++ ++++ +++."
    sweep.finish()
    assert statuses(sweep) == "++++ ++++ +++?"
    # Not c3, pressed last, and not c2: on the same row, it might be what c4 answers as.
    assert sweep.ask() == ("c4", "b3")
    hands.confirm(sweep)
    assert statuses(sweep) == "++++ ++++ +++-" and sweep.ask() == ()


def test_stopping_early_leaves_the_rest_waiting() -> None:
    sweep = Hands(HALF).sweep(KEYS[:6])
    sweep.finish()
    assert statuses(sweep) == "++++ ++.. ...."
    assert sweep.ask() == (*KEYS[6:], "b1")


def test_of_a_whole_silent_row_one_key_is_asked_for() -> None:
    hands = Hands(HALF, ["row B lead open"])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == "++++ ---- ++++"
    assert sweep.ask() == ("b1", "c3")
    hands.confirm(sweep)
    assert sweep.ask() == ()


def test_whole_silent_column() -> None:
    hands = Hands(HALF, ["column Y lead open"])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == "++-+ ++-+ ++-+"
    assert sweep.ask() == ("a3", "c1")  # not c2: beside a silent key, its answer may be that one's


def test_nothing_answers_at_all() -> None:
    sweep = Hands(HALF).sweep([])
    assert statuses(sweep) == ".... .... ...."
    sweep.finish()
    assert set(sweep.ask()) == set(KEYS)


# --- keys that answer otherwise ---


@pytest.mark.parametrize("fault", ["b3 diode reversed", "b3 diode shorted"])
def test_diode_faults_need_no_second_press(fault: str) -> None:
    sweep = Hands(HALF, [fault]).sweep(KEYS)
    assert statuses(sweep) == "++++ ++!+ ++++" and sweep.ask() == ()


def test_all_diodes_the_other_way_round() -> None:
    sweep = Hands(HALF, ["every diode reversed"]).sweep(KEYS)
    assert statuses(sweep) == "!!!! !!!! !!!!" and sweep.ask() == ()


def test_key_on_a_wrong_column_is_asked_for_once() -> None:
    hands = Hands(HALF, ["b2 switch-column joint on column Z"])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == "++++ +?++ ++++" and sweep.ask() == ("b2",)
    hands.confirm(sweep)
    assert statuses(sweep) == "++++ +!++ ++++" and sweep.ask() == ()


def test_brushing_a_neighbour_is_told_from_a_bridge() -> None:
    """b2 and b3 at once looks like a bridge; pressed once more, b2 answers alone."""
    hands = Hands(HALF)
    sweep = hands.sweep("a1 a2 a3 a4 b1 b2+b3 b3 b4 c1 c2 c3 c4")
    assert statuses(sweep) == "++++ +?++ ++++" and sweep.ask() == ("b2",)
    hands.confirm(sweep)
    assert statuses(sweep) == "++++ ++++ ++++" and sweep.ask() == ()


def test_bridge_inside_a_key_stays_when_asked_for() -> None:
    hands = Hands(HALF, ["b2 node bridged to column Y"])
    sweep = hands.sweep(KEYS)
    assert sweep.status["b2"] in ("odd", "unsure")
    hands.confirm(sweep)
    assert sweep.status["b2"] == "odd"


# --- exchanges ---


def test_exchanged_neighbours() -> None:
    hands = Hands(HALF, ["a3 and a4 swapped"])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == "++?? ++++ ++++"
    hands.confirm(sweep)
    assert statuses(sweep) == "++!! ++++ ++++" and sweep.ask() == ()
    assert sweep.exchanges == ("a3 and a4 exchanged",)
    last = {o.held: o.reading for o in sweep.observations()}
    assert last["a3",].low[0] == 1 | 1 << 6  # a3 answers on column Z


@pytest.mark.parametrize(
    ("fault", "wanted", "words"),
    [
        ("row A lead and row C lead swapped", "!!!! ++++ !!!!", "row A answers as row C"),
        ("row A lead and row B lead swapped", "!!!! !!!! ++++", "row A answers as row B"),
        ("column W lead and column X lead swapped", "!!++ !!++ !!++", "column W answers as"),
        ("column X lead and column Z lead swapped", "+!+! +!+! +!+!", "column X answers as"),
    ],
)
def test_exchanged_leads_are_aligned_in_order(fault: str, wanted: str, words: str) -> None:
    hands = Hands(HALF, [fault])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == wanted.replace("!", "?")
    assert sweep.exchanges[0].startswith(words)
    assert [o.held for o in sweep.observations()] == [(), *((key,) for key in KEYS)]
    assert len(sweep.ask()) == 1
    hands.confirm(sweep)
    assert statuses(sweep) == wanted and sweep.ask() == ()


def test_exchanged_rows_with_a_dead_key_in_each() -> None:
    hands = Hands(HALF, ["row A lead and row B lead swapped", "a2 switch dead", "b4 switch dead"])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == "?-?? ???- ++++"
    hands.confirm(sweep)
    assert statuses(sweep) == "!-!! !!!- ++++"


def test_the_second_row_swept_before_the_first() -> None:
    """The same answers as two exchanged rows would give: one press tells."""
    hands = Hands(HALF)
    sweep = hands.sweep("b1 b2 b3 b4 a1 a2 a3 a4 c1 c2 c3 c4")
    assert statuses(sweep) == "???? ???? ++++"
    assert sweep.ask() == ("a1",)
    hands.confirm(sweep)
    assert statuses(sweep) == "++++ ++++ ++++" and sweep.ask() == ()


# --- rest that is not empty, free order, strays ---


def test_keys_of_a_grounded_column_can_show_nothing() -> None:
    hands = Hands(HALF, ["column X shorted to ground"])
    sweep = hands.sweep(KEYS)
    assert statuses(sweep) == "+-++ +-++ +-++"
    assert sweep.ask() == ()  # asking would show nothing either


def test_grounded_row() -> None:
    sweep = Hands(HALF, ["row B shorted to ground"]).sweep(KEYS)
    assert statuses(sweep) == "++++ ++++ ++++"


def test_bridged_columns_answer_together() -> None:
    sweep = Hands(HALF, ["column X bridged to column Y"]).sweep(KEYS)
    assert statuses(sweep) == "++++ ++++ ++++"


def test_free_order() -> None:
    sweep = Hands(HALF).sweep("c3 a2 b4 a1 c1 b2 a4 c4 b1 a3 c2 b3")
    assert not sweep.in_order
    assert statuses(sweep) == "++++ ++++ ++++"


def test_free_order_with_a_dead_key_asks_for_what_is_left() -> None:
    hands = Hands(HALF, ["a4 switch dead"])
    sweep = hands.sweep("c3 a2 b4 a1 c1 b2 a4 c4 b1 a3 c2 b3")
    assert sweep.next_key == "a4"
    sweep.finish()
    assert sweep.ask()[0] == "a4"
    hands.confirm(sweep)
    assert sweep.status["a4"] == "passed"


def test_rollover_is_two_keys() -> None:
    hands = Hands(HALF)
    sweep = hands.sweep(KEYS)
    assert not sweep.strays


def test_an_unsteady_stray_is_no_key() -> None:
    hands = Hands(HALF)
    sweep = hands.sweep("a1 a2 a3")
    for event in hands.press("c4", steady=False):
        sweep.feed(event)
    hands.go_on(sweep, "a4 b1")
    assert statuses(sweep) == "++++ +... ...."


def test_an_unsteady_answer_in_its_turn_is_the_key() -> None:
    hands = Hands(HALF)
    sweep = hands.sweep("a1 a2")
    for event in hands.press("a3", steady=False):
        sweep.feed(event)
    hands.go_on(sweep, "a4 b1")
    assert statuses(sweep) == "++++ +... ...."


def test_same_events_same_result_whenever_one_looks() -> None:
    hands, looked = Hands(HALF, ["b2 switch dead", "c1 diode reversed"]), Sweep(HALF)
    events = [e for key in KEYS for e in hands.press(key)]
    for event in events:
        looked.feed(event)
        _ = looked.status, looked.ask(), looked.next_key
    late = Sweep(HALF)
    for event in reversed(events):
        late.feed(event)
    assert late.status == looked.status
    assert late.observations() == looked.observations()
