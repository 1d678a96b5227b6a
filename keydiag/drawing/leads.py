"""Where the lead of each line leaves the picture, and the flag that says to which pin it goes.

A real lead wanders to the controller in its own way, which no board file tells. The picture
therefore lets each lead leave its first key in a straight line, to a flag in free space with the
name of the line and of the pin; the controller, where its place is known, is drawn with the same
pins by name. Coordinates as in geometry.py.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from keydiag.board import Board, Line, walk
from keydiag.drawing.geometry import (
    Kind,
    Point,
    Run,
    Wires,
    box,
    distance,
    face_point,
    lines,
    outline,
    overlap,
    rectangle,
    spots,
    wire_joint,
)

GAP_MM = 0.6  # free space kept around keys: two of them at the usual pitch just touch
FLAG_HEIGHT_MM = 4.6
LETTER_MM = 1.75  # width allowed for one letter on a flag
ASIDE_MM = 2.3  # how far beside the wire a lead runs that has to cross other keys
PAD_PITCH_MM = 2.54  # 0.1 inch, the usual pitch of pin rows (common practice)

_SIDEWAYS: tuple[Point, ...] = ((1.0, 0.0), (-1.0, 0.0), (0.0, -1.0), (0.0, 1.0))
_UPRIGHT: tuple[Point, ...] = ((0.0, -1.0), (0.0, 1.0), (1.0, 0.0), (-1.0, 0.0))


class Lead(NamedTuple):
    """One lead as drawn: from the joint at the first key of the line to its flag."""

    kind: Kind
    line: str
    pin: str
    key: str
    run: Run
    flag: tuple[float, float, float, float]
    """The flag's box: left, top, right, bottom in mm."""

    @property
    def middle(self) -> Point:
        """Centre of the flag."""
        left, top, right, bottom = self.flag
        return (left + right) / 2, (top + bottom) / 2


class Pads(NamedTuple):
    """The controller as drawn: its box, and where each used pin is on it."""

    box: tuple[float, float, float, float]
    at: dict[str, Point]
    left: frozenset[str]
    """The pins on the left-hand edge, as seen from the top."""


def pads(board: Board) -> Pads | None:
    """The controller with the pins this half uses, or None where its place is not known.

    The pins stand in the order of the board file, rows left and columns right: which pin is where
    on a real module no board file tells.
    """
    if board.controller is None:
        return None
    sides = [[line.pin for line in group.values()] for group in (board.row, board.column)]
    x, y = board.controller.at
    half_width = 9.5
    half_height = max(len(side) for side in sides) * PAD_PITCH_MM / 2 + 2.6
    at: dict[str, Point] = {}
    for side, pins in enumerate(sides):
        for index, pin in enumerate(pins):
            down = (index - (len(pins) - 1) / 2) * PAD_PITCH_MM + 1.4  # the chip's name on top
            at[pin] = (x + (-1, 1)[side] * (half_width - 1.2), y + down)
    limits = (x - half_width, y - half_height, x + half_width, y + half_height)
    return Pads(limits, at, frozenset(sides[0]))


def leads(board: Board, runs: Wires) -> dict[str, Lead]:
    """The lead of every line, by ``"row R1"`` or ``"column C1"``, flags free of keys and others.

    Args:
        board: the half.
        runs: its wires, see ``geometry.wires``; no flag is put on them.
    """
    keys = {key: _Shape.of(outline(board, key, GAP_MM)) for key in board.key}
    taken = list(keys.values())
    chip = pads(board)
    if chip is not None:
        taken.append(_Shape.of(_grown(chip.box, 1.0)))
    for each in runs.values():
        for run in each.values():
            taken += [_Shape.of(piece) for piece in zip(run, run[1:], strict=False)]
    found: dict[str, Lead] = {}
    for kind, name, line in lines(board):
        best: Lead | None = None
        least = math.inf
        for way in _SIDEWAYS if kind == "row" else _UPRIGHT:  # the usual ways first
            own = list(runs[f"{kind} {name}"].values())
            laid = _lead(board, kind, name, line, way, own, keys, taken, least)
            if laid is not None and laid[0] < least:
                least, best = laid
        assert best is not None  # the first way has no limit
        taken.append(_Shape.of(_grown(best.flag, 0.5)))
        taken.append(_Shape.of(best.run[-2:]))
        found[f"{kind} {name}"] = best
    return found


class _Shape(NamedTuple):
    """A convex polygon with its upright box, to tell quickly what is far apart."""

    box: tuple[float, float, float, float]
    corners: Run

    @classmethod
    def of(cls, corners: Run) -> _Shape:
        return cls(box(corners), corners)

    def meets(self, other: _Shape) -> bool:
        left, top, right, bottom = self.box
        its_left, its_top, its_right, its_bottom = other.box
        if its_right < left or right < its_left or its_bottom < top or bottom < its_top:
            return False
        return overlap(self.corners, other.corners)


def _grown(limits: tuple[float, float, float, float], margin: float) -> Run:
    left, top, right, bottom = limits
    return rectangle(left - margin, top - margin, right + margin, bottom + margin)


def _lead(
    board: Board,
    kind: Kind,
    name: str,
    line: Line,
    way: Point,
    own: list[Run],
    keys: dict[str, _Shape],
    taken: list[_Shape],
    limit: float,
) -> tuple[float, Lead] | None:
    """The lead that leaves in one direction, and how unwelcome it is (in mm of detour).

    None if it is sure to be more unwelcome than the limit.
    """
    key = next(first for _, first in walk(line.path))
    joint = face_point(board, key, wire_joint(board, kind))
    dx, dy = way
    width = (len(name) + len(line.pin) + 2) * LETTER_MM + 1.0
    others = [shape for other, shape in keys.items() if other != key]

    def lay(start: Point) -> tuple[float, int, Point, tuple[float, float, float, float]] | None:
        """Straight out from start: length, keys crossed, end, and the flag there."""
        far = 3.0
        reach = (width if dx else FLAG_HEIGHT_MM) / 2
        while far <= limit:
            x, y = start[0] + dx * (far + reach), start[1] + dy * (far + reach)
            half = width / 2, FLAG_HEIGHT_MM / 2
            flag = (x - half[0], y - half[1], x + half[0], y + half[1])
            spot = _Shape.of(rectangle(*flag))
            if not any(spot.meets(shape) for shape in taken):
                break  # at the latest beyond everything that is taken
            far += 1.0
        else:
            return None
        end = start[0] + dx * far, start[1] + dy * far
        ray = _Shape.of((start, end))
        return far, sum(ray.meets(shape) for shape in others), end, flag

    laid = lay(joint)
    if laid is None:
        return None
    far, crossed, end, flag = laid
    run: Run = (joint, end)
    if crossed:  # beside the wire, or it would lie on the joints of the keys it passes
        aside = _aside(board, key, joint, bool(dx))
        start = (joint[0] + dx * 1.5 + aside[0], joint[1] + dy * 1.5 + aside[1])
        laid = lay(start)
        if laid is None:
            return None
        far, crossed, end, flag = laid
        run = (joint, start, end)
    usual = (kind == "row") == bool(dx)  # a row leaves sideways, a column up or down
    cost = far + 30.0 * crossed + (0.0 if usual else 12.0)
    if any(distance(spot, run) < 2.0 for spot in spots(board, key) if spot != joint):
        cost += 15.0  # over other parts of its own key, or over its name
    for run_on in own:
        for a, b in ((run_on[0], run_on[1]), (run_on[-1], run_on[-2])):
            x, y = b[0] - a[0], b[1] - a[1]
            if a == joint and (x * dx + y * dy) > 0.85 * math.hypot(x, y):
                cost += 20.0  # within some 30 degrees of its own wire: hard to tell apart
    if board.controller is not None:  # of two equal ways the one toward the controller
        cost += math.dist(end, board.controller.at) / 50.0
    return cost, Lead(kind, name, line.pin, key, run, flag)


def _aside(board: Board, key: str, joint: Point, sideways: bool) -> Point:
    """A step beside the wire, toward the edge of the key the wire joint is nearest to."""
    x, y = board.key[key].at
    if sideways:
        return 0.0, math.copysign(ASIDE_MM, joint[1] - y)
    return math.copysign(ASIDE_MM, joint[0] - x), 0.0
