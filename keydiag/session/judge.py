"""The session's diagnosis: made when it is needed, remembered until the evidence changes.

Here: `Judge`. Not here: which observations count (state.py), and diagnosis itself.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnosis, Diagnostician, MeterAnswer
from keydiag.diagnosis.meter_answers import apply
from keydiag.diagnosis.next_test import LEAST_WEIGHT
from keydiag.diagnosis.posterior import best_of, best_of_others
from keydiag.faults import Fault
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Table
from keydiag.observe import Observation

__all__ = ["Judge"]

Observations = tuple[Observation, ...]
Answers = tuple[MeterAnswer, ...]


class _Known(NamedTuple):
    asked: tuple[Observations, Answers]
    diagnosis: Diagnosis
    quickly: bool


class Judge:
    """Diagnoses observations of one circuit, from any thread, one at a time."""

    def __init__(self, circuit: Circuit, table: Table | None) -> None:
        self._circuit = circuit
        self._diagnostician = Diagnostician(circuit, table)
        self._lock = threading.Lock()
        self._tried: Counter[Fault] = Counter()
        self._known: _Known | None = None

    @property
    def latest(self) -> Diagnosis | None:
        """The last diagnosis made, whatever it was about; None if it was forgotten since."""
        known = self._known
        return known.diagnosis if known is not None else None

    def diagnose(self, seen: Observations, answers: Answers = ()) -> Diagnosis:
        """The diagnosis of these observations and meter answers, whatever was asked before."""
        return self._diagnosis(seen, answers, quickly=False)

    def update(self, seen: Observations, answers: Answers = ()) -> Diagnosis:
        """The same, quickly: nothing is decided by it, for it depends on what was asked before."""
        return self._diagnosis(seen, answers, quickly=True)

    def _diagnosis(self, seen: Observations, answers: Answers, quickly: bool) -> Diagnosis:
        asked = seen, answers
        with self._lock:
            known = self._known
            if known is None or known.asked != asked or known.quickly and not quickly:
                engine = self._diagnostician
                look = engine.update if quickly else engine.diagnose
                diagnosis = look(seen, self._tried, answers)
                if known is not None and known.diagnosis == diagnosis:
                    diagnosis = known.diagnosis  # the same object: nothing to draw anew
                known = self._known = _Known(asked, diagnosis, quickly)
            return known.diagnosis

    def prepare(self) -> Iterator[None]:
        """Make ready for the presses, a little at each step; stop whenever there is other work."""
        for key in self._circuit.keys:
            with self._lock:
                self._diagnostician.prepare(key)
            yield

    def alive(self, seen: Observations, answers: Answers = ()) -> tuple[FaultSet, ...]:
        """The fault sets that may still be what the half has, the likeliest first: each explanation
        of one group of symptoms, with the best explanations of the others."""
        with self._lock:
            evidence, groups = self._diagnostician.explain(seen)
            groups, _ = apply(self._diagnostician.explainer, evidence, groups, answers)
        found: dict[FaultSet, None] = {best_of(groups): None}
        for number, group in enumerate(groups):
            others = best_of_others(groups, number)
            for each in group.hypotheses:
                if each.faults is not None and each.probability >= LEAST_WEIGHT:
                    found[each.faults | others] = None
        return tuple(found)

    def note_tried(self, faults: Iterable[Fault]) -> None:
        """These were repaired, and the readings stayed as they were."""
        with self._lock:
            self._tried.update(faults)
            self._known = None

    def forget(self) -> None:
        """A fresh start: nothing is known or has been tried."""
        with self._lock:
            self._tried.clear()
            self._known = None
