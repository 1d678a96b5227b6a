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


@dataclass(slots=True)
class Kept:
    """The searches and stages of one diagnosis, and those of the one before as far as they can be
    gone on from.

    added: numbers of the frames that are new, ascending; None if more than that has changed.
    """

    frames: tuple[Frame, ...] = ()
    tried: Mapping[Fault, int] = field(default_factory=dict)
    added: tuple[int, ...] | None = None
    _trails_before: dict[Question, Trail] = field(default_factory=dict)
    _trails: dict[Question, Trail] = field(default_factory=dict)
    _stages_before: dict[FaultSet, Stage] = field(default_factory=dict)
    _stages: dict[FaultSet, Stage] = field(default_factory=dict)

    def follow(self, frames: tuple[Frame, ...], tried: Mapping[Fault, int]) -> Kept:
        """What is kept for the diagnosis of these frames, this one being of the evidence before."""
        new = added(self.frames, frames) if tried == self.tried else None
        if new is None:
            return Kept(frames, dict(tried))
        return Kept(frames, self.tried, new, self._trails, {}, self._stages, {})

    def earlier(self, space: Space) -> Earlier | None:
        """A search that asked the same before the frames were added."""
        if self.added is None:
            return None
        care = tuple(care for n, care in enumerate(space.care) if n not in self.added)
        trail = self._trails_before.get((space.candidates.reach, space.context, care))
        return None if trail is None else Earlier(trail, self.added)

    def keep(self, space: Space, trail: Trail) -> None:
        self._trails[space.candidates.reach, space.context, tuple(space.care)] = trail

    def stage(self, space: Space) -> Stage:
        """What each single fault would do with the space's context taken for granted; all bits of
        all frames count."""
        known = self._stages.get(space.context)
        if known is None:
            before = self._stages_before.pop(space.context, None)
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
