"""The neighbourhood of a suspected place, enlarged, as one sees it from the chosen side.

Here: which window of the half is shown, and its drawing on a canvas of cells: caps and switch
bodies, wires, diodes with the band, joints, and the suspected places with their numbers. Not here:
what is suspected (suspects.py), the widget (zoom_view.py).

The parts are drawn where drawing.py draws them too; diodes a little larger than life, or the band
would be lost between two rows of cells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from keydiag.board import Board
from keydiag.drawing.geometry import (
    Point,
    Run,
    along,
    diode_run,
    face,
    face_point,
    name_spot,
    outline,
    place,
    rectangle,
)
from keydiag.drawing.pen import Side
from keydiag.drawing.places import Layout
from keydiag.screen.canvas import Canvas
from keydiag.screen.palette import Paint
from keydiag.screen.plan import Scale
from keydiag.screen.suspects import Suspect

# Owners of areas on the canvas, and what they are painted as.
CAP, BODY, GLASS, BAND = range(4)
ROLES = ("cap", "body", "glass", "band")

AROUND_KEY_MM = 10.8  # half a pitch and a little, so that the neighbours' wires are seen to go on
LEAST_MM = 23.0  # the window's least width: one key with its wires
MOST_COLUMNS_PER_MM = 2.4  # beyond this nothing gets clearer
GLASS_MM = (1.35, 3.0)  # half width and half length of a diode as drawn (DO-35: 0.9 and 1.95)
BAND_AT = (0.42, 0.86)  # where the band is, along the half of the body toward the cathode
MARK_WIDTH = 3  # "(1)"
JOINT = "●"


@dataclass(frozen=True, slots=True)
class Zoom:
    """A drawn window. numbers: cell of every mark, by the number of the suspect it belongs to."""

    canvas: Canvas
    numbers: dict[int, tuple[int, int]]


def draw(
    layout: Layout,
    found: Sequence[Suspect],
    current: int,
    side: Side,
    width: int,
    height: int,
    leads: Sequence[Point] = (),
) -> Zoom:
    """Draw the window around suspect number `current` (from 0); all suspects in it are marked.

    leads: where the meter's red and black leads go, if a reading is being considered.
    """
    canvas = Canvas(width, height)
    if not found or width < 8 or height < 4:
        return Zoom(canvas, {})
    suspect = found[current]
    scale = _window(layout, suspect, side, width, height)
    if scale is None:
        return Zoom(canvas, {})
    hand = _Hand(layout, canvas, scale)
    for key in layout.board.key:
        if hand.sees(layout.board.key[key].at, 14.0):
            hand.key(key)
    hand.controller(suspect.pins)
    hand.wires(suspect.lines)
    if suspect.gap is not None:
        canvas.line(hand.cells(suspect.gap), "mark", dash=(1.0, 1.0))
    for key in layout.board.key:
        if hand.sees(layout.board.key[key].at, 14.0):
            hand.parts(key)
    for run in suspect.runs:
        hand.highlight(run)
    for sign, spot in zip("+−", leads, strict=False):
        hand.lead(sign, spot)
    numbers: dict[int, tuple[int, int]] = {}
    for number, each in _current_first(found, current):
        for spot in each.spots:
            cell = hand.mark(number, each, spot, number == current)
            if cell is not None:
                numbers.setdefault(number, cell)
    for key in layout.board.key:
        hand.name(key, key in suspect.keys)
    for line in suspect.lines:
        hand.line_names(line)
    return Zoom(canvas, numbers)


def _current_first(found: Sequence[Suspect], current: int) -> list[tuple[int, Suspect]]:
    order = sorted(range(len(found)), key=lambda number: number != current)
    return [(number, found[number]) for number in order]


def _window(layout: Layout, suspect: Suspect, side: Side, width: int, height: int) -> Scale | None:
    """The scale and place of a window that holds the suspect with its surroundings."""
    boxes = []
    if suspect.reach is not None:
        boxes.append(_grown(suspect.reach, 4.0))
    pads = layout.pads
    if pads is not None and any(spot in pads.at.values() for spot in suspect.spots):
        boxes.append(_grown(pads.box, 3.5))
    near = suspect.keys[:2] if suspect.spots or not suspect.lines else suspect.keys[:1]
    for key in near:
        x, y = layout.board.key[key].at
        boxes.append(_grown((x, y, x, y), AROUND_KEY_MM))
    if not boxes:
        return None
    left, top = min(b[0] for b in boxes), min(b[1] for b in boxes)
    right, bottom = max(b[2] for b in boxes), max(b[3] for b in boxes)
    if side == "solder":
        left, right = -right, -left
    columns_per_mm = min(
        width / max(LEAST_MM, right - left),
        2 * height / max(1.0, bottom - top),
        MOST_COLUMNS_PER_MM,
    )
    rows_per_mm = columns_per_mm / 2
    middle = (left + right) / 2, (top + bottom) / 2
    return Scale(
        side,
        columns_per_mm,
        rows_per_mm,
        width / 2 - middle[0] * columns_per_mm,
        height / 2 - middle[1] * rows_per_mm,
    )


def _grown(limits: tuple[float, float, float, float], by: float) -> tuple[float, ...]:
    return limits[0] - by, limits[1] - by, limits[2] + by, limits[3] + by


class _Hand:
    """Draws parts of the half on the canvas, at the window's scale."""

    def __init__(self, layout: Layout, canvas: Canvas, scale: Scale) -> None:
        self.layout, self.board = layout, layout.board
        self.canvas, self.scale = canvas, scale

    def sees(self, point: Point, reach_mm: float) -> bool:
        x, y = self.scale.cell(point)
        across, down = reach_mm * self.scale.columns_per_mm, reach_mm * self.scale.rows_per_mm
        canvas = self.canvas
        return -across < x < canvas.width + across and -down < y < canvas.height + down

    def cells(self, run: Run) -> Run:
        return tuple(self.scale.cell(point) for point in run)

    def key(self, key: str) -> None:
        """Switch body, then the cap around it."""
        square = ((-7.0, -7.0), (7.0, -7.0), (7.0, 7.0), (-7.0, 7.0))
        body = tuple(place(self.board, key, corner) for corner in square)
        self.canvas.fill_polygon(BODY, self.cells(body))
        self.canvas.fill_polygon(CAP, self.cells(outline(self.board, key)))

    def controller(self, bright: Sequence[str]) -> None:
        """The controller with the pins this half uses, as a scheme: in the board file's order."""
        pads = self.layout.pads
        if pads is None:
            return
        left, top, right, bottom = pads.box
        self.canvas.fill_polygon(BODY, self.cells(rectangle(left, top, right, bottom)))
        line_of = {lead.pin: lead for lead in self.layout.leads.values()}
        for pin, spot in pads.at.items():
            x, y = self._cell(spot)
            self.canvas.write(x, y, JOINT, Paint("solder", "", bold=True))
            # The pin's name inward of its pad, its line's outward; seen from below, exchanged.
            inward_right = (pin in pads.left) == (self.scale.side == "key")
            lead = line_of[pin]
            before, after = (lead.line, pin) if inward_right else (pin, lead.line)
            paint = Paint("text" if pin in bright else "dim", "", bold=pin in bright)
            self.canvas.write(x - 2 - len(before), y, before, paint)
            self.canvas.write(x + 3, y, after, paint)

    def wires(self, bright: Sequence[str]) -> None:
        """All wires and leads; those of the suspected lines last and in their own colour."""
        names = sorted(self.layout.wires, key=lambda name: name in bright)
        for name in names:
            ink = name.split()[0] if name in bright else "other-wire"
            for run in (*self.layout.wires[name].values(), self.layout.leads[name].run):
                self._wire(run, ink, bold=name in bright)

    def _wire(self, run: Run, ink: str, bold: bool) -> None:
        self.canvas.line(self.cells(run), ink)
        if not bold:
            return
        shift = 0.5 / self.scale.columns_per_mm  # one dot
        flat = abs(run[-1][0] - run[0][0]) > abs(run[-1][1] - run[0][1])
        moved = tuple((x, y + shift) if flat else (x + shift, y) for x, y in run)
        self.canvas.line(self.cells(moved), ink)

    def parts(self, key: str) -> None:
        """Diode with its legs and its band, and the three joints."""
        self.canvas.line(self.cells(diode_run(self.board, key)), "leg")
        if self.board.key[key].turn % 90.0:
            self._turned_diode(key)
        else:
            self._snapped_diode(key)
        for joint in face(self.board).joints:
            x, y = self._cell(face_point(self.board, key, joint))
            self.canvas.write(x, y, JOINT, Paint("solder", "", bold=True))

    def _turned_diode(self, key: str) -> None:
        middle, ahead = self._diode(key)
        for owner, start, stop in ((GLASS, -1.0, 1.0), (BAND, *BAND_AT)):
            corners = []
            for side, end in ((-1, start), (1, start), (1, stop), (-1, stop)):
                x = middle[0] + ahead[0] * end * GLASS_MM[1] - ahead[1] * side * GLASS_MM[0]
                y = middle[1] + ahead[1] * end * GLASS_MM[1] + ahead[0] * side * GLASS_MM[0]
                corners.append(self.scale.cell((x, y)))
            self.canvas.fill_polygon(owner, tuple(corners), over=True)
            self.canvas.clear_dots(owner)

    def _snapped_diode(self, key: str) -> None:
        """A diode that lies along the grid of cells: whole cells wide, whole half cells long, the
        band one piece in from its end."""
        middle, ahead = self._diode(key)
        x, y = self.scale.cell(middle)
        upright = abs(ahead[1]) > abs(ahead[0])
        per_mm = self.scale.rows_per_mm if upright else self.scale.columns_per_mm
        length = max(3, round(4 * GLASS_MM[1] * per_mm))
        band, edge = max(1, round(length * 0.2)), 1 if length > 3 else 0
        onward = ahead[1] > 0 if upright else (ahead[0] > 0) == (self.scale.side == "key")
        start = length - edge - band if onward else edge
        if upright:
            wide = 3 if 2 * GLASS_MM[0] * self.scale.columns_per_mm >= 2 else 1
            left, top = 2 * (math.floor(x) - wide // 2), math.floor(2 * y - length / 2 + 0.5)
            self.canvas.fill_box(GLASS, left, top, 2 * wide, length, over=True)
            self.canvas.fill_box(BAND, left, top + start, 2 * wide, band, over=True)
        else:
            left, top = math.floor(2 * x - length / 2 + 0.5), 2 * math.floor(y)
            self.canvas.fill_box(GLASS, left, top, length, 2, over=True)
            self.canvas.fill_box(BAND, left + start, top, band, 2, over=True)
        self.canvas.clear_dots(GLASS)
        self.canvas.clear_dots(BAND)

    def _diode(self, key: str) -> tuple[Point, Point]:
        """Middle of the body, and the direction from anode to cathode (length 1), in mm."""
        anode, cathode = (face_point(self.board, key, end) for end in ("anode", "cathode"))
        length = math.dist(anode, cathode)
        ahead = (cathode[0] - anode[0]) / length, (cathode[1] - anode[1]) / length
        return ((anode[0] + cathode[0]) / 2, (anode[1] + cathode[1]) / 2), ahead

    def highlight(self, run: Run) -> None:
        """A suspected piece of wire, doubled, with a break sign in the middle."""
        for share in (-0.6, 0.0, 0.6):
            moved = tuple((x, y + share / self.scale.columns_per_mm) for x, y in run)
            self.canvas.line(self.cells(moved), "mark")

    def mark(
        self, number: int, suspect: Suspect, spot: Point, current: bool
    ) -> tuple[int, int] | None:
        """The number of a suspect at a spot: on a joint, beside a diode."""
        x, y = self._cell(spot)
        if not (0 <= x < self.canvas.width and 0 <= y < self.canvas.height):
            return None
        text = f"({number + 1})" if number < 9 else f"{number + 1:^3}"
        beside = any(address.endswith(" diode") for address in suspect.member.at)
        places = [(x - 1, y), (x - 1, y - 1), (x - 1, y + 1), (x + 1, y), (x - 3, y)]
        if beside:
            away = max(2, math.ceil(GLASS_MM[0] * self.scale.columns_per_mm) + 1)
            places = [(x - away - 2, y), (x + away, y), (x - 1, y + 2), (x - 1, y - 2)]
        elif self.canvas.text.get((x, y), ("",))[0] == JOINT:  # its sign gives way to the mark
            del self.canvas.text[x, y]
        for left, top in places:
            if self.canvas.is_free(left, top, MARK_WIDTH):
                paint = Paint("mark-ink", "mark", bold=True, underline=current)
                self.canvas.write(left, top, text, paint)
                return left + 1, top
        return None

    def lead(self, sign: str, spot: Point) -> None:
        """A lead of the meter, beside the spot it is held on."""
        x, y = self._cell(spot)
        role = "red-lead" if sign == "+" else "black-lead"
        for left, top in ((x + 1, y), (x - 3, y), (x - 1, y - 1), (x - 1, y + 1)):
            if self.canvas.is_free(left, top, MARK_WIDTH):
                self.canvas.write(left, top, f"<{sign}>", Paint(f"{role}-ink", role, bold=True))
                return

    def name(self, key: str, bright: bool) -> None:
        x, y = self._cell(place(self.board, key, name_spot(self.board)))
        left = x - len(key) // 2
        for top in (y, y + 1, y - 1):
            if self.canvas.is_free(left, top, len(key)):
                ink = "text" if bright else "dim"
                self.canvas.write(left, top, key, Paint(ink, "", bold=bright))
                return

    def line_names(self, name: str) -> None:
        """Name a line where it leaves the window, with an arrow on the side of its pin."""
        short, kind = name.split()[1], name.split()[0]
        lead = self.layout.leads[name]
        paint = Paint(kind, "paper", bold=True)
        end = self._cell(lead.run[-1])
        if self._within(end):
            self._put(end, f"{short} {lead.pin}", paint)
        else:
            self._at_edge(lead.run, short, paint, toward_pin=True)
        for run in self.layout.wires[name].values():
            near, far = self._within(self._cell(run[0])), self._within(self._cell(run[-1]))
            if near and not far:
                self._at_edge(run, short, paint, toward_pin=False)
            elif far and not near:
                self._at_edge(tuple(reversed(run)), short, paint, toward_pin=True)

    def _at_edge(self, run: Run, short: str, paint: Paint, toward_pin: bool) -> None:
        """Where a run that starts inside crosses the window's edge."""
        if not self._within(self._cell(run[0])):
            return
        last = self._cell(run[0])
        for step in range(1, 201):
            cell = self._cell(along(run, step / 200))
            if not self._within(cell):
                out = cell
                break
            last = cell
        else:
            return
        arrow = "◂" if out[0] < 0 else "▸" if out[0] >= self.canvas.width else ""
        arrow = arrow or ("▴" if out[1] < 0 else "▾")
        text = short
        if toward_pin:
            text = short + arrow if arrow == "▸" else arrow + short
        self._put(last, text, paint)

    def _put(self, cell: tuple[int, int], text: str, paint: Paint) -> None:
        canvas = self.canvas
        x = min(max(0, cell[0] - len(text) // 2), canvas.width - len(text))
        for down in (0, -1, 1, -2, 2):
            if canvas.is_free(x, cell[1] + down, len(text)):
                canvas.write(x, cell[1] + down, text, paint)
                return

    def _within(self, cell: tuple[int, int]) -> bool:
        return 0 <= cell[0] < self.canvas.width and 0 <= cell[1] < self.canvas.height

    def _cell(self, point: Point) -> tuple[int, int]:
        x, y = self.scale.cell(point)
        return math.floor(x), math.floor(y)


def side_words(side: Side, board: Board) -> str:
    """What the side is called over a picture."""
    return "key side" if side == "key" else "solder side, left and right exchanged"
