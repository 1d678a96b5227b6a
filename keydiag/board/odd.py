"""What a board file may say but seldom means: warnings, each with its place and its mend.

What lives here: pure checks over a board that has passed the check (board/check.py holds what
cannot be). A warning never stops anything; where it was meant so, the builder goes on.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import combinations

from keydiag.board import Board, Line, keys_of, walk
from keydiag.board.check import Found, as_problems
from keydiag.chips import Chip, chips
from keydiag.errors import Problem

# Three pitches and a bit: on a path, keys that far apart are seldom neighbours, and no diode's leg
# reaches there (a DO-35 leg is 25 mm or a little more; from memory).
JUMP_MM = 60.0
# Between one diode's drop and the highest voltage surely read as low. Published models of the
# 1N4148 differ by 0.06 V at 0.1 mA and the drop rises by 2 mV/K in the cold, which leaves half of
# this for the joints: some 0.1 V, about 400 ohm on a 20 kOhm pull-up.
MARGIN_V = 0.2

# 1N4148: saturation current in A, emission coefficient, series resistance in ohm (the model that
# NXP publishes); thermal voltage at 27 degrees C; a pin that sinks, in ohm (ATmega32U4: at most
# 0.7 V at 10 mA, typically a third of that).
_IS_A, _N, _RS_OHM, _VT_V, _PIN_OHM = 4.352e-9, 1.906, 0.6458, 0.025865, 25.0


def warnings(
    board: Board,
    file: str = "board",
    lines: Mapping[str, int] | None = None,
    supply_v: float | None = None,
) -> list[Problem]:
    """Everything legal but odd, in file order.

    Args:
        board: the half.
        file: what the problems call the file.
        lines: line numbers by place, from ``board_places.find_places``.
        supply_v: what the controller runs at, if not at the supply of shared/chips.toml.
    """
    chip = chips()[board.chip]
    found = list(supply_warnings(chip, chip.supply_v if supply_v is None else supply_v))
    for kind, group in (("row", board.row), ("column", board.column)):
        for name, line in group.items():
            found += _short_line(board, kind, name, line)
            found += _jumps(board, kind, name, line)
    found += _neighbours(board, chip)
    return as_problems(found, file, lines or {})


def supply_warnings(chip: Chip, supply_v: float) -> Iterator[Found]:
    """What is odd about running a chip at a supply, in volts."""
    limit = chip.vil_at(supply_v)
    if limit is None:
        wrong = f"no figure is known for the {chip.name} at {supply_v:g} V"
        yield Found("chip", wrong, f"run it at {chip.supply_v:g} V, or expect surprises")
        return
    drop = one_diode_v(supply_v, chip.pull_up_ohm[0])
    if limit - drop < MARGIN_V:
        wrong = (
            f"at {supply_v:g} V the {chip.name} surely reads low up to {limit:.2f} V, and one "
            f"diode on a {chip.pull_up_ohm[0] / 1000:g} kOhm pull-up leaves {drop:.2f} V: "
            f"{limit - drop:.2f} V for bad joints, {MARGIN_V:g} V is little"
        )
        yield Found("chip", wrong, "measure levels, or look twice at every joint")


def one_diode_v(supply_v: float, pull_up_ohm: float) -> float:
    """The level of a closed crossing with one good 1N4148, in volts.

    The pull-up's current through the diode's exponential and its series resistance (Shockley's
    equation with the parameters of NXP's published model), into a pin that sinks it.
    """
    level = 0.5
    for _ in range(50):  # the loop gain is below 0.05, so this has long settled
        ampere = (supply_v - level) / pull_up_ohm
        drop = _N * _VT_V * math.log1p(ampere / _IS_A)
        level = drop + ampere * (_RS_OHM + _PIN_OHM)
    return level


def _short_line(board: Board, kind: str, name: str, line: Line) -> Iterator[Found]:
    keys = keys_of(line)
    if len(keys) == 1 and len(board.key) > 1:
        wrong = f"{kind} {name} has only one key, {keys[0]}: a lead and a pin for it alone"
        yield Found(f"{kind}.{name}.path", wrong, f"put {keys[0]} on another {kind} if it can be")


def _jumps(board: Board, kind: str, name: str, line: Line) -> Iterator[Found]:
    spliced = {frozenset(pair) for pair in line.splice}
    for near, far in walk(line.path):
        if near is None or frozenset((near, far)) in spliced:
            continue
        apart = math.dist(board.key[near].at, board.key[far].at)
        if apart > JUMP_MM:
            wrong = f"{kind} {name} jumps {apart:.0f} mm from {near} to {far}"
            mend = f'check the order of the path, or write splice = [["{near}", "{far}"]]'
            yield Found(f"{kind}.{name}.path", wrong, f"{mend} if a piece of wire bridges it")


def _neighbours(board: Board, chip: Chip) -> Iterator[Found]:
    """Leads of different kinds on ports of the same letter whose numbers follow each other."""
    users = {line.pin: ("row", name) for name, line in board.row.items()}
    users |= {line.pin: ("column", name) for name, line in board.column.items()}
    for one, two in combinations(chip.ports, 2):
        if one not in users or two not in users or not side_by_side(one, two):
            continue
        (kind, name), (other_kind, other) = users[one], users[two]
        if kind != other_kind:
            wrong = (
                f"{kind} {name} and {other_kind} {other} are on {one} and {two}: solder between "
                "these two looks like a key that is always held"
            )
            mend = "look there first, or leave a pin free between rows and columns"
            yield Found(f"{other_kind}.{other}.pin", wrong, mend)


def side_by_side(one: str, two: str) -> bool:
    """True for two ports of the same letter whose numbers follow each other: mostly, though not on
    every module, they are neighbours there as well."""
    port = one.rstrip("0123456789")
    if port != two.rstrip("0123456789"):
        return False
    return abs(int(one.removeprefix(port)) - int(two.removeprefix(port))) == 1
