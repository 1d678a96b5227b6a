"""What single faults would do about everything that deviates: the bits each one mends and spoils.

A *stage* holds this for one set of faults taken for granted.  It is kept from one update to the
next: frames that were added are *pending* in each gain, and are looked at only when they matter.
Not here: what is made of the gains (`symptoms`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from keydiag.diagnosis.evidence import LOG_FLIP
from keydiag.diagnosis.space import NO_FAULTS, Space, bits_of, ways_on
from keydiag.faults import Fault


@dataclass(slots=True)
class Gain:
    """What one more fault alone does to the frames looked at.

    odds: log prior odds.  pending: mask of the frames (bit n = frame n) not looked at yet.
    harmed: how many right bits it spoils, at most two counted in each frame (one more fault there
    may undo them all).  fixed: the bits it mends, by frame.  credit: the shares of their frames'
    wrong bits that these are.  at_rest: the bits it mends and spoils at rest, if it changes the
    reading there.  useless: it spoils a clean rest, so it explains nothing here.
    """

    fault: Fault
    odds: float
    pending: int
    harmed: int = 0
    fixed: dict[int, int] = field(default_factory=dict)
    credit: float = 0.0
    at_rest: tuple[int, int] | None = None
    useless: bool = False


@dataclass(slots=True)
class Stage:
    """The gains with certain faults taken for granted, as far as they were asked for.

    base: per frame, the bits that deviate; deviating: mask of the frames where some do.
    touching: the faults that can change one of these.
    """

    base: list[int]
    deviating: int
    touching: dict[Fault, None]
    gains: dict[Fault, Gain] = field(default_factory=dict)
    best_at_rest: tuple[Fault, ...] | None = None

    def hoped(self, gain: Gain) -> int:
        """How many more frames the fault may mend, at most."""
        return (gain.pending & self.deviating).bit_count()

    def gain(self, space: Space, fault: Fault) -> Gain:
        """This fault's gain; frames may be pending."""
        known = self.gains.get(fault)
        if known is None:
            known = self.gains[fault] = _begun(space, fault, self.base)
        return known

    def look_for_use(self, space: Space, gain: Gain) -> None:
        """Look at the pending frames that deviate: what it mends is known then, not all it
        spoils."""
        if gain.pending & self.deviating:
            _look_at(space, gain, self.base, self.deviating)

    def settle(self, space: Space, gain: Gain) -> None:
        """Look at all pending frames."""
        if gain.pending:
            _look_at(space, gain, self.base, -1)


def staged(space: Space, before: Stage | None, added: Sequence[int]) -> Stage:
    """The stage for this space's context: afresh, or from the one before these frames were
    added."""
    count = len(space.frames)
    if before is None:
        base = [space.deviating(number, NO_FAULTS) for number in range(count)]
        return Stage(base, _mask_of(base), _touching(space, base, range(count)))
    base = before.base[:]
    for number in added:  # ascending, so that each stands where it belongs
        base.insert(number, space.deviating(number, NO_FAULTS))
    moved = any(number < count - len(added) for number in added)
    lines = [(1 << number, space.lines_met_by(number)) for number in added]
    facts = space.predictor.facts
    for gain in before.gains.values():
        if gain.useless:
            continue
        if moved:
            _move(gain, added)
        own = facts(gain.fault)[2]
        for bit, met in lines:
            if gain.at_rest or met & own:
                gain.pending |= bit
    touching = before.touching | _touching(space, base, added)
    return Stage(base, _mask_of(base), touching, before.gains, before.best_at_rest)


def best_at_rest(space: Space, stage: Stage, most: int) -> list[Gain]:
    """The gains of the few faults that do best at rest; every bit there stands for the same bit of
    every press."""
    if stage.best_at_rest is None:
        worth = []
        base = stage.base[0]
        for fault in ways_on(space, 0, NO_FAULTS):
            now = space.deviating(0, frozenset((fault,)))
            mended, harmed = (base & ~now).bit_count(), (now & ~base).bit_count()
            if mended > harmed:
                score = space.priors.log_odds(fault) + (harmed - mended) * LOG_FLIP
                worth.append((-score, space.candidates.order(fault), fault))
        stage.best_at_rest = tuple(fault for _, _, fault in sorted(worth)[:most])
    return [stage.gain(space, fault) for fault in stage.best_at_rest]


def _mask_of(base: Sequence[int]) -> int:
    return sum(1 << number for number, bits in enumerate(base) if bits)


def _touching(space: Space, base: Sequence[int], numbers: Iterable[int]) -> dict[Fault, None]:
    found: dict[Fault, None] = {}
    for number in numbers:
        if base[number]:
            found.update(dict.fromkeys(ways_on(space, number, NO_FAULTS)))
    return found


def _move(gain: Gain, added: Sequence[int]) -> None:
    """Give the frames the numbers they have now."""
    for number in added:
        below = (1 << number) - 1
        gain.pending = (gain.pending & ~below) << 1 | gain.pending & below
        gain.fixed = {n + (n >= number): bits for n, bits in gain.fixed.items()}


def _begun(space: Space, fault: Fault, base: Sequence[int]) -> Gain:
    """The gain with every frame pending in which the fault can show, but for rest, if there is
    such a frame."""
    gain = Gain(fault, space.priors.log_odds(fault), space.showing(fault, NO_FAULTS))
    if gain.pending & 1 and not space.frames[0].held:
        now = space.deviating(0, frozenset((fault,)))
        if now and not base[0]:
            gain.useless, gain.pending = True, 0
            gain.harmed = 2 * len(base)  # as much as can be: at rest, so in every frame
        else:
            gain.at_rest = base[0] & ~now, now & ~base[0]
            _note(gain, 0, base[0], now)
            gain.pending &= ~1
    return gain


def _look_at(space: Space, gain: Gain, base: Sequence[int], among: int) -> None:
    """Look at those pending frames that are in this mask.  In a frame whose keys share no line with
    the fault it does what it does at rest."""
    alone = frozenset((gain.fault,))
    now = gain.pending & among & space.showing(gain.fault, NO_FAULTS)
    gain.pending &= ~among
    far = 0
    if gain.at_rest is not None:
        far = ~space.evidence.on_lines(space.predictor.facts(gain.fault)[2])
        mended, harmed = gain.at_rest
        for number in bits_of(now & far):
            _note(gain, number, base[number], base[number] & ~mended | harmed)
    for number in bits_of(now & ~far):
        _note(gain, number, base[number], space.deviating(number, alone))


def _note(gain: Gain, number: int, before: int, now: int) -> None:
    gain.harmed += min(2, (now & ~before).bit_count())
    mended = before & ~now
    if mended:
        gain.fixed[number] = mended
        gain.credit += mended.bit_count() / before.bit_count()
