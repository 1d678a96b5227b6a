"""Where an address lies on the half: ``locate`` turns it into spots and runs, in mm.

Addresses are the words of findings and files: ``L23 diode-row joint``, ``L23 diode``, ``L23
switch``, ``L23 node``, ``L23``, ``row R2 between L22 and L23``, ``row R2 lead``, ``row R2``,
``pin PD4``. Coordinates as in geometry.py; nothing is mirrored here.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from keydiag.board import Board
from keydiag.chips import chips
from keydiag.drawing.geometry import (
    Run,
    Wires,
    diode_body,
    face,
    face_point,
    lines,
    node_run,
    wires,
)
from keydiag.drawing.leads import Lead, Pads, leads, pads
from keydiag.errors import UsageError


@dataclass(frozen=True)
class Layout:
    """Everything on the picture of one half, worked out once. Made by ``lay_out``."""

    board: Board
    wires: Wires
    leads: dict[str, Lead]
    pads: Pads | None
    places: dict[str, tuple[Run, ...]]
    """Address -> its runs, for every address the half has a place for, in file order.

    A spot is a run of one point (a joint, the centre of a switch, a pin); a piece of wire or a
    part with an extent is a run of several. Whole lines are several runs, the lead first.
    """

    def locate(self, address: str) -> tuple[Run, ...]:
        """Where an address lies; see ``locate``."""
        words = address.split()
        plain = " ".join(words)
        if plain in self.places:
            return self.places[plain]
        if len(words) == 6 and words[2] == "between" and words[4] == "and":
            other_way = " ".join([*words[:3], words[5], "and", words[3]])
            if other_way in self.places:
                return self.places[other_way]
        if len(words) == 2 and words[0] == "pin" and words[1] in chips()[self.board.chip].ports:
            return ((self.board.controller.at,),) if self.board.controller else ()
        close = difflib.get_close_matches(plain, self.places, n=1)
        example = f"{next(iter(self.board.key))} diode"
        mend = f'did you mean "{close[0]}"?' if close else f'write it like "{example}"'
        raise UsageError(f'place "{plain}": names nothing on {self.board.name}; {mend}')


def lay_out(board: Board) -> Layout:
    """Work out where everything on a half lies."""
    runs = wires(board)
    ways = leads(board, runs)
    chip = pads(board)
    found: dict[str, tuple[Run, ...]] = {}
    for key in board.key:
        centre = (face_point(board, key, "switch"),)
        found[key] = (centre,)
        found[f"{key} switch"] = (centre,)
        found[f"{key} diode"] = (diode_body(board, key),)
        found[f"{key} node"] = (node_run(board, key),)
        for joint in face(board).joints:
            found[f"{key} {joint} joint"] = ((face_point(board, key, joint),),)
    for kind, name, line in lines(board):
        lead, pieces = ways[f"{kind} {name}"], runs[f"{kind} {name}"]
        found[f"{kind} {name}"] = (lead.run, *pieces.values())
        found[f"{kind} {name} lead"] = (lead.run,)
        for (near, far), run in pieces.items():
            found[f"{kind} {name} between {near} and {far}"] = (run,)
        found[f"pin {line.pin}"] = ((chip.at[line.pin] if chip else lead.middle,),)
    return Layout(board, runs, ways, chip, found)


def locate(board: Board, address: str) -> list[Run]:
    """Where an address lies, as spots (runs of one point) and runs, in mm seen from the top.

    A stretch may be named from either end. A pin that no line uses lies at the controller, or
    nowhere if the board file does not say where the controller is. For many addresses of one half
    make a ``Layout`` once and ask that.

    Raises:
        UsageError: the address names nothing on this half.
    """
    return list(lay_out(board).locate(address))


def owner(address: str) -> str:
    """The key, line or pin an address belongs to: ``"L23"``, ``"row R2"``, ``"pin PD1"``."""
    words = address.split()
    return " ".join(words[:2]) if words[0] in ("row", "column", "pin") else words[0]
