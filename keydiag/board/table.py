"""A first board file from a table: the spreadsheet of keys that a builder keeps anyway.

What lives here: a table (CSV) to commented TOML text that passes the check, and a board back to
such a table. What does not: boards from a few figures, and the choice of pins (board/new.py).

The table has one key per line, its first line names the columns:

    key, x, y, row, column      name, centre in mm (x right, y down, seen from the top), lines
    turn, width, height         degrees clockwise, cap in mm; optional
    legend                      what the builder calls the key; optional
    order                       place in the wiring, from the lead outward; optional
    row_order, column_order     the same where one number does not do for both lines; optional
    row_pin, column_pin         the port of the key's row and of its column; optional

``order`` may count through the whole half, or along each line. Where the numbers on a line all
differ they are its path; where they do not (counted along the rows, columns have ties), and where
there are none, rows are strung from the end at which their leads arrive, columns from the top
down. The keys are swept in the order of the table.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from keydiag.board import CAP_MM, Board, Key, crossings, keys_of
from keydiag.board.new import Plan, chip_of, write_board
from keydiag.errors import BoardError, Problem

_NEEDED = ("key", "x", "y", "row", "column")
_PLACES = ("x", "y", "turn", "width", "height")
_ORDERS = ("order", "row_order", "column_order")
_OPTIONAL = ("turn", "width", "height", "legend", *_ORDERS, "row_pin", "column_pin")


@dataclass(frozen=True)
class _Record:
    """One line of the table that made sense."""

    line: int
    name: str
    key: Key
    on: dict[str, str]  # "row" and "column" -> name of the line
    order: dict[str, float]  # "row" and "column" -> place in its path, if given
    pin: dict[str, str]  # the same -> port, if given


def from_csv(text: str, plan: Plan, file: str = "table") -> str:
    """Commented TOML text from a table with one key per line, which passes the check.

    Commas, semicolons or tabs part the fields; with semicolons or tabs, numbers may have a decimal
    comma.

    Args:
        text: the table.
        plan: name, chip, diodes, lead and pins; its rows, columns, stagger and thumbs are unused.
            Its pins, if given, come before those of the table.
        file: what problems call the table.

    Raises:
        BoardError: every problem of the table, with its line.
        UsageError: the plan's chip or pins make no sense.
    """
    chip = chip_of(plan)
    problems: list[Problem] = []
    records: dict[str, _Record] = {}
    for number, fields in _records(text, file, _NEEDED, _OPTIONAL):
        record = _read(fields, number, file, problems)
        if record is None:
            continue
        if record.name in records:
            wrong = f'"{record.name}" stands on line {records[record.name].line} as well'
            problems.append(Problem(file, f"line {number}", wrong, "name each key once"))
            continue
        records[record.name] = record
    if not records and not problems:
        problems.append(Problem(file, "", "there is no key in it", "write one line per key"))
    pins = {side: _pins_of(side, records.values(), file, problems) for side in ("row", "column")}
    if problems:
        raise BoardError(problems)
    on_row, on_column = (_paths(plan, side, records) for side in ("row", "column"))
    if pins["row"] and not plan.row_pins:
        plan = replace(plan, row_pins=tuple(pins["row"][name] for name in on_row))
    if pins["column"] and not plan.column_pins:
        plan = replace(plan, column_pins=tuple(pins["column"][name] for name in on_column))
    try:
        keys = {name: record.key for name, record in records.items()}
        return write_board(plan, chip, keys, on_row, on_column)
    except BoardError as error:  # say where in the table, not where in the text it would give
        lines = {name: record.line for name, record in records.items()}
        raise BoardError(_in_table(error.problems, file, lines)) from error


def keys_from_csv(text: str, file: str = "table") -> dict[str, Key]:
    """Only the keys and their places, from the same table; rows, columns and order may be missing.

    Raises:
        BoardError: every problem of the table, with its line.
    """
    problems: list[Problem] = []
    keys: dict[str, Key] = {}
    everything = ("row", "column", *_OPTIONAL)
    for number, fields in _records(text, file, ("key", "x", "y"), everything):
        key = _read_key(fields, f"line {number}", file, problems, ("key",))
        if key is not None and fields["key"] in keys:
            wrong = f'"{fields["key"]}" is there twice'
            problems.append(Problem(file, f"line {number}", wrong, "name each key once"))
        elif key is not None:
            keys[fields["key"]] = key
    if not keys and not problems:
        problems.append(Problem(file, "", "there is no key in it", "write one line per key"))
    if problems:
        raise BoardError(problems)
    return keys


def to_csv(board: Board) -> str:
    """A board as such a table. Branches, splices and how lines are made have no place in it."""
    on = crossings(board)
    place = {
        side: {key: n for line in group.values() for n, key in enumerate(keys_of(line), start=1)}
        for side, group in (("row", board.row), ("column", board.column))
    }
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ["key", "x", "y", "turn", "width", "height", "legend", "row", "column"]
        + ["row_order", "column_order", "row_pin", "column_pin"]
    )
    for name, key in board.key.items():
        row, column = on[name]
        writer.writerow(
            [name, *key.at, key.turn, *key.size, key.legend, row, column]
            + [place["row"][name], place["column"][name]]
            + [board.row[row].pin, board.column[column].pin]
        )
    return out.getvalue()


# --- reading ------------------------------------------------------------------------------------


def _records(
    text: str, file: str, needed: tuple[str, ...], optional: tuple[str, ...]
) -> list[tuple[int, dict[str, str]]]:
    """(line number, column name -> field) of every line that is not empty."""
    rows = text.lstrip("\ufeff").splitlines()
    start = next((i for i, row in enumerate(rows) if row.strip()), None)
    if start is None:
        mend = f"start with a line: {','.join(needed)}"
        raise BoardError([Problem(file, "", "the table is empty", mend)])
    mark = max(";\t,", key=rows[start].count)
    reader = csv.reader(rows[start:], delimiter=mark, skipinitialspace=True)
    try:
        table = [(start + reader.line_num, [each.strip() for each in row]) for row in reader]
    except csv.Error as error:
        mend = "look for a missing quote there"
        where = f"line {start + reader.line_num}"
        raise BoardError([Problem(file, where, f"not CSV: {error}", mend)]) from error
    names = [each.lower() for each in table[0][1]]
    place = f"line {start + 1}"
    found = [
        Problem(file, place, f'column "{each}" is missing', f"needed: {', '.join(needed)}")
        for each in needed
        if each not in names
    ]
    for each in dict.fromkeys(names):
        if each not in needed + optional:
            mend = f"known: {', '.join(needed + optional)}"
            found.append(Problem(file, place, f'unknown column "{each}"', mend))
        elif names.count(each) > 1:
            found.append(Problem(file, place, f'column "{each}" twice', "name each column once"))
    if found:
        raise BoardError(found)
    comma = mark != ","
    return [
        (number, {name: _plain(name, each, comma) for name, each in zip(names, row, strict=False)})
        for number, row in table[1:]
        if any(row)
    ]


def _plain(name: str, value: str, decimal_comma: bool) -> str:
    return value.replace(",", ".") if name in _PLACES + _ORDERS and decimal_comma else value


def _read(
    fields: Mapping[str, str], number: int, file: str, problems: list[Problem]
) -> _Record | None:
    """One line of the table, or None after telling what is wrong with it."""
    before = len(problems)
    place = f"line {number}"
    key = _read_key(fields, place, file, problems, ("key", "row", "column"))
    order: dict[str, float] = {}
    for name in _ORDERS:
        value = fields.get(name, "")
        if not value:
            continue
        figure = _number(value)
        if figure is None:
            wrong = f'{name} cannot be "{value}"'
            problems.append(Problem(file, place, wrong, "write a whole number, like 3"))
            continue
        for side in ("row", "column"):
            if name in ("order", f"{side}_order"):  # the exact one comes later and stands
                order[side] = figure
    if key is None or len(problems) > before:
        return None
    pins = {side: fields.get(f"{side}_pin", "") for side in ("row", "column")}
    return _Record(
        number,
        fields["key"],
        key,
        {side: fields[side] for side in ("row", "column")},
        order,
        {side: pin for side, pin in pins.items() if pin},
    )


def _read_key(
    fields: Mapping[str, str],
    place: str,
    file: str,
    problems: list[Problem],
    needed: tuple[str, ...],
) -> Key | None:
    before = len(problems)
    for name in needed:
        if not fields.get(name):
            problems.append(Problem(file, place, f"{name} is missing", f"write its {name} name"))
    figures: dict[str, float] = {"turn": 0.0, "width": CAP_MM, "height": CAP_MM}
    for name in _PLACES:
        value = fields.get(name, "")
        if not value and name in figures:
            continue
        figure = _number(value)
        if figure is None:
            wrong = f'{name} cannot be "{value}"'
            problems.append(Problem(file, place, wrong, "write a number, like 19.05"))
            figure = 0.0
        figures[name] = figure
    if len(problems) > before:
        return None
    parts: dict[str, Any] = {"at": (figures["x"], figures["y"]), "turn": figures["turn"]}
    parts["size"] = (figures["width"], figures["height"])
    return Key(**parts, legend=fields.get("legend", ""))


def _number(value: str) -> float | None:
    try:
        figure = float(value)
    except ValueError:
        return None
    return figure if math.isfinite(figure) else None


# --- from keys to lines -------------------------------------------------------------------------


def _pins_of(
    side: str, records: Iterable[_Record], file: str, problems: list[Problem]
) -> dict[str, str]:
    """Line -> port, from the pins its keys give; empty if no key gives one."""
    pins: dict[str, str] = {}
    given_on: dict[str, int] = {}
    lines: dict[str, int] = {}
    for record in records:
        name = record.on[side]
        lines.setdefault(name, record.line)
        pin = record.pin.get(side)
        if pin is None:
            continue
        if pins.setdefault(name, pin) != pin:
            wrong = f"{side} {name} is on {pin} here and on {pins[name]} on line {given_on[name]}"
            mend = f"a {side} has one pin: write the one its lead goes to"
            problems.append(Problem(file, f"line {record.line}", wrong, mend))
        given_on.setdefault(name, record.line)
    if pins:
        for name in lines:
            if name not in pins:
                wrong = f"no key on {side} {name} says its pin, other {side}s have one"
                mend = f"write {side}_pin for one key of each {side}, or for none"
                problems.append(Problem(file, f"line {lines[name]}", wrong, mend))
    return pins


def _paths(plan: Plan, side: str, records: Mapping[str, _Record]) -> dict[str, list[str]]:
    """Line -> its keys from the lead outward, lines in the order in which the table names them."""
    lines: dict[str, list[str]] = {}
    for name, record in records.items():
        lines.setdefault(record.on[side], []).append(name)
    sign = -1.0 if plan.lead == "right" else 1.0
    for names in lines.values():
        numbers = {records[name].order.get(side) for name in names}
        if None not in numbers and len(numbers) == len(names):
            names.sort(key=lambda name: records[name].order[side])
        elif side == "row":
            names.sort(key=lambda name: sign * records[name].key.at[0])
        else:
            names.sort(key=lambda name: records[name].key.at[1])
    return lines


def _in_table(
    problems: Iterable[Problem], file: str, lines: Mapping[str, int]
) -> Iterable[Problem]:
    for problem in problems:
        place = problem.place.rsplit(" (line ", 1)[0]
        for key, line in lines.items():
            if place == f"key.{key}" or place.startswith((f"key.{key}.", f"key.{key}[")):
                place = f"line {line}"
                break
        yield Problem(file, place, problem.wrong, problem.mend)
