"""The one interface of all sources, what they say, and how the journal writes that down.

A source is opened (who is there?), started (which ports, how often), read until closed. Masks in
what it says are already those of the circuit: bit and index i stand for circuit.pins[i].
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from keydiag.circuit import Reading
from keydiag.journal import as_reading
from keydiag.wire import Hi

__all__ = [
    "Counted",
    "EdgesAt",
    "Ended",
    "LevelAt",
    "LinkDown",
    "LinkUp",
    "Paced",
    "ProbeSaid",
    "ReadingAt",
    "RiseAt",
    "Source",
    "SourceEvent",
    "from_journal",
    "hello_from_journal",
    "hello_to_journal",
    "to_journal",
]


@dataclass(frozen=True, slots=True)
class ReadingAt:
    """The reading at a moment. `t_us` is the probe's clock, made to grow for ever: it goes on
    where it was when the probe wraps, restarts or is plugged in again."""

    t_us: int
    reading: Reading


@dataclass(frozen=True, slots=True)
class LinkDown:
    """No readings from here on. What is held now is not known any more."""

    reason: str


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The probe is back and reading again. Anything may have been reworked meanwhile."""

    hi: Hi


@dataclass(frozen=True, slots=True)
class Counted:
    """Totals so far: bad lines that were skipped, and readings that the probe could not send."""

    corrupt: int
    lost: int


@dataclass(frozen=True, slots=True)
class ProbeSaid:
    """The probe refused something, or stopped by itself (an OOPS line)."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class LevelAt:
    """The level at circuit pin `sense` while `drive` was driven low."""

    drive: int
    sense: int
    millivolts: int


@dataclass(frozen=True, slots=True)
class Paced:
    """The settle time in use and the time one reading takes."""

    settle_us: int
    reading_us: int


@dataclass(frozen=True, slots=True)
class RiseAt:
    """How long the line of each circuit pin took to rise by its pull-up, in nanoseconds, rounded
    up; 0: it did not rise, or did not go low."""

    ns: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class EdgesAt:
    """What one crossing did while it was watched: circuit pin `sense`, with `drive` driven low.

    t_us is on the clock of the readings, the other times count from it: `watched_us` until the last
    look, `at_us` the looks that found it changed; `closed`: at the first look. What is shorter than
    `gap_us` may have gone unseen."""

    drive: int
    sense: int
    t_us: int
    watched_us: int
    gap_us: int
    closed: bool
    at_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Ended:
    """There is nothing more to come (the end of a replayed journal)."""


SourceEvent = (
    ReadingAt | LinkDown | LinkUp | Counted | ProbeSaid | LevelAt | Paced | RiseAt | EdgesAt | Ended
)


class Source(Protocol):
    """A place readings come from."""

    def open(self) -> Hi:
        """Find out who is there. Raises PortError (see errors.py) if no probe answers."""
        ...

    def start(self, ports: Sequence[str], period_us: int) -> None:
        """Read these ports (circuit.pins), one reading each `period_us`. Raises ProbeRefused if
        the probe has no such port."""
        ...

    def read(self, timeout_s: float) -> list[SourceEvent]:
        """What was said since the last call; waits up to `timeout_s` for the first of it."""
        ...

    def ask_level(self, drive: int, sense: int) -> None:
        """Ask for a level between two circuit pins; a LevelAt or ProbeSaid answers, later."""
        ...

    def ask_watch(self, drive: int, sense: int, ms: int) -> None:
        """Ask to watch the crossing of two circuit pins for 1 to 250 ms, in which nothing else is
        read; an EdgesAt or ProbeSaid answers, later."""
        ...

    def close(self) -> None:
        """Stop reading, release the pins. Closing twice does no harm."""
        ...


# --- the journal's form of it ---


def hello_to_journal(hi: Hi) -> dict[str, Any]:
    """Who the probe is, as a journal event."""
    return {
        "kind": "hello",
        "version": hi.version,
        "chip": hi.chip,
        "build": hi.build,
        "pins": hi.pins,
        "vcc_mv": hi.vcc_mv,
    }


def hello_from_journal(event: Mapping[str, Any]) -> Hi:
    """The inverse. KeyError if something is missing."""
    return Hi(event["version"], event["chip"], event["build"], event["pins"], event["vcc_mv"])


def to_journal(event: SourceEvent) -> dict[str, Any] | None:
    """A source's event as a journal event. None for readings, which Writer.reading writes (on
    change only), and for Ended."""
    match event:
        case LinkDown(reason):
            return {"kind": "link", "up": False, "reason": reason}
        case LinkUp(hi):
            return {"kind": "link", "up": True, **_without_kind(hello_to_journal(hi))}
        case Counted(corrupt, lost):
            return {"kind": "counted", "corrupt": corrupt, "lost": lost}
        case ProbeSaid(code, text):
            return {"kind": "probe", "code": code, "text": text}
        case LevelAt(drive, sense, millivolts):
            return {"kind": "level", "drive": drive, "sense": sense, "mv": millivolts}
        case Paced(settle_us, reading_us):
            return {"kind": "pace", "settle_us": settle_us, "reading_us": reading_us}
        case RiseAt(ns):
            return {"kind": "rise", "ns": list(ns)}
        case EdgesAt():
            return {
                "kind": "edges",
                "drive": event.drive,
                "sense": event.sense,
                "t": event.t_us,
                "watched_us": event.watched_us,
                "gap_us": event.gap_us,
                "closed": event.closed,
                "at_us": list(event.at_us),
            }
    return None


def from_journal(event: Mapping[str, Any]) -> SourceEvent | None:
    """The source's event that a journal event stands for; None if it stands for none.

    KeyError or ValueError if the journal event is not what `to_journal` writes.
    """
    match event["kind"]:
        case "reading":
            return ReadingAt(*as_reading(event))
        case "link" if event["up"]:
            return LinkUp(hello_from_journal(event))
        case "link":
            return LinkDown(event["reason"])
        case "counted":
            return Counted(event["corrupt"], event["lost"])
        case "probe":
            return ProbeSaid(event["code"], event["text"])
        case "level":
            return LevelAt(event["drive"], event["sense"], event["mv"])
        case "pace":
            return Paced(event["settle_us"], event["reading_us"])
        case "rise":
            return RiseAt(tuple(event["ns"]))
        case "edges":
            return EdgesAt(
                event["drive"], event["sense"], event["t"], event["watched_us"], event["gap_us"],
                event["closed"], tuple(event["at_us"]),
            )  # fmt: skip
    return None


def _without_kind(event: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in event.items() if name != "kind"}
