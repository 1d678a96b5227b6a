"""What a board file may say: every mistake becomes one Problem with its place and its mend.

What lives here: checks over the parsed TOML (plain dicts and lists), so that all mistakes of a
file are told at once, also when some part of it has the wrong shape. What does not: fields and
types (shape.py), the models and reading files (__init__.py).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from typing import Any, NamedTuple

from keydiag.board.shape import HOW, Say, near, say_shape, show
from keydiag.chips import Chip, chips
from keydiag.errors import Problem

# A switch body needs a 14 mm square cut-out (common practice, no source), so two centres nearer
# than that cannot both be right, however the keys are turned.
CUT_OUT_MM = 14.0
# No half is this large: a coordinate beyond it was written in another unit.
FAR_MM = 1000.0
# A name must read unambiguously within an address such as "row R2 between L22 and L23".
RESERVED_NAMES = frozenset(
    "row column pin lead between and switch diode joint node ground supply".split()
)
NAME = re.compile(r"[^\W\d_][\w\-]*")


class Found(NamedTuple):
    """One mistake, before file name and line number are known."""

    place: str
    wrong: str
    mend: str


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
        say("format", f"{show(wrote)} is no format this keydiag reads", "write format = 1")
        return found  # a file of another format would only earn misleading complaints
    for complaint in shape:
        say_shape(complaint, say)
    _check_head(data, say)
    rows, columns, keys = (_table(data, kind) for kind in ("row", "column", "key"))
    _check_names(rows, columns, keys, say)
    _check_pins(data.get("chip"), rows, columns, say)
    on: dict[str, dict[str, str]] = {}
    for kind, lines in (("row", rows), ("column", columns)):
        on[kind] = _check_paths(kind, lines, keys, say)
    _check_crossings(keys, on["row"], on["column"], say)
    _check_positions(keys, say)
    return found


def as_problems(found: Iterable[Found], file: str, lines: Mapping[str, int]) -> list[Problem]:
    """Problems in file order, each place with its line number where one is known."""

    def line_of(place: str) -> int:
        """Line of the place, or else of the nearest thing around it that has one; else 0."""
        for end in range(len(place), 0, -1):
            if place[:end] in lines and place[end : end + 1] in ("", ".", "["):
                return lines[place[:end]]
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
        say("name", "is empty", HOW["name"])
    elif isinstance(name, str) and not name.isprintable():
        say("name", "holds a line break or another control character", "write it on one line")
    for kind in ("row", "column", "key"):
        if data.get(kind) == {}:
            say(kind, f"there is no {kind}", HOW[kind])
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
                wrong = f"{show(name)} cannot be a name"
                say(place, wrong, "start with a letter, go on with letters, digits, - or _")
            elif name.lower() in RESERVED_NAMES:
                wrong = f'"{name}" is a word of the addresses and cannot be a name'
                say(place, wrong, f"call it {name}1 or the like")
    seen: dict[str, str] = {}
    for kind, names in (("row", rows), ("column", columns)):
        for name in names:
            if name.lower() in seen:
                wrong = f'"{name}" is the name of {seen[name.lower()]} as well'
                say(f"{kind}.{name}", wrong, "give every row and column a name of its own")
            seen.setdefault(name.lower(), f"{kind} {name}")
    seen = {}
    for name in keys:
        if name.lower() in seen:
            wrong = f'"{name}" and "{seen[name.lower()]}" differ in capitals only'
            say(f"key.{name}", wrong, "give every key a name of its own")
        seen.setdefault(name.lower(), name)


def _check_pins(
    chip_name: Any, rows: Mapping[str, Any], columns: Mapping[str, Any], say: Say
) -> None:
    chip: Chip | None = None
    if isinstance(chip_name, str):
        chip = chips().get(chip_name)
        if chip is None:
            say("chip", f'unknown chip "{chip_name}"', near(chip_name, chips(), "known chips"))
    taken = {
        line.get("pin")
        for lines in (rows, columns)
        for line in lines.values()
        if isinstance(line.get("pin"), str)
    }
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
                    say(place, f'the {chip.name} has no pin "{pin}"', _near_pin(pin, chip, taken))
            if pin in used:
                wrong = f"{pin} is already the pin of {used[pin]}"
                say(place, wrong, "write the pin each lead really goes to")
            used.setdefault(pin, f"{kind} {name}")


def _near_pin(pin: str, chip: Chip, taken: Set[str]) -> str:
    """A mend for a pin the chip does not have: the same in capitals, or what is free."""
    word = pin.strip().upper()
    if word in chip.ports:
        return f'did you mean "{word}"?'
    # Those of the same port first: a slip of the digit is likelier than one of the letter.
    free = [port for port in chip.ports if port not in taken]
    free.sort(key=lambda port: port[:2] != word[:2])
    return f"free pins: {', '.join(free[:8])}{', ...' if len(free) > 8 else ''}"


# --- paths --------------------------------------------------------------------------------------


def _check_paths(
    kind: str, lines: Mapping[str, Any], keys: Mapping[str, Any], say: Say
) -> dict[str, str]:
    """Check every path of one kind of line; returns key -> the line it stands on."""
    on: dict[str, str] = {}
    first_at: dict[str, str] = {}
    named = {
        item
        for line in lines.values()
        if isinstance(line.get("path"), list)
        for _, _, item in _steps(line["path"], "", _silent)
        if isinstance(item, str)
    }
    homeless = [key for key in keys if key not in named]
    for name, line in lines.items():
        place = f"{kind}.{name}.path"
        path = line.get("path")
        if "path" not in line:
            continue
        if not isinstance(path, list):
            say(place, f"cannot be {show(path)}", HOW["path"])
            continue
        if not path:
            say(place, "is empty", f"name the keys on {kind} {name}, or remove the {kind}")
        stretches: set[frozenset[str]] = set()
        for where, parent, item in _steps(path, place, say):
            if not isinstance(item, str):
                say(where, f"cannot be {show(item)}", "a path holds key names and branches")
                continue
            if parent is not None:
                stretches.add(frozenset((parent, item)))
            if item not in keys:
                mend = near(
                    item, homeless or keys, f"keys on no {kind} yet" if homeless else "keys"
                )
                say(where, f'no key is called "{item}"', mend)
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


def _silent(place: str, wrong: str, mend: str) -> None:
    """A ``Say`` for a second look at what another look tells already."""


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


def _check_splices(place: str, splices: Any, stretches: set[frozenset[str]], say: Say) -> None:
    if splices is None:
        return
    if not isinstance(splices, list):
        say(place, f"cannot be {show(splices)}", HOW["splice"])
        return
    seen: set[frozenset[str]] = set()
    for index, pair in enumerate(splices):
        where = f"{place}[{index}]"
        if not (
            isinstance(pair, list) and len(pair) == 2 and all(isinstance(k, str) for k in pair)
        ):
            say(where, f"cannot be {show(pair)}", HOW["splice"])
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
    say: Say,
) -> None:
    taken: dict[tuple[str, str], str] = {}
    lacking: dict[str, list[str]] = {"path": [], "row": [], "column": []}
    for name in keys:
        row, column = row_of.get(name), column_of.get(name)
        if row is None or column is None:
            lacking["row" if column else "column" if row else "path"].append(name)
        elif (row, column) in taken:
            wrong = (
                f"{name} is on the same crossing as {taken[row, column]}, "
                f"row {row} and column {column}"
            )
            say(f"key.{name}", wrong, "they cannot be told apart: check both paths")
        else:
            taken[row, column] = name
    for kind, names in lacking.items():
        mend = f"to the path of its {kind}"
        if kind == "path":
            mend = "to the path of its row and to that of its column, or remove it"
        if len(names) <= 3:
            for name in names:
                say(f"key.{name}", f"{name} is on no {kind}", f"add it {mend}")
        else:  # one mistake on a line, most likely
            which = f"{', '.join(names[:8])}{', ...' if len(names) > 8 else ''}"
            wrong = f"{len(names)} keys are on no {kind}: {which}"
            say(f"key.{names[0]}", wrong, f"add each {mend}")


# --- positions ----------------------------------------------------------------------------------


def _number_pair(value: Any) -> tuple[float, float] | None:
    if not (isinstance(value, list) and len(value) == 2):
        return None
    if not all(_is_number(each) for each in value):
        return None
    return float(value[0]), float(value[1])


def _is_number(value: Any) -> bool:
    """True for a finite number that fits a float (TOML integers have no limit here)."""
    return type(value) in (int, float) and -1e300 < value < 1e300


def _check_far(place: str, value: Any, say: Say) -> None:
    at = _number_pair(value)
    if at is not None and max(abs(at[0]), abs(at[1])) > FAR_MM:
        say(place, f"{show(value)} is more than {FAR_MM:g} mm away", "write it in mm")


def _check_positions(keys: Mapping[str, Mapping[str, Any]], say: Say) -> None:
    placed: list[tuple[str, tuple[float, float], float]] = []
    for name, key in keys.items():
        _check_far(f"key.{name}.at", key.get("at"), say)
        size = _number_pair(key.get("size", [18.0, 18.0]))
        if size is not None and not (1.0 <= min(size) and max(size) <= 200.0):
            wrong = f"{show(key['size'])} is no size of a key"
            say(f"key.{name}.size", wrong, "write width and height in mm, 1 to 200")
            size = None
        turn = key.get("turn", 0.0)
        if _is_number(turn) and abs(turn) > 360.0:
            say(f"key.{name}.turn", f"{show(turn)} is more than a full turn", HOW["turn"])
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
