"""The marks on a picture: what is suspected is highlighted, ringed, numbered and named.

What lives here: rings, numbers and labels, on the picture of picture.py. What does not: where an
address lies (places.py), where a label has room (callouts.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from keydiag.board import Board
from keydiag.drawing.callouts import Box, edge_toward, place_callout
from keydiag.drawing.geometry import (
    SWITCH_MM,
    Point,
    Run,
    along,
    face,
    name_spot,
    outline,
    place,
    spots,
)
from keydiag.drawing.pen import BOLD_LETTER, Anchor, Pen
from keydiag.drawing.places import owner
from keydiag.drawing.style import INK, MARK, PAPER

_LABEL_MM = 2.8  # letter size of labels on the whole half
_LIST_STEP_MM = 4.4  # from one line of the list of marks to the next
_NAME_MM = 2.1  # letter size of names beside a zoom, before it is enlarged

Places = Mapping[str, tuple[Run, ...]]


def draw_glow(pen: Pen, places: Places) -> None:
    """Highlighter under every marked run, so that wires and parts stay readable on it."""
    ends = {"stroke_linecap": "round", "stroke_linejoin": "round"}
    runs = [run for each in places.values() for run in each if len(run) > 1]
    for run in runs:
        pen.line(run, stroke=INK, stroke_width=5.0, **ends)
    for run in runs:
        pen.line(run, stroke=MARK, stroke_width=4.3, **ends)


def draw_marks(pen: Pen, board: Board, places: Places) -> dict[str, Point]:
    """Ring every marked spot and, if there are several marks, number them.

    Returns the point each label belongs to, in the order of the places; places that are nowhere
    on the picture are left out.
    """
    for address in sorted(places, key=lambda each: each.endswith(" joint")):  # joints on top
        for run in places[address]:
            if len(run) == 1:
                _draw_ring(pen, board, address, run[0])
    anchors = {address: anchor_of(board, address, runs) for address, runs in places.items() if runs}
    if len(places) > 1:
        for address, number in numbers(places).items():
            if address in anchors:
                spot = _badge_spot(board, address, anchors[address])
                pen.dot(spot, 1.7, fill=INK, stroke=PAPER, stroke_width=0.3)
                pen.text(spot, str(number), 2.4, font_weight="bold", fill=PAPER)
    return anchors


def numbers(addresses: Iterable[str]) -> dict[str, int]:
    """The number each mark bears, from 1."""
    return {address: number for number, address in enumerate(addresses, start=1)}


def _draw_ring(pen: Pen, board: Board, address: str, spot: Point) -> None:
    key = owner(address)
    shape: Run = (spot,)
    if address == key and key in board.key:
        shape = outline(board, key, 0.6)
    elif address == f"{key} switch":
        shape = square(board, key, SWITCH_MM / 2 + 0.4)
    for width, colour in ((1.5, INK), (0.9, MARK)):
        if len(shape) == 1:
            pen.dot(spot, 2.1, fill="none", stroke=colour, stroke_width=width)
        else:
            style = {"fill": "none", "stroke": colour, "stroke_linejoin": "round"}
            pen.polygon(shape, stroke_width=width, **style)


def square(board: Board, key: str, half: float) -> Run:
    """The corners of a square around the centre of a key, turned with it; half its side in mm."""
    corners = ((-half, -half), (half, -half), (half, half), (-half, half))
    return tuple(place(board, key, corner) for corner in corners)


def anchor_of(board: Board, address: str, runs: tuple[Run, ...]) -> Point:
    """The point a label of this address hangs on."""
    key = owner(address)
    if key in board.key and address in (key, f"{key} switch"):
        return place(board, key, (-6.5, -6.5))  # a corner: the middle is full of other things
    run = runs[len(runs) // 2]
    return along(run, 0.5) if len(run) > 1 else run[0]


def _badge_spot(board: Board, address: str, anchor: Point) -> Point:
    """Beside the mark, away from the middle of the key."""
    key = owner(address)
    if key in board.key:
        x, y = board.key[key].at
    elif key.startswith("pin ") and board.controller is not None:
        x, y = board.controller.at[0], anchor[1]
    else:
        return anchor
    dx, dy = anchor[0] - x, anchor[1] - y
    length = (dx * dx + dy * dy) ** 0.5 or 1.0
    far = 1.0 if key in board.key and address in (key, f"{key} switch") else 4.0
    return anchor[0] + dx / length * far, anchor[1] + dy / length * far


# --- labels on the whole half -------------------------------------------------------------------


def draw_label(
    page: Pen, pen: Pen, board: Board, address: str, at: Point, taken: list[Box]
) -> None:
    """Name the only mark of a picture, where the label hides the least.

    Args:
        page: draws in picture coordinates.
        pen: the pen of the half, for its mirroring.
        address: what to write.
        at: the point the label belongs to, as seen from the top.
        taken: boxes the label may not cover, in picture coordinates.
    """
    x, y = pen.to_view(at)
    clear = [pen.to_view(spot) for key in board.key for spot in spots(board, key)]
    clear += [pen.to_view(place(board, key, name_spot(board))) for key in board.key]  # twice as bad
    width = len(address) * _LABEL_MM * BOLD_LETTER + 3.0
    label = place_callout((x, y), width, 5.4, clear, [*taken, (x - 3, y - 3, x + 3, y + 3)])
    leader = (edge_toward(label, (x, y)), (x, y))
    page.line(leader, stroke=PAPER, stroke_width=1.0)
    page.line(leader, stroke=INK, stroke_width=0.4)
    page.dot((x, y), 0.45, fill=INK)
    page.box(label, 0.8, fill=PAPER, stroke=INK, stroke_width=0.4)
    words = ((label[0] + label[2]) / 2, (label[1] + label[3]) / 2)
    page.text(words, address, _LABEL_MM, "middle", font_weight="bold", fill=INK)


def draw_list(page: Pen, addresses: Iterable[str], left: float, top: float) -> float:
    """The numbered marks as a list; returns its height in mm."""
    below = top
    for address, number in numbers(addresses).items():
        page.dot((left + 1.7, below), 1.7, fill=INK)
        page.text((left + 1.7, below), str(number), 2.4, font_weight="bold", fill=PAPER)
        page.text((left + 4.6, below), address, _LABEL_MM, "start", font_weight="bold", fill=INK)
        below += _LIST_STEP_MM
    return below - top


# --- names beside a zoom ------------------------------------------------------------------------


def part_names(board: Board, wanted: list[str]) -> dict[str, str]:
    """Address -> what to write for it beside a zoom.

    Whatever is wanted, numbered like the marks, and the other joints and the diode of the key the
    first of them is on.
    """
    key = owner(wanted[0])
    shown = list(wanted)
    if key in board.key:
        parts = [f"{joint} joint" for joint in face(board).joints] + ["diode"]
        shown += [f"{key} {part}" for part in parts if f"{key} {part}" not in wanted]
    number = numbers(wanted) if len(wanted) > 1 else {}
    return {
        address: (f"{number[address]}  " if address in number else "")
        + (address.removeprefix(f"{key} ") if key in board.key else address)
        for address in shown
    }


def draw_part_names(
    page: Pen, pen: Pen, board: Board, places: Places, names: Mapping[str, str], window: Box
) -> float:
    """Names in the margins left and right of a zoom, with leaders; returns the margin in mm."""
    spots: dict[str, Point] = {}
    for address, runs in places.items():
        if runs and address in names:
            x, y = pen.to_view(anchor_of(board, address, runs))
            if window[0] < x < window[2] and window[1] < y < window[3]:
                spots[address] = (x, y)
    centre = (window[0] + window[2]) / 2
    for left in (True, False):
        side = [a for a in spots if (spots[a][0] < centre) == left]
        side.sort(key=lambda a: spots[a][1])
        levels = [spots[a][1] for a in side]
        for index in range(1, len(levels)):  # push down what would overlap
            levels[index] = max(levels[index], levels[index - 1] + 2.0 * _NAME_MM)
        edge = window[0] - 0.8 if left else window[2] + 0.8
        for address, level in zip(side, levels, strict=True):
            leader = (spots[address], (edge, level))
            page.line(leader, stroke=PAPER, stroke_width=0.7)
            page.line(leader, stroke=INK, stroke_width=0.25)
            page.dot(spots[address], 0.35, fill=INK)
            beside = (edge - 0.6 if left else edge + 0.6, level)
            weight = "bold" if address in list(names)[: _count_wanted(names)] else "normal"
            anchor: Anchor = "end" if left else "start"
            page.text(beside, names[address], _NAME_MM, anchor, font_weight=weight, fill=INK)
    return max((len(names[a]) for a in spots), default=4) * _NAME_MM * BOLD_LETTER + 2.6


def _count_wanted(names: Mapping[str, str]) -> int:
    """How many of the names are suspected places: the numbered ones, or else the first."""
    return sum(name[0].isdigit() for name in names.values()) or 1
