"""Where an address lies on the half: ``locate`` turns it into spots and runs, in mm.

Addresses are the words of findings and files: ``L23 diode-row joint``, ``L23 diode``, ``L23
switch``, ``L23 node``, ``L23``, ``row R2 between L22 and L23``, ``row R2 lead``, ``row R2``,
``pin PD4``. Coordinates as in geometry.py; nothing is mirrored here.
"""

from __future__ import annotations

import difflib

from keydiag.board import Board
from keydiag.chips import chips
from keydiag.errors import UsageError
from keydiag.geometry import (
    Run,
    face,
    face_point,
    lines,
    node_run,
    stretches,
)
from keydiag.leads import leads, pads


def addresses(board: Board) -> dict[str, tuple[Run, ...]]:
    """Every address this half has a place for, with that place; the order is that of the file.

    A spot is a run of one point (a joint, the centre of a switch, a pin); a piece of wire or a
    part with an extent is a run of several. Whole lines are several runs, the lead first.
    """
    found: dict[str, tuple[Run, ...]] = {}
    for key in board.key:
        centre = (face_point(board, key, "switch"),)
        found[key] = (centre,)
        found[f"{key} switch"] = (centre,)
        found[f"{key} diode"] = (
            (face_point(board, key, "anode"), face_point(board, key, "cathode")),
        )
        found[f"{key} node"] = (node_run(board, key),)
        for joint in face(board).joints:
            found[f"{key} {joint} joint"] = ((face_point(board, key, joint),),)
    ways = leads(board)
    chip = pads(board)
    for kind, name, line in lines(board):
        lead = ways[f"{kind} {name}"]
        pieces = stretches(board, kind, name)
        found[f"{kind} {name}"] = (lead.run, *pieces.values())
        found[f"{kind} {name} lead"] = (lead.run,)
        for (near, far), run in pieces.items():
            found[f"{kind} {name} between {near} and {far}"] = (run,)
        found[f"pin {line.pin}"] = ((chip.at[line.pin] if chip else lead.middle,),)
    return found


def locate(board: Board, address: str) -> list[Run]:
    """Where an address lies, as spots (runs of one point) and runs, in mm seen from the top.

    A stretch may be named from either end. A pin that no line uses lies at the controller, or
    nowhere if the board file does not say where the controller is.

    Raises:
        UsageError: the address names nothing on this half.
    """
    return list(locate_all(board, [address])[address])


def locate_all(board: Board, wanted: list[str]) -> dict[str, tuple[Run, ...]]:
    """``locate`` for several addresses at once, which is quicker than one by one."""
    known = addresses(board)
    return {address: _find(board, known, address) for address in wanted}


def _find(board: Board, known: dict[str, tuple[Run, ...]], address: str) -> tuple[Run, ...]:
    words = address.split()
    plain = " ".join(words)
    if plain in known:
        return known[plain]
    if len(words) == 6 and words[2] == "between" and words[4] == "and":
        other_way = " ".join([*words[:3], words[5], "and", words[3]])
        if other_way in known:
            return known[other_way]
    if len(words) == 2 and words[0] == "pin" and words[1] in chips()[board.chip].ports:
        return ((board.controller.at,),) if board.controller else ()
    close = difflib.get_close_matches(plain, known, n=1)
    mend = f'did you mean "{close[0]}"?' if close else f'write it like "{next(iter(known))} diode"'
    raise UsageError(f'place "{plain}": names nothing on {board.name}; {mend}')


def owner(address: str) -> str:
    """The key, line or pin an address belongs to: ``"L23"``, ``"row R2"``, ``"pin PD1"``."""
    words = address.split()
    return " ".join(words[:2]) if words[0] in ("row", "column", "pin") else words[0]
