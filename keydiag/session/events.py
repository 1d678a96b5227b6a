"""Journal events as the session takes them in: which fields each kind must have.

Here: `check`, at the edge, so that the fold behind it may rely on them. Not here: what the events
mean (fold.py). Kinds that are not listed are passed over by the session, and so by this check.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from keydiag.circuit import Reading
from keydiag.errors import JournalError
from keydiag.journal import as_reading

__all__ = ["Event", "check", "reading_of"]

Event = Mapping[str, Any]

_FIELDS: dict[str, dict[str, type]] = {
    "hello": {"chip": str},
    "counted": {"corrupt": int, "lost": int},
    "pace": {"reading_us": int},
    "probe": {"code": str, "text": str},
    "command": {"name": str},
    "answer": {"code": str, "value": str},
}
_LINK_UP = {"up": bool, **_FIELDS["hello"]}
_LINK_DOWN = {"up": bool, "reason": str}
_WORDS = {str: "text", int: "a number", bool: "true or false"}


def check(event: Event) -> None:
    """JournalError if the event lacks what its kind must have."""
    kind = event["kind"]
    fields = _FIELDS.get(kind, {})
    if kind == "link":
        fields = _LINK_UP if event.get("up") is True else _LINK_DOWN
    for name, wanted in fields.items():
        value = event.get(name)
        # bool is a kind of int in Python, but not in a journal.
        if not isinstance(value, wanted) or (wanted is int and isinstance(value, bool)):
            raise JournalError(f'the "{kind}" event needs {name!r} to be {_WORDS[wanted]}')
    t_us = event.get("t", 0)
    if not isinstance(t_us, int) or isinstance(t_us, bool) or t_us < 0:
        raise JournalError(f"the \"{kind}\" event needs 't' to be a time in microseconds")


def reading_of(event: Event, pins: int) -> tuple[int, Reading]:
    """(t_us, reading) of a "reading" event; JournalError if it is none, or not of `pins` pins."""
    try:
        t_us, reading = as_reading(event)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise JournalError(f'the "reading" event cannot be read ({error})') from error
    if len(reading.low) != pins:
        raise JournalError(f"a reading of {len(reading.low)} pins on a board of {pins}")
    if any(mask < 0 or mask >> pins for mask in (reading.rest, *reading.low)):
        raise JournalError(f"a reading with a pin beyond the {pins} of the board")
    return t_us, reading
