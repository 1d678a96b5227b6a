"""The half as written in its board file (TOML, format 1): load, save, walk.

What lives here: the models of the file, reading and writing it, and the few questions that can
be answered from the file alone (in which order does a line visit its keys, which crossing is a
key on). What does not: the checks of what a file may say (board/check.py), nets and conduction
(circuit/), pictures (drawing/).

The matrix is not written down in a board file. A key's crossing follows from the two paths it
stands on, so it cannot contradict the wiring.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from os import PathLike
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from keydiag import resources
from keydiag.board import check as board_check
from keydiag.board.places import find_places
from keydiag.errors import BoardError, Problem

PITCH_MM = 19.05  # the trade's key pitch, 0.75 inch exactly (common practice, no source)
LONGEST_FILE = 1_000_000  # bytes; a half of 45 keys needs about 5,000, so this is no board file
CAP_MM = 18.0  # side of the square a key cap covers at that pitch (common practice, no source)

Side = Literal["row", "column"]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]  # strict: "3" is no number


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Key(_Model):
    """One key: where it sits on the plate."""

    at: tuple[Number, Number]
    """Centre in mm, seen from the top (the key side), x to the right, y down."""
    turn: Number = 0.0
    """Degrees, clockwise as seen from the top."""
    size: tuple[Number, Number] = (CAP_MM, CAP_MM)
    """Width and height of the cap in mm, before it is turned."""
    legend: str = ""
    """What the builder calls the key; only ever shown."""


class Line(_Model):
    """One row wire or column wire, with the lead to its pin."""

    pin: str
    """Port name of the controller pin, as in the chip's datasheet: ``"PD3"``."""
    style: Literal["chain", "through"]
    """``chain``: legs soldered one to the next, a bad joint cuts off the rest; ``through``: one
    continuous wire, it cannot."""
    path: list[str | list[Any]]
    """Keys in wiring order from the lead outward; a nested list is a branch that hangs off the
    key written before it."""
    splice: list[tuple[str, str]] = []
    """Stretches made with an offcut of wire, so with two joints, as pairs of neighbours."""


class Controller(_Model):
    """Where the controller sits, for the picture."""

    at: tuple[Number, Number]
    """Centre in mm, in the coordinates of the keys. The leads are drawn from here."""


class Board(_Model):
    """One half: one physical unit with one controller."""

    format: Literal[1]
    name: str
    chip: str
    cathode_at: Side
    """On every key, the side of the crossing the diode's cathode (the band) looks to."""
    diode_side: Side
    """On every key, the side of the switch on which the diode sits."""
    controller: Controller | None = None
    row: dict[str, Line]
    column: dict[str, Line]
    key: dict[str, Key]
    """Keys in file order, which is also the order of the sweep."""


def load(path: str | PathLike[str]) -> Board:
    """Read a board file.

    Raises:
        BoardError: the file cannot be read, or says something that cannot be; it carries every
            problem found.
    """
    name = str(path)
    try:
        with Path(path).open("rb") as file:
            raw = file.read(LONGEST_FILE + 1)
    except (OSError, ValueError) as error:  # ValueError: a name no file can have
        why = getattr(error, "strerror", None) or error
        mend = "check the name and the permissions"
        raise BoardError([Problem(name, "", f"cannot be read ({why})", mend)]) from error
    if len(raw) > LONGEST_FILE:
        mend = "name a board file (TOML)"
        raise BoardError([Problem(name, "", "is too large to be a board file", mend)])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        mend = "save the file as UTF-8"
        raise BoardError([Problem(name, f"line {line}", "is not UTF-8 text", mend)]) from error
    return loads(text, name)


def loads(text: str, name: str = "board") -> Board:
    """Read a board from TOML text; ``name`` is what the problems call the file.

    Raises:
        BoardError: see ``load``.
    """
    if not text.strip():
        mend = "start one with: keydiag board new"
        raise BoardError([Problem(name, "", "the file is empty", mend)])
    try:
        data = tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, and int()'s refusal of thousands of digits
        raise BoardError([_not_toml(name, str(error))]) from error
    except RecursionError as error:
        mend = "a branch of a branch of a branch is plenty"
        raise BoardError([Problem(name, "", "lists are nested too deeply", mend)]) from error

    board: Board | None = None
    shape: list[dict[str, Any]] = []
    try:
        board = Board.model_validate(data)
    except ValidationError as error:
        shape = [dict(each) for each in error.errors(include_url=False)]
    found = board_check.problems(data, shape)
    if found or board is None:
        lines = find_places(text)
        raise BoardError(board_check.as_problems(found, name, lines))
    return board


def example(name: str) -> Board:
    """A board that ships with keydiag: ``"bramblewick-left"`` or ``"bramblewick-right"``."""
    return load(resources.fixture(f"{name}.toml"))


def walk(path: list[Any], parent: str | None = None) -> Iterator[tuple[str | None, str]]:
    """Yield (parent, key) in path order; the parent is None where the lead arrives.

    A nested list is a branch off the key written before it, and the path goes on from that same
    key: ``["L11", ["L21", "L22"], "L12"]`` gives (None, L11), (L11, L21), (L21, L22), (L11, L12).
    """
    here = parent
    for item in path:
        if isinstance(item, str):
            yield here, item
            here = item
        else:
            yield from walk(item, here)


def crossing(board: Board, key: str) -> tuple[str, str]:
    """The (row name, column name) a key closes; KeyError if it is not on the board."""
    return crossings(board)[key]


def crossings(board: Board) -> dict[str, tuple[str, str]]:
    """Key -> the (row name, column name) it closes, for every key, in board order."""
    row_of = {key: name for name, line in board.row.items() for key in keys_of(line)}
    column_of = {key: name for name, line in board.column.items() for key in keys_of(line)}
    return {key: (row_of[key], column_of[key]) for key in board.key}


def keys_of(line: Line) -> tuple[str, ...]:
    """The keys a line visits, in path order, branches included."""
    return tuple(key for _, key in walk(line.path))


def mirror(board: Board) -> Board:
    """The other hand's half: the same half seen in a mirror, pins and paths as they are.

    Places and turns change sign, and "left" and "right" change places in the name; mirroring
    twice gives the same board.
    """

    def flip(at: tuple[float, float]) -> tuple[float, float]:
        return 0.0 - at[0], at[1]  # not -x: that would make minus zero of zero

    keys = {
        name: key.model_copy(update={"at": flip(key.at), "turn": 0.0 - key.turn})
        for name, key in board.key.items()
    }
    other = {"left": "right", "right": "left", "Left": "Right", "Right": "Left"}
    name = re.sub(r"\b([Ll]eft|[Rr]ight)\b", lambda match: other[match[0]], board.name)
    update: dict[str, Any] = {"name": name, "key": keys}
    if board.controller is not None:
        update["controller"] = Controller(at=flip(board.controller.at))
    return board.model_copy(update=update)


def dumps(board: Board, comments: Mapping[str, str] | None = None) -> str:
    """TOML text that ``loads`` turns back into the same board. Defaults are left out.

    Args:
        board: the half.
        comments: remarks to write above the file (``""``) or above the first ``"controller"``,
            ``"row"``, ``"column"`` or ``"key"`` table; they may have several lines.
    """
    remarks = dict(comments or {})

    def remark(where: str) -> list[str]:
        lines = remarks.pop(where, "").splitlines()
        plain = ["".join(c for c in line if c.isprintable()) for line in lines]  # as TOML wants
        return [f"# {line}".rstrip() for line in plain] + [""] if lines else []

    out = remark("") + [
        f"format = {board.format}",
        f"name = {_string(board.name)}",
        f"chip = {_string(board.chip)}",
        f"cathode_at = {_string(board.cathode_at)}",
        f"diode_side = {_string(board.diode_side)}",
    ]
    if board.controller is not None:
        out += ["", *remark("controller"), "[controller]", f"at = {_array(board.controller.at)}"]
    for kind, lines in (("row", board.row), ("column", board.column)):
        for name, line in lines.items():
            out += ["", *remark(kind), f"[{kind}.{_bare(name)}]", f"pin = {_string(line.pin)}"]
            out += [f"style = {_string(line.style)}", f"path = {_array(line.path)}"]
            if line.splice:
                out.append(f"splice = {_array(line.splice)}")
    for name, key in board.key.items():
        out += ["", *remark("key"), f"[key.{_bare(name)}]", f"at = {_array(key.at)}"]
        if key.turn != 0.0:
            out.append(f"turn = {key.turn!r}")
        if key.size != (CAP_MM, CAP_MM):
            out.append(f"size = {_array(key.size)}")
        if key.legend:
            out.append(f"legend = {_string(key.legend)}")
    return "\n".join(out) + "\n"


def _array(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_array(item) for item in value) + "]"
    return _string(value) if isinstance(value, str) else repr(value)


def _string(text: str) -> str:
    """A TOML basic string."""
    short = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    return (
        '"'
        + "".join(
            short.get(c) or (f"\\u{ord(c):04x}" if ord(c) < 0x20 or ord(c) == 0x7F else c)
            for c in text
        )
        + '"'
    )


def _bare(name: str) -> str:
    """A TOML key: bare where TOML allows it, quoted otherwise."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _string(name)


def _not_toml(name: str, message: str) -> Problem:
    """A Problem for what tomllib says, e.g. "Invalid value (at line 3, column 5)"."""
    match = re.fullmatch(r"(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)", message)
    said, line, column = match.groups() if match else (message, None, None)
    place = f"line {line}, column {column}" if line else "end of the file"
    said = re.sub(r"\(('[^()]*?'),?\)", lambda m: ".".join(re.findall("'([^']*)'", m[1])), said)
    mend = "look for a missing quote, bracket, comma or = there or just before"
    if re.search(r"twice|overwrite|already|mutate|redefine", said, re.IGNORECASE):
        mend = "the same name is written a second time: rename or remove one of them"
    if "integer string conversion" in said:
        place, said, mend = "", "a number has thousands of digits", "write it in mm"
    return Problem(name, place, f"not TOML: {said[:1].lower()}{said[1:]}", mend)
