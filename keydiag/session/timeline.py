"""The probe's time as the session sees it: readings in, presses and rest baselines out, in order.

Here: `Timeline`, an Observer driven on a fixed grid of probe time. The journal keeps only the
readings that changed; live, the unchanged ones between them come as well. Both must give the same
events *in the same order*, or a replay would take another way through the session's steps. So the
observer is never fed when a reading happens to arrive, but at the grid's times and at changes.
Not here: what a press means (sweep.py), and any step of the job (steps.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from keydiag.circuit import Reading
from keydiag.observe import Bit, Observer, PressEvent, RestState

__all__ = ["HELD_US", "LONG_US", "PERIOD_US", "Happening", "Held", "Timeline"]

PERIOD_US = 1_000  # a reading each millisecond: bounce that matters lasts longer

# Fine enough that a press is told within a frame of the screen (16 ms), steadiness included.
GRID_US = 4_000
# After this long without a change nothing in the observer can fall due any more (its longest
# wait, for a rest that is never quiet, is 2 s), so an hour's pause costs nothing.
QUIET_US = 3_000_000

# Keys are held together on purpose if the reading stays the same for so long: several times what
# lies between the fingers of a hand that comes down at once (own judgement, no source), and less
# than anybody would call holding.
HELD_US = 60_000
# Held for so long, a reading is not that of fingers on their way: whoever was asked for two keys
# has both down, as far as he means to (own judgement, no source).
LONG_US = 1_000_000


@dataclass(frozen=True, slots=True)
class Held:
    """A reading other than rest that has stayed the same for HELD_US, until `t_us`; told once more
    with `long` when it has stayed for LONG_US."""

    t_us: int
    reading: Reading
    long: bool = False


Happening = PressEvent | RestState | Held


class Timeline:
    """Feeds an observer; all methods give what became known, oldest first."""

    def __init__(self) -> None:
        self._observer = Observer()
        self._reading: Reading | None = None
        self._ticked = 0  # the last time on the grid that the observer was fed at
        self._changed = 0
        self._rests = 0  # rest baselines that have been told
        self._held_told = 0  # how often, of the present reading
        self.now_us = 0  # the probe's time up to which everything has been told

    @property
    def departed(self) -> frozenset[Bit]:
        """Bits that differ from rest at this moment, bounce included."""
        return self._observer.departed

    @property
    def rest(self) -> Reading | None:
        """The rest baseline, None while it is being learned."""
        return self._observer.rest

    @property
    def reading(self) -> Reading | None:
        """The latest reading, None while the link is down."""
        return self._reading

    def change(self, t_us: int, reading: Reading) -> Iterator[Happening]:
        """The reading is this one from `t_us` on."""
        yield from self.pass_time(t_us)
        if reading == self._reading:
            return  # a journal may repeat it, and must not feed the observer once more for that
        yield from self._feed(self.now_us, reading)
        self._reading, self._changed = reading, self.now_us
        self._held_told = 0
        self._ticked = self.now_us - self.now_us % GRID_US

    def pass_time(self, t_us: int) -> Iterator[Happening]:
        """Nothing has changed until `t_us`."""
        t_us = max(t_us, self.now_us)
        until = min(t_us, self._changed + QUIET_US)
        while self._reading is not None and self._ticked + GRID_US <= until:
            self._ticked += GRID_US
            self.now_us = max(self.now_us, self._ticked)
            yield from self._feed(self._ticked, self._reading)
        self.now_us = t_us

    def restart(self, t_us: int) -> Iterator[Happening]:
        """The link broke, or came anew: close what is open, learn rest again."""
        yield from self.pass_time(t_us)
        if self._reading is not None:
            yield from self._feed(self.now_us, self._reading)
        self._reading = None
        yield from self._observer.restart()

    def _feed(self, t_us: int, reading: Reading) -> Iterator[Happening]:
        events = self._observer.feed(t_us, reading)
        rests = self._observer.rests[self._rests :]
        self._rests += len(rests)
        # A press is told before a rest that was learned in the same piece of the grid.
        yield from events
        yield from rests
        if reading == self._reading and self._has_held(t_us):
            self._held_told += 1
            yield Held(t_us, reading, long=self._held_told > 1)

    def _has_held(self, t_us: int) -> bool:
        if self._held_told > 1 or self.rest is None or self._reading == self.rest:
            return False
        return t_us - self._changed >= (LONG_US if self._held_told else HELD_US)
