"""All symptom groups together: split, explain each, and merge those whose explanations meet.

Splitting is greedy, so its answer is looked at again: where much is left unexplained, the split
starts once more from a fault that exchanges whole lines, which a bridge met first can hide; and
groups are merged.  Not here: which groups (`merging`), the search within one group (`search`), its
probabilities (`posterior`).
"""

from __future__ import annotations

from collections.abc import Iterator

from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.merging import (
    carried_over,
    intertwined,
    rescued,
    settled,
    simplified,
    strained,
)
from keydiag.diagnosis.posterior import Explained, Explainer, best_of
from keydiag.diagnosis.space import NO_FAULTS, bits_of
from keydiag.diagnosis.symptoms import Splitter
from keydiag.faults import Fault

# A best explanation that leaves more of this probability to `unknown` is not trusted: look further
# away before giving up.
WIDEN_AT = 0.5
# Kinds that exchange whole lines: what they do to the presses is clear, but a bridge that is met
# first, at rest, is put on the wrong line.
WHOLE_LINES = ("swapped-leads", "misplaced-lead", "wrong-cathode-at")
# So many frames without a good explanation are much; so many other beginnings are tried then.
MUCH = 2
BEGINNINGS = 3
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
    explained = settled(explainer, evidence, explained)
    explained = rescued(explainer, evidence, explained)
    explained = simplified(explainer, evidence, explained)
    explained = rescued(explainer, evidence, explained)
    explained = carried_over(explainer, evidence, explained)
    explained = intertwined(explainer, evidence, explained)
    cut_short = explainer.budget.spent
    explained = _widened(explainer, evidence, explained)
    return tuple(settled(explainer, evidence, explained)), cut_short


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
    return sum(len(one.symptom.frames) for one in explained if strained(one)) >= MUCH


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
