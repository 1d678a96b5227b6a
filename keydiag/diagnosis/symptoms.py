"""Split the evidence into independent symptom groups, so that five faults cost little more than one.

A *cell* is one deviating bit of one frame (a bit that deviates at rest counts once, for all frames
it shows in).  Two cells belong together when some single fault that helps more than it harms mends
both.  Each group is then searched on its own, the other groups' cells masked out.
"""

from __future__ import annotations

from dataclasses import dataclass

from keydiag.diagnosis.candidates import Candidates
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.search import NO_FAULTS, Space, gain_of
from keydiag.faults import Fault, Predictor
from keydiag.faults.priors import Priors

Cell = tuple[int, int]  # (frame number, bit number); frame 0 stands for all if the bit shows at rest


@dataclass(frozen=True, slots=True)
class Symptom:
    """One group of cells that may have a common cause.

    care: per frame, the packed bits that count when this group is explained.  mask: per frame, the
    group's own deviating bits.
    """

    care: tuple[int, ...]
    mask: tuple[int, ...]

    @property
    def frames(self) -> tuple[int, ...]:
        """Numbers of the frames in which the group shows."""
        return tuple(number for number, bits in enumerate(self.mask) if bits)


def split(
    evidence: Evidence, predictor: Predictor, priors: Priors, candidates: Candidates
) -> list[Symptom]:
    """The symptom groups of the evidence, by first frame; an empty list means nothing deviates."""
    pins = len(predictor.circuit.pins)
    everything = (1 << pins * (pins + 1)) - 1
    care = [everything] * len(evidence.frames)
    space = Space(evidence, predictor, priors, candidates, care)
    base = [space.deviating(number, NO_FAULTS) for number in range(len(care))]
    resting = base[0] if evidence.frames and not evidence.frames[0].held else 0
    parent: dict[Cell, Cell] = {}
    for number, bits in enumerate(base):
        for bit in _bits(bits):
            cell = _cell(number, bit, resting)
            parent.setdefault(cell, cell)
    for fault in _helpful(space, base):
        net, fixed = gain_of(space, fault, base)
        if net <= 0:
            continue
        cells = [_cell(number, bit, resting) for number, bits in fixed for bit in _bits(bits)]
        for cell in cells[1:]:
            _join(parent, cells[0], cell)
    groups: dict[Cell, list[Cell]] = {}
    for cell in sorted(parent):
        groups.setdefault(_root(parent, cell), []).append(cell)
    masks = [_masks(cells, base, resting) for cells in groups.values()]
    return [Symptom(_care(mask, base, everything), mask) for mask in masks]


def merge(one: Symptom, two: Symptom) -> Symptom:
    """Two groups as one, for when their best explanations turn out to depend on each other."""
    mask = tuple(a | b for a, b in zip(one.mask, two.mask, strict=True))
    care = tuple(a | b for a, b in zip(one.care, two.care, strict=True))
    return Symptom(care, mask)


def _helpful(space: Space, base: list[int]) -> list[Fault]:
    """Single faults that touch a deviating frame."""
    found: dict[Fault, None] = {}
    for number, bits in enumerate(base):
        if bits:
            touching = space.candidates.touching(space.frames[number].held, bits)
            found.update(dict.fromkeys(touching))
    return list(found)


def _cell(number: int, bit: int, resting: int) -> Cell:
    return (0, bit) if resting >> bit & 1 else (number, bit)


def _masks(cells: list[Cell], base: list[int], resting: int) -> tuple[int, ...]:
    mask = [0] * len(base)
    for number, bit in cells:
        if resting >> bit & 1:
            for frame, bits in enumerate(base):
                mask[frame] |= bits & 1 << bit
        else:
            mask[number] |= 1 << bit
    return tuple(mask)


def _care(mask: tuple[int, ...], base: list[int], everything: int) -> tuple[int, ...]:
    """All bits but those that deviate because of another group."""
    return tuple(
        everything & ~(bits & ~own) for bits, own in zip(base, mask, strict=True)
    )


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


def _join(parent: dict[Cell, Cell], one: Cell, two: Cell) -> None:
    a, b = _root(parent, one), _root(parent, two)
    if a != b:
        parent[max(a, b)] = min(a, b)
