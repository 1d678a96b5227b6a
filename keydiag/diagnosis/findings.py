"""From explained symptom groups to findings: look-alikes, evidence, repair, retest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from keydiag.diagnosis import repair, words
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.model import Finding, Member
from keydiag.diagnosis.next_test import Tester
from keydiag.diagnosis.posterior import Explained, Explainer, Hypothesis
from keydiag.diagnosis.space import NO_FAULTS
from keydiag.faults import KINDS, Fault, describe
from keydiag.faults.kinds import HOLD_FAST, OPEN_IN_KEY
from keydiag.faults.predict import FaultSet

# Members and other explanations less probable than this are not shown.
LEAST_MEMBER = 0.001
LEAST_OTHER = 0.01
MOST_OTHERS = 3


@dataclass(frozen=True, slots=True)
class Group:
    """Faults no test so far can tell apart, with each one's probability.  `lead` stands for them in
    the group's best explanation."""

    lead: Fault
    shares: dict[Fault, float]
    probability: float


def groups_of(explained: Explained, order: Callable[[Fault], int]) -> list[Group]:
    """One group per fault of the best explanation; ties, equal but for rounding, in this order."""
    best = explained.best_faults
    marginals = explained.marginals()
    by_set = {h.faults: h for h in explained.hypotheses if h.faults is not None}
    out, taken = [], set()
    for lead in sorted(best, key=lambda f: (-round(marginals[f], 9), order(f), f)):
        rest = best - {lead}
        alike = {lead}
        for fault in marginals:
            other = by_set.get(rest | {fault})
            if fault in best or fault in taken or other is None:
                continue
            if other.leaves == explained.best.leaves:
                alike.add(fault)
        taken |= alike
        probability = sum(
            h.probability
            for h in explained.hypotheses
            if h.faults and not alike.isdisjoint(h.faults)
        )
        shares = {
            f: marginals[f] for f in sorted(alike) if marginals[f] >= LEAST_MEMBER or f == lead
        }
        out.append(Group(lead, shares, min(1.0, probability)))
    return out


def findings_of(
    explainer: Explainer,
    tester: Tester,
    evidence: Evidence,
    explained: Explained,
    context: FaultSet,
) -> list[Finding]:
    """The findings of one symptom group; `context` holds the other groups' best explanations."""
    if explained.best.faults is None:
        return [_unknown(explainer, tester, evidence, explained, context)]
    groups = groups_of(explained, explainer.near.order)
    if not groups:
        # A slip is the best explanation; the best real fault is still worth a line.
        runner_up = next((h for h in explained.hypotheses if h.faults), None)
        if runner_up is None or explained.probability_of_none() > 1 - LEAST_OTHER:
            return []
        marginals = explained.marginals()
        lead = max(sorted(runner_up.faults or ()), key=marginals.__getitem__)
        alike = _alike(explained, runner_up)
        shares = {f: marginals[f] for f in alike if marginals[f] >= LEAST_MEMBER} or {lead: 0.0}
        groups = [Group(lead, shares, min(1.0, sum(shares.values())))]
    findings = []
    for group in groups:
        about = frozenset(group.shares) if len(groups) > 1 else None
        tests = tester.next_tests(evidence, explained, context, about)
        findings.append(_finding(explainer, evidence, explained, context, group, tests))
    return findings


def _alike(explained: Explained, runner_up: Hypothesis) -> list[Fault]:
    """Faults of all sets that explain what this one explains, with as many faults."""
    size = len(runner_up.faults or ())
    return sorted(
        fault
        for h in explained.hypotheses
        if h.faults and len(h.faults) == size and h.leaves == runner_up.leaves
        for fault in h.faults
    )


def _finding(
    explainer: Explainer,
    evidence: Evidence,
    explained: Explained,
    context: FaultSet,
    group: Group,
    tests: tuple,
) -> Finding:
    circuit, priors = explainer.predictor.circuit, explainer.priors
    order = repair.in_order(priors, group.shares)
    members = tuple(_member(explainer, fault, group.shares[fault]) for fault in order)
    shown = _frames_shown(explainer, evidence, explained, context, group)
    seen = words.evidence_words(circuit, evidence.frames, shown)
    others = _what_else(explained, group)
    everything = explained.best_faults | context
    return Finding(
        probability=group.probability,
        title=words.title(order),
        members=members,
        evidence=seen,
        explanation=_explanation(group, order, seen, others),
        repair=_repair_text(explainer, order),
        cautions=_cautions(order, tests),
        what_else=others,
        next_tests=tests,
        retest=repair.retest_keys(explainer.predictor, everything, order),
        expected_joints=repair.expected_joints(priors, group.shares),
    )


def _member(explainer: Explainer, fault: Fault, probability: float) -> Member:
    return Member(
        kind=fault.kind,
        at=fault.at,
        probability=min(1.0, probability),
        words=describe(fault),
        repair=words.repair_words(explainer.predictor.circuit, fault),
        cost=explainer.priors.cost(fault),
    )


def _frames_shown(
    explainer: Explainer,
    evidence: Evidence,
    explained: Explained,
    context: FaultSet,
    group: Group,
) -> list[int]:
    """Frames that speak for this group: what they read depends on its fault."""
    with_it = explained.best_faults | context | {group.lead}
    without = with_it - {group.lead}
    predictor = explainer.predictor
    numbers = [
        number
        for number, frame in enumerate(evidence.frames)
        if predictor.packed(with_it, frame.held) != predictor.packed(without, frame.held)
    ]
    if numbers and not evidence.frames[numbers[0]].held:
        # What shows at rest shows in every frame: only frames that say more are worth words.
        at_rest = repair.difference(predictor, with_it, without, frozenset())
        numbers = [
            n
            for n in numbers
            if not evidence.frames[n].held
            or repair.difference(predictor, with_it, without, evidence.frames[n].held) != at_rest
        ]
    return numbers or list(explained.symptom.frames)


def _what_else(explained: Explained, group: Group) -> tuple[str, ...]:
    out: list[str] = []
    for h in explained.hypotheses:
        if h.probability < LEAST_OTHER or len(out) == MOST_OTHERS:
            break
        if h.faults is None:
            out.append(f"something the catalogue does not know ({h.probability:.0%})")
        elif h.faults == NO_FAULTS:
            out.append(f"the key was not pressed as asked ({h.probability:.0%})")
        elif group.shares.keys().isdisjoint(h.faults):
            what = words.list_words(sorted(describe(f) for f in h.faults))
            out.append(f"{what} ({h.probability:.0%})")
    return tuple(out)


def _explanation(
    group: Group, order: list[Fault], seen: tuple[str, ...], others: tuple[str, ...]
) -> str:
    lead = order[0]
    first = seen[0] if seen else "The readings differ from the board file."
    if lead.kind in HOLD_FAST:
        # Of several lines that are held fast, the one the finding is about.
        name = lead.at[0].replace("pin ", "")
        first = next((words for words in seen if name in words), first)
    if len(order) == 1:
        where = f"{words.meaning(lead)}: {describe(lead)}."
    elif all(f.kind in OPEN_IN_KEY for f in order):
        where = (
            f"{words.meaning(lead)}; pressing alone cannot tell its {len(order)} places apart:"
            f" start with the {lead.at[0]}."
        )
    else:
        alike = words.list_words([describe(f) for f in order[1:]], 3)
        where = f"{words.meaning(lead)}: {describe(lead)}, or what reads the same: {alike}."
    tail = f" It might also be {words.list_words(others)}." if others else ""
    return f"{first} {where}{tail}"


def _repair_text(explainer: Explainer, order: list[Fault]) -> str:
    circuit = explainer.predictor.circuit
    batches = repair.batches(order)
    first = batches[0]
    if len(first) > 1:
        places = words.list_words([f.at[0] for f in first])
        text = f"Reflow the {places} in one go: look for grey, lumpy or ring-cracked solder."
    else:
        text = words.repair_words(circuit, first[0])
    if len(batches) > 1:
        then = [describe(f) for batch in batches[1:] for f in batch]
        text += f" If that does not help, go on with: {'; '.join(then[:4])}."
    return text


def _cautions(order: list[Fault], tests: tuple) -> tuple[str, ...]:
    kinds = {fault.kind for fault in order}
    out: tuple[str, ...] = ()
    if kinds & {"line-to-supply", "line-to-ground"}:
        out += words.CAUTIONS_SUPPLY
    if any(KINDS[kind].joints for kind in kinds):
        out += words.CAUTIONS_SOLDER
    if any(test.kind == "meter" for test in tests):
        out += words.CAUTIONS_METER
    return out


def _unknown(
    explainer: Explainer,
    tester: Tester,
    evidence: Evidence,
    explained: Explained,
    context: FaultSet,
) -> Finding:
    circuit = explainer.predictor.circuit
    held = [
        key
        for key in circuit.keys
        if any(key in evidence.frames[n].held for n in explained.symptom.frames)
    ]
    seen = words.evidence_words(circuit, evidence.frames, list(explained.symptom.frames))
    text = (
        "Nothing in the catalogue explains these readings together. Check the board file against"
        " the half first, then look over the joints of the keys named here."
    )
    return Finding(
        probability=explained.best.probability,
        title="unknown",
        members=(
            Member(
                kind="unknown",
                at=tuple(held),
                probability=explained.best.probability,
                words="something the catalogue does not know",
                repair=text,
                cost=float(max(1, len(held))),
            ),
        ),
        evidence=seen,
        explanation=f"{seen[0] if seen else ''} {text}".strip(),
        repair=text,
        cautions=words.CAUTIONS_SOLDER,
        what_else=tuple(
            f"{words.list_words(sorted(describe(f) for f in h.faults))} ({h.probability:.0%})"
            for h in explained.hypotheses[1:4]
            if h.faults and h.probability >= LEAST_OTHER
        ),
        next_tests=tester.next_tests(evidence, explained, context),
        retest=tuple(held),
        expected_joints=float(max(1, len(held))),
    )
