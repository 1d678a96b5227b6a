"""Where the truth stands among the explanations.

Two faults that alone do the same to every single press and to rest are look-alikes: five places to
open one key are one *group*.  Two fault sets of the same groups are of one *sort*, and what is
ranked is sorts.  Not here: the exact ranking (`exact`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from keydiag.circuit import Circuit
from keydiag.diagnosis.posterior import Explained
from keydiag.faults import Fault, Predictor
from keydiag.faults.predict import FaultSet

Sort = tuple[int, ...]
UNKNOWN: Sort = (-1,)
MOST_SORTS = 40  # kept while the symptom groups' explanations are combined


class Sorter:
    """Groups and sorts on one circuit."""

    def __init__(self, circuit: Circuit) -> None:
        self.predictor = Predictor(circuit)
        self.frames = [frozenset[str](), *(frozenset((key,)) for key in circuit.keys)]
        self._numbers: dict[object, int] = {}
        self._groups: dict[Fault, int] = {}

    def group(self, fault: Fault) -> int:
        number = self._groups.get(fault)
        if number is None:
            alone = frozenset((fault,))
            marks = tuple(self.predictor.packed(alone, held) for held in self.frames)
            number = self._groups[fault] = self._numbers.setdefault(marks, len(self._numbers))
        return number

    def sort(self, faults: FaultSet) -> Sort:
        return tuple(sorted(map(self.group, faults)))

    def shown(self, faults: FaultSet) -> FaultSet:
        """The faults without those that change nothing in presence of the others: hidden ones, and
        ones that only a chord shows."""
        for fault in sorted(faults):
            without = faults - {fault}
            if all(
                self.predictor.packed(without, held) == self.predictor.packed(faults, held)
                for held in self.frames
            ):
                return self.shown(without)
        return faults

    def ranked(self, groups: Sequence[Explained]) -> list[tuple[Sort, float]]:
        """The engine's sorts for the half as a whole, most probable first."""
        whole: dict[Sort, float] = {(): 1.0}
        for group in groups:
            own: dict[Sort, float] = {}
            for hypothesis in group.hypotheses:
                sort = UNKNOWN if hypothesis.faults is None else self.sort(hypothesis.faults)
                own[sort] = own.get(sort, 0.0) + hypothesis.probability
            combined: dict[Sort, float] = {}
            for a, p in whole.items():
                for b, q in best(own):
                    both = tuple(sorted(a + b))
                    combined[both] = combined.get(both, 0.0) + p * q
            whole = dict(best(combined))
        return best(whole)

    def weighed(self, sets: Iterable[tuple[FaultSet, float]]) -> list[tuple[Sort, float]]:
        """Fault sets with their log weights, as sorts with their shares."""
        sets = list(sets)
        top = max((weight for _, weight in sets), default=0.0)
        out: dict[Sort, float] = {}
        for faults, weight in sets:
            sort = self.sort(faults)
            out[sort] = out.get(sort, 0.0) + math.exp(weight - top)
        total = sum(out.values())
        return best({sort: weight / total for sort, weight in out.items()})


def best(sorts: dict[Sort, float]) -> list[tuple[Sort, float]]:
    return sorted(sorts.items(), key=lambda item: (-item[1], item[0]))[:MOST_SORTS]


def place(ranked: Sequence[tuple[Sort, float]], truth: Sort) -> int:
    """1 = first; 0 = not among them."""
    return next((n for n, (sort, _) in enumerate(ranked, 1) if sort == truth), 0)
