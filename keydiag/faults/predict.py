"""Fault sets -> readings, with a memory.

`predict` is the plain function.  `Predictor` gives the same answers faster for many fault sets and
many frames: a fault that cannot show in a frame is left out of the set before the circuit is
wired, so most sets share their wirings and readings.
"""

from __future__ import annotations

from collections.abc import Iterable

from keydiag.circuit import Circuit, Prediction, Wiring
from keydiag.faults.kinds import Fault, changes, conducts_at_rest, keys_that_show

FaultSet = frozenset[Fault]


def predict(circuit: Circuit, faults: Iterable[Fault], held: Iterable[str]) -> Prediction:
    """What the half reads with these faults while these keys are held (exact simulation)."""
    all_changes = [change for fault in sorted(faults) for change in changes(circuit, fault)]
    return circuit.wired(all_changes).predict(held)


class Predictor:
    """Exact simulation of fault sets, remembering what it has worked out.

    Memory grows with the number of distinct (relevant faults, keys held) pairs asked for; `forget`
    empties it.
    """

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self._shows: dict[Fault, frozenset[str] | None] = {}
        self._wirings: dict[FaultSet, Wiring] = {}
        self._known: dict[tuple[FaultSet, frozenset[str]], Prediction] = {}

    def forget(self) -> None:
        self._wirings.clear()
        self._known.clear()

    def shows(self, fault: Fault) -> frozenset[str] | None:
        """`keys_that_show`, remembered."""
        try:
            return self._shows[fault]
        except KeyError:
            answer = self._shows[fault] = keys_that_show(self.circuit, fault)
            return answer

    def relevant(self, faults: FaultSet, held: frozenset[str]) -> FaultSet:
        """The members of the set that can change the reading of this frame."""
        active = held
        for fault in faults:
            if self.shows(fault) is None:
                active = active | conducts_at_rest(fault)
            elif fault.kind == "swapped-keys" and not held.isdisjoint(fault.at):
                active = active | frozenset(fault.at)
        return frozenset(
            fault
            for fault in faults
            if (keys := self.shows(fault)) is None or not keys.isdisjoint(active)
        )

    def predict(self, faults: FaultSet, held: frozenset[str]) -> Prediction:
        """The same as `predict(circuit, faults, held)`."""
        wanted = self.relevant(faults, held)
        known = self._known.get((wanted, held))
        if known is None:
            wiring = self._wirings.get(wanted)
            if wiring is None:
                parts = [c for fault in sorted(wanted) for c in changes(self.circuit, fault)]
                wiring = self._wirings[wanted] = self.circuit.wired(parts)
            known = self._known[wanted, held] = wiring.predict(held)
        return known
