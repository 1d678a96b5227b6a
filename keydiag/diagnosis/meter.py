"""Where a builder can hold a meter's leads, and what the meter would show."""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

from keydiag.circuit import Circuit, Point
from keydiag.faults import Fault, changes
from keydiag.faults.predict import FaultSet

# What each result of `Wiring.meter` looks like on a meter.  Diode range: 0.5-0.8 V for a good
# silicon diode (meter manuals: Minipa ET-3702A p. 36, FLIR CM174 5.8); a continuity buzzer sounds
# below some 50-150 ohm.
ANSWERS = {
    "closed": "near 0 (it beeps)",
    "diode": "0.5 to 0.8 V on the diode range",
    "open": "open (OL)",
}


class MeterTest(NamedTuple):
    """Red and black lead, the keys to hold meanwhile, and which range to use."""

    red: Point
    black: Point
    held: tuple[str, ...]

    @property
    def code(self) -> str:
        """The test in one word, to name it when the answer is given."""
        held = f" holding {'+'.join(self.held)}" if self.held else ""
        return f"{_point_code(self.red)} to {_point_code(self.black)}{held}"


def point_words(circuit: Circuit, point: Point) -> str:
    """Where this point is, in the builder's words."""
    if point.place == "pin":
        return f"controller pin {point.name}"
    if point.place == "line":
        return f"the {point.name.split()[0]} wire at {point.key}"
    parts = circuit.parts[point.key]
    number = int(point.place)
    part = (parts.first if number < 2 else parts.second).split()[-1]
    toward = ("column", _other(parts.second), _other(parts.first), "row")[number]
    return f"{point.key}'s {part} leg on the {toward} side"


def _other(address: str) -> str:
    return address.split()[-1]


def _point_code(point: Point) -> str:
    if point.place == "pin":
        return point.name
    if point.place == "line":
        return f"{point.name.replace(' ', '-')}@{point.key}"
    return f"{point.key}.{point.place}"


def read(circuit: Circuit, faults: FaultSet, test: MeterTest) -> str:
    """What the meter shows under a fault set: "closed", "diode" or "open"."""
    expand = {point.key for point in (test.red, test.black) if point.place in "0123"}
    parts = [c for fault in sorted(faults) for c in changes(circuit, fault)]
    return circuit.wired(parts, expand).meter(test.red, test.black, test.held)


def tests_for(circuit: Circuit, faults: list[Fault]) -> list[MeterTest]:
    """Meter readings that could tell these faults apart: along each key they name, across each
    stretch, along each lead."""
    tests: dict[MeterTest, None] = {}
    for fault in faults:
        for place in fault.at:
            if place in circuit.stretches:
                stretch = circuit.stretches[place]
                near = Point("line", stretch.line, stretch.near)
                tests[MeterTest(near, Point("line", stretch.line, stretch.far), ())] = None
            elif place.endswith(" lead"):
                line = place.removesuffix(" lead")
                first = Point("line", line, circuit.keys_on[line][0])
                tests[MeterTest(Point("pin", circuit.line_file[line].pin), first, ())] = None
            elif place.split(" ")[0] in circuit.parts:
                for test in _along(circuit, place.split(" ")[0]):
                    tests[test] = None
    return list(tests)


def _along(circuit: Circuit, key: str) -> list[MeterTest]:
    """All pairs of the six points from the column wire through the key to the row wire.  The red
    lead goes on the anode's side; the key is held where the switch lies between the two points."""
    points = [
        Point("line", circuit.column_of[key], key),
        *(Point(str(n), "", key) for n in range(4)),
        Point("line", circuit.row_of[key], key),
    ]
    switch_between = (1, 2) if circuit.board.diode_side == "row" else (3, 4)
    out = []
    for a, b in combinations(range(6), 2):
        held = (key,) if a <= switch_between[0] and b >= switch_between[1] else ()
        red, black = points[a], points[b]
        if circuit.board.cathode_at == "column":
            red, black = black, red
        out.append(MeterTest(red, black, held))
    return out
