"""Where every key of a half lies on a screen of cells: pure geometry, worked out once per size.

Here: the scale from mm to cells, the tiles of the keys and the places of their labels, and what
lies under the mouse. Not here: states and colours (layout_view.py).

Keys that are not turned are snapped: all of one size, whole columns and half rows, with a forced
gap, and steps of whole columns and rows from key to key. Turned keys are drawn to a quarter cell.
Seen from the solder side left and right are exchanged; text never is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from keydiag.board import PITCH_MM, Board, keys_of
from keydiag.drawing.geometry import Point, outline
from keydiag.drawing.pen import Side
from keydiag.screen.canvas import Canvas

LEAST_COLUMNS = 3  # from key to key: two characters and a sign, at the worst without a gap
EASY_COLUMNS = 4  # the same with a gap
# From key to key; beyond this, keys only get larger and not easier to read.
MOST_COLUMNS, MOST_HALF_ROWS = 12, 10
LEAST_HALF_ROWS = 2
TURN_SHOWN = 6  # half rows from key to key from which a turned key can be drawn turned


@dataclass(frozen=True, slots=True)
class Scale:
    """From mm, seen from the top, to cells of the screen."""

    side: Side
    columns_per_mm: float
    rows_per_mm: float
    left: float
    top: float

    def cell(self, point: Point) -> Point:
        """Column and row of a point, as fractions."""
        x = -point[0] if self.side == "solder" else point[0]
        return self.left + x * self.columns_per_mm, self.top + point[1] * self.rows_per_mm


def easy_width(board: Board) -> int:
    """Columns in which the half can be drawn with a gap between the keys."""
    xs = [key.at[0] for key in board.key.values()]
    return round((max(xs) - min(xs)) / pitches(board)[0] * EASY_COLUMNS) + EASY_COLUMNS


@dataclass(frozen=True, slots=True)
class Tile:
    """One key on the screen, in cells. label: where its name starts, the width there is, and the
    rows that are wholly its own, from the top."""

    key: str
    left: int
    top: int
    width: int
    height: int
    label_left: int
    label_width: int
    label_rows: tuple[int, ...]


@dataclass(frozen=True)
class Plan:
    """The half laid out in a given number of cells; the owner of a quarter is a key's number."""

    board: Board
    width: int
    height: int
    scale: Scale
    half_rows: int
    canvas: Canvas
    tiles: tuple[Tile, ...]

    @cached_property
    def tile_of(self) -> dict[str, Tile]:
        return {tile.key: tile for tile in self.tiles}

    @cached_property
    def short_names(self) -> dict[str, str]:
        """What fits on each tile beside a sign: the name, or what is left of it when the letters
        all names share are taken away, or the end of that: there neighbours in a row differ."""
        names = list(self.board.key)
        shared = _shared_start(names)
        out = {}
        for tile in self.tiles:
            room = tile.label_width - (1 if len(tile.label_rows) == 1 else 0)
            name = tile.key if len(tile.key) <= room else tile.key[shared:]
            room = max(1, room)
            out[tile.key] = name if len(name) <= room else name[-room:].lstrip("-_./ ") or name[-1]
        return out

    def key_at(self, x: int, y: int) -> str | None:
        """The key under a cell, or None."""
        if not (0 <= x < self.width and 0 <= y < self.height):
            return None
        owners = [o for o in self.canvas.owners_of(x, y) if o >= 0]
        return self.tiles[max(owners, key=owners.count)].key if owners else None


def make(board: Board, side: Side, width: int, height: int) -> Plan:
    """Lay the half out as large as it fits into these cells, in the middle of them."""
    pitch_x, pitch_y = pitches(board)
    sign = -1.0 if side == "solder" else 1.0
    xs = [sign * key.at[0] for key in board.key.values()]
    ys = [key.at[1] for key in board.key.values()]
    across, down = (max(xs) - min(xs)) / pitch_x, (max(ys) - min(ys)) / pitch_y

    columns = next(
        (n for n in range(MOST_COLUMNS, LEAST_COLUMNS, -1) if round(across * n) + n <= width),
        LEAST_COLUMNS,
    )
    most = min(MOST_HALF_ROWS, columns + columns % 2)  # a cell is twice as high as wide
    halves = next(
        (n for n in (*range(most, 3, -2), 3) if down * n + n - 1 <= 2 * height), LEAST_HALF_ROWS
    )
    spare = max(0.0, width - across * columns - columns)
    left = columns / 2 + spare * (0.5 if spare > 8 else _leads_at(board, side))
    scale = Scale(
        side,
        columns / pitch_x,
        halves / 2 / pitch_y,
        left - min(xs) * columns / pitch_x,
        (height - down * halves / 2) / 2 - min(ys) * halves / 2 / pitch_y,
    )
    canvas = Canvas(width, height)
    tiles = []
    for number, key in enumerate(board.key):
        box = _Box.of(board, key, scale, pitch_x, pitch_y)
        if board.key[key].turn and halves >= TURN_SHOWN:
            corners = tuple(scale.cell(corner) for corner in outline(board, key, -0.5))
            canvas.fill_polygon(number, corners)
        else:
            canvas.fill_box(number, 2 * box.left, box.top, 2 * box.width, box.height)
        tiles.append(_tile(canvas, number, key, box))
    return Plan(board, width, height, scale, halves, canvas, tuple(tiles))


def _leads_at(board: Board, side: Side) -> float:
    """Where to leave what little space is left: 0 = right of the keys, 1 = left of them, for the
    names of the rows; that is where their paths begin."""
    rightward = 0
    for line in board.row.values():
        keys = keys_of(line)
        rightward += 1 if board.key[keys[0]].at[0] > board.key[keys[-1]].at[0] else -1
    return 0.0 if (rightward > 0) == (side == "key") else 1.0


@dataclass(frozen=True, slots=True)
class _Box:
    """A key not turned: columns, and half rows."""

    left: int
    top: int
    width: int
    height: int
    middle: Point

    @classmethod
    def of(cls, board: Board, key: str, scale: Scale, pitch_x: float, pitch_y: float) -> _Box:
        size = board.key[key].size
        columns, halves = scale.columns_per_mm * pitch_x, 2 * scale.rows_per_mm * pitch_y
        width = max(3, math.floor(size[0] / pitch_x * columns))
        height = max(2, math.floor(size[1] / pitch_y * halves))
        x, y = scale.cell(board.key[key].at)
        # Keys in line may differ by a rounding error; a nudge rounds them alike.
        left = math.floor(x - width / 2 + 0.5 + 1e-6)
        top = math.floor(2 * y - height / 2 + 0.5 + 1e-6)
        return cls(left, top, width, height, (x, y))


def _tile(canvas: Canvas, number: int, key: str, box: _Box) -> Tile:
    """Find where the label fits: the rows in which enough cells about the middle are its own."""
    reach_x, reach_y = box.width + 2, box.height // 2 + 3
    columns = range(max(0, box.left - 2), min(canvas.width, box.left + reach_x + 2))
    rows = range(max(0, box.top // 2 - 2), min(canvas.height, box.top // 2 + reach_y))
    cells = [(x, y) for y in rows for x in columns if number in canvas.owners_of(x, y)]
    if not cells:  # another key lies wholly on top of it, or it is off the picture
        return Tile(key, box.left, box.top // 2, box.width, 1, box.left, box.width, (box.top // 2,))
    left, top = min(x for x, _ in cells), min(y for _, y in cells)
    width = max(x for x, _ in cells) - left + 1
    height = max(y for _, y in cells) - top + 1
    own = {(x, y) for x, y in cells if canvas.owners_of(x, y).count(number) == 4}
    spans = []
    for y in range(top, top + height):
        full = [x for x in range(left, left + width) if (x, y) in own]
        if len(full) >= 3:
            spans.append((full[0], len(full), y))
    if not spans:
        y = min(canvas.height - 1, max(0, round(box.middle[1] - 0.5)))
        return Tile(key, left, top, width, height, left, width, (y,))
    widest = max(span[1] for span in spans)
    wide = [span for span in spans if span[1] >= min(widest, max(4, widest - 2))]
    label_left = max(span[0] for span in wide)
    label_width = min(span[0] + span[1] for span in wide) - label_left
    label_rows = tuple(span[2] for span in wide)
    return Tile(key, left, top, width, height, label_left, label_width, label_rows)


def pitches(board: Board) -> tuple[float, float]:
    """The smallest step from key to key sideways and down, in mm: the grid all else is drawn to."""
    keys = list(board.key.values())
    sideways, downward = [], []
    for index, one in enumerate(keys):
        for other in keys[index + 1 :]:
            dx, dy = abs(one.at[0] - other.at[0]), abs(one.at[1] - other.at[1])
            if dy < 9.0 and dx > 9.0:  # half a cap: side by side
                sideways.append(dx)
            if dx < 9.0 and dy > 9.0:
                downward.append(dy)
    return min(sideways, default=PITCH_MM), min(downward, default=PITCH_MM)


def _shared_start(names: list[str]) -> int:
    """How many letters all names begin with, leaving every one at least one letter."""
    shortest = min(map(len, names), default=1)
    count = 0
    while count < shortest - 1 and len({name[count] for name in names}) == 1:
        count += 1
    return count
