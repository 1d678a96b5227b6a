"""An independent judge of the search: the most probable fault set that explains every reading, with
a proof that none is more probable, by a MaxSAT solver (RC2 of python-sat) and conflict clauses
generated when they are needed.

One variable per fault of the near catalogue; the cost of having it is minus its log odds.  The
solver proposes the cheapest set; the set is simulated; for each reading that it gets wrong a clause
says what any explanation must do about it: leave out one of the set's faults that made the bit so,
or have one more that could change it.  Conduction is monotone (a bridge never opens a path, a break
never closes one) and local (it needs lines that hang together), so each clause names only faults
that work in the right direction, on lines that matter.

Borrowed from keydiag: the circuit model, the catalogue and the priors.  Nothing of the search.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from pysat.examples.rc2 import RC2
from pysat.formula import WCNF

from keydiag.circuit import Circuit
from keydiag.faults import Fault, Predictor, enumerate_faults, pack
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors
from keydiag.observe import Observation

SCALE = 10_000  # log odds -> whole weights
MOST_BITS = 3  # wrong bits per reading that make clauses, each round
# A short to the supply can work either way, so it is in neither.
ADDS = frozenset(("bridge", "stuck-switch", "shorted-diode", "line-to-ground"))
TAKES = frozenset(
    ("open-joint", "dead-switch", "open-diode", "open-lead", "broken-stretch", "dead-pin")
)


class Proof(NamedTuple):
    """faults: the most probable explanation, None if none costs as little as asked for or the
    rounds ran out; cost: minus its log odds, or the bound proven; rounds: proposals made."""

    faults: FaultSet | None
    cost: float
    rounds: int


class Oracle:
    """Proofs for one circuit."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.predictor = Predictor(circuit)
        priors = Priors(circuit)
        self.faults = enumerate_faults(circuit)
        self.variable = {fault: n for n, fault in enumerate(self.faults, 1)}
        self.cost = {fault: -priors.log_odds(fault) for fault in self.faults}
        self._known: dict[object, list[Fault]] = {}

    def prove(
        self, observations: Sequence[Observation], enough: float, most_rounds: int = 400
    ) -> Proof:
        """Search until a set explains everything, or nothing that costs `enough` or less can."""
        frames = [(frozenset(o.held), pack(o.reading)) for o in observations]
        wcnf = WCNF()
        for fault in self.faults:
            wcnf.append([-self.variable[fault]], weight=round(SCALE * self.cost[fault]))
        cost = 0.0
        with RC2(wcnf, solver="g4", adapt=True, exhaust=True, minz=True) as solver:
            for turn in range(1, most_rounds + 1):
                model = solver.compute()
                if model is None:
                    return Proof(None, float("inf"), turn)
                cost = solver.cost / SCALE
                if cost > enough:
                    return Proof(None, cost, turn)
                chosen = frozenset(self.faults[v - 1] for v in model if 0 < v <= len(self.faults))
                clauses = [c for held, seen in frames for c in self.conflicts(chosen, held, seen)]
                if not clauses:
                    return Proof(chosen, cost, turn)
                for clause in clauses:
                    solver.add_clause(clause)
        return Proof(None, cost, most_rounds)

    def conflicts(
        self, chosen: FaultSet, held: frozenset[str], seen: int
    ) -> Iterator[list[int]]:
        """What must change for this reading to come out right, clause by clause; none if it is."""
        bits, unknown = self.predictor.packed(chosen, held)
        wrong = (bits ^ seen) & ~unknown
        if not wrong:
            return
        width = len(self.circuit.pins)
        present = self.predictor.relevant(chosen, held)
        active = frozenset(self._active(chosen, held))
        for bit in [n for n in range(wrong.bit_length()) if wrong >> n & 1][:MOST_BITS]:
            field, sense = divmod(bit, width)
            if bits >> bit & 1:  # conducts and should not
                ends = [self._joined(present, held, {sense, field - 1} - {-1})]
                drop = [fault for fault in present if fault.kind not in TAKES]
                useless = ADDS
            else:  # a path is missing: something must leave the one net, something reach the other
                ends = [self._joined(present, held, {sense})]
                if field:
                    ends.append(self._joined(present, held, {field - 1}))
                drop = [fault for fault in present if fault.kind not in ADDS]
                useless = TAKES
            for lines in ends:
                yield [-self.variable[fault] for fault in drop] + [
                    self.variable[fault]
                    for fault in self._that_could(lines, useless, active)
                    if fault not in chosen
                ]

    def _that_could(
        self, lines: int, useless: frozenset[str], active: frozenset[str]
    ) -> list[Fault]:
        """Faults on these lines, of a kind that works in the right direction, that can show."""
        question = (lines, useless, active)
        if question not in self._known:
            out = []
            for fault in self.faults:
                shows, _, touches = self.predictor.facts(fault)
                if touches & lines and fault.kind not in useless:
                    if shows is None or not active.isdisjoint(shows):
                        out.append(fault)
            self._known[question] = out
        return self._known[question]

    def _active(self, chosen: FaultSet, held: frozenset[str]) -> set[str]:
        """Keys that conduct, or would if they were whole."""
        active = set(held)
        for fault in chosen:
            active |= self.predictor.facts(fault)[1]
        for _ in chosen:
            for fault in chosen:
                if fault.kind == "swapped-keys" and not active.isdisjoint(fault.at):
                    active.update(fault.at)
        return active

    def _joined(self, present: FaultSet, held: frozenset[str], pins: set[int]) -> int:
        """Mask of the lines that the lines of these pins may hang together with."""
        parts = [self.predictor.lines_of((key,)) for key in held]
        parts += [self.predictor.facts(fault)[2] for fault in present]
        mask = sum(1 << pin for pin in pins)
        for _ in parts:
            for part in parts:
                if part & mask:
                    mask |= part
        return mask
