"""The journal: one JSON object per line, appended as things happen, read back for replay.

Here: writing (`Writer`) and reading (`read`) of the file, and nothing of what the events mean;
that is the session's matter, and unknown kinds of event are kept as they are.

The first line is the header: {"kind": "header", "journal": 1, "keydiag": version, "board": the
full text of the board file, ...}. The writer flushes each line to the operating system, so
killing the program at any moment loses at most the line being written; verdicts and repairs are
also forced to the disk. A last line that was cut short is reported by the reader and tolerated.
`Writer.resume` removes nothing: it ends such a line with TORN_MARK and appends after it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

from keydiag import __version__
from keydiag.circuit import Reading
from keydiag.errors import JournalError

__all__ = ["JOURNAL_VERSION", "Journal", "TornLine", "Writer", "as_reading", "read"]

JOURNAL_VERSION = 1
SYNCED_KINDS = frozenset({"verdict", "repair"})  # what a power cut must not take back
# How a line that was cut short is closed when the journal goes on. No JSON object ends like this,
# and if the mark itself is cut short, the line is still a torn line and simply gets another mark.
TORN_MARK = b" #torn"

Event = dict[str, Any]


@dataclass(frozen=True, slots=True)
class TornLine:
    """A line that was being written when the program was killed. `text` is what is left of it;
    `last` is true for the end of the file, false where a resumed journal went on after it."""

    line: int
    text: str
    last: bool


@dataclass(frozen=True, slots=True)
class Journal:
    """A journal as read: its header, the events after it in order, and any torn lines.

    `newline_at_end` is false if even the last newline is missing (of a whole line or a torn one).
    """

    path: Path
    header: Event
    events: tuple[Event, ...]
    torn: tuple[TornLine, ...]
    newline_at_end: bool

    @property
    def board_text(self) -> str:
        """The board file as it was when the journal was begun."""
        return str(self.header["board"])

    @property
    def ended(self) -> bool:
        """True if the last event says that the session was closed in good order."""
        return bool(self.events) and self.events[-1]["kind"] == "end"


def as_reading(event: Mapping[str, Any]) -> tuple[int, Reading]:
    """The (t_us, reading) of a "reading" event. ValueError or KeyError if it is none."""
    low = tuple(int(mask, 16) for mask in event["low"].split())
    return int(event["t"]), Reading(int(event["rest"], 16), low)


class Writer:
    """Appends events to one journal file; `create` begins it, `resume` goes on with it.

    Not for several threads at once. OSError (disk full, say) becomes a JournalError.
    """

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self.path = path
        self._file = file
        self._last: Reading | None = None
        self._torn = False  # a full disk cut our last line short, and the caller went on

    @classmethod
    def create(cls, path: str | os.PathLike[str], board_text: str, **more: Any) -> Self:
        """Begin a journal with its header; `more` goes into the header as well.

        JournalError if the file exists (a journal is never overwritten) or cannot be made.
        """
        path = Path(path)
        try:
            file = open(path, "xb", buffering=0)
        except FileExistsError as error:
            raise JournalError(
                f"{path}: already exists, and a journal is never overwritten; "
                f"choose another name, or go on with it: keydiag resume {path}"
            ) from error
        except (OSError, ValueError) as error:
            raise _cannot(path, "be written", error) from error
        writer = cls(path, file)
        header = {"journal": JOURNAL_VERSION, "keydiag": __version__, "board": board_text}
        writer.event("header", **header, **more)
        writer.sync()
        return writer

    @classmethod
    def resume(cls, path: str | os.PathLike[str]) -> tuple[Self, Journal]:
        """Go on with a journal: what it says so far, and a writer that appends to it.

        Nothing is removed. A torn last line is closed with TORN_MARK and a newline.
        """
        journal = read(path)
        try:
            file = open(journal.path, "ab", buffering=0)
        except OSError as error:
            raise _cannot(journal.path, "be written", error) from error
        writer = cls(journal.path, file)
        if journal.torn and journal.torn[-1].last:
            writer._write(TORN_MARK + b"\n")
        elif not journal.newline_at_end:
            writer._write(b"\n")
        return writer, journal

    def event(self, kind: str, /, **fields: Any) -> None:
        """Append one event. The fields must be what JSON can say (TypeError, ValueError)."""
        self.append({**fields, "kind": kind})

    def append(self, event: Mapping[str, Any]) -> None:
        """Append an event given as a mapping with its "kind"."""
        text = json.dumps(dict(event), sort_keys=True, allow_nan=False, separators=(",", ":"))
        self._write(text.encode("utf-8") + b"\n")
        if event["kind"] in SYNCED_KINDS:
            self.sync()

    def reading(self, t_us: int, reading: Reading) -> bool:
        """Append a reading if it differs from the one before; true if it was written."""
        if reading == self._last:
            return False
        low = " ".join(f"{mask:x}" for mask in reading.low)
        self.event("reading", t=t_us, rest=f"{reading.rest:x}", low=low)
        self._last = reading
        return True

    def sync(self) -> None:
        """Force what was written to the disk."""
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            raise _cannot(self.path, "be written to the disk", error) from error

    def close(self) -> None:
        """Close the file; says nothing in the journal."""
        if not self._file.closed:
            self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _write(self, data: bytes) -> None:
        # Unbuffered: one write call per line hands it to the system whole, or nearly always so.
        left = (TORN_MARK + b"\n" if self._torn else b"") + data
        whole = len(left)
        try:
            while left:
                left = left[self._file.write(left) :]
                self._torn = 0 < len(left) < whole
        except OSError as error:
            raise _cannot(self.path, "be written", error) from error


def read(path: str | os.PathLike[str]) -> Journal:
    """Read a journal.

    A torn last line (damaged and without its newline) is reported in `Journal.torn`, not raised;
    so is one in the middle that `Writer.resume` closed. JournalError, naming the file and the
    line: no such file, no header, an unknown journal version, any other damaged line.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        raise _cannot(path, "be read", error) from error
    *lines, rest = data.split(b"\n")
    whole = rest == b""
    if not whole:
        lines.append(rest)
    events: list[Event] = []
    torn: list[TornLine] = []
    for number, raw in enumerate(lines, start=1):
        event = _parse(raw)
        if event is not None:
            events.append(event)
            continue
        if number == 1:
            raise _no_header(path, raw)
        last = number == len(lines) and not whole
        if not last and not raw.endswith(TORN_MARK):
            raise JournalError(
                f'{path}: line {number}: is damaged (not a JSON object with a "kind"); '
                "restore the file from a copy, or take that line out if you can do without it"
            )
        text = raw.removesuffix(TORN_MARK).decode("utf-8", "backslashreplace")
        torn.append(TornLine(number, text, last))
    if not events:
        raise _no_header(path, b"")
    _check_header(path, events[0])
    return Journal(path, events[0], tuple(events[1:]), tuple(torn), whole)


def _parse(raw: bytes) -> Event | None:
    """The event on this line, or None if it is none."""
    try:
        event = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):  # bad UTF-8 and bad JSON are both ValueErrors
        return None
    if isinstance(event, dict) and isinstance(event.get("kind"), str):
        return event
    return None


def _check_header(path: Path, header: Event) -> None:
    if header["kind"] != "header" or not isinstance(header.get("board"), str):
        raise _no_header(path, b"")
    version = header.get("journal")
    if version != JOURNAL_VERSION:
        raise JournalError(
            f"{path}: line 1: journal version {version} is unknown, this keydiag reads version "
            f"{JOURNAL_VERSION}; use the keydiag that wrote it ({header.get('keydiag', '?')})"
        )


def _no_header(path: Path, raw: bytes) -> JournalError:
    what = "the header line was cut short" if raw.startswith(b'{"board"') else "has no header line"
    return JournalError(f"{path}: line 1: {what}; name a journal that keydiag wrote")


def _cannot(path: Path, what: str, error: Exception) -> JournalError:
    why = getattr(error, "strerror", None) or error
    return JournalError(f"{path}: cannot {what} ({why}); check the name, permissions and space")
