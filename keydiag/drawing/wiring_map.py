"""The wiring map of a half: what to solder by, from the key side or the solder side, in true mm.

What lives here: a picture on which every line has a colour and a dash of its own, every key its
number along either path, and the list of the lines. What does not: pictures of findings
(picture.py), paper and PDF (pdf.py), how much of everything is needed (bill.py).

Every part carries its address in a ``data-address`` attribute and every number along a path a
``data-order`` attribute, once per picture.
"""

from __future__ import annotations

import math
import textwrap
from typing import NamedTuple

from keydiag.board import Board
from keydiag.drawing.bill import path_words
from keydiag.drawing.geometry import Kind, Point, Run, distance, face, face_point, lines, place
from keydiag.drawing.parts import (
    JOINT_MM,
    WIRE_MM,
    Ink,
    Inks,
    draw_controller,
    draw_diode,
    draw_flags,
    draw_joint,
    draw_key,
    draw_name,
    draw_offcut,
    draw_wire,
)
from keydiag.drawing.pen import LETTER, Anchor, Pen, Side, document
from keydiag.drawing.places import Layout, lay_out
from keydiag.drawing.style import INK, PAPER

# Apart for most eyes, dark enough on white paper. The first seven are from Okabe and Ito's set
# for colour-blind readers ("Color Universal Design", 2008; from memory), less its yellow.
_COLOURS = (
    "#D55E00", "#0072B2", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000",
    "#7A4A00", "#6A3D9A", "#8A8A00", "#8A1C1C", "#005C42", "#00386B", "#7F7F7F",
)  # fmt: skip
# mm drawn and left out in turn; each shows at least twice between two keys at the usual pitch.
_DASHES = (
    "", "5 1.2", "2.2 1", "1 1", "5 1 1 1", "2.2 2.4", "5 1 1 1 1 1", "0.9 2.2",
    "3.6 1.8", "2.2 1 0.9 1", "0.9 0.8 0.9 2.4", "5 2.8", "4.4 1 2.2 1", "2.2 1 2.2 1 0.9 1",
    "0.9 0.8 0.9 0.8 0.9 2.4",
)  # fmt: skip
BAR_MM = 50.0  # length of the check bar
_ORDER_MM = 1.75  # letter size of the numbers along the paths
_ORDER_ROOM_MM = 5.2  # and the room for one
_ORDER_CLEAR_MM = 1.4  # from the middle of a number to its own wire
# (side of the diode, kind of line) -> where its number has room on the face of a key.
_ORDER_SPOTS: dict[tuple[str, Kind], tuple[tuple[Point, Anchor], ...]] = {
    ("row", "row"): (
        ((2.3, 8.1), "end"), ((4.7, 8.1), "start"), ((2.3, 4.9), "end"), ((4.7, 4.9), "start"),
    ),
    ("row", "column"): (
        ((-3.4, -2.0), "start"), ((-3.4, -4.2), "start"), ((-5.4, -4.2), "end"),
        ((-5.4, 0.2), "end"),
    ),
    ("column", "row"): (
        ((2.3, -6.7), "end"), ((4.7, -6.7), "start"), ((2.3, -3.3), "end"), ((4.7, -3.3), "start"),
    ),
    ("column", "column"): (
        ((5.6, 7.5), "end"), ((7.4, 7.5), "start"), ((5.6, 3.6), "end"), ((7.4, 3.6), "start"),
    ),
}  # fmt: skip
_LIST_MM = 2.6  # letter size of the list of lines
_STEP_MM = 4.6  # from one line of the list to the next

SIDE_WORDS = {
    "key": "key side: as you type on it, the wiring seen through the plate",
    "solder": "solder side: as it faces the iron, left and right exchanged",
}


class Sheet(NamedTuple):
    """A drawing without a frame: SVG elements, and the part of the plane they take up, in mm."""

    content: str
    view: tuple[float, float, float, float]
    """Left, top, right, bottom."""


def inks_of(board: Board) -> dict[str, Ink]:
    """``"row R1"`` -> its colour and dash. No two lines of a half look the same, and up to 14 lines
    no two share a colour or a dash."""
    return {
        f"{kind} {name}": Ink(_COLOURS[n % len(_COLOURS)], _DASHES[n % len(_DASHES)])
        for n, (kind, name, _) in enumerate(lines(board))
    }


def map_sheet(board: Board, side: Side) -> Sheet:
    """The map itself, without words around it."""
    layout = lay_out(board)
    inks = inks_of(board)
    pen = Pen(side)
    for key in board.key:
        draw_key(pen, board, key, side)
    for kind, name, line in lines(board):
        ink = inks[f"{kind} {name}"]
        spliced = {frozenset(pair) for pair in line.splice}
        for (near, far), run in layout.wires[f"{kind} {name}"].items():
            with pen.group(data_address=f"{kind} {name} between {near} and {far}"):
                draw_wire(pen, run, ink)
                if frozenset((near, far)) in spliced:
                    draw_offcut(pen, run, ink)
    for name, lead in layout.leads.items():
        with pen.group(data_address=f"{name} lead"):
            draw_wire(pen, lead.run, inks[name])
    for key in board.key:
        draw_diode(pen, board, key)
        for joint in face(board).joints:
            spot, address = face_point(board, key, joint), f"{key} {joint} joint"
            draw_joint(pen, spot, JOINT_MM, data_address=address)
    _draw_orders(pen, layout, inks)
    for key in board.key:
        draw_name(pen, board, key, "solder")  # small on either side: the middle is for the wires
    draw_flags(pen, layout, inks)
    draw_controller(pen, layout, inks)
    left, top, right, bottom = pen.reach()
    margin = 3.0  # strokes and letters reach a little further than their points
    return Sheet(pen.content(), (left - margin, top - margin, right + margin, bottom + margin))


def _draw_orders(pen: Pen, layout: Layout, inks: Inks) -> None:
    """At every key its number along either path, in the ink of the line: ``R2.3``."""
    board = layout.board
    for kind, name, line in lines(board):
        address = f"{kind} {name}"
        touching: dict[str, list[Run]] = {key: [] for key in _keys(line.path)}
        for pair, run in layout.wires[address].items():
            for key in pair:
                touching[key].append(run)
        touching[layout.leads[address].key].append(layout.leads[address].run)
        for number, (key, runs) in enumerate(touching.items(), start=1):
            words = f"{name}.{number}"
            size = min(_ORDER_MM, _ORDER_ROOM_MM / (LETTER * len(words)))
            long = size * LETTER * len(words)
            spot, anchor = _order_spot(board, key, kind, long, runs)
            style = {"font_weight": "bold", "fill": inks[address].colour, "data_order": address}
            halo = {"paint_order": "stroke", "stroke": PAPER, "stroke_width": 0.5}
            turn = board.key[key].turn
            pen.text(place(board, key, spot), words, size, anchor, turn, **style, **halo)


def _order_spot(
    board: Board, key: str, kind: Kind, long: float, runs: list[Run]
) -> tuple[Point, Anchor]:
    """Where on the face of a key there is room for a number: beside the wire joint, on the first
    side of it where the line's own wire does not run."""
    spots = _ORDER_SPOTS[board.diode_side, kind]

    def clear(spot: tuple[Point, Anchor]) -> float:
        (x, y), anchor = spot
        far = long if anchor == "start" else -long
        ends = [place(board, key, (x + far * share, y)) for share in (0.0, 0.5, 1.0)]
        return min((distance(end, run) for end in ends for run in runs), default=math.inf)

    return next((s for s in spots if clear(s) >= _ORDER_CLEAR_MM), max(spots, key=clear))


def _keys(path: list) -> list[str]:
    return [k for item in path for k in ([item] if isinstance(item, str) else _keys(item))]


# --- words around it ----------------------------------------------------------------------------


def map_svg(board: Board, side: Side) -> str:
    """The map of one side as a self-contained SVG file in true mm, with the list of its lines."""
    sheet = map_sheet(board, side)
    left, top, right, bottom = sheet.view
    right = max(right, left + 150.0)
    page = Pen("key")
    page.text((left, top - 13.0), board.name, 5.0, "start", font_weight="bold", fill=INK)
    page.text((left, top - 7.0), SIDE_WORDS[side], 3.0, "start", fill=INK)
    draw_bar(page, (left, bottom + 5.0))
    below = bottom + 13.0
    for ink, words in line_list(board, right - left):
        draw_entry(page, (left, below), ink, words)
        below += _STEP_MM
    content = f"{sheet.content}\n{page.content()}"
    view = (left - 3.0, top - 18.0, right + 3.0, below)
    return document(content, view, 1.0, f"{board.name}, wiring map, {side} side")


def draw_bar(page: Pen, at: Point) -> None:
    """The bar that shows whether a print is true to scale; 50 mm wide and 3 mm high, then words."""
    x, y = at
    page.line([(x, y), (x + BAR_MM, y)], stroke=INK, stroke_width=0.4, data_bar="50")
    for step in range(6):
        tick = 1.5 if step in (0, 5) else 0.8
        spot = x + step * BAR_MM / 5
        page.line([(spot, y - tick), (spot, y + tick)], stroke=INK, stroke_width=0.3)
    words = "50 mm: measure it on the print; if it is off, print at 100 %, not fitted to the page"
    page.text((x + BAR_MM + 3.0, y), words, 2.4, "start", fill=INK)


def draw_entry(page: Pen, at: Point, ink: Ink | None, words: str) -> None:
    """One entry of a list: a sample of the ink, if any, and its words."""
    x, y = at
    if ink is not None:
        page.line([(x, y), (x + 14.0, y)], stroke=ink.colour, stroke_width=WIRE_MM, **ink.dashed)
    page.text((x + 17.0, y), words, _LIST_MM, "start", fill=INK)


def line_list(board: Board, width: float) -> list[tuple[Ink | None, str]]:
    """The lines with their pins and paths, broken to a width in mm: what to solder, in order."""
    inks = inks_of(board)
    letters = max(30, int((width - 17.0) / (0.55 * _LIST_MM)))
    found: list[tuple[Ink | None, str]] = []
    for kind, name, line in lines(board):
        made = "chained" if line.style == "chain" else "one wire"
        words = f"{kind} {name}, pin {line.pin}, {made}: {path_words(line.path)}"
        first, *more = textwrap.wrap(words, letters, subsequent_indent="      ") or [words]
        found.append((inks[f"{kind} {name}"], first))
        found += [(None, each) for each in more]
    return found
