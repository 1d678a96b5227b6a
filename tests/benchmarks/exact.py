"""What any method could do at best with the same readings and priors: all explanations, exactly.

Every fault set that explains all readings and is as probable as the truth, or nearly, by branching
over conflict clauses: a clause of the exact judge (`tests/diagnosis/oracle.py`) says which faults
at least one of must be added to a set that explains too little; what meeting all its clauses costs
at least bounds a set.  Complete down to LESS below the truth; gives up after MOST_SETS sets, and
says so.  Nothing of the engine's search is used.

The five open places of a key are one fault here, as probable as all five together, unless something
else is wrong inside that key.  Sets that explain no more than a part of them does are left out.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import product
from typing import NamedTuple

from keydiag.faults import Fault
from keydiag.faults.kinds import OPEN_IN_KEY, key_of
from keydiag.faults.predict import FaultSet
from tests.diagnosis.oracle import Oracle

# Explanations this much less probable (natural log) than the truth are not looked for: one alone
# comes to 8 % of it.  Less deep, and sorts of many improbable sets would be ranked too low.
LESS = 2.5
MOST_SETS = 1_200
MOST_FRAMES = 8  # readings that make clauses for one set
LOG_2 = math.log(2.0)
INSIDE = ("bridge", "stuck-switch", "shorted-diode")

Frames = Sequence[tuple[frozenset[str], int]]  # keys held, packed reading


class Explanations(NamedTuple):
    """sets: (fault set, log weight); complete: no other explains and weighs as much as asked."""

    sets: list[tuple[FaultSet, float]]
    complete: bool
    looked_at: int


class Exact:
    """Exact answers on one circuit."""

    def __init__(self, oracle: Oracle) -> None:
        self.oracle = oracle
        self.stands_for: dict[Fault, Fault] = {}
        self.places: dict[Fault, list[Fault]] = {}  # per stand-in: the open places of its key
        self.cost = dict(oracle.cost)
        self._known: dict[object, tuple[Fault, ...]] = {}
        for fault in oracle.faults:
            if fault.kind in OPEN_IN_KEY:
                key = key_of(fault.at[0])
                stand_in = Fault("open-key", (key,))
                self.stands_for[fault] = stand_in
                self.places.setdefault(stand_in, []).append(fault)
        for stand_in, places in self.places.items():
            self.cost[stand_in] = -math.log(sum(math.exp(-oracle.cost[f]) for f in places))

    def explanations(self, frames: Frames, truth: FaultSet) -> Explanations:
        """All explanations down to the truth's weight less LESS; `truth` must be one itself."""
        truth = self.folded(truth)
        most_cost = self._cost(truth) + LESS + LOG_2 * self._open_bits(truth, frames)
        found = {truth}
        # A set, and the faults that sets grown from it do not have: another branch has those.
        stack: list[tuple[FaultSet, FaultSet]] = [(frozenset(), frozenset())]
        looked_at = 0
        while stack:
            if looked_at == MOST_SETS:
                return Explanations(self._weighed(found, frames), False, looked_at)
            chosen, without = stack.pop()
            looked_at += 1
            clauses = self._clauses(chosen, frames)
            if not clauses:
                found.add(chosen)
                continue
            clauses = [[f for f in clause if f not in without] for clause in clauses]
            left = most_cost - self._cost(chosen)
            if self._least(clauses) > left:
                continue
            # What meets most clauses goes first, so that all other branches are rid of it.
            meets = Counter(fault for clause in clauses for fault in clause)
            clause = min(clauses, key=len)
            for fault in sorted(clause, key=lambda f: (-meets[f], self.cost[f], f)):
                for grown in self._unfolded(chosen | {fault}):
                    if self._cost(grown) <= most_cost:
                        stack.append((grown, without))
                without |= {fault}
        return Explanations(self._weighed(found, frames), True, looked_at)

    # --- open places of one key ---

    def folded(self, faults: FaultSet) -> FaultSet:
        """The set with stand-ins for open places where these are alike."""
        special = _special_keys(faults)
        return frozenset(
            fault if own_key(fault) in special else self.stands_for.get(fault, fault)
            for fault in faults
        )

    def _unfolded(self, faults: FaultSet) -> Iterator[FaultSet]:
        """The sets this one stands for: with each open place on its own in keys where these are
        not alike."""
        special = _special_keys(faults)
        split = [f for f in faults if f in self.places and f.at[0] in special]
        rest = faults.difference(split)
        for places in product(*(self.places[f] for f in split)):
            yield rest.union(places)

    def plain(self, faults: FaultSet) -> FaultSet:
        """The set as the circuit knows it: any open place for a stand-in."""
        return frozenset(self.places[f][0] if f in self.places else f for f in faults)

    # --- weights ---

    def _cost(self, faults: FaultSet) -> float:
        return math.fsum(map(self.cost.__getitem__, faults))

    def _weighed(self, found: Iterable[FaultSet], frames: Frames) -> list[tuple[FaultSet, float]]:
        """Plain sets with their log weights: prior, and one half for every bit that the set leaves
        open."""
        plain = {self.plain(s): self._cost(s) for s in found}
        return [
            (faults, -cost - LOG_2 * self._open_bits(faults, frames))
            for faults, cost in plain.items()
            if not any(self._explains(faults - {fault}, frames) for fault in faults)
        ]

    def _open_bits(self, faults: FaultSet, frames: Frames) -> int:
        """How many bits nothing decides; the same bit in several readings is one question."""
        plain, unknown = self.plain(faults), 0
        for held, _ in frames:
            unknown |= self.oracle.predictor.packed(plain, held).unknown
        return unknown.bit_count()

    def _explains(self, faults: FaultSet, frames: Frames) -> bool:
        packed = self.oracle.predictor.packed
        return not any(
            (bits ^ seen) & ~unknown
            for held, seen in frames
            for bits, unknown in (packed(faults, held),)
        )

    # --- clauses ---

    def _clauses(self, chosen: FaultSet, frames: Frames) -> list[list[Fault]]:
        """Per wrong bit: the faults of which any larger explanation has at least one."""
        plain = self.plain(chosen)
        out: dict[tuple[Fault, ...], None] = {}
        wrong = 0
        for held, seen in frames:
            before = len(out)
            for clause in self.oracle.conflicts(plain, held, seen):
                out[self._folded_clause(tuple(clause), chosen)] = None
            wrong += len(out) > before
            if wrong == MOST_FRAMES:
                break
        return [list(clause) for clause in out]

    def _folded_clause(self, clause: tuple[int, ...], chosen: FaultSet) -> tuple[Fault, ...]:
        question = clause, frozenset(f for f in chosen if f in self.places)
        known = self._known.get(question)
        if known is None:
            faults = (self.oracle.faults[v - 1] for v in clause if v > 0)
            folded = dict.fromkeys(self.stands_for.get(fault, fault) for fault in faults)
            known = self._known[question] = tuple(f for f in folded if f not in chosen)
        return known

    def _least(self, clauses: list[list[Fault]]) -> float:
        """What meeting all clauses costs at least: those that share no fault add up; or each
        fault's cost, divided among the clauses it meets."""
        used: set[Fault] = set()
        apart = 0.0
        meets: dict[Fault, int] = {}
        for clause in sorted(clauses, key=len):
            if used.isdisjoint(clause):
                used.update(clause)
                apart += min(map(self.cost.__getitem__, clause), default=math.inf)
            for fault in clause:
                meets[fault] = meets.get(fault, 0) + 1
        shared = math.fsum(
            min((self.cost[f] / meets[f] for f in clause), default=math.inf) for clause in clauses
        )
        return max(apart, shared)


def own_key(fault: Fault) -> str:
    """The key of a fault's first place, "" if it has none."""
    return key_of(fault.at[0]) if fault.at else ""


def _special_keys(faults: FaultSet) -> set[str]:
    """Keys in which something is wrong that makes it matter where the path is open."""
    return {
        key_of(place)
        for fault in faults
        if fault.kind in INSIDE
        for place in fault.at
        if not place.startswith(("row ", "column "))
    }
