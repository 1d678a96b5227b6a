"""From scored fault sets to probabilities: hypotheses per symptom group, marginals, look-alikes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from keydiag.diagnosis.candidates import Candidates, pins_of
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.search import DEPTH, NO_FAULTS, WIDTH, Space, bits_of, explain
from keydiag.diagnosis.symptoms import Splitter, Symptom, merge
from keydiag.faults import Fault, Predictor
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors

# The `unknown` hypothesis, per symptom group: something the catalogue does not know.  Its prior is
# that of a rare fault; it predicts nothing, so every frame in which the group shows costs a
# little less than one flipped bit.  Both assumed: low enough that two ordinary faults
# are preferred, high enough that explanations by three unlikely ones are not.
UNKNOWN_PRIOR = 3e-4
UNKNOWN_FRAME = 1e-4

# A best explanation that leaves more of this probability to `unknown` is not trusted: look further
# away before giving up.
WIDEN_AT = 0.5
# Far places are many and unlikely: a couple of them at most, and few sets kept on the way.
FAR_WIDTH = 12
FAR_DEPTH = 2
# Log odds below which an explanation that leaves bits unexplained is worth another look: a slip of
# the hand costs some 8, a flipped bit 11.5.
STRAINED = -9.0
# By how much (natural log) one explanation of two groups must beat two explanations.
WORTH_MERGING = 1.0


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One fault set (or, faults=None, the unknown) with its probability within its group.

    score: log prior + log likelihood.  leaves: the bits it does not explain, as (frame, packed
    mask); sets that leave the same bits predict the same for every test done so far.
    """

    faults: FaultSet | None
    probability: float
    score: float
    leaves: tuple[tuple[int, int], ...]
    kind: int = 0  # sets of the same kind are look-alikes: each fault in one has its like in others


@dataclass(frozen=True, slots=True)
class Explained:
    """A symptom group with everything that may have caused it, the most probable first; sets whose
    faults are look-alikes stand together and are ranked by what they come to together."""

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


def _strained(explained: Explained) -> bool:
    """True if the best explanation of a group leaves bits unexplained at the price of a flipped
    bit, or is none."""
    best = explained.best
    return best.faults is None or bool(best.leaves) and best.score < STRAINED


def _by_kind(space: Space, hypotheses: list[Hypothesis]) -> list[Hypothesis]:
    """Most probable first, where sets count together whose faults do the same to every frame: five
    places to open one key are one explanation."""
    marks: dict[Fault, object] = {}

    def mark(fault: Fault) -> object:
        if fault not in marks:
            alone = frozenset((fault,))
            marks[fault] = tuple(
                (number, predicted)
                for number in bits_of(space.showing(fault, NO_FAULTS))
                if (predicted := space.predicted(number, alone))
                != space.predicted(number, NO_FAULTS)
            )
        return marks[fault]

    numbers: dict[object, int] = {}
    out = []
    for hypothesis in hypotheses:
        kind: object = None
        if hypothesis.faults is not None:
            kind = (frozenset(map(mark, hypothesis.faults)), hypothesis.leaves)
        out.append(replace(hypothesis, kind=numbers.setdefault(kind, len(numbers))))
    return rank(out)


def rank(hypotheses: Sequence[Hypothesis]) -> list[Hypothesis]:
    """Most probable kind first, most probable first within each kind."""
    kinds: dict[int, list[Hypothesis]] = {}
    for hypothesis in sorted(hypotheses, key=lambda h: -h.score):  # stable: ties as they came
        kinds.setdefault(hypothesis.kind, []).append(hypothesis)
    order = sorted(kinds.values(), key=lambda k: -math.fsum(h.probability for h in k))
    return [hypothesis for kind in order for hypothesis in kind]


class Explainer:
    """Explains evidence on one circuit; holds the catalogue's indexes and the simulation memory."""

    def __init__(self, predictor: Predictor, priors: Priors) -> None:
        self.predictor = predictor
        self.priors = priors
        self._near = Candidates(predictor.circuit, predictor, priors, "near")
        self._any: Candidates | None = None

    def explain(self, evidence: Evidence) -> tuple[Explained, ...]:
        """The evidence's symptom groups, each with its hypotheses; () if nothing deviates."""
        self._near.weigh(self.priors)
        if self._any is not None:
            self._any.weigh(self.priors)
        splitter = Splitter(self.predictor, self.priors, self._near)
        symptoms = splitter.split(evidence)
        explained = [self._explain_one(evidence, symptom) for symptom in symptoms]
        explained = self._settle(evidence, explained)
        if any(map(_strained, explained)):
            explained = self._rescue(evidence, explained)
        for number, one in enumerate(explained):
            if one.probability_unknown() > WIDEN_AT:
                explained[number] = self._explain_one(evidence, one.symptom, everywhere=True)
        return tuple(self._settle(evidence, explained))

    def whole_score(self, evidence: Evidence, faults: FaultSet) -> float:
        """Log prior plus log likelihood of a fault set over all the evidence."""
        return self._whole(evidence).score(faults)

    def _whole(self, evidence: Evidence) -> Space:
        pins = len(self.predictor.circuit.pins)
        care = [(1 << pins * (pins + 1)) - 1] * len(evidence.frames)
        return Space(evidence, self.predictor, self.priors, self._near, care)

    def _explain_one(
        self, evidence: Evidence, symptom: Symptom, everywhere: bool = False
    ) -> Explained:
        if not everywhere:
            return self._weigh(self._space(evidence, symptom, self._near), symptom)
        if self._any is None:
            self._any = Candidates(
                self.predictor.circuit, self.predictor, self.priors, "any"
            )
        space = self._space(evidence, symptom, self._any)
        return self._weigh(space, symptom, FAR_WIDTH, FAR_DEPTH)

    def _together(self, evidence: Evidence, one: Explained, two: Explained) -> Explained:
        hint = one.best_faults | two.best_faults
        return self._explain_one(evidence, merge(one.symptom, two.symptom, hint))

    def _space(self, evidence: Evidence, symptom: Symptom, candidates: Candidates) -> Space:
        care, context = symptom.care, symptom.context
        return Space(evidence, self.predictor, self.priors, candidates, care, context)

    def _weigh(
        self, space: Space, symptom: Symptom, width: int = WIDTH, depth: int = DEPTH
    ) -> Explained:
        found = explain(space, symptom.hint, width, depth)
        frames = len(symptom.frames)
        unknown = math.log(UNKNOWN_PRIOR) + frames * math.log(UNKNOWN_FRAME)
        scores = [f.score for f in found.values()]
        top = max(*scores, unknown)
        total = sum(math.exp(s - top) for s in scores) + math.exp(unknown - top)
        hypotheses = [
            Hypothesis(faults, math.exp(f.score - top) / total, f.score, f.leaves)
            for faults, f in found.items()
        ]
        hypotheses.append(Hypothesis(None, math.exp(unknown - top) / total, unknown, ()))
        return Explained(symptom, tuple(_by_kind(space, hypotheses)))

    def _settle(self, evidence: Evidence, explained: list[Explained]) -> list[Explained]:
        """Merge groups whose best explanations do not simply add up, and explain them again."""
        whole = self._whole(evidence)
        while len(explained) > 1:
            clash = self._clash(whole, explained)
            if clash is None:
                return explained
            i, j = clash
            joined = self._together(evidence, explained[i], explained[j])
            explained = [e for n, e in enumerate(explained) if n not in (i, j)]
            explained.insert(i, joined)
        return explained

    def _rescue(self, evidence: Evidence, explained: list[Explained]) -> list[Explained]:
        """Merge a group that has no good explanation of its own with another one, if together they
        have a better one than apart: two faults that only show their marks by meeting."""
        pins = len(self.predictor.circuit.pins)
        reach = [
            set().union(*(pins_of(bits, pins) for bits in one.symptom.mask)) for one in explained
        ]
        for i, one in enumerate(explained):
            if not _strained(one):
                continue
            for j, two in enumerate(explained):
                if i == j or not reach[i] & reach[j]:
                    continue
                joined = self._together(evidence, one, two)
                if joined.best.score > one.best.score + two.best.score + WORTH_MERGING:
                    rest = [e for n, e in enumerate(explained) if n not in (i, j)]
                    return self._rescue(evidence, [joined, *rest])
        return explained

    def _clash(self, whole: Space, explained: list[Explained]) -> tuple[int, int] | None:
        """Two groups whose best explanations share a fault or spoil each other, if any do."""
        for i, j in combinations(range(len(explained)), 2):
            if explained[i].best_faults & explained[j].best_faults:
                return i, j
        union: FaultSet = frozenset().union(*(e.best_faults for e in explained))
        wrong = [whole.deviating(n, union) for n in range(len(whole.frames))]
        for one in explained:
            if one.best.faults is None:  # the unknown predicts nothing, so nothing can be checked
                wrong = [w & ~mask for w, mask in zip(wrong, one.symptom.mask, strict=True)]
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
