"""The bench: a source's events into the journal and the session, until there is no more to do.

Here: `Bench`, the one place where port, file and clock meet the session. It journals every event
before the session takes it in, waits for a probe that was unplugged, tells the session when nobody
presses anything any more, and closes the journal in good order whatever happens. It runs inline
for the plain text and in a thread of its own under the screen. Not here: any decision about the
job (session), or any words (session.say, plain, screen).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any, Self

from keydiag.circuit import Reading
from keydiag.errors import UsageError
from keydiag.journal import Writer
from keydiag.session import PERIOD_US, Session
from keydiag.sources.base import (
    Counted,
    Ended,
    ReadingAt,
    Source,
    SourceEvent,
    hello_to_journal,
    to_journal,
)
from keydiag.wire import Hi

__all__ = ["IDLE_S", "Bench", "check_idle"]

IDLE_S = 20.0  # nothing pressed for so long: the builder has stopped
# Before the first press of a course the builder may have to find his seat first.
FIRST_IDLE = 6
# How long one look at the source may take: bounds the delay of commands and of stopping.
LOOK_S = 0.05
COUNTS_EVERY_US = 2_000_000  # damaged lines come in bursts: their count is journaled so often
RESUME_GAP_US = 1_000_000  # between the time of a journal and that of its continuation


def check_idle(idle_s: float) -> None:
    """UsageError if this is no time to wait."""
    if not 0 < idle_s < 86_400:  # false for nan, too
        raise UsageError(f"--idle {idle_s:g}: give a number of seconds above 0 and below 86400")


class Bench:
    """Pumps one source into one session.

    writer: None keeps no journal. hi: the source is open and reading already, and this is who
    answered. port: its name, for the builder. watchers: called with the session after everything
    that happened, in the thread that runs the bench; append to it. UsageError if `idle_s` makes no
    sense.
    """

    def __init__(
        self,
        session: Session,
        source: Source,
        writer: Writer | None,
        *,
        hi: Hi | None = None,
        port: str = "",
        idle_s: float = IDLE_S,
    ) -> None:
        check_idle(idle_s)
        self.session = session
        self.source = source
        self.watchers: list[Callable[[Session], None]] = []
        self._writer = writer
        self._hi = hi
        self._port = port
        self._idle_us = round(idle_s * 1e6)
        self._commands: SimpleQueue[dict[str, Any]] = SimpleQueue()
        self._stop = threading.Event()
        self._last: Reading | None = None
        self._offset_us: int | None = None  # from the source's time to the session's
        self._counted: Counted | None = None  # not journaled yet
        self._counted_us = -COUNTS_EVERY_US
        self._ended = False
        self._closed = False

    # --- running ---

    def open(self) -> None:
        """Find the probe and begin to read. Raises PortError."""
        hi = self._hi
        if hi is None:
            hi = self.source.open()
            self.source.start(self.session.circuit.pins, PERIOD_US)
        self._record({**hello_to_journal(hi), "port": self._port})
        threading.Thread(target=self.session.plan_chords, name="chords", daemon=True).start()
        self._tell()

    def run(self, until: Callable[[Session], bool] | None = None) -> None:
        """Work until `until` holds, the session is finished, `stop` is called, or the source has
        no more to say."""
        while not self._stop.is_set() and not self._ended and not self.session.finished:
            if until is not None and until(self.session):
                return
            self.step(LOOK_S)

    def step(self, timeout_s: float) -> None:
        """Take in what comes within `timeout_s`."""
        happened = self._obey()
        for event in self.source.read(timeout_s):
            self._take(event)
            happened = True
        happened = self._mind_idle() or happened
        if happened:
            self._tell()

    def command(self, name: str, **fields: Any) -> None:
        """Say a command of the builder (from any thread): "skip", "rework", ..."""
        self._commands.put({"kind": "command", "name": name, **fields})

    def repaired(self, did: str) -> None:
        """Say that something was repaired (from any thread)."""
        self._commands.put({"kind": "repair", "did": did})

    def answer(self, code: str, value: str) -> None:
        """Give the answer to a suggested test (from any thread)."""
        self._commands.put({"kind": "answer", "code": code, "value": value})

    def stop(self) -> None:
        """Make `run` return soon (from any thread)."""
        self._stop.set()

    def close(self, why: str = "finished") -> None:
        """Release the probe, close the journal in good order. Closing twice does no harm."""
        if self._closed:
            return
        self._closed = True
        try:
            self.source.close()
        finally:
            if self._writer is not None:
                with self._writer:
                    self._record({"kind": "end", "why": why})
                    self._writer.sync()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.close("interrupted" if issubclass(kind, KeyboardInterrupt) else "error")

    # --- what happens ---

    def _take(self, event: SourceEvent) -> None:
        match event:
            case ReadingAt(t_us, reading):
                self._read(t_us, reading)
            case Counted():
                self._counted = event
            case Ended():
                self._ended = True
            case _:
                written = to_journal(event)
                if written is not None:
                    if written["kind"] == "link":
                        self._last = None  # the first reading after it is always written
                    self._record(written)
                    if written["kind"] == "link":
                        self._tell()  # the next event may be its opposite
        counted = self._counted
        if counted is not None and self.session.now_us - self._counted_us >= COUNTS_EVERY_US:
            self._counted, self._counted_us = None, self.session.now_us
            written = to_journal(counted)
            assert written is not None
            self._record(written)

    def _read(self, t_us: int, reading: Reading) -> None:
        if self._offset_us is None:
            now_us = self.session.now_us
            self._offset_us = now_us + RESUME_GAP_US - t_us if now_us else 0
        t_us += self._offset_us
        if reading == self._last:
            self.session.pass_time(t_us)
            self._write_records()
            return
        self._last = reading
        low = " ".join(f"{mask:x}" for mask in reading.low)
        self._record({"kind": "reading", "t": t_us, "rest": f"{reading.rest:x}", "low": low})

    def _obey(self) -> bool:
        obeyed = False
        while True:
            try:
                self._record(self._commands.get_nowait())
            except Empty:
                return obeyed
            obeyed = True

    def _mind_idle(self) -> bool:
        """Say so if nobody has pressed anything for too long. The probe's time counts: while it
        is unplugged nothing is missed."""
        since_us = self.session.idle_since_us
        if since_us is None:
            return False
        patience = self._idle_us * (1 if self.session.course.pressed else FIRST_IDLE)
        if self.session.now_us - since_us < patience:
            return False
        self._record({"kind": "idle"})
        return True

    def _record(self, event: dict[str, Any]) -> None:
        """Journal an event, then let the session take it in."""
        event.setdefault("t", self.session.now_us)
        if self._writer is not None:
            self._writer.append(event)
        self.session.apply(event)
        self._write_records()

    def _write_records(self) -> None:
        for record in self.session.take_records():
            if self._writer is not None:
                self._writer.append(record)

    def _tell(self) -> None:
        for watch in self.watchers:
            watch(self.session)
