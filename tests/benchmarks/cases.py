"""One circuit with all that is worked out once for it, and the fault sets drawn for it.

Not here: the halves (`halves`), who builds and presses them (`builder`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from random import Random

from keydiag.circuit import Circuit
from keydiag.diagnosis.chords import Chord, plan
from keydiag.faults import Fault, enumerate_faults
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors
from tests.benchmarks.ranks import Sorter
from tests.diagnosis.oracle import Oracle


@dataclass(eq=False)
class Bench:
    """A circuit to play on."""

    name: str
    circuit: Circuit

    @cached_property
    def faults(self) -> list[Fault]:
        return enumerate_faults(self.circuit)

    @cached_property
    def weights(self) -> list[float]:
        """The prior of each of `faults`."""
        return list(map(Priors(self.circuit).probability, self.faults))

    @cached_property
    def sorter(self) -> Sorter:
        return Sorter(self.circuit)

    @cached_property
    def oracle(self) -> Oracle:
        return Oracle(self.circuit)

    @cached_property
    def chords(self) -> tuple[Chord, ...]:
        """The chord check of this half."""
        return plan(self.circuit)

    def drawn(self, draw: Random, count: int) -> FaultSet:
        """So many different faults, each as often as its prior says."""
        chosen: set[Fault] = set()
        while len(chosen) < count:
            chosen.update(draw.choices(self.faults, self.weights))
        return frozenset(chosen)

    def built(self, draw: Random) -> FaultSet:
        """A first build: each fault of the catalogue on its own, by its prior."""
        return frozenset(
            fault for fault, p in zip(self.faults, self.weights, strict=True) if draw.random() < p
        )
