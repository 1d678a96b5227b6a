"""A journal as a source: what was read then is read again, at once or at its own pace.

Only what the source said is replayed. What the builder did (prompts, answers, repairs) stands in
the journal too and is the session's to fold.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

from keydiag.errors import JournalError
from keydiag.journal import Journal
from keydiag.sources.base import (
    Ended,
    ReadingAt,
    SourceEvent,
    from_journal,
    hello_from_journal,
)
from keydiag.wire import Hi

__all__ = ["ReplaySource"]

CHUNK = 100  # events per read when there is no pace to keep


class ReplaySource:
    """Replays a journal that was read. pace: 0 = at once, 1 = as it was, 2 = twice as fast."""

    def __init__(self, journal: Journal, pace: float = 0.0) -> None:
        self._journal = journal
        self._pace = pace
        self._todo = list(reversed(self._events()))
        self._clock: tuple[float, int] | None = None  # host seconds, journal time at that moment

    def _events(self) -> list[SourceEvent]:
        found: list[SourceEvent] = []
        for number, event in enumerate(self._journal.events, start=1):
            try:
                said = from_journal(event)
            except (KeyError, ValueError, TypeError, AttributeError) as error:
                raise JournalError(
                    f"{self._journal.path}: event {number} ({event['kind']}): has a field that "
                    f"is missing or makes no sense ({error}); restore the file from a copy"
                ) from error
            if said is not None:
                found.append(said)
        return found

    def open(self) -> Hi:
        """Who the probe was. JournalError if the journal does not say."""
        for event in self._journal.events:
            if event["kind"] == "hello":
                try:
                    return hello_from_journal(event)
                except KeyError as error:
                    raise JournalError(
                        f"{self._journal.path}: its hello event lacks {error}; restore the file "
                        "from a copy"
                    ) from error
        raise JournalError(f"{self._journal.path}: no probe was ever connected; nothing to replay")

    def start(self, ports: Sequence[str], period_us: int) -> None:
        """Begin; the ports and the period are those of the journal."""

    def read(self, timeout_s: float) -> list[SourceEvent]:
        events: list[SourceEvent] = []
        deadline = time.monotonic() + timeout_s
        while self._todo and len(events) < CHUNK:
            if not self._is_due(self._todo[-1], deadline if not events else 0.0):
                return events
            events.append(self._todo.pop())
        return events or [Ended()]

    def _is_due(self, event: SourceEvent, deadline: float) -> bool:
        """True when this event's time has come; waits for it until the deadline."""
        if self._pace <= 0 or not isinstance(event, ReadingAt):
            return True
        now = time.monotonic()
        if self._clock is None:
            self._clock = now, event.t_us
        from_s, from_us = self._clock
        due = from_s + (event.t_us - from_us) / 1e6 / self._pace
        if due > now:
            time.sleep(max(0.0, min(due, deadline) - now))
        return time.monotonic() >= due

    def ask_level(self, drive: int, sense: int) -> None:
        """Levels cannot be asked for any more; those that were measured are replayed."""

    def ask_watch(self, drive: int, sense: int, ms: int) -> None:
        """Nor can a crossing be watched; what was seen of one is replayed."""

    def close(self) -> None:
        """Nothing to release."""
