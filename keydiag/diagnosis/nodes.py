"""One fault set in the search: how it fits every frame, and what it stands for.

Not here: how sets are grown (`search`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from keydiag.diagnosis.space import Space, bits_of, special_keys
from keydiag.faults import Fault
from keydiag.faults.kinds import key_of
from keydiag.faults.predict import FaultSet

# Of the sets one stands for, those this close (natural log) to the most probable are always kept.
NEAR_TOP = 2.0
# Open keys in one set whose places are combined with each other; beyond, one key at a time.
MOST_COMBINED = 4
# Scores this much apart (natural log) differ only by the order in which they were summed.
ROUNDING = 1e-6


class Found(NamedTuple):
    """A fault set met by the search: log prior + log likelihood, the likelihood alone, and the bits
    it leaves unexplained, as (frame, packed mask)."""

    score: float
    likelihood: float
    leaves: tuple[tuple[int, int], ...]


@dataclass(slots=True)
class Node:
    """A fault set, log prior and score (prior + likelihood), and how it fits each frame: (wrong
    bits, log likelihood)."""

    faults: FaultSet
    left: frozenset[int]  # frames left as they are
    prior: float
    score: float
    fits: tuple[tuple[int, float], ...]
    partial: bool = False  # only the rest frame was looked at: it deviates still


def node_of(space: Space, faults: FaultSet) -> Node:
    """The set, judged in every frame."""
    fits = tuple(space.fit(number, faults) for number in range(len(space.frames)))
    prior = sum(map(space.weight, sorted(faults, key=space.candidates.order)))
    return Node(faults, frozenset(), prior, prior + sum(fit[1] for fit in fits), fits)


def leaving(space: Space, node: Node, number: int) -> Node:
    """The node with this frame left as it is."""
    score, fits = node.score, node.fits
    if node.partial:
        fits = tuple(space.fit(n, node.faults) for n in range(len(fits)))
        score = node.prior + sum(fit[1] for fit in fits)
    return Node(node.faults, node.left | {number}, node.prior, score, fits)


def worst_frame(node: Node, among: Sequence[int] | None = None) -> int | None:
    """The frame to work on, of these or of all: rest before presses, then the most wrong bits."""
    worst: int | None = None
    for number in range(len(node.fits)) if among is None else among:
        wrong = node.fits[number][0]
        if wrong and number not in node.left:
            if number == 0:
                return 0
            if worst is None or wrong > node.fits[worst][0]:
                worst = number
    return worst


def with_look_alikes(space: Space, node: Node, floor: float) -> list[Node]:
    """The sets this one stands for: itself and those with other open places of the same keys, each
    with its own prior, down to the score `floor`; the most probable of them in any case."""
    alike, log_odds = space.candidates.alike, space.priors.log_odds
    stand_ins = sorted((f for f in node.faults if f in alike), key=space.candidates.order)
    if not stand_ins:
        return [node]
    choices = [[fault, *alike[fault]] for fault in stand_ins]
    most = sum(max(map(log_odds, places)) for places in choices)
    asked = sum(map(space.weight, stand_ins))
    floor = min(floor, node.score + most - asked - NEAR_TOP)
    if len(stand_ins) > MOST_COMBINED:
        # One at a time: the sum over all combinations would say the same about each key.
        first = [places[0] for places in choices]
        combined = [first] + [
            [*first[:n], other, *first[n + 1 :]]
            for n, places in enumerate(choices)
            for other in places[1:]
        ]
    else:
        combined = [[]]
        for places in choices:
            combined = [[*chosen, place] for chosen in combined for place in places]
    rest = node.faults.difference(stand_ins)
    special = special_keys(node.faults.union(space.context), node.faults)
    same = special.isdisjoint(key_of(fault.at[0]) for fault in stand_ins)
    out = []
    for chosen in combined:
        prior = node.prior - asked + sum(map(log_odds, chosen))
        score = node.score - node.prior + prior
        if score < floor:
            continue
        faults = rest.union(chosen)
        fits = node.fits
        if not same:
            fits = tuple(space.fit(number, faults) for number in range(len(fits)))
            score = prior + sum(fit[1] for fit in fits)
        out.append(Node(faults, node.left, prior, score, fits))
    return out


def redundant(space: Space, node: Node) -> bool:
    """True if some member is to spare: its probability is still its prior.  Such keys are reported
    as not to be judged, not as explanations."""
    return len(node.faults) > 1 and any(True for _ in to_spare(space, node))


def to_spare(space: Space, node: Node) -> Iterator[Fault]:
    """The members that explain nothing: they are hidden behind the others."""
    most = -sum(fit[1] for fit in node.fits)  # what leaving a member out could win at most
    for fault in node.faults:
        without = node.faults - {fault}
        won, left = 0.0, most
        for number in bits_of(space.showing(fault, without)):
            won += space.fit(number, without)[1] - node.fits[number][1]
            left += node.fits[number][1]
            if won + left < -ROUNDING:
                break
        else:
            if won > -ROUNDING:
                yield fault


def as_found(space: Space, node: Node) -> Found:
    # Exactly rounded sums: the same whichever way the search came here.
    likelihood = math.fsum(fit[1] for fit in node.fits)
    score = math.fsum((likelihood, *map(space.priors.log_odds, node.faults)))
    leaves = tuple(
        (number, space.deviating(number, node.faults))
        for number, (wrong, _) in enumerate(node.fits)
        if wrong
    )
    return Found(score, likelihood, leaves)


def sorted_order(space: Space, faults: FaultSet) -> list[int]:
    return sorted(space.candidates.order(fault) for fault in faults)
