"""The fields of a board file, and plain words for what pydantic says about their shape.

What lives here: which fields there are, how to write each, and how to show a value or the nearest
known word in one line. What does not: the models (__init__.py) and whether a well-shaped file makes
sense (board/check.py).
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping
from typing import Any

Say = Callable[[str, str, str], None]  # (place, what is wrong, the mend)

FIELDS = {
    "": (
        "format",
        "name",
        "chip",
        "cathode_at",
        "diode_side",
        "controller",
        "row",
        "column",
        "key",
    ),
    "row": ("pin", "style", "path", "splice"),
    "column": ("pin", "style", "path", "splice"),
    "key": ("at", "turn", "size", "legend"),
    "controller": ("at",),
}

HOW = {
    "format": "write format = 1",
    "name": 'write name = "..." (what you call this half)',
    "chip": 'write chip = "atmega32u4" (or another chip keydiag knows)',
    "cathode_at": 'write cathode_at = "row" or cathode_at = "column" (where the band looks to)',
    "diode_side": 'write diode_side = "row" or diode_side = "column" (where the diode sits)',
    "row": "write one table per row wire, like [row.R1] with pin, style and path",
    "column": "write one table per column wire, like [column.C1] with pin, style and path",
    "key": "write one table per key, like [key.L11] with at = [0.0, 0.0]",
    "controller": "write [controller] with at = [x, y] in mm, or leave it out",
    "pin": 'write the port the lead goes to, like pin = "PD1"',
    "style": 'write style = "chain" (legs soldered one to the next) or style = "through" '
    "(one continuous wire)",
    "path": 'write the keys in wiring order from the lead outward, like path = ["L11", "L12"]',
    "splice": 'write pairs of neighbouring keys, like splice = [["L11", "L12"]]',
    "at": "write the centre as two numbers in mm, like at = [19.05, 0.0]",
    "turn": "write degrees clockwise as a number, like turn = 15.0",
    "size": "write width and height as two numbers in mm, like size = [18.0, 18.0]",
    "legend": 'write a text, like legend = "Q"',
}


def say_shape(complaint: Mapping[str, Any], say: Say) -> None:
    """Put one of pydantic's complaints into our words."""
    loc = list(complaint["loc"])
    kind = complaint["type"]
    owner = loc[0] if len(loc) > 1 else ""
    place = _place(loc)
    if kind == "extra_forbidden":
        known = FIELDS[str(owner)]
        say(place, f"unknown field {show(loc[-1])}", near(str(loc[-1]), known, "fields here"))
        return
    field = next((str(p) for p in reversed(loc) if isinstance(p, str) and p in HOW), "")
    if len(loc) == 2 and owner in ("row", "column", "key"):
        say(place, "is no table of fields", HOW[str(owner)])
        return
    if owner in ("row", "column") and loc[2] in ("path", "splice") and kind != "missing":
        return  # told better by _check_paths
    if kind == "missing" and isinstance(loc[-1], str):
        say(place, "is missing", HOW[field])
    elif kind == "finite_number":
        say(place, f"{show(complaint['input'])} is no place or size", HOW[field])
    else:
        say(place, f"cannot be {show(complaint['input'])}", HOW.get(field, "see the guide"))


def _place(loc: Iterable[Any]) -> str:
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def show(value: Any) -> str:
    """A value as the file would write it, cut to a readable length."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, Mapping):
        text = "a table"
    else:
        text = str(value).replace("'", '"')
    return text if len(text) <= 60 else text[:57] + "..."


def near(word: str, known: Iterable[str], what: str) -> str:
    """A mend that names the nearest known word (the first of equals), or else all of them."""
    words = list(known)
    likeness = [difflib.SequenceMatcher(None, word.lower(), each.lower()).ratio() for each in words]
    if words and max(likeness) >= 0.6:  # difflib's own idea of a close match
        return f'did you mean "{words[likeness.index(max(likeness))]}"?'
    if not words:
        return f"there are no {what}"
    return f"{what}: {', '.join(words[:12])}{', ...' if len(words) > 12 else ''}"
