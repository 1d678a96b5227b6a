"""Symptom groups that must be explained together, because their explanations meet.

Merged are groups whose best explanations spoil each other; a group with no good explanation of its
own and another one, if together they have a better one; groups for which one fault does the work of
two; and groups that could be taken for something else only together.  Not here: how the groups came
about, and in which order they are looked at (`whole`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations, permutations, product
from typing import NamedTuple

from keydiag.diagnosis.candidates import pins_of
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.nodes import (
    Found,
    as_found,
    node_of,
    redundant,
    to_spare,
    with_look_alikes,
)
from keydiag.diagnosis.posterior import Explained, Explainer, best_of
from keydiag.diagnosis.space import Space, ways_on
from keydiag.diagnosis.symptoms import Symptom, merge
from keydiag.faults import Fault
from keydiag.faults.kinds import HOLD_FAST
from keydiag.faults.predict import CONNECTORS, FaultSet

# Log odds below which an explanation that leaves bits unexplained is worth another look: a slip of
# the hand costs some 8, a flipped bit 11.5.
STRAINED = -9.0
# By how much (natural log) one explanation of two groups must beat two explanations.
WORTH_MERGING = 1.0
# Explanations of one group alone that are tried on two.
MOST_HINTS = 3
# Pairs of explanations, one of each group, that are weighed as explanations of both.
MOST_PAIRS = 200


def settled(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    """Merge groups whose best explanations do not simply add up, and explain them again."""
    whole = explainer.whole(evidence)
    while len(explained) > 1 and not explainer.budget.spent:
        clash = _clash(whole, explained)
        if clash is None:
            return explained
        i, j = clash
        joined = _together(explainer, evidence, explained[i], explained[j])
        explained = [e for n, e in enumerate(explained) if n not in (i, j)]
        explained.insert(i, joined)
    return explained


def rescued(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    """Merge a group that has no good explanation of its own, or one that is partly to spare beside
    the others, with another one, if together they have a better one than apart: two faults that
    only show their marks by meeting, or a fault that was found twice, under two names."""
    space = explainer.whole(evidence)
    spare = set(to_spare(space, node_of(space, best_of(explained))))
    if not spare and not any(map(strained, explained)):
        return explained
    pins = len(explainer.predictor.circuit.pins)
    reach = [set().union(*(pins_of(bits, pins) for bits in one.symptom.mask)) for one in explained]
    for i, one in enumerate(explained):
        if not strained(one) and not one.best_faults & spare:
            continue
        # The smallest first: a fault that shows in every frame takes long to search for.
        for j in sorted(range(len(explained)), key=lambda n: len(explained[n].symptom.frames)):
            two = explained[j]
            if i == j or not reach[i] & reach[j] or explainer.budget.spent:
                continue
            joined = _together(explainer, evidence, one, two)
            if joined.best.score > one.best.score + two.best.score + WORTH_MERGING:
                rest = [e for n, e in enumerate(explained) if n not in (i, j)]
                return rescued(explainer, evidence, [joined, *rest])
    return explained


class _Part(NamedTuple):
    """A symptom group with its best explanation; explained: all of them, if it was searched."""

    symptom: Symptom
    best: FaultSet
    explained: Explained | None


def simplified(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    """Merge groups as long as one fault does the work of one in each: the split gave it away in
    parts.  What comes of it is searched at the end."""
    space = explainer.whole(evidence)
    parts = [_Part(one.symptom, one.best_faults, one) for one in explained]
    while len(parts) > 1:
        fewer = _with_one_less(explainer, space, parts)
        if fewer is None:
            break
        parts = fewer
    if len(parts) == len(explained):
        return explained
    merged = [p.explained or explainer.explain_one(evidence, p.symptom) for p in parts]
    if space.score(best_of(merged)) <= space.score(best_of(explained)) + WORTH_MERGING:
        return explained
    return simplified(explainer, evidence, merged)


def _with_one_less(explainer: Explainer, space: Space, parts: list[_Part]) -> list[_Part] | None:
    """Two of these as one, with one fault in place of one in each; None if nothing is gained.

    Only where one of the two connects nets: the marks of all others hang together by themselves.
    """
    union = frozenset[Fault]().union(*(part.best for part in parts))
    for i, j in combinations(range(len(parts)), 2):
        one, two = parts[i], parts[j]
        if not space.lines_with(one.best) & space.lines_with(two.best):
            continue
        for a in sorted(one.best):
            for b in sorted(two.best):
                if explainer.budget.spent:
                    return None
                instead = _instead(explainer, space, union, a, b)
                if instead is None:
                    continue
                best = (one.best | two.best) - {a, b} | {instead}
                others = [part for n, part in enumerate(parts) if n not in (i, j)]
                if space.score(best.union(*(part.best for part in others))) > (
                    space.score(union) + WORTH_MERGING
                ):
                    return [_Part(merge(one.symptom, two.symptom, (best,)), best, None), *others]
    return None


def carried_over(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    """Merge two groups that each have a line tied to a rail, or dead, if a bridge may join the two
    lines: it would carry the one short over to the other line, and leave no mark of its own."""
    predictor = explainer.predictor
    bridges = None
    for i, j in combinations(range(len(explained)), 2):
        one, two = explained[i], explained[j]
        faults = one.best_faults | two.best_faults
        if len(faults) != 2 or any(fault.kind not in HOLD_FAST for fault in faults):
            continue
        if bridges is None:
            near = explainer.near.of_kinds(("bridge",))
            bridges = {predictor.lines_of_faults((bridge,)) for bridge in near}
        lines = predictor.lines_of_faults(faults) & predictor.circuit.fields.every_pin
        if lines in bridges and not explainer.budget.spent:
            others = [e for n, e in enumerate(explained) if n not in (i, j)]
            joined = _together(explainer, evidence, one, two)
            return carried_over(explainer, evidence, [joined, *others])
    return explained


def intertwined(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    """Merge two groups if another fair explanation of the one is behind marks of the other as well,
    and explains these alone or with one fault more: the two must be weighed together."""
    space = explainer.whole(evidence)
    union = best_of(explained)
    # Where the union leaves bits unexplained, even unlikely faults do better.
    least = space.score(union) + math.log(explainer.budget.effort.fair)
    for i, j in permutations(range(len(explained)), 2):
        one, two = explained[i], explained[j]
        others = [e for n, e in enumerate(explained) if n not in (i, j)]
        more = _with_a_say(explainer, space, union, one, two, best_of(others), least)
        if more:
            joined = _weighed_together(explainer, evidence, one, two, more)
            return intertwined(explainer, evidence, [joined, *others])
    return explained


def _with_a_say(
    explainer: Explainer,
    space: Space,
    union: FaultSet,
    one: Explained,
    two: Explained,
    rest: FaultSet,
    least: float,
) -> list[FaultSet]:
    """Explanations of both groups that only come of looking at them together.  rest: the best
    explanations of all others; least: the score below which they do not count."""
    fair = explainer.budget.effort.fair
    out = []
    for h in one.hypotheses:
        if not h.faults or h.probability < fair or h.faults == one.best_faults:
            continue
        instead = h.faults | rest
        if explainer.budget.spent or not _explains_some(space, instead, two):
            continue
        lacking = least - space.prior(instead)
        if lacking <= 0 and not _worse(space, union, instead):
            out.append(h.faults)
        else:
            out += [h.faults | {g} for g in _mends(explainer, space, union, instead, lacking)]
    return out


def _weighed_together(
    explainer: Explainer,
    evidence: Evidence,
    one: Explained,
    two: Explained,
    more: Sequence[FaultSet],
) -> Explained:
    """Two groups as one: each explanation of the one with each of the other, and these more."""
    symptom = merge(one.symptom, two.symptom, (one.best_faults | two.best_faults,))
    space = explainer.space_of(evidence, symptom)
    top = one.best.score + two.best.score
    floor = top - explainer.budget.effort.slack
    found: dict[FaultSet, Found] = {}
    pairs = [
        (a.score + b.score, a.faults, b.faults, {*a.leaves, *b.leaves})
        for a, b in product(one.hypotheses, two.hypotheses)
        if a.faults is not None and b.faults is not None and a.score + b.score > floor
    ]
    pairs.sort(key=lambda pair: -pair[0])  # stable: ties as they came
    for score, of_one, of_two, leaves in pairs[:MOST_PAIRS]:
        faults = of_one | of_two
        if space.lines_with(of_one) & space.lines_with(of_two):
            node = node_of(space, faults)
            if not redundant(space, node):
                found[faults] = as_found(space, node)
        else:  # they know nothing of each other
            found[faults] = Found(score, score - space.prior(faults), tuple(sorted(leaves)))
    for faults in more:
        for node in with_look_alikes(space, node_of(space, faults), floor):
            found[node.faults] = as_found(space, node)
    return explainer.weighed(space, symptom, found)


def _explains_some(space: Space, faults: FaultSet, group: Explained) -> bool:
    """True if these faults make some of the group's deviating bits right."""
    return any(
        group.symptom.mask[number] & ~space.deviating(number, faults)
        for number in group.symptom.frames
    )


def _instead(
    explainer: Explainer, space: Space, union: FaultSet, a: Fault, b: Fault
) -> Fault | None:
    """One fault in place of these two that leaves no more wrong; None if there is none near."""
    if CONNECTORS.isdisjoint((a.kind, b.kind)):
        return None
    least = space.weight(a) + space.weight(b) + WORTH_MERGING
    return next(_mends(explainer, space, union, union - {a, b}, least), None)


def _mends(
    explainer: Explainer, space: Space, union: FaultSet, without: FaultSet, least: float
) -> Iterator[Fault]:
    """Faults of at least these log odds each of which, beside the faults `without`, leaves no more
    wrong than `union` does."""
    asked = without, union, round(least, 3)
    if asked in explainer.kept.unmended:
        return
    wrong, found = _worse(space, union, without), False
    if wrong:
        worst = max(wrong, key=lambda number: (number == 0, wrong[number]))
        # What is most wrong without it rules most faults out.
        order = sorted(range(len(space.frames)), key=lambda n: (n != worst, -wrong.get(n, 0)))
        for fault in ways_on(space, worst, without):
            if space.weight(fault) < least:
                continue
            explainer.budget.left -= 1
            faults = without | {fault}
            if all(space.fit(n, faults)[0] <= space.fit(n, union)[0] for n in order):
                found = True
                yield fault
    if not found:
        explainer.kept.unmended.add(asked)


def _worse(space: Space, union: FaultSet, other: FaultSet) -> dict[int, int]:
    """Frames in which `other` leaves more bits wrong than `union` does, with how many it leaves."""
    return {
        number: bits.bit_count()
        for number in range(len(space.frames))
        if (bits := space.deviating(number, other))
        and bits.bit_count() > space.fit(number, union)[0]
    }


def _together(
    explainer: Explainer, evidence: Evidence, one: Explained, two: Explained
) -> Explained:
    hints = [one.best_faults | two.best_faults]
    for group in (one, two):
        # What one fault more turns into another is met by the search itself.
        whole = [h.faults for h in group.hypotheses if h.faults and not h.leaves]
        hints += [faults for faults in whole if len(faults) > 1][:MOST_HINTS]
    return explainer.explain_one(evidence, merge(one.symptom, two.symptom, tuple(hints)))


def strained(explained: Explained) -> bool:
    """True if the best explanation of a group leaves bits unexplained at the price of a flipped
    bit, or is none."""
    best = explained.best
    return best.faults is None or bool(best.leaves) and best.score < STRAINED


def _clash(whole: Space, explained: list[Explained]) -> tuple[int, int] | None:
    """Two groups whose best explanations share a fault or spoil each other, if any do."""
    for i, j in combinations(range(len(explained)), 2):
        if explained[i].best_faults & explained[j].best_faults:
            return i, j
    union = best_of(explained)
    wrong = [whole.deviating(n, union) for n in range(len(whole.frames))]
    for one in explained:
        if one.best.faults is None:  # the unknown predicts nothing, so nothing can be checked
            wrong = [w & ~mask for w, mask in zip(wrong, one.symptom.mask, strict=True)]
    if not any(wrong):
        return None
    for i, one in enumerate(explained):
        for j in range(i + 1, len(explained)):
            if _spoil(whole, one, explained[j], wrong):
                return i, j
    return None


def _spoil(whole: Space, one: Explained, two: Explained, wrong: list[int]) -> bool:
    """True if bits wrong under all explanations together are wrong because these two meet:
    each side alone, in its own context, has them right."""
    packed = whole.predictor.packed
    for number, frame in enumerate(whole.frames):
        if not wrong[number]:
            continue
        both = packed(one.best_faults | two.best_faults, frame.held)
        spoilt = (both.bits ^ frame.seen) & ~both.unknown & wrong[number]
        for part in (one, two):
            alone = packed(part.best_faults | part.symptom.context, frame.held)
            if spoilt & part.symptom.care[number] & ~(alone.bits ^ frame.seen):
                return True
    return False
