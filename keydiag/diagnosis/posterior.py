"""From scored fault sets to probabilities: hypotheses per symptom group, marginals, look-alikes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from keydiag.diagnosis.candidates import Candidates
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.search import DEPTH, NO_FAULTS, WIDTH, Space, explain
from keydiag.diagnosis.symptoms import Splitter, Symptom, merge
from keydiag.faults import Fault, Predictor
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors

# The `unknown` hypothesis, per symptom group: something the catalogue does not know.  Its prior is
# that of a rare fault; it predicts nothing, so every frame in which the group shows costs a
# little less than one flipped bit.  Both assumed: low enough that two ordinary faults are preferred, high enough
# that explanations by three unlikely ones are not.
UNKNOWN_PRIOR = 3e-4
UNKNOWN_FRAME = 1e-4

# A best explanation that leaves more of this probability to `unknown` is not trusted: look further
# away before giving up.
WIDEN_AT = 0.5
# Far places are many and unlikely: a couple of them at most, and few sets kept on the way.
FAR_WIDTH = 12
FAR_DEPTH = 2


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One fault set (or, faults=None, the unknown) with its probability within its group."""

    faults: FaultSet | None
    probability: float
    score: float
    likelihood: float


@dataclass(frozen=True, slots=True)
class Explained:
    """A symptom group with everything that may have caused it, most probable first."""

    symptom: Symptom
    hypotheses: tuple[Hypothesis, ...]

    @property
    def best(self) -> Hypothesis:
        return self.hypotheses[0]

    @property
    def best_faults(self) -> FaultSet:
        """Faults of the best explanation; empty when that is a slip or the unknown."""
        return self.best.faults or NO_FAULTS

    def marginals(self) -> dict[Fault, float]:
        """Probability of each fault that occurs in any hypothesis."""
        out: dict[Fault, float] = {}
        for hypothesis in self.hypotheses:
            for fault in hypothesis.faults or ():
                out[fault] = out.get(fault, 0.0) + hypothesis.probability
        return out

    def probability_of_none(self) -> float:
        """Probability that the group is no fault at all: a slip of the hand or a flipped bit."""
        return sum(h.probability for h in self.hypotheses if h.faults == NO_FAULTS)

    def probability_unknown(self) -> float:
        return sum(h.probability for h in self.hypotheses if h.faults is None)


class Explainer:
    """Explains evidence on one circuit; holds the catalogue's indexes and the simulation memory."""

    def __init__(self, predictor: Predictor, priors: Priors) -> None:
        self.predictor = predictor
        self.priors = priors
        self._near = Candidates(predictor.circuit, predictor, "near")
        self._any: Candidates | None = None

    def explain(self, evidence: Evidence) -> tuple[Explained, ...]:
        """The evidence's symptom groups, each with its hypotheses; () if nothing deviates."""
        splitter = Splitter(self.predictor, self.priors, self._near)
        symptoms = splitter.split(evidence)
        explained = [self._explain_one(evidence, symptom) for symptom in symptoms]
        return tuple(self._settle(evidence, explained))

    def whole_score(self, evidence: Evidence, faults: FaultSet) -> float:
        """Log prior plus log likelihood of a fault set over all the evidence."""
        return self._whole(evidence).score(faults)

    def _whole(self, evidence: Evidence) -> Space:
        pins = len(self.predictor.circuit.pins)
        care = [(1 << pins * (pins + 1)) - 1] * len(evidence.frames)
        return Space(evidence, self.predictor, self.priors, self._near, care)

    def _explain_one(self, evidence: Evidence, symptom: Symptom) -> Explained:
        found = self._weigh(self._space(evidence, symptom, self._near), symptom)
        if found.probability_unknown() < WIDEN_AT:
            return found
        if self._any is None:
            self._any = Candidates(self.predictor.circuit, self.predictor, "any")
        space = self._space(evidence, symptom, self._any)
        return self._weigh(space, symptom, FAR_WIDTH, FAR_DEPTH)

    def _space(self, evidence: Evidence, symptom: Symptom, candidates: Candidates) -> Space:
        care, context = symptom.care, symptom.context
        return Space(evidence, self.predictor, self.priors, candidates, care, context)

    def _weigh(
        self, space: Space, symptom: Symptom, width: int = WIDTH, depth: int = DEPTH
    ) -> Explained:
        scores = explain(space, width, depth)
        frames = len(symptom.frames)
        unknown = math.log(UNKNOWN_PRIOR) + frames * math.log(UNKNOWN_FRAME)
        top = max(max(scores.values()), unknown)
        total = sum(math.exp(s - top) for s in scores.values()) + math.exp(unknown - top)
        hypotheses = [
            Hypothesis(faults, math.exp(s - top) / total, s, space.likelihood(faults))
            for faults, s in scores.items()
        ]
        hypotheses.append(Hypothesis(None, math.exp(unknown - top) / total, unknown, unknown))
        hypotheses.sort(key=lambda h: -h.score)  # stable: ties keep the search's order
        return Explained(symptom, tuple(hypotheses))

    def _settle(self, evidence: Evidence, explained: list[Explained]) -> list[Explained]:
        """Merge groups whose best explanations do not simply add up, and explain them again."""
        whole = self._whole(evidence)
        while len(explained) > 1:
            clash = self._clash(whole, explained)
            if clash is None:
                return explained
            i, j = clash
            symptom = merge(explained[i].symptom, explained[j].symptom)
            joined = self._explain_one(evidence, symptom)
            explained = [e for n, e in enumerate(explained) if n not in (i, j)]
            explained.insert(i, joined)
        return explained

    def _clash(self, whole: Space, explained: list[Explained]) -> tuple[int, int] | None:
        """Two groups whose best explanations spoil each other, if there are any."""
        if any(e.best.faults is None for e in explained):
            return None  # the unknown predicts nothing, so nothing can be checked
        union: FaultSet = frozenset().union(*(e.best_faults for e in explained))
        wrong = [whole.deviating(n, union) for n in range(len(whole.frames))]
        if not any(wrong):
            return None
        for i, one in enumerate(explained):
            for j in range(i + 1, len(explained)):
                if self._spoil(whole, one, explained[j], wrong):
                    return i, j
        return None

    def _spoil(self, whole: Space, one: Explained, two: Explained, wrong: list[int]) -> bool:
        """True if bits wrong under all explanations together are wrong because these two meet:
        each side alone, in its own context, has them right."""
        packed = self.predictor.packed
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
