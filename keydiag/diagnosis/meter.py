"""Where a builder can hold a meter's leads, and what the meter would show."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

from keydiag.circuit import Circuit, Point
from keydiag.errors import UsageError
from keydiag.faults import Fault
from keydiag.faults.predict import FaultSet, wired

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


class MeterAnswer(NamedTuple):
    """What the meter showed in a test: "closed", "diode" or "open", the keys of ANSWERS."""

    test: MeterTest
    result: str


def parse_code(circuit: Circuit, code: str) -> MeterTest:
    """The test a code stands for; UsageError if it is none on this board."""
    points, _, holding = code.partition(" holding ")
    red, found, black = points.partition(" to ")
    held = tuple(holding.split("+")) if holding else ()
    unknown = [key for key in held if key not in circuit.parts]
    if not found or unknown:
        raise UsageError(
            f"{code!r} is no meter test of this board; write it as the tool does, for example"
            f" {_example(circuit)!r}"
        )
    return MeterTest(_parse_point(circuit, red), _parse_point(circuit, black), held)


def _parse_point(circuit: Circuit, text: str) -> Point:
    if text in circuit.index_of_port:
        return Point("pin", text)
    line, at, key = text.partition("@")
    name = line.replace("-", " ", 1)
    if at and key in circuit.keys_on.get(name, ()):
        return Point("line", name, key)
    key, _, number = text.rpartition(".")
    if key in circuit.parts and number in ("0", "1", "2", "3"):
        return Point(number, "", key)
    raise UsageError(
        f"{text!r} is no place for a meter's lead on this board; write it as the tool does, for"
        f" example {_example(circuit)!r}"
    )


def _example(circuit: Circuit) -> str:
    key = circuit.keys[0]
    return MeterTest(Point("0", "", key), Point("3", "", key), (key,)).code


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
    return read_all(circuit, faults, [test])[0]


def read_all(circuit: Circuit, faults: FaultSet, tests: Sequence[MeterTest]) -> list[str]:
    """What the meter shows under a fault set in each of these tests."""
    points = {point for test in tests for point in (test.red, test.black)}
    expand = {point.key for point in points if point.place in "0123"}
    half = wired(circuit, faults, expand)
    by_keys: dict[tuple[str, ...], list[MeterTest]] = {}
    for test in tests:
        by_keys.setdefault(test.held, []).append(test)
    shown: dict[MeterTest, str] = {}
    for held, alike in by_keys.items():
        leads = [(test.red, test.black) for test in alike]
        shown.update(zip(alike, half.meters(leads, held), strict=True))
    return [shown[test] for test in tests]


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
