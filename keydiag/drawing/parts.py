"""The single parts of a picture: caps, switches, diodes, joints, wires, flags, the controller.

What lives here: how each part looks, in whatever ink its line has. What does not: what is drawn in
which order (picture.py, wiring_map.py), and where it lies (geometry.py, leads.py, places.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from keydiag.board import Board
from keydiag.drawing.geometry import (
    SWITCH_MM,
    Point,
    Run,
    along,
    diode_run,
    face,
    lines,
    name_spot,
    outline,
    place,
)
from keydiag.drawing.marks import square
from keydiag.drawing.pen import BOLD_LETTER, LETTER, Pen, Side
from keydiag.drawing.places import Layout
from keydiag.drawing.style import (
    BODY,
    BODY_EDGE,
    CAP,
    CAP_EDGE,
    CHIP,
    CHIP_EDGE,
    GLASS,
    GLASS_EDGE,
    INK,
    LEG,
    PAD,
    PAPER,
    SOLDER,
)

WIRE_MM = 0.9  # width of a wire as drawn
JOINT_MM = 1.0  # radius of a joint as drawn


class Ink(NamedTuple):
    """How the wires of one line are drawn: colour, and mm drawn and left out in turn ("" solid)."""

    colour: str
    dash: str = ""

    @property
    def dashed(self) -> dict[str, str]:
        """The dash as an attribute."""
        return {"stroke_dasharray": self.dash} if self.dash else {}


Inks = Mapping[str, Ink]
"""``"row R1"`` -> its ink, for every line."""


def draw_key(pen: Pen, board: Board, key: str, side: Side) -> None:
    """The cap and the body of a key's switch, which hide nothing."""
    with pen.group(data_address=key):
        edge = {"stroke": CAP_EDGE, "stroke_width": 0.3, "stroke_linejoin": "round"}
        pen.polygon(outline(board, key), fill=CAP if side == "solder" else PAPER, **edge)
        edge = {"stroke": BODY_EDGE, "stroke_width": 0.25, "stroke_linejoin": "round"}
        body = square(board, key, SWITCH_MM / 2)
        fill = BODY if side == "solder" else CAP
        pen.polygon(body, data_address=f"{key} switch", fill=fill, **edge)


def draw_name(pen: Pen, board: Board, key: str, side: Side) -> None:
    """The name of a key where there is room for it, on the key side its legend as well."""
    turn, legend = board.key[key].turn, board.key[key].legend

    def write(text: str, at: Point, size: float, weight: str, halo: float) -> None:
        edge = {"paint_order": "stroke", "stroke": PAPER, "stroke_linejoin": "round"}
        style = {"font_weight": weight, "fill": INK, "stroke_width": halo, **edge}
        pen.text(place(board, key, at), text, size, "middle", turn, **style)

    if side == "solder":  # in the free space between the column wire and the diode
        write(key, name_spot(board), min(2.6, 5.4 / (BOLD_LETTER * len(key))), "bold", 0.5)
        return
    size = min(4.4, 14.0 / (BOLD_LETTER * len(key)))
    write(key, (0.0, -1.8 if legend else 0.0), size, "bold", 0.9)
    if legend:
        write(legend, (0.0, 3.0), min(3.4, 15.0 / (LETTER * len(legend))), "normal", 0.9)


def draw_wire(pen: Pen, run: Run, ink: Ink) -> None:
    """A piece of wire, with a gap in whatever it passes over."""
    pen.line(run, stroke=PAPER, stroke_width=WIRE_MM + 1.0)
    style = {"stroke_width": WIRE_MM, "stroke_linejoin": "round", **ink.dashed}
    pen.line(run, stroke=ink.colour, **style)


def draw_offcut(pen: Pen, run: Run, ink: Ink) -> None:
    """The middle of a spliced stretch: hollow, with a joint at either end."""
    offcut = tuple(along(run, share / 20) for share in range(5, 16))
    pen.line(offcut, stroke=ink.colour, stroke_width=2.0)
    pen.line(offcut, stroke=PAPER, stroke_width=0.8)
    for end in (offcut[0], offcut[-1]):
        draw_joint(pen, end, 0.8)


def draw_diode(pen: Pen, board: Board, key: str) -> None:
    """The diode of a key with its legs and its dark band at the cathode."""
    parts = face(board)
    (x1, y1), (x2, y2) = parts.body
    wide = (0.95, 0.0) if x1 == x2 else (0.0, 0.95)  # half the glass, a little over DO-35's

    def across(start: float, stop: float) -> Run:
        """The body between two shares of its length, as a rectangle."""
        a = x1 + (x2 - x1) * start, y1 + (y2 - y1) * start
        b = x1 + (x2 - x1) * stop, y1 + (y2 - y1) * stop
        corners = [
            *((x - wide[0], y - wide[1]) for x, y in (a, b)),
            *((x + wide[0], y + wide[1]) for x, y in (b, a)),
        ]
        return tuple(place(board, key, corner) for corner in corners)

    with pen.group(data_address=f"{key} diode"):
        pen.line(diode_run(board, key), stroke=LEG, stroke_width=0.5, stroke_linejoin="round")
        edge = {"stroke": GLASS_EDGE, "stroke_width": 0.25, "stroke_linejoin": "round"}
        pen.polygon(across(0.0, 1.0), fill=GLASS, **edge)
        pen.polygon(across(0.06, 0.32) if parts.band_first else across(0.68, 0.94), fill=INK)


def draw_joint(pen: Pen, spot: Point, radius: float, **address: str) -> None:
    """One solder joint."""
    pen.dot(spot, radius, fill=SOLDER, stroke=INK, stroke_width=0.3, **address)


def draw_flags(pen: Pen, layout: Layout, inks: Inks) -> None:
    """The flag at the end of every lead: its line and its pin."""
    for name, lead in layout.leads.items():
        # The pins themselves are on the controller, if it is drawn.
        address = {} if layout.pads else {"data_address": f"pin {lead.pin}"}
        with pen.group(**address):
            edge = inks[name].colour
            pen.box(lead.flag, 1.0, fill=PAPER, stroke=edge, stroke_width=0.4)
            words = f"{lead.line} {lead.pin}"
            pen.text(lead.middle, words, 2.6, "middle", font_weight="bold", fill=INK)


def draw_controller(pen: Pen, layout: Layout, inks: Inks) -> None:
    """The controller with the pins in use, where its place is known."""
    board, chip = layout.board, layout.pads
    if chip is None:
        return
    left, top, right, _ = chip.box
    pen.box(chip.box, 1.2, fill=CHIP, stroke=CHIP_EDGE, stroke_width=0.4)
    pen.text(((left + right) / 2, top + 2.0), board.chip, 2.0, "middle", fill=INK)
    for kind, name, line in lines(board):
        x, y = chip.at[line.pin]
        edge = {"fill": PAD, "stroke": INK, "stroke_width": 0.25}
        pen.dot((x, y), 0.75, data_address=f"pin {line.pin}", **edge)
        if line.pin in chip.left:
            pen.text((x + 1.3, y), line.pin, 1.8, "start", font_weight="bold", fill=INK)
            pen.text((x - 2.0, y), name, 1.8, "end", fill=inks[f"{kind} {name}"].colour)
        else:
            pen.text((x - 1.3, y), line.pin, 1.8, "end", font_weight="bold", fill=INK)
            pen.text((x + 2.0, y), name, 1.8, "start", fill=inks[f"{kind} {name}"].colour)
