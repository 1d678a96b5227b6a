"""Meter readings as evidence: what each one says about the symptom groups' hypotheses.

Here: the update of probabilities by answers, and answers that contradict everything.  Not here:
where the leads go and what the meter would show (`meter`), or which reading to take (`next_test`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from keydiag.circuit import Circuit
from keydiag.diagnosis import meter
from keydiag.diagnosis.meter import MeterAnswer
from keydiag.diagnosis.posterior import Explained, rank
from keydiag.faults.predict import FaultSet

# Probability of a reading that is not what the half would show: a lead on the wrong leg, a tip that
# does not pierce the flux, a reading noted wrongly.  Common practice, no source.
MISREAD = 0.02
# The unknown predicts nothing: each of the three results is as likely.
FROM_NOTHING = 1 / 3
# A result that all explanations together give less than this contradicts them.
UNEXPECTED = 0.01


def apply(
    circuit: Circuit, groups: Sequence[Explained], answers: Sequence[MeterAnswer]
) -> tuple[tuple[Explained, ...], tuple[str, ...]]:
    """(the groups with their probabilities after these answers, what contradicts everything, in
    words).  A group whose hypotheses all expect the same reading learns nothing from it."""
    out = list(groups)
    told: dict[str, None] = {}
    for answer in answers:
        if not any(_probability(circuit, out, n, answer) > UNEXPECTED for n in range(len(out))):
            told[_contradiction(circuit, out, answer)] = None
        # Every group is judged with the others' best explanations as they stand before the answer.
        out = [_updated(circuit, out, number, answer) for number in range(len(out))]
    return tuple(out), tuple(told)


def _context(groups: Sequence[Explained], number: int) -> FaultSet:
    best = [group.best_faults for group in groups]
    return frozenset().union(*best[:number], *best[number + 1 :])


def _readings(
    circuit: Circuit, groups: Sequence[Explained], number: int, answer: MeterAnswer
) -> list[float]:
    """Per hypothesis of the group: the probability of this answer."""
    context = _context(groups, number)
    out = []
    for hypothesis in groups[number].hypotheses:
        if hypothesis.faults is None:
            out.append(FROM_NOTHING)
        else:
            expected = meter.read(circuit, hypothesis.faults | context, answer.test)
            out.append(1 - MISREAD if expected == answer.result else MISREAD / 2)
    return out


def _probability(
    circuit: Circuit, groups: Sequence[Explained], number: int, answer: MeterAnswer
) -> float:
    """Share of the group's catalogued hypotheses that expect this answer."""
    likelihoods = _readings(circuit, groups, number, answer)
    pairs = zip(groups[number].hypotheses, likelihoods, strict=True)
    return sum(h.probability for h, p in pairs if h.faults is not None and p > 0.5)


def _updated(
    circuit: Circuit, groups: Sequence[Explained], number: int, answer: MeterAnswer
) -> Explained:
    group = groups[number]
    likelihoods = _readings(circuit, groups, number, answer)
    known = [p for h, p in zip(group.hypotheses, likelihoods, strict=True) if h.faults is not None]
    if len(set(known)) < 2 and known and known[0] > 0.5:
        return group
    weights = [h.probability * p for h, p in zip(group.hypotheses, likelihoods, strict=True)]
    total = math.fsum(weights)
    hypotheses = [
        replace(h, probability=w / total, score=h.score + math.log(p))
        for h, w, p in zip(group.hypotheses, weights, likelihoods, strict=True)
    ]
    return replace(group, hypotheses=tuple(rank(hypotheses)))


def _contradiction(
    circuit: Circuit, groups: Sequence[Explained], answer: MeterAnswer
) -> str:
    """One sentence on an answer that nothing found so far expects."""
    expected = [
        meter.read(circuit, group.best_faults | _context(groups, number), answer.test)
        for number, group in enumerate(groups)
    ] or [meter.read(circuit, frozenset(), answer.test)]
    red, black = (meter.point_words(circuit, p) for p in (answer.test.red, answer.test.black))
    return (
        f"Between {red} and {black} the meter showed {meter.ANSWERS[answer.result]}, but all that"
        f" was seen so far says {meter.ANSWERS[expected[0]]}: measure there once more."
    )
