"""What the screen asks of whoever does the work, and how a bench in a thread of its own serves it.

Here: `Desk`, the few calls the app makes, so that tests can pass a stand-in of a dozen lines; and
`BenchDesk`, which runs a `Bench` and the diagnosis beside the screen. Not here: anything drawn.

Three threads: the bench reads the source and folds; the diagnosis is worked out beside it, so that
no reading waits for it; the screen only ever sees finished snapshots.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from time import monotonic
from typing import NamedTuple, Protocol

from keydiag.bench import LOOK_S, Bench
from keydiag.diagnosis import Diagnosis
from keydiag.observe import Observation
from keydiag.session import Session, Snapshot

# After each press the diagnosis is brought up to date quickly; hands that rest this long get it in
# full, which may take some tenths of a second.  Shorter than a pause to read, longer than the way
# to the next key (own judgement, no source).
PAUSE_S = 0.25


class Busy(NamedTuple):
    """Work that is going on, and for how many seconds; 0 = none. thinking: findings are worked out
    beside the job. stuck: the job itself waits, and what is pressed is taken in afterwards."""

    thinking: float = 0.0
    stuck: float = 0.0


class Desk(Protocol):
    """What the app needs. Every call may come from the screen's thread at any time."""

    journal: str
    """Name of the journal, empty if none is kept."""

    def snapshot(self) -> Snapshot:
        """The latest view of the session."""
        ...

    def wake(self, callback: Callable[[], None]) -> None:
        """Have this called, from any thread, whenever there is a new snapshot."""
        ...

    def command(self, name: str, **fields: object) -> None: ...

    def repaired(self, did: str) -> None: ...

    def answer(self, code: str, value: str) -> None: ...

    def busy(self) -> Busy:
        """What takes its time at the moment."""
        ...

    def failure(self) -> Exception | None:
        """Why the work ended by itself, or None while it goes on or ended well."""
        ...

    def open(self) -> None:
        """The screen stands: go to work."""
        ...

    def close(self) -> None:
        """The screen is gone: stop what runs beside it."""
        ...


class BenchDesk:
    """A bench at work in a thread, from `open` to `close`."""

    def __init__(self, bench: Bench, journal: str = "") -> None:
        self.bench, self.journal = bench, journal
        self._lock = threading.Lock()
        self._latest = bench.session.snapshot()
        self._callback: Callable[[], None] = lambda: None
        self._failure: Exception | None = None
        self._seen: tuple[Observation, ...] = ()  # what the last diagnosis asked for is about
        self._wanted: tuple[Observation, ...] | None = None
        self._thinks_since: float | None = None
        self._beat_s: float | None = None  # when the bench last went to look at its source
        self._ask = threading.Event()
        self._over = threading.Event()
        self._threads = [
            threading.Thread(target=self._guard, args=(work,), name=name, daemon=True)
            for name, work in (("bench", self._work), ("diagnosis", self._think))
        ]
        bench.watchers.append(self._watch)

    def snapshot(self) -> Snapshot:
        with self._lock:
            return self._latest

    def wake(self, callback: Callable[[], None]) -> None:
        self._callback = callback

    def command(self, name: str, **fields: object) -> None:
        self.bench.command(name, **fields)

    def repaired(self, did: str) -> None:
        self.bench.repaired(did)

    def answer(self, code: str, value: str) -> None:
        self.bench.answer(code, value)

    def busy(self) -> Busy:
        now, since, beat = monotonic(), self._thinks_since, self._beat_s
        # Between two beats the bench waits for its source, but never for long.
        late = now - beat - LOOK_S if beat is not None else 0.0
        return Busy(now - since if since is not None else 0.0, max(0.0, late))

    def failure(self) -> Exception | None:
        return self._failure

    def open(self) -> None:
        """Go to work."""
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        self._callback = lambda: None
        self.bench.stop()
        self._over.set()
        self._ask.set()
        for thread in self._threads:
            if thread.ident is not None:  # it was begun
                thread.join(timeout=5.0)

    def __enter__(self) -> BenchDesk:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _guard(self, work: Callable[[], None]) -> None:
        """Do the work of a thread; what ends it must not go unseen."""
        try:
            work()
        except Exception as error:
            self._failure = error
            self._callback()

    # --- the bench's thread ---

    def _work(self) -> None:
        try:
            self.bench.run(self._beat)
        finally:
            self._beat_s = None

    def _beat(self, session: Session) -> bool:
        self._beat_s = monotonic()
        return False  # nothing but the builder and the source end it

    def _watch(self, session: Session) -> None:
        view = session.snapshot()
        with self._lock:
            changed, self._latest = view != self._latest, view
        if changed:
            self._callback()
        seen = session.observations()
        if seen and seen != self._seen:
            self._seen = self._wanted = seen
            self._ask.set()

    # --- the diagnosis' thread ---

    def _think(self) -> None:
        session = self.bench.session
        preparing = session.judge.prepare()
        in_full: tuple[Observation, ...] | None = None  # what a full diagnosis is still wanted of
        while True:
            for _ in preparing:  # between the questions, until it is done
                if self._ask.is_set():
                    break
            asked = self._ask.wait(PAUSE_S if in_full is not None else None)
            self._ask.clear()
            if self._over.is_set():
                return
            wanted, self._wanted = self._wanted, None
            if wanted is not None:
                self._look(wanted, session.update_diagnosis)
                in_full = wanted
            elif in_full is not None and not asked:
                self._look(in_full, session.diagnose_now)
                in_full = None

    def _look(
        self,
        seen: tuple[Observation, ...],
        diagnose: Callable[[tuple[Observation, ...]], Diagnosis],
    ) -> None:
        self._thinks_since = monotonic()
        diagnosis = diagnose(seen)
        self._thinks_since = None
        with self._lock:
            self._latest = replace(self._latest, diagnosis=diagnosis)
        self._callback()
