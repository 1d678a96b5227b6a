"""Which press was which key: counted, and asked for alone where the count does not tell."""

from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag.learn.answers import Answer
from keydiag.learn.order import settle

KEYS = tuple(f"k{number}" for number in range(12))


def at(row, column):
    return Answer(frozenset({(row, 100 + column)}))


# Three rows of four.
OWN = {key: at(number // 4, number % 4) for number, key in enumerate(KEYS)}


def play(pressed, own=OWN, keys=KEYS):
    """Settle a sweep of these keys, pressing alone what is asked for; and what was asked."""
    sweep = [own[key] for key in pressed if own.get(key) is not None]
    alone = {}
    while (settled := settle(keys, sweep, alone)).ask is not None:
        assert settled.ask not in alone
        alone[settled.ask] = own.get(settled.ask)
    return settled, list(alone)


def test_a_clean_sweep_needs_nothing_more():
    settled, asked = play(KEYS)
    assert settled.answer == OWN and settled.silent == () and asked == []


def test_one_dead_key_by_eye():
    settled, asked = play(KEYS, {**OWN, "k5": None})
    assert settled.silent == ("k5",)
    assert settled.answer == {key: answer for key, answer in OWN.items() if key != "k5"}
    # Eleven answers to twelve keys: the one in the middle first, then the middle of the rest.
    assert asked == ["k6", "k3", "k5"]


def test_a_key_pressed_twice_counts_once():
    settled, asked = play([key for key in KEYS for _ in range(1 + (key == "k4"))])
    assert settled.answer == OWN and asked == []


def test_keys_pressed_in_another_order_are_noticed_by_whoever_looks_at_places():
    pressed = list(KEYS)
    pressed[2], pressed[3] = pressed[3], pressed[2]
    settled, _ = play(pressed)
    assert (settled.answer["k2"], settled.answer["k3"]) == (OWN["k3"], OWN["k2"])
    # Asked for alone, they tell.
    alone = {key: OWN[key] for key in ("k2", "k3")}
    assert settle(KEYS, [OWN[key] for key in pressed], alone).answer == OWN


def test_two_keys_on_one_crossing_are_both_asked_for():
    settled, asked = play(KEYS, {**OWN, "k7": OWN["k6"]})
    assert set(asked) >= {"k6", "k7"}
    assert settled.answer["k6"] == settled.answer["k7"]


def test_before_anything_was_asked_the_dead_row_may_be_any():
    settled = settle(KEYS, [OWN[key] for key in KEYS[4:]], {})
    assert settled.answer == {} and settled.open == (KEYS,) and settled.silent == ()


@settings(deadline=None, max_examples=200)
@given(st.sets(st.sampled_from(KEYS)))
def test_any_dead_keys_are_found_with_few_presses(dead):
    own = {key: None if key in dead else answer for key, answer in OWN.items()}
    settled, asked = play(KEYS, own)
    assert settled.answer == {key: answer for key, answer in own.items() if answer is not None}
    assert set(settled.silent) == dead
    assert len(asked) <= len(KEYS)
    if len(dead) == 1:
        assert len(asked) <= 5  # the binary logarithm of twelve, and the dead key itself


@settings(deadline=None, max_examples=100)
@given(
    st.sets(st.sampled_from(KEYS), max_size=2),
    st.lists(st.sampled_from(KEYS), max_size=3),
    st.integers(0, 12),
)
def test_wrong_keys_in_between_do_no_lasting_harm(dead, strays, place):
    own = {key: None if key in dead else answer for key, answer in OWN.items()}
    pressed = [*KEYS[:place], *strays, *KEYS[place:]]
    settled, asked = play(pressed, own)
    for key in asked:  # whatever the sweep was, what was pressed alone is sure
        assert settled.answer.get(key) == own[key]
    assert set(settled.answer) | set(settled.silent) == set(KEYS)
