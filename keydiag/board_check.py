"""What a board file may say: every mistake becomes one Problem with its place and its mend.

What lives here: checks over the parsed TOML (plain dicts and lists), so that all mistakes of a
file are told at once, also when some part of it has the wrong shape; and the plain words for
pydantic's complaints about shape. What does not: the models (board.py), reading files.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from keydiag.chips import Chip, chips
from keydiag.errors import Problem

# A switch body needs a 14 mm square cut-out (common practice, no source), so two centres nearer
# than that cannot both be right, however the keys are turned.
CUT_OUT_MM = 14.0
# No half is this large: a coordinate beyond it was written in another unit.
FAR_MM = 1000.0
# A name must read unambiguously within an address such as "row R2 between L22 and L23".
RESERVED_NAMES = frozenset({"row", "column", "pin", "between", "and", "lead"})
NAME = re.compile(r"[^\W\d_][\w\-]*")


class Found(NamedTuple):
    """One mistake, before file name and line number are known."""

    place: str
    wrong: str
    mend: str


Say = Callable[[str, str, str], None]


def problems(data: Mapping[str, Any], shape: Sequence[Mapping[str, Any]] = ()) -> list[Found]:
    """All mistakes in a parsed board file.

    Args:
        data: the file as tomllib reads it.
        shape: pydantic's complaints about it (``ValidationError.errors()``).
    """
    found: list[Found] = []

    def say(place: str, wrong: str, mend: str) -> None:
        found.append(Found(place, wrong, mend))

    wrote = data.get("format")
    if wrote is not None and (type(wrote) is not int or wrote != 1):
        say("format", f"{_show(wrote)} is no format this keydiag reads", "write format = 1")
        return found  # a file of another format would only earn misleading complaints
    for complaint in shape:
        _say_shape(complaint, say)
    _check_head(data, say)
    rows, columns, keys = (_table(data, kind) for kind in ("row", "column", "key"))
    _check_names(rows, columns, keys, say)
    _check_pins(data.get("chip"), rows, columns, say)
    on: dict[str, dict[str, str]] = {}
    for kind, lines in (("row", rows), ("column", columns)):
        on[kind] = _check_paths(kind, lines, keys, say)
    _check_crossings(keys, on["row"], on["column"], rows, columns, say)
    _check_positions(keys, say)
    return found


def as_problems(found: Iterable[Found], file: str, lines: Mapping[str, int]) -> list[Problem]:
    """Problems in file order, each place with its line number where one is known."""

    def line_of(place: str) -> int:
        while place:
            if place in lines:
                return lines[place]
            place = re.sub(r"(\[\d+\]|\.?[^.\[]+)$", "", place)
        return 0

    ordered = sorted(dict.fromkeys(found), key=lambda each: line_of(each.place))
    return [
        Problem(
            file,
            each.place + (f" (line {line_of(each.place)})" if line_of(each.place) else ""),
            each.wrong,
            each.mend,
        )
        for each in ordered
    ]


# --- shape: fields and types --------------------------------------------------------------------

_FIELDS = {
    "": ("format", "name", "chip", "cathode_at", "diode_side", "controller", "row", "column", "key"),
    "row": ("pin", "style", "path", "splice"),
    "column": ("pin", "style", "path", "splice"),
    "key": ("at", "turn", "size", "legend"),
    "controller": ("at",),
}

_HOW = {
    "format": "write format = 1",
    "name": 'write name = "..." (what you call this half)',
    "chip": 'write chip = "atmega32u4" (or another chip keydiag knows)',
    "cathode_at": 'write cathode_at = "row" or cathode_at = "column" (where the band looks to)',
    "diode_side": 'write diode_side = "row" or diode_side = "column" (where the diode sits)',
    "row": 'write one table per row wire, like [row.R1] with pin, style and path',
    "column": 'write one table per column wire, like [column.C1] with pin, style and path',
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


def _say_shape(complaint: Mapping[str, Any], say: Say) -> None:
    """Put one of pydantic's complaints into our words."""
    loc = list(complaint["loc"])
    kind = complaint["type"]
    owner = loc[0] if len(loc) > 1 else ""
    place = _place(loc)
    if kind == "extra_forbidden":
        known = _FIELDS[str(owner)]
        say(place, f"unknown field {_show(loc[-1])}", _near(str(loc[-1]), known, "fields here"))
        return
    field = next((str(p) for p in reversed(loc) if isinstance(p, str) and p in _HOW), "")
    if len(loc) == 2 and owner in ("row", "column", "key"):
        say(place, "is no table of fields", _HOW[str(owner)])
        return
    if owner in ("row", "column") and loc[2] in ("path", "splice") and kind != "missing":
        return  # told better by _check_paths
    if kind == "missing" and isinstance(loc[-1], str):
        say(place, "is missing", _HOW[field])
    elif kind == "finite_number":
        say(place, f"{_show(complaint['input'])} is no place or size", _HOW[field])
    else:
        say(place, f"cannot be {_show(complaint['input'])}", _HOW.get(field, "see the guide"))


def _place(loc: Iterable[Any]) -> str:
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def _show(value: Any) -> str:
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


def _near(word: str, known: Iterable[str], what: str) -> str:
    """A mend that names the nearest known word, or else all of them."""
    words = list(known)
    folded = {each.lower(): each for each in reversed(words)}
    close = difflib.get_close_matches(word.lower(), folded, n=1, cutoff=0.6)
    if close:
        return f'did you mean "{folded[close[0]]}"?'
    return f"{what}: {', '.join(words[:12])}{', ...' if len(words) > 12 else ''}" if words else (
        f"there are no {what}"
    )


def _table(data: Mapping[str, Any], kind: str) -> dict[str, dict[str, Any]]:
    """The sub-tables of one kind that are tables; what is not is told by the shape."""
    tables = data.get(kind)
    if not isinstance(tables, dict):
        return {}
    return {name: entry for name, entry in tables.items() if isinstance(entry, dict)}


# --- the half as a whole ------------------------------------------------------------------------


def _check_head(data: Mapping[str, Any], say: Say) -> None:
    name = data.get("name")
    if isinstance(name, str) and not name.strip():
        say("name", "is empty", _HOW["name"])
    elif isinstance(name, str) and not name.isprintable():
        say("name", "holds a line break or another control character", "write it on one line")
    for kind in ("row", "column", "key"):
        if data.get(kind) == {}:
            say(kind, f"there is no {kind}", _HOW[kind])
    place = data.get("controller")
    if isinstance(place, dict):
        _check_far("controller.at", place.get("at"), say)


def _check_names(
    rows: Mapping[str, Any], columns: Mapping[str, Any], keys: Mapping[str, Any], say: Say
) -> None:
    for kind, names in (("row", rows), ("column", columns), ("key", keys)):
        for name in names:
            place = f"{kind}.{name}"
            if not NAME.fullmatch(name):
                wrong = f"{_show(name)} cannot be a name"
                say(place, wrong, "start with a letter, go on with letters, digits, - or _")
            elif name.lower() in RESERVED_NAMES:
                wrong = f'"{name}" is a word of the addresses and cannot be a name'
                say(place, wrong, f"call it {name}1 or the like")
    for name in columns:
        if name in rows:
            wrong = f'"{name}" is the name of a row as well'
            say(f"column.{name}", wrong, "give rows and columns different names")


def _check_pins(
    chip_name: Any, rows: Mapping[str, Any], columns: Mapping[str, Any], say: Say
) -> None:
    chip: Chip | None = None
    if isinstance(chip_name, str):
        chip = chips().get(chip_name)
        if chip is None:
            say("chip", f'unknown chip "{chip_name}"', _near(chip_name, chips(), "known chips"))
    used: dict[str, str] = {}
    for kind, lines in (("row", rows), ("column", columns)):
        for name, line in lines.items():
            pin = line.get("pin")
            if not isinstance(pin, str):
                continue
            place = f"{kind}.{name}.pin"
            if chip is not None and pin not in chip.ports:
                if pin in chip.reserved:
                    wrong = f"{pin} may not be used: {chip.reserved[pin]}"
                    say(place, wrong, "move the lead to a free general-purpose pin")
                else:
                    free = [port for port in chip.ports if port not in used]
                    mend = _near(pin, free, f"free pins of the {chip.name}")
                    say(place, f'the {chip.name} has no pin "{pin}"', mend)
            if pin in used:
                wrong = f"{pin} is already the pin of {used[pin]}"
                say(place, wrong, "write the pin each lead really goes to")
            used.setdefault(pin, f"{kind} {name}")


# --- paths --------------------------------------------------------------------------------------


def _check_paths(
    kind: str, lines: Mapping[str, Any], keys: Mapping[str, Any], say: Say
) -> dict[str, str]:
    """Check every path of one kind of line; returns key -> the line it stands on."""
    on: dict[str, str] = {}
    first_at: dict[str, str] = {}
    for name, line in lines.items():
        place = f"{kind}.{name}.path"
        path = line.get("path")
        if "path" not in line:
            continue
        if not isinstance(path, list):
            say(place, f"cannot be {_show(path)}", _HOW["path"])
            continue
        if not path:
            say(place, "is empty", f"name the keys on {kind} {name}, or remove the {kind}")
        stretches: set[frozenset[str]] = set()
        for where, parent, item in _steps(path, place, say):
            if not isinstance(item, str):
                say(where, f"cannot be {_show(item)}", "a path holds key names and branches")
                continue
            if parent is not None:
                stretches.add(frozenset((parent, item)))
            if item not in keys:
                say(where, f'no key is called "{item}"', _near(item, keys, "keys"))
            if item not in on:
                on[item] = name
                first_at[item] = where
            elif on[item] == name:
                wrong = f"{item} stands on this path twice (also at {first_at[item]})"
                say(where, wrong, "name each key once; use a nested list for a branch")
            else:
                wrong = f"{item} is on two {kind}s, {on[item]} and {name}"
                say(where, wrong, f"leave it on the {kind} its wire really goes to")
        _check_splices(f"{kind}.{name}.splice", line.get("splice"), stretches, say)
    return on


def _steps(
    path: list[Any], place: str, say: Say, parent: str | None = None
) -> Iterator[tuple[str, str | None, Any]]:
    """Yield (place, parent, item) for everything on a path that is no branch."""
    here = parent
    for index, item in enumerate(path):
        where = f"{place}[{index}]"
        if isinstance(item, list):
            if not item:
                say(where, "is an empty branch", "remove it, or name the keys on it")
            elif index == 0:
                wrong = "a branch with nothing to hang from"
                say(where, wrong, "write the key it hangs off first, then the nested list")
            yield from _steps(item, where, say, here)
        else:
            yield where, here, item
            here = item if isinstance(item, str) else here


def _check_splices(
    place: str, splices: Any, stretches: set[frozenset[str]], say: Say
) -> None:
    if splices is None:
        return
    if not isinstance(splices, list):
        say(place, f"cannot be {_show(splices)}", _HOW["splice"])
        return
    seen: set[frozenset[str]] = set()
    for index, pair in enumerate(splices):
        where = f"{place}[{index}]"
        if not (
            isinstance(pair, list) and len(pair) == 2 and all(isinstance(k, str) for k in pair)
        ):
            say(where, f"cannot be {_show(pair)}", _HOW["splice"])
        elif frozenset(pair) not in stretches:
            wrong = f"{pair[0]} and {pair[1]} are no neighbours on this path"
            say(where, wrong, "name two keys that one stretch of the wire joins")
        elif frozenset(pair) in seen:
            say(where, f"{pair[0]} and {pair[1]} are named twice", "name each stretch once")
        else:
            seen.add(frozenset(pair))


def _check_crossings(
    keys: Mapping[str, Any],
    row_of: Mapping[str, str],
    column_of: Mapping[str, str],
    rows: Mapping[str, Any],
    columns: Mapping[str, Any],
    say: Say,
) -> None:
    taken: dict[tuple[str, str], str] = {}
    for name in keys:
        place = f"key.{name}"
        row, column = row_of.get(name), column_of.get(name)
        if row is None and column is None:
            wrong = f"{name} is on no path"
            say(place, wrong, "add it to the path of its row and of its column, or remove the key")
        elif row is None or column is None:
            kind = "row" if row is None else "column"
            say(place, f"{name} is on no {kind}", f"add it to the path of its {kind}")
        elif (row, column) in taken:
            wrong = f"{name} is on the same crossing as {taken[row, column]}, row {row} and column {column}"
            say(place, wrong, "only one key can be told there: check both paths")
        else:
            taken[row, column] = name


# --- positions ----------------------------------------------------------------------------------


def _number_pair(value: Any) -> tuple[float, float] | None:
    if not (isinstance(value, list) and len(value) == 2):
        return None
    if not all(type(each) in (int, float) and math.isfinite(each) for each in value):
        return None
    return float(value[0]), float(value[1])


def _check_far(place: str, value: Any, say: Say) -> None:
    at = _number_pair(value)
    if at is not None and max(abs(at[0]), abs(at[1])) > FAR_MM:
        say(place, f"{_show(value)} is more than {FAR_MM:g} mm away", "write it in mm")


def _check_positions(keys: Mapping[str, Mapping[str, Any]], say: Say) -> None:
    placed: list[tuple[str, tuple[float, float], float]] = []
    for name, key in keys.items():
        _check_far(f"key.{name}.at", key.get("at"), say)
        size = _number_pair(key.get("size", [18.0, 18.0]))
        if size is not None and not (1.0 <= min(size) and max(size) <= 200.0):
            wrong = f"{_show(key['size'])} is no size of a key"
            say(f"key.{name}.size", wrong, "write width and height in mm, 1 to 200")
            size = None
        turn = key.get("turn", 0.0)
        if type(turn) in (int, float) and math.isfinite(turn) and abs(turn) > 360.0:
            say(f"key.{name}.turn", f"{_show(turn)} is more than a full turn", _HOW["turn"])
        at = _number_pair(key.get("at"))
        if at is None:
            continue
        room = min(CUT_OUT_MM, *(size or (CUT_OUT_MM,)))
        for other, there, its_room in placed:
            apart = math.dist(at, there)
            if apart < (room + its_room) / 2:
                wrong = (
                    f"{name} is at the same place as {other}"
                    if apart < 0.01
                    else f"{name} is {apart:.1f} mm from {other}, too near for two switches"
                )
                say(f"key.{name}.at", wrong, "measure the centres again (mm, x right, y down)")
        placed.append((name, at, room))
