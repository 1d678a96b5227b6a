"""What it takes to wire a half: diodes, wire line by line, joints to make.

What lives here: pure sums over a board and its geometry, and the lines of text that say them. The
lengths are those of the picture plus a slack; a real wire wanders, so cut generously.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

from keydiag.board import Board, Line, walk
from keydiag.drawing.geometry import Kind, face_point, lines, wire_joint, wires
from keydiag.drawing.leads import pads

# All of these: common practice, no source.
SLACK = 1.15  # of a wire along its keys: it bends around legs and is never quite taut
LEAD_SLACK = 1.3  # of a lead: it goes around switches, and the half is opened again
END_MM = 10.0  # at either end of a piece: stripped, wrapped round a leg or put into a pin
# How far a diode's leg reaches, bent at the glass: a DO-35 leg is 25.4 mm at least (from memory).
LEG_MM = 25.0


@dataclass(frozen=True)
class LineNeeds:
    """What one line takes; every length in mm, slack included."""

    line: str
    pin: str
    style: str
    keys: int
    legs: int
    """Stretches that are made with the leg of a diode."""
    pieces: tuple[float, ...]
    """Pieces of wire to cut for the line itself, in path order; one piece if it is continuous."""
    lead: float | None
    """The lead; None where the board file does not say where the controller is."""
    joints: int
    """Joints between keys, and the two of the lead. Those at the keys themselves count there."""

    @property
    def wire(self) -> float:
        """All wire of the line, as far as known."""
        return sum(self.pieces) + (self.lead or 0.0)


@dataclass(frozen=True)
class Bill:
    """What a half takes."""

    keys: int
    lines: tuple[LineNeeds, ...]

    @property
    def key_joints(self) -> int:
        """Three at every key: two at its switch's legs, one where it joins its other line."""
        return 3 * self.keys

    @property
    def joints(self) -> int:
        """All joints to make."""
        return self.key_joints + sum(each.joints for each in self.lines)

    @property
    def wire(self) -> float:
        """All wire, in mm, as far as known."""
        return sum(each.wire for each in self.lines)


def bill(board: Board) -> Bill:
    """What this half takes."""
    runs = wires(board)
    chip = pads(board)
    needs: list[LineNeeds] = []
    for kind, name, line in lines(board):
        length = {
            pair: sum(math.dist(a, b) for a, b in zip(run, run[1:], strict=False))
            for pair, run in runs[f"{kind} {name}"].items()
        }
        pieces, legs, between = _made_of(board, kind, line, length)
        lead = None
        if chip is not None:
            first = next(key for _, key in walk(line.path))
            start = face_point(board, first, wire_joint(board, kind))
            lead = LEAD_SLACK * math.dist(start, chip.at[line.pin]) + 2 * END_MM
        needs.append(
            LineNeeds(
                f"{kind} {name}",
                line.pin,
                line.style,
                len(length) + 1,
                legs,
                pieces,
                lead,
                between + 2,
            )
        )
    return Bill(len(board.key), tuple(needs))


def _made_of(
    board: Board, kind: Kind, line: Line, length: dict[tuple[str, str], float]
) -> tuple[tuple[float, ...], int, int]:
    """(pieces of wire, stretches made with a leg, joints between the keys) of a line."""
    if not length:
        return (), 0, 0
    if line.style == "through":
        return (SLACK * sum(length.values()) + 2 * END_MM,), 0, 0
    spliced = {frozenset(pair) for pair in line.splice}
    pieces: list[float] = []
    legs = joints = 0
    for pair, far in length.items():
        # Where no diode sits on this side of the keys there are no legs to chain.
        if board.diode_side == kind and frozenset(pair) not in spliced and far <= LEG_MM:
            legs += 1
            joints += 1
        else:
            pieces.append(SLACK * far + 2 * END_MM)
            joints += 2
    return tuple(pieces), legs, joints


# --- words --------------------------------------------------------------------------------------


def path_words(path: list) -> str:
    """A path as one reads it along the wire: ``L64 > (L65 > L66) > L63``, branches in brackets."""
    return " > ".join(item if isinstance(item, str) else f"({path_words(item)})" for item in path)


def line_words(needs: LineNeeds) -> str:
    """What one line takes, in one sentence."""
    parts = []
    if needs.legs:
        parts.append(f"{needs.legs} diode leg{'s' if needs.legs > 1 else ''} chained")
    if needs.pieces and needs.style == "through":
        parts.append(f"one wire of {_cm(needs.pieces[0])}")
    elif needs.pieces:
        count = Counter(_cm(each) for each in needs.pieces)  # in path order
        cut = ", ".join(
            f"{many} x {length}" if many > 1 else length for length, many in count.items()
        )
        parts.append(f"wire in pieces: {cut}" if len(needs.pieces) > 1 else f"a wire of {cut}")
    parts.append("lead to measure" if needs.lead is None else f"lead {_cm(needs.lead)}")
    parts.append(f"{needs.joints} joints")
    return "; ".join(parts)


def bill_lines(board: Board, aligned: bool = True) -> list[str]:
    """The whole bill as lines of text; aligned for letters of one width, or else not."""
    total = bill(board)
    width = max(len(each.line) for each in total.lines) if aligned else 0
    pin_width = max(len(each.pin) for each in total.lines) if aligned else 0
    known = all(each.lead is not None for each in total.lines)
    out = [
        f"{board.name}: what it takes",
        "",
        f"{total.keys} switches, {total.keys} diodes, one {board.chip}",
        f"wire: {_cm(total.wire)}{'' if known else ' and the leads'}, slack included",
        f"joints: {total.joints}, of these {total.key_joints} at the keys",
        "",
        *(
            f"{each.line:<{width}}  {each.pin:<{pin_width}}  {line_words(each)}"
            for each in total.lines
        ),
        "",
        f"Wire: {100 * (SLACK - 1):.0f} % more than on the picture, leads "
        f"{100 * (LEAD_SLACK - 1):.0f} %, and {END_MM:g} mm at either end of a piece.",
    ]
    if not known:
        out.append("The leads: write [controller] at = [x, y] into the board file, or measure.")
    return out


def _cm(length: float) -> str:
    """A length in mm, rounded up to whole centimetres."""
    return f"{math.ceil(length / 10 - 1e-6)} cm"
