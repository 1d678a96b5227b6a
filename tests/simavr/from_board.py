"""A board file's half as a netlist for the simulator, with a node on either side of every joint, so
that a fault is one `cut`, one `join` or one changed line of text.

For a key K on row R and column C with the diode on the row side (on the other side the words row
and column change places):

    C's wire at K    cw:K  -switch-column joint-  a:K  [switch K]  b:K  -switch-diode joint-  c:K
                     c:K  |>|  d:K  -diode-row joint-  rw:K    R's wire at K

A line's lead is `lead:R` at the pad; its pin joint and the lead itself are `lead:R` - wire of the
first key. Stretches run from wire node to wire node (`rw:A` - `rw:B`).
"""

from __future__ import annotations

from keydiag.board import Board, walk


def row_wire(key: str) -> str:
    return f"rw:{key}"


def column_wire(key: str) -> str:
    return f"cw:{key}"


def diode(board: Board, key: str, *, turned: bool = False) -> str:
    """The netlist line of a key's diode, as the board file says or turned round."""
    toward_row = board.cathode_at == "row"
    # c:K is the diode's end at the switch, d:K the one at the wire.
    ends = ("c", "d") if toward_row == (board.diode_side == "row") else ("d", "c")
    if turned:
        ends = ends[::-1]
    return f"diode {ends[0]}:{key} {ends[1]}:{key}"


def netlist(board: Board) -> str:
    """The healthy half. Switches carry the names of the keys."""
    lines: list[str] = []
    for kind, wires in (("row", board.row), ("column", board.column)):
        at = row_wire if kind == "row" else column_wire
        for name, line in wires.items():
            lines.append(f"pin {line.pin} lead:{name}")
            for before, key in walk(line.path):
                lines.append(f"wire {at(before) if before else f'lead:{name}'} {at(key)}")
    for key in board.key:
        near, far = column_wire(key), row_wire(key)
        if board.diode_side == "column":
            near, far = far, near
        lines += [
            f"wire {near} a:{key}",
            f"switch {key} a:{key} b:{key}",
            f"wire b:{key} c:{key}",
            diode(board, key),
            f"wire d:{key} {far}",
        ]
    return "\n".join(lines) + "\n"
