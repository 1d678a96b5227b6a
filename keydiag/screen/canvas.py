"""A picture made of terminal cells: areas of quarter cells, fine lines, and text on top.

Here: how areas, lines and text share a cell, and which character shows that. Not here: what is
drawn (plan.py, zoom.py) and what the roles look like (palette.py).

Every cell has 2 x 2 quarters, each belonging to one area or to none, and 2 x 4 dots for lines.
Text covers dots, dots cover areas. A terminal cell shows two colours: where more than two areas
meet in one cell, the two with the most quarters win.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from keydiag.drawing.geometry import Point, Run
from keydiag.screen.palette import LOUD, TEXTURE, Mode, Paint, has_colour, ink_on

# Quadrant blocks by the quarters they fill: 1 top left, 2 top right, 4 bottom left, 8 bottom right.
QUADRANTS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"
# Braille patterns: the bit of each dot, by column and row of the cell (Unicode, block 2800).
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_BRAILLE = 0x2800
# The dots that lie on each quarter: top left, top right, bottom left, bottom right.
_QUARTER_DOTS = (0x01 | 0x02, 0x08 | 0x10, 0x04 | 0x40, 0x20 | 0x80)

Cell = tuple[str, Paint]
NOBODY = -1


class Canvas:
    """Cells of a picture, `width` x `height`; positions may be fractions of cells."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.owners = [[NOBODY] * (2 * width) for _ in range(2 * height)]
        self.dots: dict[tuple[int, int], int] = {}
        self.dot_ink: dict[tuple[int, int], str] = {}
        self.text: dict[tuple[int, int], Cell] = {}

    # --- areas ---

    def fill_box(
        self, owner: int, left: int, top: int, width: int, height: int, over: bool = False
    ) -> None:
        """Give a box of quarters to an owner; what others have only if `over`."""
        for y in range(max(0, top), min(2 * self.height, top + height)):
            row = self.owners[y]
            for x in range(max(0, left), min(2 * self.width, left + width)):
                if over or row[x] == NOBODY:
                    row[x] = owner

    def fill_polygon(self, owner: int, corners: Run, over: bool = False) -> None:
        """The same for the quarters whose centres lie inside a convex polygon, in cells."""
        xs, ys = [x * 2 for x, _ in corners], [y * 2 for _, y in corners]
        for y in range(max(0, int(min(ys))), min(2 * self.height, math.ceil(max(ys)))):
            for x in range(max(0, int(min(xs))), min(2 * self.width, math.ceil(max(xs)))):
                free = over or self.owners[y][x] == NOBODY
                if free and inside(corners, ((x + 0.5) / 2, (y + 0.5) / 2)):
                    self.owners[y][x] = owner

    def owners_of(self, x: int, y: int) -> tuple[int, int, int, int]:
        """The owners of a cell's quarters: top left, top right, bottom left, bottom right."""
        above, below = self.owners[2 * y], self.owners[2 * y + 1]
        return above[2 * x], above[2 * x + 1], below[2 * x], below[2 * x + 1]

    # --- lines ---

    def line(self, run: Sequence[Point], ink: str, dash: tuple[float, float] | None = None) -> None:
        """A thin line through the points, in cells; dash: lengths drawn and left out, in cells."""
        travelled = 0.0
        for (x1, y1), (x2, y2) in zip(run, run[1:], strict=False):
            length = math.hypot(x2 - x1, 2 * (y2 - y1))  # a cell is twice as high as wide
            steps = max(1, math.ceil(length * 4))
            for step in range(steps + 1):
                share = step / steps
                along = travelled + length * share
                if dash and along % (dash[0] + dash[1]) > dash[0]:
                    continue
                self._dot(x1 + (x2 - x1) * share, y1 + (y2 - y1) * share, ink)
            travelled += length

    def _dot(self, x: float, y: float, ink: str) -> None:
        column, row = math.floor(x * 2), math.floor(y * 4)
        cell = (column // 2, row // 4)
        if 0 <= cell[0] < self.width and 0 <= cell[1] < self.height:
            self.dots[cell] = self.dots.get(cell, 0) | _DOTS[column % 2][row % 4]
            self.dot_ink[cell] = ink

    def clear_dots(self, owner: int) -> None:
        """Take away the lines that run under an owner's area."""
        for cell in [cell for cell in self.dots if owner in self.owners_of(*cell)]:
            del self.dots[cell]

    # --- text ---

    def write(self, x: int, y: int, text: str, paint: Paint) -> None:
        """Text from a cell on; what falls outside is cut."""
        if not 0 <= y < self.height:
            return
        for offset, char in enumerate(text):
            if 0 <= x + offset < self.width:
                self.text[x + offset, y] = (char, paint)

    def is_free(self, x: int, y: int, width: int) -> bool:
        """True if no text stands in a row of cells that lies within the picture."""
        if not 0 <= y < self.height or x < 0 or x + width > self.width:
            return False
        return all((x + offset, y) not in self.text for offset in range(width))

    # --- what is shown ---

    def row(self, y: int, roles: Sequence[str], mode: Mode) -> list[Cell]:
        """All cells of one row; see `cell`."""
        return [self.cell(x, y, roles, mode) for x in range(self.width)]

    def cell(self, x: int, y: int, roles: Sequence[str], mode: Mode) -> Cell:
        """Character and paint of one cell; `roles` gives the role of every owner."""
        written = self.text.get((x, y))
        quarters = self.owners_of(x, y)
        if written is not None:
            char, paint = written
            if paint.ground == "":  # on whatever lies there
                paint = paint._replace(ground=_role(_most(quarters)[0], roles))
            return char, paint
        first, second = _most(quarters)
        if (x, y) in self.dots:
            dots = self.dots[x, y]
            under = _most([o for o, d in zip(quarters, _QUARTER_DOTS, strict=True) if dots & d])
            ground = _role(under[0], roles)
            # On a coloured area the line takes the ink of that area: its own might not be seen.
            return chr(_BRAILLE + dots), Paint(ink_on(ground) or self.dot_ink[x, y], ground)
        if second is None and _role(first, roles) == "hidden":
            return "░", Paint("hidden-ink", "hidden")
        first, second = _most([o if _shows(o, roles, mode) else NOBODY for o in quarters])
        if mode == "plain":
            here = {_role(owner, roles) for owner in quarters}
            texture = next((look for role, look in TEXTURE.items() if role in here), None)
            if texture is not None:
                return texture, Paint()
        if second is None:
            return " ", Paint("text", _role(first, roles))
        if first == NOBODY:  # the ground's colour is not always known, so it is never the ink
            first, second = second, first
        mask = sum(bit for bit, owner in zip((1, 2, 4, 8), quarters, strict=True) if owner == first)
        if mode == "plain":
            return QUADRANTS[mask], Paint()
        return QUADRANTS[mask], Paint(_role(first, roles), _role(second, roles))


def _role(owner: int | None, roles: Sequence[str]) -> str:
    return "paper" if owner is None or owner == NOBODY else roles[owner]


def _shows(owner: int, roles: Sequence[str], mode: Mode) -> bool:
    """True if an area of this owner can be told from the paper in this mode."""
    role = _role(owner, roles)
    return role in LOUD or role in TEXTURE if mode == "plain" else has_colour(role, mode)


def _most(quarters: Sequence[int]) -> tuple[int, int | None]:
    """The owners of most and of second most quarters; the second is None if there is but one."""
    if quarters.count(quarters[0]) == len(quarters):
        return quarters[0], None
    counts: dict[int, int] = {}
    for owner in quarters:
        counts[owner] = counts.get(owner, 0) + 1
    ranked = sorted(counts, key=lambda owner: (-counts[owner], owner == NOBODY))
    return ranked[0], ranked[1] if len(ranked) > 1 else None


def inside(corners: Run, point: Point) -> bool:
    """True if a point lies in a convex polygon: on the same side of every edge."""
    x, y = point
    side = 0
    for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1], strict=True):
        turn = (bx - ax) * (y - ay) - (by - ay) * (x - ax)
        if turn:
            sign = 1 if turn > 0 else -1
            if side and sign != side:
                return False
            side = sign
    return True
