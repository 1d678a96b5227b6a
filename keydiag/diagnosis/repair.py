"""What to repair first, what it will cost, and what to press afterwards.

Order: by probability over cost, the optimal order for one fault with perfect repairs (Kadane and
Simon; Heckerman, Breese and Rommelse 1995); the expected cost is then the sum over the steps of
cost times the probability that no earlier step was the one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from keydiag.circuit import Circuit
from keydiag.faults import Fault, Predictor, near_keys
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors


def in_order(priors: Priors, shares: dict[Fault, float]) -> list[Fault]:
    """The faults of one finding, the one to try first at the front."""
    return sorted(shares, key=lambda f: (-round(shares[f] / priors.cost(f), 12), f))


def expected_joints(priors: Priors, shares: dict[Fault, float]) -> float:
    """Joints touched on average until the fault is found, trying in the best order.

    ECR = sum over i of c_i * (1 - sum over j < i of p_j), with p normalised over the finding.
    """
    total = sum(shares.values())
    cost, left = 0.0, 1.0
    for fault in in_order(priors, shares):
        cost += priors.cost(fault) * max(0.0, left)
        left -= shares[fault] / total
    return cost


class Retest(NamedTuple):
    """Presses after a repair, in board order.  confirm: each tells repaired from not repaired.
    harm: as before if nothing was harmed; their joints lie next to the iron.  at_rest: the rest
    reading tells too."""

    confirm: tuple[str, ...]
    harm: tuple[str, ...]
    at_rest: bool


def retest(predictor: Predictor, faults: FaultSet, repaired: Iterable[Fault]) -> Retest:
    """What to press after these repairs; `faults`: all that the half is thought to have."""
    repaired = frozenset(repaired)
    before, after = faults | repaired, faults - repaired
    at_rest = difference(predictor, before, after, frozenset())
    keys = retest_keys(predictor, faults, repaired)
    confirm = tuple(
        key
        for key in keys
        if difference(predictor, before, after, frozenset((key,))) not in (0, at_rest)
    )
    return Retest(confirm, tuple(key for key in keys if key not in confirm), bool(at_rest))


def outcome(
    predictor: Predictor,
    faults: FaultSet,
    repaired: Iterable[Fault],
    readings: Iterable[tuple[frozenset[str], int]],
) -> Literal["repaired", "not repaired", "harmed", "open"]:
    """What a retest shows; `readings`: (keys held, packed reading).

    "repaired" or "not repaired": all readings fit that and some reading does not fit the other.
    "harmed": some reading fits neither, so something new is wrong.  "open": nothing tells yet.
    """
    repaired = frozenset(repaired)
    before, after = faults | repaired, faults - repaired
    fits_before = fits_after = True
    for held, seen in readings:
        one, two = predictor.packed(before, held), predictor.packed(after, held)
        is_before = not (one.bits ^ seen) & ~one.unknown
        is_after = not (two.bits ^ seen) & ~two.unknown
        if not is_before and not is_after:
            return "harmed"
        fits_before &= is_before
        fits_after &= is_after
    if fits_before and fits_after:
        return "open"
    if fits_after:
        return "repaired"
    return "not repaired" if fits_before else "harmed"


def retest_keys(
    predictor: Predictor, faults: FaultSet, repaired: Iterable[Fault]
) -> tuple[str, ...]:
    """Keys to press after these repairs, in board order: those whose reading differs between
    "repaired" and "not repaired", and those whose joints lie next to the iron."""
    circuit = predictor.circuit
    repaired = frozenset(repaired)
    before, after = faults | repaired, faults - repaired
    near = near_keys(circuit)
    touched = {w for f in repaired for place in f.at for w in place.split() if w in circuit.parts}
    neighbours = {n for key in touched for n in near[key] if _shares_line(circuit, key, n)}
    at_rest = difference(predictor, before, after, frozenset())
    return tuple(
        key
        for key in circuit.keys
        if key in touched
        or key in neighbours
        # What differs at rest is seen at rest: only presses that tell more are worth making.
        or difference(predictor, before, after, frozenset((key,))) != at_rest
    )


def difference(
    predictor: Predictor, one: FaultSet, two: FaultSet, held: frozenset[str]
) -> int:
    """Packed mask of the bits two fault sets predict differently with these keys held, or that one
    of them leaves open: what was read there may not be what will be."""
    a, b = predictor.packed(one, held), predictor.packed(two, held)
    return a.bits ^ b.bits | a.unknown ^ b.unknown


def _shares_line(circuit: Circuit, a: str, b: str) -> bool:
    return circuit.row_of[a] == circuit.row_of[b] or circuit.column_of[a] == circuit.column_of[b]


def batches(order: Sequence[Fault]) -> list[tuple[Fault, ...]]:
    """The same order with open joints of one key put together: the iron is there already."""
    out: list[list[Fault]] = []
    place: dict[str, int] = {}
    for fault in order:
        key = fault.at[0].split(" ")[0] if fault.kind == "open-joint" else ""
        if key and key in place:
            out[place[key]].append(fault)
            continue
        if key:
            place[key] = len(out)
        out.append([fault])
    return [tuple(batch) for batch in out]
