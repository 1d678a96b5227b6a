"""Which looks and meter checks a half needs before power, in the order in which to make them.

Expected readings and their sources: a good silicon diode shows 0.5 to 0.8 V on the diode range
(Minipa ET-3702A manual, p. 36; FLIR CM174 manual, 5.8, has 0.40 to 0.80 V), OL the other way
round, 0 V both ways if shorted, OL both ways if open (FLIR). A continuity buzzer sounds below some
50 to 150 ohm, depending on the meter. Between two pins of an unpowered chip the protection
diodes of its inputs may conduct: from a line to the supply and on from ground to the other line
is two of them in series, so more than 1 V is nothing to worry about (from memory; no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from keydiag.board import Board, keys_of
from keydiag.circuit import Circuit, Point
from keydiag.diagnosis.meter import MeterTest
from keydiag.faults.catalogue import neighbour_pins

Kind = Literal["look", "rails", "lines", "diode"]
"""look: yes or no. rails: which of ground and supply a beep was heard to. lines: which lines
showed a reading. diode: a reading in volts."""

SECTIONS = {
    "looks": (
        "Looks",
        "Unplugged, good light, a magnifier. Turn the half over: work from the solder side.",
    ),
    "supply": (
        "Supply and ground",
        "Unplugged. Meter on continuity. One lead stays clipped, the other touches.",
    ),
    "lines": (
        "Line against line",
        "Unplugged, no key held. Meter on the diode range. Red clipped where it says, black "
        "touches one wire after the other. Write down what shows less than 0.9 V.",
    ),
    "diodes": (
        "Diodes, line by line",
        "Unplugged, no key held. Meter on the diode range. One lead stays clipped on the line's "
        "pin, the other touches, at one key after the other, the leg where switch and diode meet. "
        "Write every reading down: one that differs from its neighbours by 0.1 V or more is worth "
        "a second look, and the sheet is what the next build is compared with.",
    ),
}


@dataclass(frozen=True)
class Check:
    """One thing to look at or to measure."""

    code: str
    """What the answer is filed under: ``"look usb"``, ``"supply"``, ``"row R1"``, ``"L23"``."""
    section: str
    kind: Kind
    what: str
    expect: str
    tests: tuple[MeterTest, ...] = ()
    """The readings, unpowered and no key held: one for each line touched, or the one diode."""
    touched: tuple[str, ...] = ()
    """Kind lines: the lines touched, in the order of the tests."""


def sheet(board: Board) -> tuple[Check, ...]:
    """Every check of this half, in order."""
    circuit = Circuit(board)
    return (*_looks(board), *_supply(circuit), *_lines(circuit), *_diodes(circuit))


def _looks(board: Board) -> list[Check]:
    toward = f"to its {board.cathode_at} wire"
    looks = [
        ("plug", "The cable, the other half and the link cable", "all unplugged"),
        (
            "meter",
            "The meter itself: leads together on continuity; a loose diode of the same bag on the "
            "diode range, both ways round",
            "it beeps; 0.5 to 0.8 V with black on the dark band, OL the other way: write that "
            "reading down",
        ),
        ("clippings", "Cut ends and drops of solder between pins and under the wires", "none"),
        ("usb", "The shell of the socket and the pins beside it", "no wire or solder touches"),
        ("crossings", "Every place where a bare wire passes over another", "a gap, or insulation"),
        ("joints", "Every joint", "smooth and wetted: none grey, lumpy, ring-cracked or lifted"),
    ]
    checks = [Check(f"look {code}", "looks", "look", what, expect) for code, what, expect in looks]
    side = board.row if board.diode_side == "row" else board.column
    for name, line in side.items():
        keys = ", ".join(keys_of(line))
        checks.append(
            Check(
                f"bands {name}",
                "looks",
                "look",
                f"Dark bands on {board.diode_side} {name}: {keys}",
                f"each looks {toward}",
            )
        )
    return checks


def _supply(circuit: Circuit) -> list[Check]:
    checks = [
        Check(
            "supply",
            "supply",
            "look",
            "Supply pin against ground pin of the controller, then with the leads exchanged",
            "no beep either way; on the ohm range the reading climbs as capacitors fill: write "
            "down where it settles",
        )
    ]
    for name in circuit.line_names:
        pin = circuit.line_file[name].pin
        what = f"{name} (pin {pin}) against ground, then against the supply"
        checks.append(Check(f"{name} rails", "supply", "rails", what, "no beep"))
    return checks


def _lines(circuit: Circuit) -> list[Check]:
    """Every pair of lines once. Red is on the anodes' side where a row meets a column, so that a
    switch that is closed for good shows as one diode."""
    anodes = "column" if circuit.board.cathode_at == "row" else "row"
    ordered = sorted(circuit.line_names, key=lambda name: not name.startswith(anodes))
    neighbours = neighbour_pins(circuit)
    checks = []
    for place, name in enumerate(ordered[:-1]):
        mine = circuit.pin_of_line[name]

        def is_far(other: str, mine: int = mine) -> bool:
            its = circuit.pin_of_line[other]
            return (min(mine, its), max(mine, its)) not in neighbours

        touched = tuple(sorted(ordered[place + 1 :], key=is_far))
        near = [circuit.line_file[other].pin for other in touched if not is_far(other)]
        pin = circuit.line_file[name].pin
        first = f" (neighbours of {pin} first: {', '.join(near)})" if near else ""
        checks.append(
            Check(
                name,
                "lines",
                "lines",
                f"Red on {name} (pin {pin}); black on {_names(touched)}{first}",
                "OL, or more than 1 V",
                tuple(
                    MeterTest(Point("pin", pin), Point("pin", circuit.line_file[other].pin), ())
                    for other in touched
                ),
                touched,
            )
        )
    return checks


def _names(lines: tuple[str, ...]) -> str:
    """``rows R1 R2, columns C3``."""
    out = []
    for kind in ("row", "column"):
        names = [name.split()[1] for name in lines if name.startswith(kind)]
        if names:
            out.append(f"{kind}{'s' * (len(names) > 1)} {' '.join(names)}")
    return ", ".join(out)


def _diodes(circuit: Circuit) -> list[Check]:
    side = circuit.board.diode_side
    lines = [name for name in circuit.line_names if name.startswith(f"{side} ")]
    black_on_pin = circuit.board.cathode_at == side
    checks = []
    for name in lines:
        pin = circuit.line_file[name].pin
        clip, touch = ("black", "red") if black_on_pin else ("red", "black")
        for key in circuit.keys_on[name]:
            # The switch's leg toward its diode: solder end 1 or 2 inside the key, from the column.
            leg, at_pin = Point("1" if side == "row" else "2", "", key), Point("pin", pin)
            red, black = (leg, at_pin) if black_on_pin else (at_pin, leg)
            what = f"{clip} on {name} (pin {pin}), {touch} on {key}"
            expect = "0.5 to 0.8 V; leads exchanged: OL"
            checks.append(Check(key, "diodes", "diode", what, expect, (MeterTest(red, black, ()),)))
    return checks
