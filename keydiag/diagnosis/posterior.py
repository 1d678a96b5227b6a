"""From scored fault sets to probabilities: hypotheses per symptom group, marginals, look-alikes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from keydiag.diagnosis.candidates import Candidates
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.kept import Kept
from keydiag.diagnosis.nodes import Found
from keydiag.diagnosis.search import DEPTH, WIDTH, explain
from keydiag.diagnosis.space import NO_FAULTS, QUICK, THOROUGH, Budget, Space, bits_of
from keydiag.diagnosis.symptoms import Symptom
from keydiag.faults import Fault, Predictor
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors

# The `unknown` hypothesis, per symptom group: something the catalogue does not know.  Its prior is
# that of a rare fault; it predicts nothing, so every frame in which the group shows costs a
# little less than one flipped bit.  Both assumed: low enough that two ordinary faults
# are preferred, high enough that explanations by three unlikely ones are not.
UNKNOWN_PRIOR = 3e-4
UNKNOWN_FRAME = 1e-4

# Far places are many and unlikely: a couple of them at most, and few sets kept on the way.
FAR_WIDTH = 12
FAR_DEPTH = 2


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


def best_of(groups: Sequence[Explained]) -> FaultSet:
    """The best explanations of all these groups together."""
    return frozenset().union(*(group.best_faults for group in groups))


def best_of_others(groups: Sequence[Explained], number: int) -> FaultSet:
    """The best explanations of all groups but this one: what is taken for granted about it."""
    return best_of([*groups[:number], *groups[number + 1 :]])


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
    """Explains symptom groups of one circuit, one at a time; holds the catalogue's indexes, the
    simulation memory, the budget of one diagnosis and what was kept of the one before."""

    def __init__(self, predictor: Predictor, priors: Priors) -> None:
        self.predictor = predictor
        self.priors = priors
        self.near = Candidates(predictor.circuit, predictor, priors, "near")
        self._any: Candidates | None = None
        self.budget = Budget()
        self.kept = Kept()
        self._whole: Space | None = None

    def begin(self, evidence: Evidence, quickly: bool = False) -> None:
        """Before each diagnosis: the priors as they are now, a whole budget.  A quick one goes on
        from the one before; any other is searched anew, so that it does not depend on its past."""
        if self.kept.tried != self.priors.tried:
            self.near.weigh(self.priors)
            if self._any is not None:
                self._any.weigh(self.priors)
        effort = QUICK if quickly else THOROUGH
        self.budget = Budget(effort.tried, effort)
        self._whole = None
        if quickly:
            self.kept = self.kept.follow(evidence.frames, self.priors.tried)
        else:
            self.kept = Kept(evidence.frames, dict(self.priors.tried))

    def explain_one(self, evidence: Evidence, symptom: Symptom) -> Explained:
        """One group with everything near that may have caused it."""
        return self._search(self.space_of(evidence, symptom), symptom)

    def explain_from_anywhere(self, evidence: Evidence, symptom: Symptom) -> Explained:
        """The same with bridges between any two nets of the half."""
        if self._any is None:
            self._any = Candidates(self.predictor.circuit, self.predictor, self.priors, "any")
        space = self.space_of(evidence, symptom, self._any)
        return self._search(space, symptom, FAR_WIDTH, FAR_DEPTH)

    def whole(self, evidence: Evidence) -> Space:
        """All the evidence at once, nothing taken for granted; the same for one diagnosis."""
        if self._whole is None or self._whole.evidence is not evidence:
            pins = len(self.predictor.circuit.pins)
            care = [(1 << pins * (pins + 1)) - 1] * len(evidence.frames)
            self._whole = Space(evidence, self.predictor, self.priors, self.near, care)
        return self._whole

    def space_of(
        self, evidence: Evidence, symptom: Symptom, candidates: Candidates | None = None
    ) -> Space:
        """What this group is searched in, with everything near if not with other candidates."""
        care, context = symptom.care, symptom.context
        near = candidates or self.near
        return Space(evidence, self.predictor, self.priors, near, care, context)

    def _search(
        self, space: Space, symptom: Symptom, width: int = WIDTH, depth: int = DEPTH
    ) -> Explained:
        space.budget = self.budget.share()
        earlier = self.kept.earlier(space, symptom.mask)
        found, trail = explain(space, symptom.hints, width, depth, earlier)
        self.kept.keep(space, symptom.mask, trail)
        self.budget.settle(space.budget)
        return self.weighed(space, symptom, found)

    def weighed(
        self, space: Space, symptom: Symptom, found: Mapping[FaultSet, Found]
    ) -> Explained:
        """The group with the fault sets that were found for it, beside the unknown."""
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
