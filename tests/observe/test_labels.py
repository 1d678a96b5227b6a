"""Sweeps of halves with one to three faults: after what is asked for, no label is surely wrong.

The truth is the circuit's own prediction for each key. Hands make no slip here; those that do are
in test_sweep_simulated.py. Seeds are fixed, so the counts are exact; the larger runs they stand
for are named beside them.
"""

from __future__ import annotations

from random import Random

import pytest
from hands import Hands, small_half

from keydiag import board
from keydiag.circuit import Circuit, Reading
from keydiag.faults import Fault, describe, enumerate_faults, predict
from keydiag.faults.priors import Priors
from keydiag.observe.sweep import Sweep

SMALL = small_half()
KEYS = SMALL.keys
BRAMBLEWICK = Circuit(board.example("bramblewick-left"))
MOST_ROUNDS = 8
DOUBTFUL = 0.9  # a label with less confidence than this counts as doubtful


def truth(hands: Hands) -> dict[str, Reading]:
    circuit, faults = hands.circuit, hands.faults
    return {key: predict(circuit, faults, frozenset({key})).as_reading() for key in circuit.keys}


def swept(circuit: Circuit, faults: list[Fault]) -> tuple[Hands, Sweep, int]:
    """A sweep in order, and all that is asked for after it; how many more presses that took."""
    hands = Hands(circuit, map(describe, faults))
    sweep = hands.sweep(circuit.keys)
    sweep.finish()
    more = 0
    for _ in range(MOST_ROUNDS):
        asked = sweep.ask()
        if not asked:
            break
        more += len(asked)
        hands.confirm(sweep)
        sweep.finish()
    return hands, sweep, more


def surely_wrong(hands: Hands, sweep: Sweep) -> list[tuple[tuple[str, ...], str]]:
    right = truth(hands)
    return [
        (seen.held, seen.origin)
        for seen in sweep.observations()
        if len(seen.held) == 1
        and seen.reading != right[seen.held[0]]
        and seen.confidence >= DOUBTFUL
    ]


def on_rail(hands: Hands) -> bool:
    return bool(hands.rest.rest) or any(~low >> n & 1 for n, low in enumerate(hands.rest.low))


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("circuit", [SMALL, BRAMBLEWICK], ids=["small", "bramblewick"])
def test_no_label_is_surely_wrong(circuit: Circuit, count: int) -> None:
    """Faults drawn by their priors. (1,941 sweeps of other halves, same sort of draw: one with
    labels that are surely wrong, two bridged rows of which one was exchanged with a third.)"""
    faults, priors = enumerate_faults(circuit), Priors(circuit)
    weights = list(map(priors.probability, faults))
    draw, more, played = Random(f"labels/{count}"), 0, 0
    for _ in range(60 if circuit is SMALL else 20):
        chosen = sorted({*draw.choices(faults, weights, k=count)})
        if on_rail(Hands(circuit, map(describe, chosen))):
            continue  # nothing is pressed before that is mended
        hands, sweep, asked = swept(circuit, chosen)
        assert surely_wrong(hands, sweep) == [], list(map(describe, chosen))
        more, played = more + asked, played + 1
    assert more <= 4 * played  # on the average; a dead key alone takes two


@pytest.mark.parametrize(
    "faults",
    [
        ["b2 diode-row joint open", "b3 switch-column joint on column X"],
        ["b3 diode-row joint open", "b2 switch-column joint on column Y"],
        ["b2 and b3 swapped", "b3 diode-row joint open"],
        ["b2 and b3 swapped", "b2 diode-row joint open"],
        ["b3 and c3 swapped", "c3 diode-row joint open"],
        ["column X bridged to column Y", "b2 switch dead"],
        ["column X bridged to column Y", "b3 switch dead"],
        ["column Y lead and column Z lead swapped", "column Y lead open"],
        ["row A lead and row B lead swapped", "row A lead open"],
        ["a3 switch dead", "b4 switch dead", "b3 switch-column joint on column X"],
        ["every diode reversed", "b3 switch-column joint on column X"],
    ],
    ids=" + ".join,
)
def test_a_key_beside_a_dead_one_is_told_from_it(faults: list[str]) -> None:
    """What one press shows might be either's; asked for alone, each of them is certain."""
    hands, sweep, _ = swept(SMALL, Hands(SMALL, faults).faults)
    assert surely_wrong(hands, sweep) == []
    last = {seen.held[0]: seen for seen in sweep.observations() if seen.held}
    right = truth(hands)
    doubtful = {k for k, seen in last.items() if seen.confidence < DOUBTFUL}
    assert {k for k in KEYS if k not in last or last[k].reading != right[k]} <= doubtful
    assert not doubtful & {"b2", "b3"}


def test_a_key_behind_a_round_shares_no_line_with_the_key_before_it() -> None:
    """Else what a moved key shows could be taken for its answer. c3 was pressed last."""
    for key in KEYS[:-2]:
        sweep = swept_once([f"{key} switch dead"])
        asked = sweep.ask()
        assert asked[0] == key and len(asked) == 2
        assert not set(SMALL.crossing[key]) & set(SMALL.crossing[asked[1]])
        assert abs(KEYS.index(key) - KEYS.index(asked[1])) > 1


def swept_once(faults: list[str]) -> Sweep:
    sweep = Hands(SMALL, faults).sweep(KEYS)
    sweep.finish()
    return sweep


def test_a_clean_sweep_asks_for_nothing() -> None:
    for circuit in (SMALL, BRAMBLEWICK):
        assert swept(circuit, [])[2] == 0


def test_of_two_keys_of_which_one_is_silent_each_is_asked_for_on_its_own() -> None:
    sweep = swept_once(["b3 and c3 swapped", "c3 diode-row joint open"])
    asked = sweep.ask()
    assert {"b3", "c3"} <= set(asked)
    places = asked.index("b3"), asked.index("c3")
    assert abs(places[0] - places[1]) > 1  # a key that is known to answer stands between them


def test_a_silent_key_asked_for_alone_is_believed_though_its_crossing_was_seen() -> None:
    """b3 answers as b2, which is dead: that b2's crossing was seen says nothing of b2."""
    hands, sweep, _ = swept(SMALL, Hands(SMALL, ["b2 and b3 swapped", "b3 switch dead"]).faults)
    last = [seen for seen in sweep.observations() if seen.held == ("b2",)][-1]
    assert last.origin == "confirm" and last.reading == truth(hands)["b2"] == hands.rest
    assert last.confidence >= DOUBTFUL
