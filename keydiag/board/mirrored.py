"""The other half as a board file: the mirror image, on a controller of its own.

What lives here: the mirror image (board.mirror) with other pins, chip or key names, and the table
of pins that says so. The wiring stays: the same keys in the same order on the same lines.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping
from typing import Any

from keydiag.board import Board, dumps, loads, mirror
from keydiag.board.new import HEAD, REMARKS, Plan, chip_of, choose_pins
from keydiag.errors import BoardError, Problem, UsageError


def other_half(
    board: Board,
    *,
    name: str | None = None,
    chip: str | None = None,
    pins: Mapping[str, str] | None = None,
    rename: tuple[str, str] | None = None,
) -> Board:
    """The half for the other hand.

    Args:
        board: the half to mirror.
        name: what to call it; None exchanges "left" and "right" in the name.
        chip: its chip, if it is another one. Without ``pins`` free pins of it are chosen then.
        pins: line -> port on the other controller; a line that is not named keeps its port.
        rename: (old, new) beginning of the key names, e.g. ("L", "K").

    Raises:
        UsageError: the chip, a line of the pin table or the renaming means nothing here.
        BoardError: what comes out cannot be, e.g. two leads on one pin.
    """
    half = mirror(board)
    if name is not None:
        half = half.model_copy(update={"name": name})
    table = dict(pins or {})
    lines = [*board.row, *board.column]
    for line in table:
        if line not in lines:
            raise UsageError(f"pins: there is no line {line}; lines: {', '.join(lines)}")
    if chip is not None and chip != board.chip:
        half = half.model_copy(update={"chip": chip})
        plan = Plan(half.name, 0, 0, chip=chip, cathode_at=half.cathode_at)
        known = chip_of(plan)
        if not table:
            rows, columns = choose_pins(plan, known, len(half.row), len(half.column))
            table = dict(zip(lines, rows + columns, strict=True))
    update = {
        side: {
            line: wire.model_copy(update={"pin": table.get(line, wire.pin)})
            for line, wire in group.items()
        }
        for side, group in (("row", half.row), ("column", half.column))
    }
    half = half.model_copy(update=update)
    if rename is not None:
        half = _renamed(half, *rename)
    return loads(dumps(half), half.name)  # nothing leaves here that the check would refuse


def _renamed(board: Board, old: str, new: str) -> Board:
    other = {key: new + key.removeprefix(old) for key in board.key if key.startswith(old)}
    if not other:
        raise UsageError(f'rename: no key name begins with "{old}"')
    names = [other.get(key, key) for key in board.key]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise UsageError(f'rename: two keys would be called "{twice}"')

    def path(items: Iterable[Any]) -> list[Any]:
        return [other.get(i, i) if isinstance(i, str) else path(i) for i in items]

    update: dict[str, Any] = {
        side: {
            name: line.model_copy(
                update={
                    "path": path(line.path),
                    "splice": [tuple(path(pair)) for pair in line.splice],
                }
            )
            for name, line in group.items()
        }
        for side, group in (("row", board.row), ("column", board.column))
    }
    update["key"] = dict(zip(names, board.key.values(), strict=True))
    return board.model_copy(update=update)


def pin_table(one: Board, two: Board) -> list[tuple[str, str, str]]:
    """(line, its port on the one half, its port on the other) in file order."""
    return [
        (f"{side} {name}", line.pin, other[name].pin)
        for side, group, other in (
            ("row", one.row, two.row),
            ("column", one.column, two.column),
        )
        for name, line in group.items()
    ]


def text_of(half: Board, original: Board) -> str:
    """The mirrored half as a commented board file, with the pins of both halves."""
    width = max(len(line) for line, _, _ in pin_table(original, half))
    table = "\n".join(
        f"{line:<{width}}  {before:<5} {after}" for line, before, after in pin_table(original, half)
    )
    head = HEAD.format(name=half.name).replace(
        "written by keydiag as a start:", f"the mirror image of {original.name}:"
    )
    heading = f"{'line':<{width}}  there here"
    return dumps(half, {"": f"{head}\n\n{heading}\n{table}", **REMARKS})


def pins_from_csv(text: str, file: str = "pins") -> dict[str, str]:
    """Line -> port from a table of two columns, ``line,pin``, commas, semicolons or tabs.

    Raises:
        BoardError: every problem of the table, with its line.
    """
    pins: dict[str, str] = {}
    problems: list[Problem] = []
    for number, row in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        mark = max(";\t,", key=row.count)
        fields = [each.strip() for each in next(csv.reader([row], delimiter=mark), [])]
        if not any(fields) or fields[0].startswith("#"):
            continue
        if [each.lower() for each in fields[:2]] == ["line", "pin"]:
            continue
        if len(fields) != 2 or not all(fields):
            mend = "write a line and its pin, like R1,PD1"
            problems.append(Problem(file, f"line {number}", "is no line and pin", mend))
            continue
        name = re.sub(r"^(row|column)\s+", "", fields[0])
        if name in pins:
            mend = "each line has one pin"
            problems.append(Problem(file, f"line {number}", f"{name} is there twice", mend))
        pins[name] = fields[1]
    if not pins and not problems:
        problems.append(Problem(file, "", "there is no pin in it", "write lines like R1,PD1"))
    if problems:
        raise BoardError(problems)
    return pins
