"""All symptom groups together: split, explain each, and merge those whose explanations meet.

Splitting is greedy, so its answer is looked at again: groups whose best explanations spoil each
other are merged; so are two groups for which one fault does the work of two; and where much is left
unexplained, the split starts once more from a fault that exchanges whole lines, which a bridge met
first can hide.  Not here: the search within one group (`search`), its probabilities (`posterior`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations, permutations
from typing import NamedTuple

from keydiag.diagnosis.candidates import pins_of
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.posterior import Explained, Explainer, best_of
from keydiag.diagnosis.space import NO_FAULTS, Space, bits_of, ways_on
from keydiag.diagnosis.symptoms import Splitter, Symptom, merge
from keydiag.faults import Fault
from keydiag.faults.predict import CONNECTORS, FaultSet

# A best explanation that leaves more of this probability to `unknown` is not trusted: look further
# away before giving up.
WIDEN_AT = 0.5
# Log odds below which an explanation that leaves bits unexplained is worth another look: a slip of
# the hand costs some 8, a flipped bit 11.5.
STRAINED = -9.0
# By how much (natural log) one explanation of two groups must beat two explanations.
WORTH_MERGING = 1.0
# Kinds that exchange whole lines: what they do to the presses is clear, but a bridge that is met
# first, at rest, is put on the wrong line.
WHOLE_LINES = ("swapped-leads", "misplaced-lead", "wrong-cathode-at")
# So many frames without a good explanation are much; so many other beginnings are tried then.
MUCH = 2
BEGINNINGS = 3
# Kinds that hold a line where nothing can move it.
RAILS = ("line-to-ground", "line-to-supply", "dead-pin")
# More keys than this that each seem to sit in another's place: whole lines are more likely.
KEYS_MOVED = ("swapped-keys", "miswired-key")
MOST_MOVED = 2


def explain_all(
    explainer: Explainer, evidence: Evidence, quickly: bool = False
) -> tuple[tuple[Explained, ...], bool]:
    """(the evidence's symptom groups, each with its hypotheses, () if nothing deviates; whether the
    budget was spent, so that there may be more to say).  quickly: as in `Explainer.begin`."""
    explainer.begin(evidence, quickly)
    explained = _begun(explainer, evidence)
    explained = _settled(explainer, evidence, explained)
    if any(map(_strained, explained)):
        explained = _rescued(explainer, evidence, explained)
    explained = _simplified(explainer, evidence, explained)
    explained = _carried_over(explainer, evidence, explained)
    explained = _intertwined(explainer, evidence, explained)
    cut_short = explainer.budget.spent
    explained = _widened(explainer, evidence, explained)
    return tuple(_settled(explainer, evidence, explained)), cut_short


def _begun(explainer: Explainer, evidence: Evidence) -> list[Explained]:
    """The groups as they are split off, each explained; begun with a fault that exchanges whole
    lines, if much stays unexplained or many keys seem exchanged, and that does better."""
    kept = explainer.kept
    if kept.first is not None:
        # More frames never leave less unexplained, so this beginning is still the better one.
        other = _if_good(_from(explainer, evidence, kept.first))
        if other is not None:
            return other
        kept.first = None
    explained: list[Explained] = []
    looked = False
    for one in _from(explainer, evidence, None):
        explained.append(one)
        if not looked and _is_much(explained):
            looked = True
            if not kept.in_vain:
                for first, other in _begun_otherwise(explainer, evidence):
                    kept.first = first
                    return other
                kept.in_vain = True
    moved = sum(fault.kind in KEYS_MOVED for fault in best_of(explained))
    if looked or kept.in_vain or moved <= MOST_MOVED:
        return explained
    score = explainer.whole(evidence).score
    most = score(best_of(explained))
    for first, other in _begun_otherwise(explainer, evidence):
        if score(best_of(other)) > most:
            kept.first = first
            return other
    kept.in_vain = True
    return explained


def _begun_otherwise(
    explainer: Explainer, evidence: Evidence
) -> Iterator[tuple[Fault, list[Explained]]]:
    """Other beginnings, with what comes of them, where that leaves little unexplained."""
    for first in _beginnings(explainer, evidence):
        other = _if_good(_from(explainer, evidence, first))
        if other is not None:
            yield first, other


def _if_good(groups: Iterator[Explained]) -> list[Explained] | None:
    """All groups, or None as soon as much is unexplained."""
    out: list[Explained] = []
    for one in groups:
        out.append(one)
        if _is_much(out):
            return None
    return out


def _from(explainer: Explainer, evidence: Evidence, first: Fault | None) -> Iterator[Explained]:
    """Split, beginning with the fault `first` if there is one, and explain group after group."""
    splitter = Splitter(explainer.predictor, explainer.priors, explainer.near, explainer.kept)
    for symptom in splitter.split(evidence, first):
        yield explainer.explain_one(evidence, symptom)


def _is_much(explained: list[Explained]) -> bool:
    return sum(len(one.symptom.frames) for one in explained if _strained(one)) >= MUCH


def _beginnings(explainer: Explainer, evidence: Evidence) -> list[Fault]:
    """The faults that exchange whole lines and mend most bits."""
    space = explainer.whole(evidence)
    base = [space.deviating(number, NO_FAULTS) for number in range(len(evidence.frames))]
    worth = {}
    for fault in explainer.near.of_kinds(WHOLE_LINES):
        alone = frozenset((fault,))
        worth[fault] = sum(
            base[number].bit_count() - space.deviating(number, alone).bit_count()
            for number in bits_of(space.showing(fault, NO_FAULTS))
        )
    order = sorted(worth, key=lambda fault: (-worth[fault], explainer.near.order(fault)))
    return [fault for fault in order if worth[fault] > 0][:BEGINNINGS]


def _widened(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    return [
        explainer.explain_from_anywhere(evidence, one.symptom)
        if one.probability_unknown() > WIDEN_AT
        else one
        for one in explained
    ]


def _settled(
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


def _rescued(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    """Merge a group that has no good explanation of its own with another one, if together they have
    a better one than apart: two faults that only show their marks by meeting."""
    pins = len(explainer.predictor.circuit.pins)
    reach = [set().union(*(pins_of(bits, pins) for bits in one.symptom.mask)) for one in explained]
    for i, one in enumerate(explained):
        if not _strained(one):
            continue
        # The smallest first: a fault that shows in every frame takes long to search for.
        for j in sorted(range(len(explained)), key=lambda n: len(explained[n].symptom.frames)):
            two = explained[j]
            if i == j or not reach[i] & reach[j] or explainer.budget.spent:
                continue
            joined = _together(explainer, evidence, one, two)
            if joined.best.score > one.best.score + two.best.score + WORTH_MERGING:
                rest = [e for n, e in enumerate(explained) if n not in (i, j)]
                return _rescued(explainer, evidence, [joined, *rest])
    return explained


class _Part(NamedTuple):
    """A symptom group with its best explanation; explained: all of them, if it was searched."""

    symptom: Symptom
    best: FaultSet
    explained: Explained | None


def _simplified(
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
    return _simplified(explainer, evidence, merged)


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
                    return [_Part(merge(one.symptom, two.symptom, best), best, None), *others]
    return None


def _carried_over(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    """Merge two groups that each have a line tied to a rail, or dead, if a bridge may join the two
    lines: it would carry the one short over to the other line, and leave no mark of its own."""
    predictor = explainer.predictor
    bridges = None
    for i, j in combinations(range(len(explained)), 2):
        one, two = explained[i], explained[j]
        faults = one.best_faults | two.best_faults
        if len(faults) != 2 or any(fault.kind not in RAILS for fault in faults):
            continue
        if bridges is None:
            near = explainer.near.of_kinds(("bridge",))
            bridges = {predictor.lines_of_faults((bridge,)) for bridge in near}
        lines = predictor.lines_of_faults(faults) & predictor.every_pin
        if lines in bridges and not explainer.budget.spent:
            others = [e for n, e in enumerate(explained) if n not in (i, j)]
            joined = _together(explainer, evidence, one, two)
            return _carried_over(explainer, evidence, [joined, *others])
    return explained


def _intertwined(
    explainer: Explainer, evidence: Evidence, explained: list[Explained]
) -> list[Explained]:
    """Merge two groups if another fair explanation of the one is behind marks of the other as well,
    and one fault more would explain the rest of these: the two must be weighed together."""
    space = explainer.whole(evidence)
    union = best_of(explained)
    prior, fair = space.prior(union), explainer.budget.effort.fair
    for i, j in permutations(range(len(explained)), 2):
        one, two = explained[i], explained[j]
        others = [e for n, e in enumerate(explained) if n not in (i, j)]
        rest = best_of(others)
        for h in one.hypotheses:
            if not h.faults or h.probability < fair or h.faults == one.best_faults:
                continue
            instead = h.faults | rest
            if explainer.budget.spent or not _explains_some(space, instead, two):
                continue
            least = prior - space.prior(instead) + math.log(fair)
            if _mended(explainer, space, union, instead, least) is not None:
                joined = _together(explainer, evidence, one, two)
                return _intertwined(explainer, evidence, [joined, *others])
    return explained


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
    return _mended(explainer, space, union, union - {a, b}, least)


def _mended(
    explainer: Explainer, space: Space, union: FaultSet, without: FaultSet, least: float
) -> Fault | None:
    """A fault of at least these log odds that, beside the faults `without`, leaves no more wrong
    than `union` does; None if there is none near."""
    if (without, union) in explainer.kept.unmended:
        return None
    fits = [space.fit(number, union) for number in range(len(space.frames))]
    wrong = {
        number: bits.bit_count()
        for number in range(len(fits))
        if (bits := space.deviating(number, without)) and bits.bit_count() > fits[number][0]
    }
    if wrong:
        worst = max(wrong, key=lambda number: (number == 0, wrong[number]))
        # What is most wrong without it rules most faults out.
        order = sorted(range(len(fits)), key=lambda n: (n != worst, -wrong.get(n, 0)))
        for fault in ways_on(space, worst, without):
            if space.weight(fault) < least:
                continue
            explainer.budget.left -= 1
            faults = without | {fault}
            if all(space.fit(n, faults)[0] <= fits[n][0] for n in order):
                return fault
    explainer.kept.unmended.add((without, union))
    return None


def _together(
    explainer: Explainer, evidence: Evidence, one: Explained, two: Explained
) -> Explained:
    hint = one.best_faults | two.best_faults
    return explainer.explain_one(evidence, merge(one.symptom, two.symptom, hint))


def _strained(explained: Explained) -> bool:
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
