"""A first board file from a few figures: rows, columns, stagger, thumb keys.

What lives here: pure functions from a few figures to commented TOML text that passes the check,
ready to be corrected by the builder, and the choice of pins. What does not: the same from a table
of keys (table.py), reading and checking board files (__init__.py, check.py), asking the questions
(the command line).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from keydiag.board import PITCH_MM, Board, Controller, Key, Line, Side, dumps, loads
from keydiag.board.odd import side_by_side
from keydiag.chips import Chip, chips
from keydiag.errors import UsageError

HEAD = """\
{name}, written by keydiag as a start: correct what is different on your half.
Check it with: keydiag board check FILE      See it with: keydiag board draw FILE

cathode_at  where the dark band of every diode looks to: "row" or "column"
diode_side  on which side of the switch the diode sits"""
REMARKS = {
    "row": """\
One table per row wire.
pin    port the lead is soldered to, by its name in the chip's datasheet
style  "chain": legs soldered one to the next; "through": one continuous wire
path   the keys in wiring order, from the lead outward; a nested list is a branch, for example
       path = ["L12", ["L11"], "L13"] if the lead arrives at L12 and the wire goes both ways
splice stretches made with an offcut of wire, for example splice = [["L12", "L13"]]""",
    "column": "One table per column wire, written in the same way.",
    "key": """\
One table per key, in the order in which they are pressed in a sweep.
at     centre in mm, seen from the top, x to the right, y down
turn   degrees, clockwise
size   width and height of the cap in mm, if it is not 18 x 18
legend what you call the key""",
}


@dataclass(frozen=True)
class Plan:
    """What a grid of keys needs to be known about; every length in mm, every turn in degrees."""

    name: str
    rows: int
    columns: int
    chip: str = "atmega32u4"
    stagger: tuple[float, ...] = ()
    """How far down each column is shifted; empty for none."""
    thumbs: tuple[float, ...] = ()
    """Turn of each thumb key, clockwise; they stand on a row of their own, side by side in a fan
    below the last columns (or from ``thumb_column`` on)."""
    thumb_column: int | None = None
    """Column of the first thumb key, counted from 1; None puts them below the last columns."""
    pitch: float = PITCH_MM
    cathode_at: Side = "row"
    diode_side: Side = "row"
    prefix: str = "L"
    """Keys are called prefix, row, column: L23."""
    lead: Literal["left", "right"] = "right"
    """The end of the rows at which their leads arrive, seen from the top."""
    row_pins: tuple[str, ...] = ()
    column_pins: tuple[str, ...] = ()
    controller: tuple[float, float] | None = None
    """Where the controller sits, for the picture; None leaves it out."""


def new_board(plan: Plan) -> str:
    """Commented TOML text of a grid of keys with thumb keys, which passes the check.

    Raises:
        UsageError: a figure of the plan makes no sense; says which.
        BoardError: the names or places that follow from the plan cannot be.
    """
    chip = check_plan(plan)
    wide = max(plan.rows + 1, plan.columns) > 9  # L1-11 and not L111

    def name(row: int, column: int) -> str:
        return f"{plan.prefix}{row}{'-' if wide else ''}{column}"

    stagger = plan.stagger or (0.0,) * plan.columns
    keys: dict[str, Key] = {}
    on_row: dict[str, list[str]] = {}
    on_column: dict[str, list[str]] = {f"C{column}": [] for column in range(1, plan.columns + 1)}

    def add(row: int, column: int, at: tuple[float, float], turn: float = 0.0) -> None:
        key = name(row, column)
        keys[key] = Key(at=(round(at[0], 2), round(at[1], 2)), turn=turn)
        on_row.setdefault(f"R{row}", []).append(key)
        on_column[f"C{column}"].append(key)

    for row in range(1, plan.rows + 1):
        for column in range(1, plan.columns + 1):
            x, y = (column - 1) * plan.pitch, (row - 1) * plan.pitch
            add(row, column, (x, y + stagger[column - 1]))
    first = plan.thumb_column or plan.columns - len(plan.thumbs) + 1
    bottoms = [(plan.rows - 1) * plan.pitch + each for each in stagger]
    for index, at in enumerate(_fan(plan, first, bottoms)):
        add(plan.rows + 1, first + index, at, float(plan.thumbs[index]))
    if plan.lead == "right":
        on_row = {row: names[::-1] for row, names in on_row.items()}
    return write_board(plan, chip, keys, on_row, on_column)


def check_plan(plan: Plan) -> Chip:
    """The chip of a plan for ``new_board``; UsageError if a figure of it makes no sense."""
    for what, count in (("rows", plan.rows), ("columns", plan.columns)):
        if not 1 <= count <= 30:
            raise UsageError(f"{what}: {count} cannot be; give 1 to 30")
    if plan.stagger and len(plan.stagger) != plan.columns:
        raise UsageError(
            f"stagger: {len(plan.stagger)} figures for {plan.columns} columns; give one each"
        )
    if len(plan.thumbs) > plan.columns:
        raise UsageError(
            f"thumbs: {len(plan.thumbs)} keys on {plan.columns} columns; at most one on each"
        )
    last = plan.columns - len(plan.thumbs) + 1
    if plan.thumb_column is not None and not 1 <= plan.thumb_column <= last:
        raise UsageError(f"thumb column: {plan.thumb_column} cannot be; give 1 to {last}")
    if not 15.0 <= plan.pitch <= 60.0:  # a switch body is 14 mm wide (common practice)
        raise UsageError(f"pitch: {plan.pitch:g} mm cannot be; give 15 to 60, usual is {PITCH_MM}")
    for what, figures, most in (("stagger", plan.stagger, 200), ("thumbs", plan.thumbs, 180)):
        for figure in figures:
            if not (math.isfinite(figure) and abs(figure) <= most):
                raise UsageError(f"{what}: {figure:g} cannot be; give -{most} to {most}")
    return chip_of(plan)


def chip_of(plan: Plan) -> Chip:
    """The chip of a plan; UsageError if there is no such chip."""
    chip = chips().get(plan.chip)
    if chip is None:
        raise UsageError(f"chip: {plan.chip} is not known; give one of {', '.join(chips())}")
    return chip


def _fan(plan: Plan, first: int, bottoms: Sequence[float]) -> list[tuple[float, float]]:
    """Centres of the thumb keys: side by side, each step half-way between the two turns, and as
    a whole as high as the bottom row lets them."""
    centres: list[tuple[float, float]] = []
    for index, turn in enumerate(plan.thumbs):
        if not centres:
            centres.append(((first - 1) * plan.pitch, 0.0))
            continue
        # A step of more than the pitch, as the corners of turned caps stick out.
        bend = math.radians(turn - plan.thumbs[index - 1])
        step = plan.pitch * (1.0 + 0.5 * abs(math.sin(bend)))
        way = math.radians((turn + plan.thumbs[index - 1]) / 2)
        x, y = centres[-1]
        centres.append((x + step * math.cos(way), y + step * math.sin(way)))
    down = (
        max(
            # Free distance to the centre of a key above: the pitch, and more if the cap is turned.
            bottom + plan.pitch * (1.0 + 0.35 * abs(math.sin(math.radians(2 * turn)))) - y
            for (x, y), turn in zip(centres, plan.thumbs, strict=True)
            for column, bottom in enumerate(bottoms)
            if abs(x - column * plan.pitch) < plan.pitch
        )
        if centres
        else 0.0
    )
    return [(x, y + down) for x, y in centres]


def write_board(
    plan: Plan,
    chip: Chip,
    keys: Mapping[str, Key],
    on_row: Mapping[str, Sequence[str]],
    on_column: Mapping[str, Sequence[str]],
    head: str | None = None,
) -> str:
    """Commented TOML text of these keys on these lines, in the order of their paths; `head` is the
    remark at its top.

    Raises:
        UsageError: the plan's controller or pins make no sense.
        BoardError: the names or places cannot be.
    """
    if plan.controller is not None and not all(math.isfinite(each) for each in plan.controller):
        raise UsageError("controller: its place cannot be; give x,y in mm")
    row_pins, column_pins = choose_pins(plan, chip, len(on_row), len(on_column))
    half = Board(
        format=1,
        name=plan.name,
        chip=chip.name,
        cathode_at=plan.cathode_at,
        diode_side=plan.diode_side,
        controller=None if plan.controller is None else Controller(at=plan.controller),
        row={
            name: Line(pin=pin, style="chain", path=list(path))
            for (name, path), pin in zip(on_row.items(), row_pins, strict=True)
        },
        column={
            name: Line(pin=pin, style="through", path=list(path))
            for (name, path), pin in zip(on_column.items(), column_pins, strict=True)
        },
        key=dict(keys),
    )
    text = dumps(half, {"": head or HEAD.format(name=plan.name), **REMARKS})
    loads(text, "new board")  # nothing leaves here that the check would refuse
    return text


def choose_pins(
    plan: Plan, chip: Chip, rows: int, columns: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Pins for rows and columns: those the plan gives, or else free ones of the chip.

    The lines at the anodes sense, and with an analogue input they can also measure the level of a
    closed crossing, so they get such pins first. The other lines get pins that are no neighbours of
    these, as far as there are such, so that a blob between two pins does not look like a held key.
    """
    for what, given, count in (
        ("row pins", plan.row_pins, rows),
        ("column pins", plan.column_pins, columns),
    ):
        if given and len(given) != count:
            raise UsageError(f"{what}: {len(given)} pins for {count} lines; give one each")
    free = [port for port in chip.ports if port not in plan.row_pins + plan.column_pins]
    need = (0 if plan.row_pins else rows) + (0 if plan.column_pins else columns)
    if need > len(free):
        raise UsageError(
            f"{rows} rows and {columns} columns need {rows + columns} pins; "
            f"the {chip.name} has {len(chip.ports)}"
        )
    rows_sense = plan.cathode_at == "column"
    taken = {"row": plan.row_pins, "column": plan.column_pins}
    for kind, count in (("row", rows), ("column", columns))[:: 1 if rows_sense else -1]:
        if taken[kind]:
            continue
        senses = (kind == "row") == rows_sense
        others = taken["column" if kind == "row" else "row"]
        order = sorted(
            free,
            key=lambda port: (
                senses and port not in chip.analog,
                any(side_by_side(port, other) for other in others),
                not senses and port in chip.analog,
            ),
        )
        taken[kind] = tuple(order[:count])
        free = [port for port in free if port not in taken[kind]]
    return taken["row"], taken["column"]
