"""The wiring map is parsed and held against the board: every part once, every line its own ink."""

import xml.etree.ElementTree as ET
from collections import Counter
from pathlib import Path

import pytest
from any_board import boards
from hypothesis import given, settings

from keydiag import board
from keydiag.board.new import Plan, new_board
from keydiag.drawing import geometry
from keydiag.drawing.wiring_map import BAR_MM, inks_of, map_svg

LEFT = board.example("bramblewick-left")
RIGHT = board.example("bramblewick-right")
SMALL = board.load(Path(__file__).parent / "two-by-three.toml")
SVG = "{http://www.w3.org/2000/svg}"


def parts(picture):
    """How often each address is on the picture."""
    return Counter(e.get("data-address") for e in picture.iter() if e.get("data-address"))


def expected(half):
    """What must be on every map, from the board alone."""
    found = set()
    for key in half.key:
        found |= {key, f"{key} switch", f"{key} diode"}
        found |= {f"{key} {joint} joint" for joint in geometry.face(half).joints}
    for kind, name, line in geometry.lines(half):
        found |= {f"{kind} {name} lead", f"pin {line.pin}"}
        for near, far in board.walk(line.path):
            found |= set() if near is None else {f"{kind} {name} between {near} and {far}"}
    return found


def hold_every_part_once(half, side):
    picture = ET.fromstring(map_svg(half, side))
    assert parts(picture) == Counter(expected(half))
    texts = Counter(e.text for e in picture.iter(f"{SVG}text"))
    for name in half.key:
        assert texts[name] == 1
    for kind, name, line in geometry.lines(half):
        orders = [e.text for e in picture.iter() if e.get("data-order") == f"{kind} {name}"]
        keys = [key for _, key in board.walk(line.path)]
        assert orders == [f"{name}.{number}" for number in range(1, len(keys) + 1)]
        assert texts[f"{name} {line.pin}"] == 1  # the flag of the lead


@pytest.mark.parametrize("side", ["key", "solder"])
@pytest.mark.parametrize("half", [LEFT, RIGHT, SMALL], ids=["left", "right", "small"])
def test_every_key_joint_stretch_and_lead_is_there_exactly_once(half, side):
    hold_every_part_once(half, side)


@settings(deadline=None, max_examples=25)
@given(boards())
def test_on_any_board(half):
    for side in ("key", "solder"):
        hold_every_part_once(half, side)


def test_the_numbers_stand_at_their_keys_and_follow_the_wire():
    picture = ET.fromstring(map_svg(LEFT, "key"))
    orders = [e for e in picture.iter() if e.get("data-order") == "row R6"]
    # path = ["L64", ["L65", "L66"], "L63", "L62", "L61"]
    for element, key in zip(orders, "L64 L65 L66 L63 L62 L61".split(), strict=True):
        x, y = LEFT.key[key].at
        assert abs(float(element.get("x")) - x) < 9.5
        assert abs(float(element.get("y")) - y) < 10.5


@pytest.mark.parametrize("half", [LEFT, RIGHT, SMALL], ids=["left", "right", "small"])
def test_every_line_has_a_colour_and_a_dash_of_its_own(half):
    inks = inks_of(half)
    assert len(inks) == len(half.row) + len(half.column) <= 14
    assert len({ink.colour for ink in inks.values()}) == len(inks)
    assert len({ink.dash for ink in inks.values()}) == len(inks)


def test_no_two_of_very_many_lines_look_the_same():
    half = board.loads(new_board(Plan("Many", 13, 13)))
    assert len(set(inks_of(half).values())) == 26


def test_wires_are_drawn_in_the_ink_of_their_line():
    picture = ET.fromstring(map_svg(LEFT, "solder"))
    inks = inks_of(LEFT)
    for element in picture.iter():
        address = element.get("data-address", "")
        if " between " in address or address.endswith(" lead"):
            wire = element.findall(f"{SVG}polyline")[1]  # the first is the gap under it
            ink = inks[" ".join(address.split()[:2])]
            assert (wire.get("stroke"), wire.get("stroke-dasharray", "")) == ink


@pytest.mark.parametrize("side", ["key", "solder"])
def test_true_scale_with_a_bar_of_50_mm(side):
    picture = ET.fromstring(map_svg(LEFT, side))
    _, _, width, height = map(float, picture.get("viewBox").split())
    assert (picture.get("width"), picture.get("height")) == (f"{width:g}mm", f"{height:g}mm")
    (bar,) = (e for e in picture.iter() if e.get("data-bar"))
    (x1, y1), (x2, y2) = (map(float, p.split(",")) for p in bar.get("points").split())
    assert (x2 - x1, y2 - y1) == (pytest.approx(50.0), 0.0) and BAR_MM == 50.0


def test_everything_is_within_the_sheet():
    for half in (LEFT, RIGHT, SMALL):
        for side in ("key", "solder"):
            picture = ET.fromstring(map_svg(half, side))
            left, top, width, height = map(float, picture.get("viewBox").split())
            for e in picture.iter():
                for x_name, y_name in (("cx", "cy"), ("x", "y")):
                    if e.get(x_name):
                        assert left <= float(e.get(x_name)) <= left + width
                        assert top <= float(e.get(y_name)) <= top + height


def test_the_list_of_lines_tells_every_path():
    texts = [e.text for e in ET.fromstring(map_svg(LEFT, "solder")).iter(f"{SVG}text")]
    assert "row R6, pin PE6, chained: L64 > (L65 > L66) > L63 > L62 > L61" in texts
    assert "column C7, pin PB6, one wire: L17 > L27 > L37 > L47 > L57" in texts
