"""What a diagnosis keeps for the next one, so that one more press costs little.

Searches are found again by what was asked of them.  They hold as long as frames are only added: a
frame that was read again, or other priors, and everything is searched anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from keydiag.diagnosis.evidence import Frame
from keydiag.diagnosis.gains import Stage, staged
from keydiag.diagnosis.search import Earlier, Trail
from keydiag.diagnosis.space import Space
from keydiag.faults import Fault
from keydiag.faults.predict import FaultSet

# What a search was asked: how far its candidates reach, the faults taken for granted, and the bits
# that count in each frame.
Question = tuple[str, FaultSet, tuple[int, ...]]
# What a search was about: how far its candidates reach, and the bits in question in each frame.
Subject = tuple[str, tuple[int, ...]]


@dataclass(slots=True)
class Kept:
    """The searches and stages of one diagnosis, and those of the one before as far as they can be
    gone on from.

    added: numbers of the frames that are new, ascending; None if more than that has changed.
    first: what the split begins with, if beginning otherwise has left too much unexplained.
    in_vain: no such beginning was found; the next full diagnosis looks again.
    unmended: sets of faults which no further fault of so much weight makes as good as another set
    (the second): more frames only rule more out.
    """

    frames: tuple[Frame, ...] = ()
    tried: Mapping[Fault, int] = field(default_factory=dict)
    added: tuple[int, ...] | None = None
    first: Fault | None = None
    in_vain: bool = False
    unmended: set[tuple[FaultSet, FaultSet, float]] = field(default_factory=set)
    _trails: dict[Question, Trail] = field(default_factory=dict)
    _latest: dict[Subject, tuple[FaultSet, Trail]] = field(default_factory=dict)
    _stages: dict[FaultSet, Stage] = field(default_factory=dict)
    _before: Kept | None = None

    def follow(self, frames: tuple[Frame, ...], tried: Mapping[Fault, int]) -> Kept:
        """What is kept for the diagnosis of these frames, this one being of the evidence before."""
        new = added(self.frames, frames) if tried == self.tried else None
        self._before = None
        if new is None:
            return Kept(frames, dict(tried))
        return Kept(
            frames, dict(tried), new, self.first, self.in_vain, self.unmended, _before=self
        )

    def earlier(self, space: Space, mask: tuple[int, ...]) -> Earlier | None:
        """A search that asked the same before the frames were added, or one about the same bits
        (`mask`) that took other faults for granted, if these are on other lines."""
        if self._before is None or self.added is None:
            return None
        reach = space.candidates.reach
        trail = self._before._trails.get((reach, space.context, self._old(space.care)))
        if trail is not None:
            return Earlier(trail, self.added)
        known = self._before._latest.get((reach, self._old(mask)))
        if known is None or space.lines_of_bits(mask) & space.lines_with(known[0] ^ space.context):
            return None
        return Earlier(known[1], self.added, otherwise=True)

    def keep(self, space: Space, mask: tuple[int, ...], trail: Trail) -> None:
        reach = space.candidates.reach
        self._trails[reach, space.context, tuple(space.care)] = trail
        self._latest[reach, mask] = space.context, trail

    def _old(self, by_frame: Sequence[int]) -> tuple[int, ...]:
        """Without the frames that were added."""
        return tuple(bits for n, bits in enumerate(by_frame) if n not in (self.added or ()))

    def stage(self, space: Space) -> Stage:
        """What each single fault would do with the space's context taken for granted; all bits of
        all frames count."""
        known = self._stages.get(space.context)
        if known is None:
            stages = self._before._stages if self._before is not None else {}
            before = stages.pop(space.context, None)
            known = self._stages[space.context] = staged(space, before, self.added or ())
        return known


def added(before: Sequence[Frame], now: Sequence[Frame]) -> tuple[int, ...] | None:
    """Numbers of the frames that are in `now` only; None if `before` is empty, not all of it is in
    `now`, or the rest frame, which everything refers to, was not."""
    if not before:
        return None
    out = []
    met = 0
    for number, frame in enumerate(now):
        if met < len(before) and frame == before[met]:
            met += 1
        else:
            out.append(number)
    if met < len(before) or out and not now[out[0]].held:
        return None
    return tuple(out)
