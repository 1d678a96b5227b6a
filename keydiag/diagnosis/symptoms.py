"""Split the evidence into independent symptom groups, so that five faults cost little more than one.

First what shows with nothing held: bridges, stuck switches, grounded lines show in every frame, so
they are explained from the rest frame alone and then taken for granted (the *context*) when the
presses are looked at.  Then the presses: a *cell* is one bit of one frame that deviates from the
context's prediction, and two cells belong together when some single fault that helps more than it
harms mends both.  Each group is searched on its own, the other groups' cells masked out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from keydiag.diagnosis.candidates import Candidates
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.search import NO_FAULTS, Space, explain, gain_of
from keydiag.faults import Fault, Predictor
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors

Cell = tuple[int, int]  # (frame number, bit number)


@dataclass(frozen=True, slots=True)
class Symptom:
    """One group of deviating bits that may have a common cause.

    mask: per frame, the group's own deviating bits.  care: per frame, the packed bits that count
    when this group is explained.  context: faults taken for granted meanwhile.
    """

    mask: tuple[int, ...]
    care: tuple[int, ...]
    context: FaultSet = NO_FAULTS

    @property
    def frames(self) -> tuple[int, ...]:
        """Numbers of the frames in which the group shows."""
        return tuple(number for number, bits in enumerate(self.mask) if bits)


@dataclass(frozen=True, slots=True)
class Splitter:
    """Splits evidence on one circuit."""

    predictor: Predictor
    priors: Priors
    candidates: Candidates

    def split(self, evidence: Evidence) -> list[Symptom]:
        """The symptom groups, those that show at rest first; [] means nothing deviates."""
        pins = len(self.predictor.circuit.pins)
        everything = (1 << pins * (pins + 1)) - 1
        resting = self._at_rest(evidence, everything)
        context = frozenset().union(*(best for _, best in resting))
        base, cells = self._cells(evidence, everything, context, skip_rest=bool(resting))
        groups = self._joined(evidence, everything, context, base, cells)
        out = []
        for number, (bits, _) in enumerate(resting):
            # The same bits count in every frame, except where a press group claims them.
            mask = (bits,) + (0,) * (len(base) - 1)
            care = tuple(everything & ~other for other in base)
            others = frozenset().union(*(b for n, (_, b) in enumerate(resting) if n != number))
            out.append(Symptom(mask, care, others))
        for mask in groups:
            care = tuple(
                everything & ~(bits & ~own) for bits, own in zip(base, mask, strict=True)
            )
            out.append(Symptom(mask, care, context))
        return out

    def _at_rest(self, evidence: Evidence, everything: int) -> list[tuple[int, FaultSet]]:
        """Groups of bits deviating at rest, each with its best explanation from rest alone."""
        if not evidence.frames or evidence.frames[0].held:
            return []
        rest = Evidence(evidence.frames[:1])
        base, cells = self._cells(rest, everything, NO_FAULTS)
        if not cells:
            return []
        out = []
        for mask in self._joined(rest, everything, NO_FAULTS, base, cells):
            care = [everything & ~(base[0] & ~mask[0])]
            space = Space(rest, self.predictor, self.priors, self.candidates, care)
            out.append((mask[0], next(iter(explain(space)))))
        return out

    def _cells(
        self, evidence: Evidence, everything: int, context: FaultSet, skip_rest: bool = False
    ) -> tuple[list[int], list[Cell]]:
        space = self._space(evidence, everything, context)
        base = [space.deviating(number, NO_FAULTS) for number in range(len(evidence.frames))]
        if skip_rest:
            base[0] = 0
        return base, [(number, bit) for number, bits in enumerate(base) for bit in _bits(bits)]

    def _joined(
        self,
        evidence: Evidence,
        everything: int,
        context: FaultSet,
        base: list[int],
        cells: list[Cell],
    ) -> list[tuple[int, ...]]:
        """Per group, its mask for every frame."""
        parent = {cell: cell for cell in cells}
        space = self._space(evidence, everything, context)
        mended: set[Cell] = set()
        for fault in _touching(space, base):
            net, fixed = gain_of(space, fault, base)
            if net <= 0:
                continue
            group = [(number, bit) for number, bits in fixed for bit in _bits(bits)]
            mended.update(group)
            _join_all(parent, (cell for cell in group if cell in parent))
        for number in range(len(base)):
            # Bits that no single fault mends have a cause together with others of their frame.
            own = [cell for cell in cells if cell[0] == number]
            if any(cell not in mended for cell in own):
                _join_all(parent, own)
        groups: dict[Cell, list[Cell]] = {}
        for cell in cells:
            groups.setdefault(_root(parent, cell), []).append(cell)
        return [_mask(members, len(base)) for members in groups.values()]

    def _space(self, evidence: Evidence, everything: int, context: FaultSet) -> Space:
        care = [everything] * len(evidence.frames)
        return Space(evidence, self.predictor, self.priors, self.candidates, care, context)


def merge(one: Symptom, two: Symptom) -> Symptom:
    """Two groups as one, for when their best explanations turn out to depend on each other."""
    mask = tuple(a | b for a, b in zip(one.mask, two.mask, strict=True))
    care = tuple(a | b for a, b in zip(one.care, two.care, strict=True))
    return Symptom(mask, care, one.context & two.context)


def _touching(space: Space, base: Sequence[int]) -> list[Fault]:
    """Single faults that can change a deviating frame."""
    found: dict[Fault, None] = {}
    for number, bits in enumerate(base):
        if bits:
            keys = space.active_keys(number, NO_FAULTS)
            found.update(dict.fromkeys(space.candidates.touching(keys, bits)))
    return [fault for fault in found if fault not in space.context]


def _mask(cells: Iterable[Cell], count: int) -> tuple[int, ...]:
    mask = [0] * count
    for number, bit in cells:
        mask[number] |= 1 << bit
    return tuple(mask)


def _bits(mask: int) -> list[int]:
    out = []
    while mask:
        low = mask & -mask
        out.append(low.bit_length() - 1)
        mask ^= low
    return out


def _root(parent: dict[Cell, Cell], cell: Cell) -> Cell:
    while parent[cell] != cell:
        parent[cell] = parent[parent[cell]]
        cell = parent[cell]
    return cell


def _join_all(parent: dict[Cell, Cell], cells: Iterable[Cell]) -> None:
    first: Cell | None = None
    for cell in cells:
        if first is None:
            first = cell
        a, b = _root(parent, first), _root(parent, cell)
        if a != b:
            parent[max(a, b)] = min(a, b)
