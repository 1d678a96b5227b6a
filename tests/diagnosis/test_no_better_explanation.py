"""Nothing more probable was missed: held against a MaxSAT solver and against plain enumeration."""

from __future__ import annotations

import math
import random
from itertools import combinations, product

import pytest

from keydiag.board import loads
from keydiag.board.new import Plan, new_board
from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from keydiag.faults import Fault, describe, enumerate_faults, pack
from keydiag.faults.predict import FaultSet, wired
from keydiag.faults.priors import Priors
from tests.diagnosis.halves import bramblewick, named, small, sweep
from tests.diagnosis.oracle import Oracle

BOARD = new_board(Plan(name="block", rows=5, columns=7))
BLOCK = Circuit(loads(BOARD))
CHAINED = Circuit(loads(BOARD.replace('style = "through"', 'style = "chain"')))
# (half, faults, how many cases): the proof takes 0.1 s for one fault, seconds for three.
LOTS = [
    ("small", 1, 60), ("small", 2, 40), ("small", 3, 25), ("block", 1, 40), ("block", 2, 15),
    ("left", 1, 15), ("left", 2, 5),
]  # fmt: skip
CIRCUITS = {"small": Circuit(small()), "block": BLOCK, "left": Circuit(bramblewick())}


def drawn(circuit: Circuit, draw: random.Random, count: int) -> FaultSet:
    """So many faults, each as often as its prior says."""
    faults, priors = enumerate_faults(circuit), Priors(circuit)
    weights = [priors.probability(fault) for fault in faults]
    chosen: set[Fault] = set()
    while len(chosen) < count:
        chosen.update(draw.choices(faults, weights))
    return frozenset(chosen)


def cheapest(engine: Diagnostician, observations: list, oracle: Oracle) -> float | None:
    """Cost of the engine's most probable set that explains every bit; None if it has none."""
    together: set[Fault] = set()
    for group in engine.explain(observations)[1]:
        whole = [h.faults for h in group.hypotheses if h.faults and not h.leaves]
        if not whole:
            return None
        together |= min(whole, key=lambda s: (sum(map(oracle.cost.__getitem__, s)), sorted(s)))
    return sum(map(oracle.cost.__getitem__, together))


@pytest.mark.parametrize(("half", "count", "cases"), LOTS)
def test_no_explanation_of_higher_prior_was_missed(half: str, count: int, cases: int) -> None:
    circuit = CIRCUITS[half]
    engine, oracle = Diagnostician(circuit), Oracle(circuit)
    draw = random.Random(f"{half} {count}")
    proven = 0
    for _ in range(cases):
        faults = drawn(circuit, draw, count)
        observations = sweep(circuit, faults)
        cost = cheapest(engine, observations, oracle)
        names = sorted(map(describe, faults))
        if cost is None:
            continue  # a slip of the hand is more probable than any set of faults
        proof = oracle.prove(observations, cost - 1e-3)
        assert proof.faults is None, (names, sorted(map(describe, proof.faults or ())))
        assert proof.cost > cost - 2e-3, (names, "the solver gave up")
        proven += 1
    assert proven >= 0.9 * cases


def log_likelihood(circuit: Circuit, faults: FaultSet, frames: list) -> float | None:
    """Half for each bit that the faults leave open, what is open at rest once for all frames; None
    if they do not explain everything."""
    half = wired(circuit, faults)
    at_rest = half.packed(())[1]
    open_bits = at_rest.bit_count()
    for held, seen in frames:
        bits, unknown = half.packed(held)
        if (bits ^ seen) & ~unknown:
            return None
        open_bits += (unknown & ~at_rest).bit_count()
    return open_bits * math.log(0.5)


@pytest.mark.parametrize(
    ("circuit", "names"),
    [
        (BLOCK, ("L23 diode reversed", "L45 switch-column joint open")),
        (BLOCK, ("L23 switch-column joint open", "L22 switch-column joint open")),
        (BLOCK, ("row R2 bridged to row R3", "L11 diode reversed")),
        # Reads like an open lead of row R4 beside a dead key L57, and is as probable.
        (CHAINED, ("column C7 broken between L37 and L47", "row R4 broken between L47 and L46")),
    ],
)
def test_the_posterior_odds_are_those_of_all_pairs(
    circuit: Circuit, names: tuple[str, str]
) -> None:
    """Every single fault and every pair of faults of a block of 5 x 7, simulated one by one."""
    observations = sweep(circuit, named(circuit, *names))
    frames = [(frozenset(o.held), pack(o.reading)) for o in observations]
    healthy = wired(circuit, ())
    # What deviates goes first: it refutes most.
    frames.sort(key=lambda f: healthy.packed(f[0])[0] == f[1])
    faults, priors = enumerate_faults(circuit), Priors(circuit)
    sets = [frozenset((f,)) for f in faults] + [frozenset(p) for p in combinations(faults, 2)]
    exact = {
        s: sum(map(priors.log_odds, s)) + fit
        for s in sets
        if (fit := log_likelihood(circuit, s, frames)) is not None
    }
    # A pair with a fault that nothing shows explains no more than the other one alone.
    exact = {s: v for s, v in exact.items() if not any(s - {f} in exact for f in s)}

    _, groups = Diagnostician(circuit).explain(observations)
    whole = [[h for h in g.hypotheses if h.faults and not h.leaves] for g in groups]
    found = {
        frozenset().union(*(h.faults for h in chosen)): sum(math.log(h.probability) for h in chosen)
        for chosen in product(*whole)
    }
    found = {s: v for s, v in found.items() if len(s) <= 2}
    assert found.keys() <= exact.keys()
    top = max(exact, key=lambda s: (exact[s], sorted(s)))
    for faults_, log_probability in found.items():
        odds = log_probability - found[top]
        assert odds == pytest.approx(exact[faults_] - exact[top], abs=1e-9)
    # What the engine dropped for being improbable is improbable.
    total = sum(math.exp(v) for v in exact.values())
    assert sum(math.exp(exact[s]) for s in found) / total > 0.99


@pytest.mark.parametrize("rail", ["ground", "supply"])
def test_two_lines_at_a_rail_may_be_one_short_and_a_bridge(rail: str) -> None:
    """Every fault and every pair of faults, by the rest reading alone: all there is to go by."""
    faults = named(BLOCK, "row R3 bridged to column C1", f"row R3 shorted to {rail}")
    observations = sweep(BLOCK, faults, ())
    frames = [(frozenset[str](), pack(o.reading)) for o in observations]
    catalogue, priors = enumerate_faults(BLOCK), Priors(BLOCK)
    weights = {
        pair: math.exp(sum(map(priors.log_odds, pair)) + fit)
        for pair in combinations(catalogue, 2)
        if (fit := log_likelihood(BLOCK, frozenset(pair), frames)) is not None
    }
    total = sum(weights.values())
    (group,) = Diagnostician(BLOCK).explain(observations)[1]
    marginals = group.marginals()
    for fault in faults:
        share = sum(weight for pair, weight in weights.items() if fault in pair) / total
        assert 0.2 < share < 0.8  # nothing is certain
        assert marginals[fault] == pytest.approx(share, abs=0.05)
