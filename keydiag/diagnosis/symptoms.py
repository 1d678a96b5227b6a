"""Split the evidence into independent symptom groups: five faults cost little more than one.

A *cell* is one bit of one frame that deviates from what is expected.  First the wholesale faults
are peeled off, largest effect first: a bridge shows in every frame, a break in every key beyond
it.  Each peeled fault becomes the nucleus of a group of its own and is taken for granted (the
*context*) when the rest is looked at.  Then the cells that are left: two belong together when some
single fault that helps more than it harms mends both.  Each group is searched on its own, with
the other groups' nuclei as context and their cells masked out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from keydiag.diagnosis.candidates import Candidates
from keydiag.diagnosis.evidence import LOG_FLIP, Evidence
from keydiag.diagnosis.space import NO_FAULTS, Space, bits_of, ways_on
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
    when this group is explained.  context: faults taken for granted meanwhile.  hint: a likely
    explanation.
    """

    mask: tuple[int, ...]
    care: tuple[int, ...]
    context: FaultSet = NO_FAULTS
    hint: FaultSet = NO_FAULTS

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

    def split(self, evidence: Evidence, first: Fault | None = None) -> list[Symptom]:
        """The symptom groups, wholesale ones first; [] means nothing deviates.  `first` is peeled
        off before anything else."""
        pins = len(self.predictor.circuit.pins)
        everything = (1 << pins * (pins + 1)) - 1
        peeled, base, gains = self._peel(evidence, everything, first)
        nuclei = frozenset(peeled)
        at_rest = base[0] if base and not evidence.frames[0].held else 0
        groups = _joined(base, gains, at_rest)
        out = [
            Symptom(
                mask,
                tuple(everything & ~bits for bits in base),
                nuclei - {nucleus},
                frozenset((nucleus,)),
            )
            for nucleus, mask in peeled.items()
        ]
        for mask in groups:
            care = tuple(everything & ~(bits & ~own) for bits, own in zip(base, mask, strict=True))
            out.append(Symptom(mask, care, nuclei))
        return out

    def _peel(
        self, evidence: Evidence, everything: int, first: Fault | None
    ) -> tuple[dict[Fault, tuple[int, ...]], list[int], list[Gain]]:
        """(faults that explain several frames at once, with the cells each one mends; per frame the
        deviating bits that are left; what each further fault would do about them)."""
        peeled: dict[Fault, tuple[int, ...]] = {}
        while True:
            space = self._space(evidence, everything, frozenset(peeled))
            base = [space.deviating(n, NO_FAULTS) for n in range(len(evidence.frames))]
            chosen = None
            if first is not None:
                chosen, first = gain_of(space, first, base), None
            elif base and base[0] and not evidence.frames[0].held:
                chosen = self._most_worth(base, self._gains_at_rest(space, base))
            if chosen is None:
                gains = [gain_of(space, fault, base) for fault in _touching(space, base)]
                chosen = self._most_worth(base, gains)
                if chosen is None or len(peeled) == MOST_NUCLEI:
                    return peeled, base, gains
            mask = [0] * len(base)
            for number, bits in chosen.fixed:
                mask[number] = bits
            peeled[chosen.fault] = tuple(mask)

    def _gains_at_rest(self, space: Space, base: list[int]) -> list[Gain]:
        """The few faults that do best at rest; what deviates there comes first."""
        worth = []
        for fault in ways_on(space, 0, NO_FAULTS):
            now = space.deviating(0, frozenset((fault,)))
            mended, harmed = (base[0] & ~now).bit_count(), (now & ~base[0]).bit_count()
            if mended > harmed:
                # Every bit stands for the same bit of every press.
                score = self.priors.log_odds(fault) + (harmed - mended) * LOG_FLIP
                worth.append((-score, space.candidates.order(fault), fault))
        return [gain_of(space, fault, base) for _, _, fault in sorted(worth)[:AT_REST]]

    def _most_worth(self, base: list[int], gains: list[Gain]) -> Gain | None:
        best: Gain | None = None
        most = 0.0
        for gain in gains:
            if len(gain.fixed) < 2:
                continue
            credit = sum(bits.bit_count() / base[n].bit_count() for n, bits in gain.fixed)
            worth = self.priors.log_odds(gain.fault) + gain.harmed * LOG_FLIP - credit * APART
            if worth > most:
                most, best = worth, gain
        return best

    def _space(self, evidence: Evidence, everything: int, context: FaultSet) -> Space:
        care = [everything] * len(evidence.frames)
        return Space(evidence, self.predictor, self.priors, self.candidates, care, context)


def _joined(base: list[int], gains: list[Gain], at_rest: int) -> list[tuple[int, ...]]:
    """Groups of deviating bits; per group, its mask for every frame."""
    cells = [(number, bit) for number, bits in enumerate(base) for bit in bits_of(bits)]
    parent = {cell: cell for cell in cells}
    mended: set[Cell] = set()
    for gain in gains:
        if len(gain.fixed) <= HARM * gain.harmed:
            continue
        group = [(number, bit) for number, bits in gain.fixed for bit in bits_of(bits)]
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


class Gain(NamedTuple):
    """What one more fault alone does to all frames: how many right bits it spoils, at most two
    counted in each frame (one more fault there may undo them all), and the bits it mends, as
    (frame, packed mask)."""

    fault: Fault
    harmed: int
    fixed: list[tuple[int, int]]


def gain_of(space: Space, fault: Fault, base: Sequence[int]) -> Gain:
    """Try one fault.  `base` holds each frame's wrong bits under the space's context.

    A fault that changes the rest reading is looked at in the rest frame and in the frames that
    share its lines; in the others it does what it does at rest.
    """
    single = frozenset((fault,))
    if not base[0] and not space.frames[0].held:
        spoilt = space.deviating(0, single)
        if spoilt:  # at rest, so in every frame: it explains nothing here
            return Gain(fault, 2 * len(base), [])
    showing = bits_of(space.showing(fault, NO_FAULTS))
    near, far = showing, []
    if len(showing) == len(base) and not space.frames[0].held and len(base) > 1:
        lines = space.predictor.facts(fault)[2]
        near = [0] + [n for n, mask in enumerate(space.frame_lines()) if mask & lines]
        far = sorted(set(showing) - set(near))
    spoilt = 0
    fixed = []
    mended_at_rest, harmed_at_rest = 0, 0
    for number in near:
        now = space.deviating(number, single)
        mended, harmed = base[number] & ~now, now & ~base[number]
        spoilt += min(2, harmed.bit_count())
        if mended:
            fixed.append((number, mended))
        if not number:
            mended_at_rest, harmed_at_rest = mended, harmed
    if far:
        spoilt += min(2, harmed_at_rest.bit_count()) * len(far)
        fixed += [(n, base[n] & mended_at_rest) for n in far if base[n] & mended_at_rest]
    return Gain(fault, spoilt, fixed)


def merge(one: Symptom, two: Symptom, hint: FaultSet) -> Symptom:
    """Two groups as one, for when their best explanations turn out to depend on each other."""
    mask = tuple(a | b for a, b in zip(one.mask, two.mask, strict=True))
    care = tuple(a | b for a, b in zip(one.care, two.care, strict=True))
    return Symptom(mask, care, one.context & two.context, hint)


def _touching(space: Space, base: Sequence[int]) -> list[Fault]:
    """Single faults that can change a deviating frame."""
    found: dict[Fault, None] = {}
    for number, bits in enumerate(base):
        if bits:
            found.update(dict.fromkeys(ways_on(space, number, NO_FAULTS)))
    return list(found)


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
