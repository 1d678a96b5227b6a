"""Where the parts of every key lie, in mm: pure geometry of one half.

Coordinates are those of the board file: mm, seen from the top (the key side), x to the right, y
down; a turn is clockwise as seen from the top. Nothing here is mirrored: which side one looks at
is a matter of the picture (picture.py). Where a whole address lies is told by places.py.

A board file says where the keys sit, not where on a switch the legs are. The face below is
invented, a plain switch whose two legs stand at different heights so that rows can run across
and columns down (common practice, no source). It shows which joint is meant, not its exact spot.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Literal, NamedTuple

from keydiag.board import Board, Line, walk

Point = tuple[float, float]
Run = tuple[Point, ...]  # one point is a spot, more are a run of wire
Kind = Literal["row", "column"]

SWITCH_MM = 14.0  # side of the switch body (common practice, no source)
DIODE_MM = (3.9, 1.8)  # glass body, length and diameter: DO-35 outline (from memory)

# Legs of a switch and ends of its diode, from the centre of the key, before it is turned.
_COLUMN_LEG = (-4.5, -2.0)
_ROW_LEG = (3.5, -5.0)


class Face(NamedTuple):
    """The parts of one key as seen from the top, not turned, from the centre of the key in mm."""

    joints: dict[str, Point]
    """The three joints by name, from the column wire to the row wire."""
    diode: Run
    """The diode with its legs, from the joint at the switch to the joint at the wire."""
    body: tuple[Point, Point]
    """Ends of the diode's body, in the same order."""
    band_first: bool
    """True if the cathode band is at the first end, the one toward the switch."""


def face(board: Board) -> Face:
    """The face every key of this board has."""
    if board.diode_side == "row":
        wire = (3.5, 6.5)
        return Face(
            {"switch-column": _COLUMN_LEG, "switch-diode": _ROW_LEG, "diode-row": wire},
            (_ROW_LEG, wire),
            ((3.5, 1.0 - DIODE_MM[0] / 2), (3.5, 1.0 + DIODE_MM[0] / 2)),
            board.cathode_at == "column",
        )
    bend, wire = (-4.5, 5.5), (6.5, 5.5)
    return Face(
        {"column-diode": wire, "diode-switch": _COLUMN_LEG, "switch-row": _ROW_LEG},
        (_COLUMN_LEG, bend, wire),
        ((1.0 - DIODE_MM[0] / 2, 5.5), (1.0 + DIODE_MM[0] / 2, 5.5)),
        board.cathode_at == "row",
    )


def face_middle(board: Board) -> Point:
    """The middle of the diode's body on the face."""
    (x1, y1), (x2, y2) = face(board).body
    return (x1 + x2) / 2, (y1 + y2) / 2


def wire_joint(board: Board, kind: Kind) -> str:
    """Name of the joint at which a key hangs on its row or its column wire."""
    if kind == "row":
        return "diode-row" if board.diode_side == "row" else "switch-row"
    return "switch-column" if board.diode_side == "row" else "column-diode"


def place(board: Board, key: str, point: Point) -> Point:
    """A point of the face of a key, on the half: turned with the key and moved to it."""
    x, y = turned(point, board.key[key].turn)
    return board.key[key].at[0] + x, board.key[key].at[1] + y


def face_point(board: Board, key: str, name: str) -> Point:
    """Where one part of a key lies, in mm.

    Args:
        board: the half.
        key: name of the key.
        name: a joint of this board (``"diode-row"``), or ``"switch"`` (centre of the key),
            ``"diode"`` (middle of its body), ``"anode"`` or ``"cathode"`` (ends of the body),
            ``"column leg"`` or ``"row leg"`` (of the switch).

    Raises:
        KeyError: no such key, or no such part on this board.
    """
    parts = face(board)
    first, second = parts.body
    anode, cathode = (second, first) if parts.band_first else (first, second)
    points = {
        "switch": (0.0, 0.0),
        "diode": face_middle(board),
        "anode": anode,
        "cathode": cathode,
        "column leg": _COLUMN_LEG,
        "row leg": _ROW_LEG,
        **parts.joints,
    }
    return place(board, key, points[name])


def node_run(board: Board, key: str) -> Run:
    """The node between switch and diode: from the joint there to the near end of the body."""
    parts = face(board)
    near = parts.diode[:-1] if len(parts.diode) > 2 else parts.diode[:1]
    return tuple(place(board, key, point) for point in (*near, parts.body[0]))


def diode_run(board: Board, key: str) -> Run:
    """The diode of a key with both its legs."""
    return tuple(place(board, key, point) for point in face(board).diode)


def diode_body(board: Board, key: str) -> Run:
    """The glass body of a key's diode, from anode to cathode."""
    return face_point(board, key, "anode"), face_point(board, key, "cathode")


def lines(board: Board) -> Iterator[tuple[Kind, str, Line]]:
    """Every line of the half, rows first, in file order."""
    for name, line in board.row.items():
        yield "row", name, line
    for name, line in board.column.items():
        yield "column", name, line


def name_spot(board: Board) -> Point:
    """Where on the face there is room for the key's name."""
    return (-0.95, 1.6) if board.diode_side == "row" else (0.8, 1.6)


def spots(board: Board, key: str) -> tuple[Point, ...]:
    """What no foreign wire should run over: joints, diode and name of a key."""
    marked = (*face(board).joints.values(), face_middle(board), name_spot(board))
    return tuple(place(board, key, spot) for spot in marked)


Wires = dict[str, dict[tuple[str, str], Run]]
"""``"row R1"`` -> (near key, far key) -> the run of wire between them, in path order."""


def wires(board: Board) -> Wires:
    """Every stretch of every line as drawn, lines in file order.

    Straight, or bent where it would otherwise run over a joint or a diode it has nothing to do
    with and seem to be soldered there.
    """
    marked = {key: spots(board, key) for key in board.key}
    return {
        f"{kind} {name}": {
            (near, far): _clear_run(board, kind, near, far, marked)
            for near, far in walk(line.path)
            if near is not None
        }
        for kind, name, line in lines(board)
    }


_CLEAR_MM = 2.2  # a wire that passes a joint nearer than this looks joined to it
_EDGE_MM = 10.5  # from the centre of a key to just outside it


def _clear_run(
    board: Board, kind: Kind, near: str, far: str, marked: dict[str, tuple[Point, ...]]
) -> Run:
    joint = wire_joint(board, kind)
    start, end = face_point(board, near, joint), face_point(board, far, joint)
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    reach = math.dist(start, end) / 2 + 20.0  # keys further off cannot be in the way
    obstacles = [
        spot
        for key, its in marked.items()
        if math.dist(board.key[key].at, middle) < reach
        for spot in its
        if spot not in (start, end)
    ]

    def cost(run: Run) -> tuple[int, float]:
        touched = sum(distance(spot, run) < _CLEAR_MM for spot in obstacles)
        return touched, sum(math.dist(a, b) for a, b in zip(run, run[1:], strict=False))

    straight: Run = (start, end)
    if cost(straight)[0] == 0:
        return straight
    # First out of the one key, or of the other, or of both, along the wire's way.
    leaving = _outward(board, kind, near, end), _outward(board, kind, far, start)
    bent: list[Run] = [
        (start, leaving[0], end),
        (start, leaving[1], end),
        (start, *leaving, end),
    ]
    return min([straight, *bent], key=cost)


def _outward(board: Board, kind: Kind, key: str, target: Point) -> Point:
    """Just outside a key, straight on from its wire joint, on the side that faces the target."""
    x, y = face(board).joints[wire_joint(board, kind)]
    sides = [(-_EDGE_MM, y), (_EDGE_MM, y)] if kind == "row" else [(x, -_EDGE_MM), (x, _EDGE_MM)]
    return min((place(board, key, s) for s in sides), key=lambda spot: math.dist(spot, target))


def outline(board: Board, key: str, margin: float = 0.0) -> Run:
    """The four corners of a key's cap, grown by a margin in mm on every side."""
    width, height = board.key[key].size
    x, y = width / 2 + margin, height / 2 + margin
    return tuple(place(board, key, p) for p in ((-x, -y), (x, -y), (x, y), (-x, y)))


# --- small plane geometry -----------------------------------------------------------------------


def turned(point: Point, degrees: float) -> Point:
    """A point turned clockwise about the origin (y is down)."""
    angle = math.radians(degrees)
    cos, sin = math.cos(angle), math.sin(angle)
    return point[0] * cos - point[1] * sin, point[0] * sin + point[1] * cos


def box(points: Sequence[Point]) -> tuple[float, float, float, float]:
    """Smallest upright rectangle around the points: left, top, right, bottom."""
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def rectangle(left: float, top: float, right: float, bottom: float) -> Run:
    """The four corners of an upright rectangle."""
    return (left, top), (right, top), (right, bottom), (left, bottom)


def along(run: Run, share: float) -> Point:
    """The point of a run of wire at a share (0 to 1) of its length."""
    lengths = [math.dist(a, b) for a, b in zip(run, run[1:], strict=False)]
    left = sum(lengths) * share
    for a, b, length in zip(run, run[1:], lengths, strict=False):
        if left <= length and length > 0:
            t = left / length
            return a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t
        left -= length
    return run[-1]


def distance(point: Point, run: Run) -> float:
    """Distance of a point from a run of wire, in mm."""
    return min(math.dist(point, _nearest(point, a, b)) for a, b in zip(run, run[1:], strict=False))


def _nearest(point: Point, a: Point, b: Point) -> Point:
    """The point of a segment nearest to a point: its foot, held to the segment."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    square = dx * dx + dy * dy
    if square == 0.0:
        return a
    t = ((point[0] - a[0]) * dx + (point[1] - a[1]) * dy) / square
    t = min(1.0, max(0.0, t))
    return a[0] + t * dx, a[1] + t * dy


def overlap(one: Run, other: Run) -> bool:
    """True if two convex polygons share area (a segment or a point counts as a thin polygon).

    Separating axis test: two convex shapes are apart exactly if the projections on the normal of
    some edge are apart (standard computational geometry).
    """
    for shape in (one, other):
        for (ax, ay), (bx, by) in zip(shape, shape[1:] + shape[:1], strict=True):
            nx, ny = ay - by, bx - ax
            first = [x * nx + y * ny for x, y in one]
            second = [x * nx + y * ny for x, y in other]
            if max(first) <= min(second) or max(second) <= min(first):
                if nx or ny:
                    return False
    return True
