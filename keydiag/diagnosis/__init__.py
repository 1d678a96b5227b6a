"""Diagnosis: observations -> findings with probabilities, next tests and repairs.

`Diagnostician` keeps the catalogue's indexes and the simulation memory of one circuit between
updates; `diagnose` is the one-off.  Pure: no port, clock, file or screen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from keydiag.circuit import Circuit
from keydiag.diagnosis.evidence import Evidence, gather
from keydiag.diagnosis.findings import findings_of
from keydiag.diagnosis.meter import MeterAnswer
from keydiag.diagnosis.meter_answers import apply
from keydiag.diagnosis.model import CannotJudge, Diagnosis, Finding, Member, NextTest, Verdict
from keydiag.diagnosis.next_test import Tester
from keydiag.diagnosis.posterior import Explained, Explainer, best_of, best_of_others
from keydiag.diagnosis.whole import explain_all
from keydiag.faults import Fault, Predictor
from keydiag.faults.predict import NO_KEYS, FaultSet
from keydiag.faults.priors import Priors, Table
from keydiag.observe import Observation

__all__ = [
    "CannotJudge",
    "Diagnosis",
    "Diagnostician",
    "Finding",
    "Member",
    "MeterAnswer",
    "NextTest",
    "diagnose",
]

# A press whose label is doubted this much is asked for once more.
PRESS_AGAIN = 0.05
# A finding at least this probable makes the verdict "faults".
SURE = 0.5


class _Explained(NamedTuple):
    """Evidence, the faults tried before, and the symptom groups with all hypotheses."""

    evidence: Evidence
    tried: Mapping[Fault, int]
    quickly: bool
    groups: tuple[Explained, ...]
    cut_short: bool


class Diagnostician:
    """Diagnoses one circuit again and again as evidence comes in."""

    def __init__(self, circuit: Circuit, table: Table | None = None) -> None:
        self.circuit = circuit
        self.predictor = Predictor(circuit)
        self.explainer = Explainer(self.predictor, Priors(circuit, table))
        self.tester = Tester(self.predictor)
        self._latest: _Explained | None = None

    def prepare(self, key: str) -> None:
        """Work out beforehand what each fault alone shows with this key held, and at rest, so that
        the press finds it there.  For all of 45 keys it takes some 0.1 s; it changes no answer."""
        for fault in self.explainer.near.that_show_with(key):
            alone = frozenset((fault,))
            self.predictor.packed(alone, NO_KEYS)
            self.predictor.packed(alone, frozenset((key,)))

    def explain(
        self, observations: Sequence[Observation], quickly: bool = False
    ) -> tuple[Evidence, tuple[Explained, ...]]:
        """The evidence and its symptom groups with all hypotheses, for those who need the
        probabilities themselves; quickly: as `update` sees them."""
        explained = self._explained(observations, quickly)
        return explained.evidence, explained.groups

    def diagnose(
        self,
        observations: Sequence[Observation],
        tried: Mapping[Fault, int] | None = None,
        answers: Sequence[MeterAnswer] = (),
    ) -> Diagnosis:
        """Findings, most urgent first; the same evidence always gives the same answer.

        tried: faults that were repaired so often while the readings stayed as they were.
        answers: meter readings taken on the unpowered half, as evidence beside the observations.
        """
        self.explainer.priors.note_tried(tried or {})
        return self._worded(self._explained(observations, quickly=False), answers)

    def update(
        self,
        observations: Sequence[Observation],
        tried: Mapping[Fault, int] | None = None,
        answers: Sequence[MeterAnswer] = (),
    ) -> Diagnosis:
        """The same, quickly: for after each press, while the next one comes.

        It goes on from the diagnosis before and looks less far, so what is improbable may be
        missing and what is cut short is not told; `diagnose` says it all.
        """
        self.explainer.priors.note_tried(tried or {})
        return self._worded(self._explained(observations, quickly=True), answers)

    def _explained(self, observations: Sequence[Observation], quickly: bool) -> _Explained:
        evidence = gather(self.circuit, self.predictor, observations)
        tried, latest = self.explainer.priors.tried, self._latest
        if latest is not None and (latest.evidence, latest.tried) == (evidence, tried):
            if quickly or not latest.quickly:
                return latest
        groups, cut_short = explain_all(self.explainer, evidence, quickly)
        cut_short = cut_short and not quickly  # a quick look is followed by a full one
        self._latest = _Explained(evidence, tried, quickly, groups, cut_short)
        return self._latest

    def _worded(self, explained: _Explained, answers: Sequence[MeterAnswer]) -> Diagnosis:
        evidence = explained.evidence
        groups, contradictions = apply(self.explainer, evidence, explained.groups, answers)
        findings: list[Finding] = []
        for number, group in enumerate(groups):
            context = best_of_others(groups, number)
            findings += findings_of(self.explainer, self.tester, evidence, group, context)
        findings.sort(key=_urgency)
        everything = best_of(groups)
        not_pressed = tuple(k for k in self.circuit.keys if k not in evidence.pressed)
        doubted = self._doubted(evidence, groups)
        again = (*(k for k in self.circuit.keys if k in doubted), *evidence.fickle)
        return Diagnosis(
            verdict=_verdict(findings, not_pressed, again, evidence),
            findings=tuple(findings),
            cannot_judge=self._masked(everything, evidence),
            press_again=tuple(dict.fromkeys(again)),
            not_pressed=not_pressed,
            fickle=evidence.fickle,
            cut_short=explained.cut_short,
            contradictions=contradictions,
        )

    def _doubted(self, evidence: Evidence, groups: tuple[Explained, ...]) -> set[str]:
        """Keys whose press may have been another key's, judged by the groups they show in."""
        out: set[str] = set()
        for group in groups:
            doubt = group.probability_of_none()
            if doubt < PRESS_AGAIN:
                continue
            for number in group.symptom.frames:
                if len(evidence.frames[number].held) == 1:
                    out |= evidence.frames[number].held
        return out

    def _masked(self, faults: FaultSet, evidence: Evidence) -> tuple[CannotJudge, ...]:
        """Keys whose own joints and diode could be anything: another fault hides them."""
        out = []
        for key in self.circuit.keys:
            held = frozenset((key,))
            if key not in evidence.pressed or self._judged(faults, key, held):
                continue
            own = {fault for fault in faults if _is_at(fault, key)}
            if self._judged(faults - own, key, held):
                continue  # hidden by its own fault only: that is the finding itself
            until = [
                fault
                for fault in sorted(faults - own)
                if self._judged(faults - own - {fault}, key, held)
            ]
            places = tuple(place for fault in until or sorted(faults - own) for place in fault.at)
            if places:
                out.append(CannotJudge(key=key, until=tuple(dict.fromkeys(places))))
        return tuple(out)

    def _judged(self, faults: FaultSet, key: str, held: frozenset[str]) -> bool:
        """True if the key's reading would show an open joint of its own."""
        joint = Fault("open-joint", (self.circuit.parts[key].row_joint,))
        whole = self.predictor.packed(faults, held)
        broken = self.predictor.packed(faults | {joint}, held)
        return bool((whole.bits ^ broken.bits) & ~whole.unknown & ~broken.unknown)


def diagnose(
    circuit: Circuit, observations: Sequence[Observation], table: Table | None = None
) -> Diagnosis:
    """One diagnosis of everything observed so far."""
    return Diagnostician(circuit, table).diagnose(observations)


def _is_at(fault: Fault, key: str) -> bool:
    return bool(fault.at) and fault.at[0].split(" ")[0] == key


def _urgency(finding: Finding) -> tuple[bool, float, str]:
    """Shorts to the rails first (they can do harm), then probability over repair cost."""
    rail = any(m.kind in ("line-to-supply", "line-to-ground") for m in finding.members)
    return (not rail, -finding.probability / max(0.1, finding.expected_joints), finding.title)


def _verdict(
    findings: Sequence[Finding], not_pressed: tuple[str, ...], again: tuple[str, ...], ev: Evidence
) -> Verdict:
    if any(finding.probability >= SURE for finding in findings):
        return "faults"
    rest_seen = bool(ev.frames) and not ev.frames[0].held
    if findings or not_pressed or again or not rest_seen:
        return "incomplete"
    return "pass"
