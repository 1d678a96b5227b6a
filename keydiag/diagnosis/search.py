"""Search for fault sets that explain deviating frames, by exact simulation of every set.

A fault set is grown frame by frame: take the frame that fits worst; every fault that does not make
this frame worse is a way on, and so is leaving the frame as it is (a slip of the hand, a flipped
bit).  Each set met on the way is a hypothesis with its exact score, log prior plus log likelihood.
A set's prior bounds the score of everything grown from it, so branches that cannot come near the
best are dropped (branch and bound), and the width per step is limited (beam).

A search can go on from an earlier one when frames are added: no score ever rises by one more
frame, so if the best set still has the score it had, what was dropped stays dropped, and only sets
that the added frames contradict need to grow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from keydiag.diagnosis.nodes import (
    ROUNDING,
    Found,
    Node,
    as_found,
    leaving,
    node_of,
    redundant,
    sorted_order,
    with_look_alikes,
    worst_frame,
)
from keydiag.diagnosis.space import NO_FAULTS, Space, bits_of, ways_on
from keydiag.faults import Fault
from keydiag.faults.predict import FaultSet

# Sets kept per step of the search; the best explanations of one symptom group are few.
WIDTH = 60
# Faults per symptom group; independent groups do not add up.
DEPTH = 8
# Frames that are given a price for the bound; the others are taken to cost nothing.
MOST_PRICED = 16
# Wrong bits among which a path the wrong way round is looked for.
MOST_TURNED = 8
# How much one added fault may lower the score on the way to a set whose members only fit together.
DIP = 9.0
# How far the best score may fall, by bits that the best set leaves open, before a search is made
# anew: what was dropped meanwhile has less than 4e-3 of the best set's weight.
MOST_FALLEN = 2.1


class Trail(NamedTuple):
    """What a search met, to go on from when frames are added: the sets near the best, and the best
    score when it was last searched anew."""

    nodes: tuple[Node, ...]
    best: float


class Earlier(NamedTuple):
    """An earlier search, the numbers of the frames that were added since, and whether it was asked
    otherwise, so that its sets must be judged again."""

    trail: Trail
    added: tuple[int, ...]
    otherwise: bool = False


def explain(
    space: Space,
    hints: Sequence[FaultSet] = (),
    width: int = WIDTH,
    depth: int = DEPTH,
    earlier: Earlier | None = None,
) -> tuple[dict[FaultSet, Found], Trail]:
    """(fault sets that explain the frames, best first, none below the best by more than the
    effort's slack; what a later search can go on from).

    hints: sets likely to be good, which the search may not come to by itself.  The empty set is
    always judged: its score is that of slips and flipped bits alone.
    """
    start = node_of(space, NO_FAULTS)
    gone_on = _gone_on(space, earlier, width, depth) if earlier is not None else None
    found, best = gone_on or _searched(space, start, hints, width, depth)
    searched = earlier.trail.best if earlier is not None and gone_on is not None else best
    floor = best - space.budget.effort.slack
    near = [node for node in found.values() if node.score > floor]
    kept = [start]
    for node in near:
        if node.faults and not redundant(space, node):
            kept += with_look_alikes(space, node, floor)
    out = [(node.faults, as_found(space, node)) for node in kept]
    out.sort(key=lambda item: (-item[1].score, len(item[0]), sorted_order(space, item[0])))
    return dict(out), Trail(tuple(near), searched)


def _searched(
    space: Space, start: Node, hints: Sequence[FaultSet], width: int, depth: int
) -> tuple[dict[FaultSet, Node], float]:
    """(the sets met, the best score)."""
    prices = _prices(space, start)
    found: dict[FaultSet, Node] = {NO_FAULTS: start}
    frontier = [start]
    for hint in hints:
        if hint not in found:
            guess = node_of(space, hint)
            found[hint] = guess
            frontier.append(guess)
    best = max(node.score for node in frontier)
    best = max(best, _dive(space, prices, max(frontier, key=lambda n: n.score), best))
    return found, _grow(space, prices, found, frontier, best, width, depth)


def _gone_on(
    space: Space, earlier: Earlier, width: int, depth: int
) -> tuple[dict[FaultSet, Node], float] | None:
    """The same, going on from an earlier search; None if the best set has lost by the added frames,
    so that what was dropped may count again."""
    trail, added, otherwise = earlier
    old = [number for number in range(len(space.frames)) if number not in added]
    found = {node.faults: _lifted(space, node, old, otherwise) for node in trail.nodes}
    top = max(found.values(), key=lambda node: node.score, default=None)
    if top is None:
        return None
    best = top.score
    contradicted = otherwise or any(top.fits[number][0] for number in added)
    if best < trail.best - (ROUNDING if contradicted else MOST_FALLEN):
        return None
    frontier = [node for node in found.values() if any(node.fits[n][0] for n in added)]
    return found, _grow(space, {}, found, frontier, best, width, depth, added)


def _lifted(space: Space, node: Node, old: list[int], judge_again: bool) -> Node:
    """The node with the frames that were added; old: the numbers its frames have now."""
    known = {} if judge_again else dict(zip(old, node.fits, strict=True))
    fits = tuple(
        known.get(number) or space.fit(number, node.faults) for number in range(len(space.frames))
    )
    left = frozenset(n for n in node.left if n == old[n] == 0)  # the rest frame
    return Node(node.faults, left, node.prior, node.prior + sum(fit[1] for fit in fits), fits)


def _grow(
    space: Space,
    prices: dict[int, float],
    found: dict[FaultSet, Node],
    frontier: list[Node],
    best: float,
    width: int,
    depth: int,
    among: Sequence[int] | None = None,
) -> float:
    """Grow the sets of the frontier until nothing near the best is left to grow; put all sets met
    into `found` and return the best score.  among: the frames to work on, if not all."""
    slack, patience = space.budget.effort.slack, space.budget.effort.patience
    met: set[tuple[FaultSet, frozenset[int]]] = set()
    # A hint does not count: sets as good as this one are met where the search meets it.
    right = among is not None
    last = space.budget.left  # when a set near the best was last met
    for _ in range(3 * depth):
        following: list[Node] = []
        for node in frontier:
            worst = worst_frame(node, among)
            if worst is None:
                continue
            if right and last - space.budget.left > patience:
                return best
            for child in _children(space, prices, node, worst, best - slack):
                if (child.faults, child.left) in met or len(child.faults) > depth:
                    continue
                met.add((child.faults, child.left))
                if not child.partial:
                    found[child.faults] = child
                    best = max(best, child.score)
                    if child.score > best - slack:
                        last = space.budget.left
                        right = right or not any(wrong for wrong, _ in child.fits)
                following.append(child)
        # A set's prior, with what it leaves unexplained for good, bounds all that grows from it.
        following = [n for n in following if _bound(space, prices, n) > best - slack]
        following.sort(
            key=lambda n: (-round(n.score, 6), len(n.faults), sorted_order(space, n.faults))
        )
        frontier = following[:width]
        if not frontier:
            break
    return best


def _dive(space: Space, prices: dict[int, float], node: Node, best: float) -> float:
    """The score reached by taking the best next fault again and again: a floor for the search."""
    while True:
        worst = worst_frame(node)
        if worst is None:
            return best
        grown = _children(space, prices, node, worst, best - space.budget.effort.slack)
        children = [child for child in grown if not child.partial]
        if not children:
            return best
        node = max(children, key=lambda n: (round(n.score, 6), sorted_order(space, n.faults)))
        best = max(best, node.score)


def _prices(space: Space, start: Node) -> dict[int, float]:
    """What mending a frame costs at least, in log odds: a fault's log odds shared out evenly over
    the deviating frames it can show in; per frame the cheapest share.  Whatever set of faults
    mends these frames costs at least the sum of their prices."""
    numbers = [n for n, (wrong, _) in enumerate(start.fits) if wrong][:MOST_PRICED]
    if numbers and not space.frames[numbers[0]].held:
        numbers = numbers[:1]  # what deviates at rest deviates everywhere, for the same reason
    among = sum(1 << n for n in numbers)
    share: dict[Fault, float] = {}
    prices = {}
    for number in numbers:
        price = start.fits[number][1]
        for fault in ways_on(space, number, NO_FAULTS):
            if fault not in share:
                count = (space.showing(fault, NO_FAULTS) & among).bit_count()
                share[fault] = space.weight(fault) / max(1, count)
            price = max(price, share[fault])
        prices[number] = price
    return prices


def _children(
    space: Space, prices: dict[int, float], node: Node, worst: int, floor: float
) -> Iterator[Node]:
    """The ways on from a node by working on its frame `worst`; sets that cannot reach the score
    `floor` are not looked at."""
    yield leaving(space, node, worst)
    wrong = node.fits[worst][0]
    seen, care = space.frames[worst].seen, space.care[worst]
    before = space.predicted(worst, node.faults)
    fixed_part = node.prior + sum(node.fits[number][1] for number in node.left)
    open_prices = [
        (1 << number, price)
        for number, price in prices.items()
        if node.fits[number][0] and number not in node.left
    ]
    all_prices = sum(price for _, price in open_prices)
    at_rest = worst > 0 and not space.frames[0].held
    own_lines = space.lines_with(node.faults)
    weight = space.candidates.weight
    for fault in ways_on(space, worst, node.faults):
        hope = fixed_part + weight[fault]
        if hope < floor:
            continue
        if hope + all_prices < floor:
            shown = space.showing(fault, node.faults)
            if hope + sum(price for bit, price in open_prices if not bit & shown) < floor:
                continue
        if space.budget.spent:
            return
        space.budget.left -= 1
        faults = node.faults | {fault}
        # What a fault spoils at rest it spoils in every frame.
        if at_rest:
            lines = space.spoils_rest(fault)
            if lines and not lines & own_lines:
                continue  # as it does alone
            if space.showing(fault, node.faults) & 1:
                if space.fit(0, faults)[0] > node.fits[0][0]:
                    continue
        now = space.predicted(worst, faults)
        if now == before:
            continue
        floor_here = node.score - DIP
        deviating = (now.bits ^ seen) & care & ~now.unknown
        if deviating.bit_count() > wrong:
            if not _turned(space, deviating, now.bits):
                continue
            floor_here = -math.inf
        child = _grown(space, node, fault, floor_here)
        if child is not None:
            yield child


def _turned(space: Space, deviating: int, bits: int) -> bool:
    """True if all that is wrong in a frame is right the other way round: a diode on the path put in
    backwards would mend it.  deviating: the frame's wrong bits; bits: what is predicted there."""
    count = deviating.bit_count()
    if count > MOST_TURNED or 2 * (deviating & bits).bit_count() != count:
        return False
    wrong = bits_of(deviating)
    width = len(space.predictor.circuit.pins)
    pairs = {(bit // width - 1, bit % width): bool(bits >> bit & 1) for bit in wrong}
    return all(pairs.get((sense, drive)) is (not told) for (drive, sense), told in pairs.items())


def _grown(space: Space, node: Node, fault: Fault, floor: float) -> Node | None:
    """The node with one more fault, or None as soon as its score falls below `floor`.  Only frames
    in which the fault can show are simulated."""
    faults = node.faults | {fault}
    fits = list(node.fits)
    prior = node.prior + space.weight(fault)
    score = node.score - node.prior + prior
    if fits[0][0] and not space.frames[0].held and 0 not in node.left:
        fit = space.fit(0, faults)
        if fit[0]:
            # More is to come before the presses are worth a look.
            score += (fit[1] - fits[0][1]) * len(fits)
            fits[0] = fit
            return Node(faults, node.left, prior, score, tuple(fits), partial=True)
        if node.partial:
            fits = [space.fit(number, faults) for number in range(len(fits))]
            score = prior + sum(fit[1] for fit in fits)
            return Node(faults, node.left, prior, score, tuple(fits))
    # What the frames still to come could win back if all of them became perfect.
    showing = bits_of(space.showing(fault, node.faults))
    hope = -sum(fits[number][1] for number in showing)
    for number in showing:
        fit = space.fit(number, faults)
        score += fit[1] - fits[number][1]
        hope += fits[number][1]
        fits[number] = fit
        if score + hope < floor:
            return None
    return Node(faults, node.left, prior, score, tuple(fits)) if score > floor else None


def _bound(space: Space, prices: dict[int, float], node: Node) -> float:
    """No set grown from this node can score higher: its prior, what it leaves as it is, and the
    price of what still deviates, at least one more fault or one more frame left."""
    bound = node.prior + sum(node.fits[number][1] for number in node.left)
    worst = worst_frame(node)
    if worst is None:
        return bound
    price = sum(
        price
        for number, price in prices.items()
        if node.fits[number][0] and number not in node.left
    )
    return bound + min(price, max(space.candidates.highest, node.fits[worst][1]))
