"""The picture of a half: key side or solder side, in true mm, with the suspected places marked.

What lives here: what is drawn and in which order. What does not: where things lie (geometry.py,
leads.py, places.py), how single parts look (parts.py), mirroring and SVG syntax (pen.py), rings
and labels (marks.py).

Every part carries its address in a ``data-address`` attribute, once per picture. The half is drawn
by a pen that mirrors; the words around it by a second pen, in the coordinates of the picture.
"""

from __future__ import annotations

from collections.abc import Sequence

from keydiag.board import Board
from keydiag.drawing.geometry import Point, box, face, face_point, lines
from keydiag.drawing.marks import (
    Places,
    anchor_of,
    draw_glow,
    draw_label,
    draw_list,
    draw_marks,
    draw_part_names,
    part_names,
)
from keydiag.drawing.parts import (
    JOINT_MM,
    WIRE_MM,
    Ink,
    draw_controller,
    draw_diode,
    draw_flags,
    draw_joint,
    draw_key,
    draw_name,
    draw_offcut,
    draw_wire,
)
from keydiag.drawing.pen import Pen, Side, document, inset
from keydiag.drawing.places import Layout, lay_out, locate, owner
from keydiag.drawing.style import COLUMN, GLASS, GLASS_EDGE, INK, ROW

__all__ = ["face_point", "locate", "svg", "zoom_svg"]

_INK = {"row": Ink(ROW), "column": Ink(COLUMN, "2.6 0.9")}
_SIDE_WORDS = {
    "key": "key side, as you type on it",
    "solder": "solder side, as it faces the iron: left and right are exchanged",
}
_LEGEND_MM = 100.0  # width of the words under a picture


def svg(
    board: Board,
    side: Side = "solder",
    highlight: Sequence[str] = (),
    title: str | None = None,
) -> str:
    """The whole half as one self-contained SVG file in true mm (prints 1:1).

    Args:
        board: the half.
        side: ``"key"`` as one types on it, ``"solder"`` as it faces the iron.
        highlight: addresses to ring and label; several are numbered in this order.
        title: heading; the board's name if None.

    Raises:
        UsageError: an address names nothing on this half.
    """
    layout = lay_out(board)
    places = {address: layout.locate(address) for address in highlight}
    pen, page = Pen(side), Pen("key")
    _draw_half(pen, layout, side, places)
    anchors = draw_marks(pen, board, places)
    if len(places) == 1:
        flags = [
            box([pen.to_view(lead.flag[:2]), pen.to_view(lead.flag[2:])])
            for lead in layout.leads.values()
        ]
        for address, anchor in anchors.items():
            draw_label(page, pen, board, address, anchor, flags)
    reached = [pen.reach()] + ([page.reach()] if len(anchors) == 1 else [])
    left = min(each[0] for each in reached) - 4.0
    top = min(each[1] for each in reached)
    right = max(*(each[2] for each in reached), left + _LEGEND_MM) + 4.0
    bottom = max(each[3] for each in reached) + 7.0
    heading = title or board.name
    page.text((left + 2.0, top - 12.5), heading, 5.0, "start", font_weight="bold", fill=INK)
    page.text((left + 2.0, top - 7.0), _SIDE_WORDS[side], 3.0, "start", fill=INK)
    if len(places) > 1:
        bottom += draw_list(page, places, left + 2.0, bottom) + 2.0
    nowhere = [address for address in places if address not in anchors]
    if nowhere:
        words = f"not on this picture: {', '.join(nowhere)}"
        page.text((left + 2.0, bottom), words, 2.8, "start", font_weight="bold", fill=INK)
        bottom += 6.0
    _draw_legend(page, left + 2.0, bottom)
    content = f"{pen.content()}\n{page.content()}"
    view = (left, top - 18.0, right, bottom + 10.0)
    return document(content, view, 1.0, f"{heading}, {side} side")


def zoom_svg(
    board: Board,
    highlight: str | Sequence[str],
    side: Side = "solder",
    title: str | None = None,
    radius_mm: float = 19.05,
    scale: float = 2.0,
) -> str:
    """The neighbourhood of a suspected place, enlarged, with the parts of its key named.

    Args:
        board: the half.
        highlight: the suspected address, or several; the picture is centred on the first.
        side: as in ``svg``.
        title: heading; the first address if None.
        radius_mm: how far around the place to show, in mm of the half.
        scale: enlargement over true size.

    Raises:
        UsageError: an address names nothing on this half.
        ValueError: no address was given.
    """
    wanted = [highlight] if isinstance(highlight, str) else list(highlight)
    if not wanted:
        raise ValueError("zoom_svg needs at least one address")
    names = part_names(board, wanted)
    layout = lay_out(board)
    named = {address: layout.locate(address) for address in names}
    places = {address: named[address] for address in wanted}
    key, runs = owner(wanted[0]), places[wanted[0]]
    if key in board.key:
        focus = face_point(board, key, "switch")
    else:
        focus = anchor_of(board, wanted[0], runs) if runs else _middle(board)
    x, y = Pen(side).to_view(focus)
    window = (x - 1.25 * radius_mm, y - radius_mm, x + 1.25 * radius_mm, y + radius_mm)
    pen, page = Pen(side, window), Pen("key")
    _draw_half(pen, layout, side, places)
    draw_marks(pen, board, places)
    margin = draw_part_names(page, pen, board, named, names, window)
    words = title or (wanted[0] if len(wanted) == 1 else f"{board.name}, {key}")
    head = window[0] - margin + 1.0
    page.text((head, window[1] - 6.0), words, 2.8, "start", font_weight="bold", fill=INK)
    page.text((head, window[1] - 2.4), _SIDE_WORDS[side], 1.9, "start", fill=INK)
    content = f"{inset(pen.content(), window)}\n{page.content()}"
    whole = (window[0] - margin, window[1] - 8.5, window[2] + margin, window[3] + 1.0)
    return document(content, whole, scale, f"{words}, {side} side")


def _middle(board: Board) -> Point:
    left, top, right, bottom = box([key.at for key in board.key.values()])
    return (left + right) / 2, (top + bottom) / 2


# --- the half -----------------------------------------------------------------------------------


def _draw_half(pen: Pen, layout: Layout, side: Side, places: Places) -> None:
    board = layout.board
    for key in board.key:
        draw_key(pen, board, key, side)
    draw_glow(pen, places)
    # From the key side the wiring lies underneath and is drawn faintly.
    with pen.group(opacity=0.5 if side == "key" else 1.0):
        for kind, name, line in lines(board):
            spliced = {frozenset(pair) for pair in line.splice}
            for (near, far), run in layout.wires[f"{kind} {name}"].items():
                with pen.group(data_address=f"{kind} {name} between {near} and {far}"):
                    draw_wire(pen, run, _INK[kind])
                    if frozenset((near, far)) in spliced:
                        draw_offcut(pen, run, _INK[kind])
        for name, lead in layout.leads.items():
            with pen.group(data_address=f"{name} lead"):
                draw_wire(pen, lead.run, _INK[lead.kind])
        for key in board.key:
            draw_diode(pen, board, key)
            for joint in face(board).joints:
                spot, address = face_point(board, key, joint), f"{key} {joint} joint"
                draw_joint(pen, spot, JOINT_MM, data_address=address)
    for key in board.key:
        draw_name(pen, board, key, side)
    inks = {f"{kind} {name}": _INK[kind] for kind, name, _ in lines(board)}
    draw_flags(pen, layout, inks)
    draw_controller(pen, layout, inks)


def _draw_legend(page: Pen, left: float, top: float) -> None:
    """What the signs mean, and a scale of 20 mm; two lines of ``_LEGEND_MM``."""
    x = left
    for kind, ink in _INK.items():
        style = {"stroke": ink.colour, "stroke_width": WIRE_MM, **ink.dashed}
        page.line([(x, top), (x + 8.0, top)], **style)
        page.text((x + 9.0, top), kind, 2.4, "start", fill=INK)
        x += 22.0
    draw_joint(page, (x + 1.0, top), JOINT_MM)
    page.text((x + 3.0, top), "joint", 2.4, "start", fill=INK)
    x += 14.0
    edge = {"stroke": GLASS_EDGE, "stroke_width": 0.25}
    page.box((x, top - 0.95, x + 4.0, top + 0.95), 0.2, fill=GLASS, **edge)
    page.box((x + 2.8, top - 0.95, x + 3.7, top + 0.95), 0.0, fill=INK)
    page.text((x + 5.5, top), "diode, dark band: cathode", 2.4, "start", fill=INK)
    below = top + 6.0
    page.line([(left, below), (left + 20.0, below)], stroke=INK, stroke_width=0.5)
    for x in (left, left + 20.0):
        page.line([(x, below - 1.2), (x, below + 1.2)], stroke=INK, stroke_width=0.5)
    page.text((left + 22.0, below), "20 mm", 2.4, "start", fill=INK)
    words = "flags: line and controller pin; parts as a scheme"
    page.text((left + 36.0, below), words, 2.4, "start", fill=INK)
