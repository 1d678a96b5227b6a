"""Split the evidence into independent symptom groups: five faults cost little more than one.

A *cell* is one bit of one frame that deviates from what is expected.  First the wholesale faults
are peeled off, largest effect first: a bridge shows in every frame, a break in every key beyond
it.  Each peeled fault becomes the nucleus of a group of its own and is taken for granted (the
*context*) when the rest is looked at.  Then the cells that are left: two belong together when some
single fault that helps more than it harms mends both.  Each group is searched on its own, with
the other groups' nuclei as context and their cells masked out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from keydiag.diagnosis.candidates import Candidates
from keydiag.diagnosis.evidence import LOG_FLIP, Evidence
from keydiag.diagnosis.gains import Gain, Stage, best_at_rest
from keydiag.diagnosis.kept import Kept
from keydiag.diagnosis.space import NO_FAULTS, Space, bits_of
from keydiag.faults import Fault, Predictor
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors

# Wholesale faults taken off one by one; more than this at once is no build, it is a wrong board
# file, and the search goes on with what is left.
MOST_NUCLEI = 12

# Two cells have a common cause if a fault mends both and harms less than this share of what it
# mends: every harmed bit needs one more fault to undo it.
HARM = 3

# Of the faults that explain something at rest, so many are tried on the presses too.
AT_REST = 6

# Log odds of an ordinary explanation of one frame on its own (an open joint, a reversed diode): a
# wholesale fault must beat as many of these as it mends frames (in part: a share of one).
APART = -4.5

Cell = tuple[int, int]  # (frame number, bit number)


@dataclass(frozen=True, slots=True)
class Symptom:
    """One group of deviating bits that may have a common cause.

    mask: per frame, the group's own deviating bits.  care: per frame, the packed bits that count
    when this group is explained.  context: faults taken for granted meanwhile.  hints: likely
    explanations.
    """

    mask: tuple[int, ...]
    care: tuple[int, ...]
    context: FaultSet = NO_FAULTS
    hints: tuple[FaultSet, ...] = ()

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
    kept: Kept

    def split(self, evidence: Evidence, first: Fault | None = None) -> list[Symptom]:
        """The symptom groups, wholesale ones first; [] means nothing deviates.  `first` is peeled
        off before anything else."""
        pins = len(self.predictor.circuit.pins)
        everything = (1 << pins * (pins + 1)) - 1
        peeled, space, stage = self._peel(evidence, everything, first)
        base = stage.base
        nuclei = frozenset(peeled)
        at_rest = base[0] if base and not evidence.frames[0].held else 0
        groups = _joined(space, stage, at_rest)
        out = [
            Symptom(
                mask,
                tuple(everything & ~bits for bits in base),
                nuclei - {nucleus},
                (frozenset((nucleus,)),),
            )
            for nucleus, mask in peeled.items()
        ]
        for mask in groups:
            care = tuple(everything & ~(bits & ~own) for bits, own in zip(base, mask, strict=True))
            out.append(Symptom(mask, care, nuclei))
        return out

    def _peel(
        self, evidence: Evidence, everything: int, first: Fault | None
    ) -> tuple[dict[Fault, tuple[int, ...]], Space, Stage]:
        """(faults that explain several frames at once, with the cells each one mends; what is left
        with them taken for granted, and what each further fault would do about it)."""
        peeled: dict[Fault, tuple[int, ...]] = {}
        while True:
            space = self._space(evidence, everything, frozenset(peeled))
            stage = self.kept.stage(space)
            chosen = None
            if first is not None:
                chosen, first = stage.gain(space, first), None
                stage.settle(space, chosen)
            elif stage.base and stage.base[0] and not evidence.frames[0].held:
                chosen = self._most_worth(space, stage, best_at_rest(space, stage, AT_REST))
            if chosen is None:
                gains = [stage.gain(space, fault) for fault in stage.touching]
                chosen = self._most_worth(space, stage, gains)
                if chosen is None or len(peeled) == MOST_NUCLEI:
                    return peeled, space, stage
            peeled[chosen.fault] = tuple(chosen.fixed.get(n, 0) for n in range(len(stage.base)))

    def _most_worth(self, space: Space, stage: Stage, gains: Iterable[Gain]) -> Gain | None:
        """The gain that is worth most beyond nothing; those that cannot be are not settled."""
        hopes = []
        for gain in gains:
            more = stage.hoped(gain)
            hope = _worth(gain) - more * APART
            if len(gain.fixed) + more >= 2 and hope > 0:
                hopes.append((round(-hope, 6), self.candidates.order(gain.fault), gain))
        best: Gain | None = None
        most = (0.0, 0)
        for hope, order, gain in sorted(hopes, key=lambda item: item[:2]):
            if hope > most[0]:
                break
            stage.look_for_use(space, gain)
            if len(gain.fixed) < 2 or round(-_worth(gain), 6) > most[0]:
                continue
            stage.settle(space, gain)
            worth = (round(-_worth(gain), 6), order)
            if worth < most:
                most, best = worth, gain
        return best

    def _space(self, evidence: Evidence, everything: int, context: FaultSet) -> Space:
        care = [everything] * len(evidence.frames)
        return Space(evidence, self.predictor, self.priors, self.candidates, care, context)


def _worth(gain: Gain) -> float:
    """Log odds of the fault against ordinary explanations of all it mends, frame by frame."""
    return gain.odds + gain.harmed * LOG_FLIP - gain.credit * APART


def _joined(space: Space, stage: Stage, at_rest: int) -> list[tuple[int, ...]]:
    """Groups of deviating bits; per group, its mask for every frame."""
    base = stage.base
    cells = [(number, bit) for number, bits in enumerate(base) for bit in bits_of(bits)]
    parent = {cell: cell for cell in cells}
    mended: set[Cell] = set()
    for fault in stage.touching:
        gain = stage.gain(space, fault)
        if len(gain.fixed) + stage.hoped(gain) <= HARM * gain.harmed:
            continue
        stage.look_for_use(space, gain)
        if len(gain.fixed) <= HARM * gain.harmed:
            continue
        stage.settle(space, gain)
        if len(gain.fixed) <= HARM * gain.harmed:
            continue
        group = [(number, bit) for number, bits in gain.fixed.items() for bit in bits_of(bits)]
        mended.update(group)
        _join_all(parent, (cell for cell in group if cell in parent))
    for number in range(len(base)):
        # Bits that no single fault mends have a cause together with others of their frame.
        own = [c for c in cells if c[0] == number and not (number and at_rest >> c[1] & 1)]
        if any(cell not in mended for cell in own):
            _join_all(parent, own)
    for bit in bits_of(at_rest):
        # What deviates at rest deviates in the presses for the same reason.
        _join_all(parent, (cell for cell in cells if cell[1] == bit))
    groups: dict[Cell, list[Cell]] = {}
    for cell in cells:
        groups.setdefault(_root(parent, cell), []).append(cell)
    return [_mask(members, len(base)) for members in groups.values()]


def merge(one: Symptom, two: Symptom, hints: tuple[FaultSet, ...]) -> Symptom:
    """Two groups as one, for when their best explanations turn out to depend on each other."""
    mask = tuple(a | b for a, b in zip(one.mask, two.mask, strict=True))
    care = tuple(a | b for a, b in zip(one.care, two.care, strict=True))
    return Symptom(mask, care, one.context & two.context, hints)


def _mask(cells: Iterable[Cell], count: int) -> tuple[int, ...]:
    mask = [0] * count
    for number, bit in cells:
        mask[number] |= 1 << bit
    return tuple(mask)


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
