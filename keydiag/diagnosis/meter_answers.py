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
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.meter import MeterAnswer
from keydiag.diagnosis.posterior import (
    Explained,
    Explainer,
    Hypothesis,
    best_of_others,
    rank,
)
from keydiag.diagnosis.words import list_words
from keydiag.faults import Fault, describe
from keydiag.faults.kinds import OPEN_IN_KEY, key_of
from keydiag.faults.predict import FaultSet

# Probability of a reading that is not what the half would show: a lead on the wrong leg, a tip that
# does not pierce the flux, a reading noted wrongly.  Common practice, no source.
MISREAD = 0.02
# The unknown predicts nothing: each of the three results is as likely.
FROM_NOTHING = 1 / 3
# A result that all explanations together give less than this contradicts them.
UNEXPECTED = 0.01
# What a meter sees inside a key that no press shows while the key cannot conduct.
INSIDE = (*OPEN_IN_KEY, "reversed-diode", "shorted-diode")
# Hypotheses less probable than this are not combined with what may be hidden behind them.
LEAST_COMBINED = 1e-3


def apply(
    explainer: Explainer,
    evidence: Evidence,
    groups: Sequence[Explained],
    answers: Sequence[MeterAnswer],
) -> tuple[tuple[Explained, ...], tuple[str, ...]]:
    """(the groups with their probabilities after these answers, what contradicts everything, in
    words).  A group whose faults make no difference to a reading learns nothing from it."""
    circuit = explainer.predictor.circuit
    out = list(groups)
    if answers:
        out = [_with_hidden(explainer, evidence, out, n, answers) for n in range(len(out))]
    told: dict[str, None] = {}
    for answer in answers:
        if not out:
            expected = meter.read(circuit, frozenset(), answer.test) == answer.result
        else:
            expected = any(
                _probability(circuit, out, n, answer) > UNEXPECTED for n in range(len(out))
            )
        if not expected:
            told[_contradiction(circuit, out, answer)] = None
        # Every group is judged with the others' best explanations as they stand before the answer.
        out = [_updated(circuit, out, number, answer) for number in range(len(out))]
    for number, group in enumerate(groups):
        if out[number].best.faults is None and group.best.faults is not None:
            # Nothing to repair would be named, for the sake of readings that may be wrong.
            out[number] = group
            told[_left_out(group)] = None
    return tuple(out), tuple(told)


def _left_out(group: Explained) -> str:
    what = list_words(sorted(describe(fault) for fault in group.best_faults)) or "what was seen"
    return (
        f"The meter readings fit no explanation of what the presses showed ({what} explains it"
        " best), so they are left out there: measure once more."
    )


def _with_hidden(
    explainer: Explainer,
    evidence: Evidence,
    groups: Sequence[Explained],
    number: int,
    answers: Sequence[MeterAnswer],
) -> Explained:
    """The group's hypotheses, and each of them together with one more fault inside a measured key
    that it hides from every press: a diode may sit backwards behind an open joint."""
    measured = {key for a in answers for key in (a.test.red.key, a.test.black.key, *a.test.held)}
    inside = [f for f in explainer.near.of_kinds(INSIDE) if key_of(f.at[0]) in measured]
    group, context = groups[number], best_of_others(groups, number)
    showing = [fault for fault in inside if not _hidden(explainer, evidence, context, fault)]
    hypotheses = list(group.hypotheses)
    kinds: dict[tuple[int, Fault], int] = {}
    last = max(h.kind for h in hypotheses)
    for h in group.hypotheses:
        if h.faults is None or h.probability < LEAST_COMBINED:
            continue
        for fault in showing:
            if fault in h.faults:
                continue
            if _hidden(explainer, evidence, h.faults | context, fault):
                odds = explainer.priors.log_odds(fault)
                kind = kinds.setdefault((h.kind, fault), last + 1 + len(kinds))
                hypotheses.append(
                    Hypothesis(
                        h.faults | {fault},
                        h.probability * math.exp(odds),
                        h.score + odds,
                        h.leaves,
                        kind,
                    )
                )
    if len(hypotheses) == len(group.hypotheses):
        return group
    total = math.fsum(h.probability for h in hypotheses)
    # Two places of one key are met from both sides; the set is the same.
    unique = {h.faults: replace(h, probability=h.probability / total) for h in hypotheses}
    return replace(group, hypotheses=tuple(rank(list(unique.values()))))


def _hidden(explainer: Explainer, evidence: Evidence, faults: FaultSet, fault: Fault) -> bool:
    """True if nothing observed so far depends on this fault in presence of the others."""
    packed, key = explainer.predictor.packed, key_of(fault.at[0])
    held = [frame.held for frame in evidence.frames if not frame.held or key in frame.held]
    return all(packed(faults | {fault}, keys) == packed(faults, keys) for keys in held)


def _readings(
    circuit: Circuit, groups: Sequence[Explained], number: int, answer: MeterAnswer
) -> list[float]:
    """Per hypothesis of the group: the probability of this answer."""
    context = best_of_others(groups, number)
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
    known = {p for h, p in zip(group.hypotheses, likelihoods, strict=True) if h.faults is not None}
    if len(known) == 1:
        # All expect the same.  That it is wrong is held against them only if it is about them: it
        # may be the others that are taken for something else than they are.
        context = best_of_others(groups, number)
        without = meter.read(circuit, context, answer.test)
        if meter.read(circuit, context | group.best_faults, answer.test) == without:
            return group
        if known == {1 - MISREAD}:
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
        meter.read(circuit, group.best_faults | best_of_others(groups, number), answer.test)
        for number, group in enumerate(groups)
    ] or [meter.read(circuit, frozenset(), answer.test)]
    red, black = (meter.point_words(circuit, p) for p in (answer.test.red, answer.test.black))
    return (
        f"Between {red} and {black} the meter showed {meter.ANSWERS[answer.result]}, but all that"
        f" was seen so far says {meter.ANSWERS[expected[0]]}: measure there once more."
    )
