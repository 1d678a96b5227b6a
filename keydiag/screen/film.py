"""A journal as a film: folded once from its beginning, every moment of it kept as a snapshot.

Here: `frames`, the fold with its moments in order, and `Film`, which makes them in a thread of its
own while the first of them are shown already. Snapshots never change, so going back is looking at
an earlier one: nothing is folded twice, and a step back shows what was there before to the letter.
Not here: where in the film one is (player.py), anything drawn, any writing: the journal was read,
and is not touched again.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from keydiag.errors import JournalError
from keydiag.faults.priors import Table
from keydiag.journal import Journal
from keydiag.session import KeyView, Session, Snapshot
from keydiag.session import replay as fold_all

__all__ = ["Film", "Frame", "Reel"]

# What fell due between two events (a press that has settled, a rest that was learned) shows at its
# own time: the gap is passed in pieces, the first of a frame of the screen, each twice as long as
# the one before. After 3 s of the same reading nothing falls due any more.
FIRST_PIECE_US = 16_000
QUIET_US = 3_000_000


@dataclass(frozen=True, slots=True)
class Frame:
    """One moment. t_us: journal time, from the first reading on. fresh: how many observations it
    brought. notes: what was told since the frame before. share: of the journal, up to here."""

    t_us: int
    snapshot: Snapshot
    fresh: int
    notes: tuple[str, ...]
    share: float


class Reel:
    """One fold of a journal, from its beginning: `frames` may be run through once, and afterwards
    `session` stands at the end."""

    def __init__(self, journal: Journal, table: Table | None = None) -> None:
        self._journal, self._table = journal, table
        self.session: Session = fold_all(replace(journal, events=(), torn=()), table)
        self._began_us = _first_reading(journal)
        self._known: dict[KeyView, KeyView] = {}  # one object for all keys that stand alike
        self._seen: set[tuple[object, ...]] = set()  # observations, by when and of what they are
        self._told = 0
        self._sign: tuple[object, ...] = ()

    def frames(self, diagnose: bool = False) -> Iterator[Frame]:
        """Every moment at which something is different, and the end, with the findings of all of
        it. diagnose: bring the findings up to date with every observation too, as the bench screen
        does, not at the end of a round only.

        JournalError, with file and line, if an event lacks what its kind must have.
        """
        events = self._journal.events
        before = self._frame(0.0, 0)
        yield before
        for number, event in enumerate(events, start=1):
            share = number / len(events)
            for t_us in self._pieces(event):
                self.session.pass_time(t_us)
                for before in self._news(share, diagnose):
                    yield before
            self._apply(event)
            if event["kind"] != "end":  # that the file was closed is no moment of the job
                for before in self._news(share, diagnose):
                    yield before
        self.session.diagnose_now()
        fresh, last = self._fresh(), self._frame(1.0, 0)
        if events and events[-1]["kind"] == "end":  # nor is the probe gone because of it
            then = before.snapshot
            view = replace(last.snapshot, link=then.link, alert=then.alert, say=then.say)
            last = replace(last, snapshot=view)
        yield replace(last, fresh=fresh)

    def _news(self, share: float, diagnose: bool) -> Iterator[Frame]:
        fresh = self._fresh()
        if fresh and diagnose:
            self.session.update_diagnosis()
        if self._changed() or fresh:
            yield self._frame(share, fresh)

    def _apply(self, event: dict[str, Any]) -> None:
        try:
            self.session.apply(event)
        except JournalError:
            fold_all(self._journal, self._table)  # the same error, with the file and the line in it
            raise
        self.session.take_records()

    def _pieces(self, event: dict[str, Any]) -> Iterator[int]:
        """The times at which to look before this event."""
        until, piece, t_us = event.get("t"), FIRST_PIECE_US, self.session.now_us
        while isinstance(until, int) and piece < QUIET_US and t_us + piece < until:
            t_us, piece = t_us + piece, 2 * piece
            if self.session.reading is not None:
                yield t_us

    def _changed(self) -> bool:
        """True if a snapshot would look different: much cheaper than making one."""
        session = self.session
        sign = (
            len(session.notes), session.departed, session.step, session.todo[:1], session.chord,
            session.paused, session.link, session.chords_done,
        )  # fmt: skip
        changed, self._sign = sign != self._sign, sign
        return changed

    def _fresh(self) -> int:
        """How many observations were not there before. None comes without a word about it, and
        one that only gained or lost confidence is not a new one."""
        if len(self.session.notes) == self._told:
            return 0
        before = len(self._seen)
        self._seen |= {(o.origin, o.held, o.t_us) for o in self.session.observations()}
        return len(self._seen) - before

    def _frame(self, share: float, fresh: int) -> Frame:
        session = self.session
        notes, self._told = tuple(session.notes[self._told :]), len(session.notes)
        view = session.snapshot()
        view = replace(view, keys=tuple(self._known.setdefault(key, key) for key in view.keys))
        return Frame(max(0, session.now_us - self._began_us), view, fresh, notes, share)


def _first_reading(journal: Journal) -> int:
    """A probe's clock began when it got power, which is not when the work began."""
    times = (event.get("t") for event in journal.events if event["kind"] == "reading")
    return next((t for t in times if isinstance(t, int)), 0)


class Film:
    """The frames of a journal, being made. frames: so far, oldest first. marks: numbers of the
    frames that brought an observation; turns: of those that began a step of the job.

    The findings are first those of the ends of rounds. In a second run they are worked out for
    every observation; `thought` counts the frames that are done.
    """

    def __init__(self, journal: Journal, table: Table | None = None) -> None:
        self.journal, self._table = journal, table
        self._reel = Reel(journal, table)
        self._making = self._reel.frames()
        self.frames: list[Frame] = []
        self.times: list[int] = []  # of the frames, growing
        self.marks: list[int] = []
        self.turns: list[int] = []
        self.complete = False
        self.thought = 0
        self.failure: Exception | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work, name="film", daemon=True)
        self._add(next(self._making))

    @property
    def session(self) -> Session:
        """The session at the end of the journal, once the film is complete."""
        return self._reel.session

    @property
    def share(self) -> float:
        """How much of the journal has been folded, 0 to 1."""
        return 1.0 if self.complete else self.frames[-1].share

    def start(self) -> None:
        """Make the rest in a thread."""
        self._thread.start()

    def stop(self) -> None:
        """Make no more."""
        self._over.set()
        if self._thread.ident is not None:
            self._thread.join()

    def finish(self) -> None:
        """Wait until the film is complete (the findings of all moments may still be missing), or
        make it here. Raises what went wrong."""
        if self._thread.ident is None:
            self._make()
        while not self.complete and self._thread.is_alive():
            self._thread.join(0.05)
        if self.failure is not None:
            raise self.failure

    def _work(self) -> None:
        try:
            self._make()
            self._think()
        except Exception as error:  # whoever shows the film must hear of it
            self.failure = error

    def _make(self) -> None:
        for frame in self._making:
            self._add(frame)
            if self._over.is_set():
                return
        self.complete = True

    def _think(self) -> None:
        if not self.complete:
            return
        for number, frame in enumerate(Reel(self.journal, self._table).frames(diagnose=True)):
            if self._over.is_set():
                return
            self.frames[number] = frame
            self.thought = number + 1

    def _add(self, frame: Frame) -> None:
        number, before = len(self.frames), self.frames[-1] if self.frames else None
        self.frames.append(frame)
        self.times.append(max(frame.t_us, self.times[-1] if before else 0))
        if frame.fresh:
            self.marks.append(number)
        if before is not None and before.snapshot.step != frame.snapshot.step:
            self.turns.append(number)
