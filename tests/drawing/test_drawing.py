"""The picture is parsed and held against the board: what is where, and how often."""

import math
import re
import xml.etree.ElementTree as ET
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag import board, drawing
from keydiag.drawing import geometry
from keydiag.drawing.callouts import edge_toward, place_callout
from keydiag.drawing.geometry import face, face_point
from keydiag.drawing.places import lay_out
from keydiag.drawing.style import MARK
from keydiag.errors import UsageError

LEFT = board.example("bramblewick-left")
RIGHT = board.example("bramblewick-right")
SMALL = board.load(Path(__file__).parent.parent / "board" / "two-by-three.toml")
SVG = "{http://www.w3.org/2000/svg}"


def parse(text):
    return ET.fromstring(text)


def parts(picture):
    """address -> the elements that bear it."""
    found = {}
    for element in picture.iter():
        if address := element.get("data-address"):
            found.setdefault(address, []).append(element)
    return found


def texts(picture):
    return Counter(element.text for element in picture.iter(f"{SVG}text"))


def expected_parts(half):
    """What must be on every picture, from the board alone."""
    found = set()
    for key in half.key:
        found |= {key, f"{key} switch", f"{key} diode"}
        found |= {f"{key} {joint} joint" for joint in face(half).joints}
    for kind, name, line in geometry.lines(half):
        found |= {f"{kind} {name} lead", f"pin {line.pin}"}
        pairs = [pair for pair in board.walk(line.path) if pair[0] is not None]
        found |= {f"{kind} {name} between {near} and {far}" for near, far in pairs}
    return found


@pytest.mark.parametrize("side", ["key", "solder"])
@pytest.mark.parametrize("half", [LEFT, RIGHT, SMALL], ids=["left", "right", "small"])
def test_every_part_is_on_the_picture_exactly_once(half, side):
    marked = [f"{next(iter(half.key))} diode", f"pin {next(iter(half.row.values())).pin}"]
    for highlight in ([], marked):
        found = parts(parse(drawing.svg(half, side, highlight)))
        assert set(found) == expected_parts(half)
        assert all(len(elements) == 1 for elements in found.values())


@pytest.mark.parametrize("side", ["key", "solder"])
def test_every_key_and_every_lead_is_named_exactly_once(side):
    named = texts(parse(drawing.svg(LEFT, side)))
    for key in LEFT.key:
        assert named[key] == 1
    for lead in lay_out(LEFT).leads.values():
        assert named[f"{lead.line} {lead.pin}"] == 1  # the flag
        assert named[lead.pin] == 1  # the pad of the controller


@pytest.mark.parametrize("half", [LEFT, RIGHT, SMALL], ids=["left", "right", "small"])
def test_the_solder_side_is_the_key_side_in_a_mirror(half):
    key_side, solder_side = (parts(parse(drawing.svg(half, s))) for s in ("key", "solder"))
    joints = [address for address in key_side if address.endswith(" joint")]
    assert len(joints) == 3 * len(half.key)
    for address in joints:
        (one,), (two,) = key_side[address], solder_side[address]
        key, name, _ = address.split()
        x, y = face_point(half, key, name)
        assert float(one.get("cx")) == pytest.approx(x, abs=0.001)
        assert float(two.get("cx")) == pytest.approx(-x, abs=0.001)
        assert float(one.get("cy")) == float(two.get("cy")) == pytest.approx(y, abs=0.001)


def test_left_is_right_on_the_solder_side():
    for side, sign in (("key", 1), ("solder", -1)):
        found = parts(parse(drawing.svg(LEFT, side)))
        xs = [float(found[f"{key} diode-row joint"][0].get("cx")) for key in ("L11", "L17")]
        assert sign * xs[0] < sign * xs[1]


@pytest.mark.parametrize("side", ["key", "solder"])
def test_no_text_is_mirrored(side):
    picture = parse(drawing.svg(LEFT, side, ["L64 diode"]))
    transforms = [e.get("transform") for e in picture.iter() if e.get("transform")]
    assert transforms  # the names of turned keys
    assert all(re.fullmatch(r"rotate\([-\d. ]+\)", each) for each in transforms)


def test_names_of_turned_keys_turn_the_other_way_in_the_mirror():
    def turn(side):
        picture = parse(drawing.svg(LEFT, side))
        (name,) = (e for e in picture.iter(f"{SVG}text") if e.text == "L66")
        return float(re.match(r"rotate\((\S+)", name.get("transform"))[1])

    assert turn("key") == 32.0
    assert turn("solder") == -32.0


@pytest.mark.parametrize("side", ["key", "solder"])
def test_scale_is_true_mm_and_everything_is_on_the_sheet(side):
    picture = parse(drawing.svg(LEFT, side, ["L11", "L66 diode-row joint"]))
    left, top, width, height = map(float, picture.get("viewBox").split())
    assert picture.get("width") == f"{width:g}mm"
    assert picture.get("height") == f"{height:g}mm"
    for element in picture.iter():
        for x_name, y_name in (("cx", "cy"), ("x", "y")):
            if element.get(x_name):
                assert left <= float(element.get(x_name)) <= left + width
                assert top <= float(element.get(y_name)) <= top + height


def test_self_contained():
    for text in (drawing.svg(LEFT), drawing.zoom_svg(LEFT, "L11 diode")):
        assert text.startswith("<svg ")
        assert text.replace('xmlns="http://www.w3.org/2000/svg"', "", 1).count("http") == 0
        for word in ("href", "url(", "<style", "<script", "<image", "@import"):
            assert word not in text


# --- rows, columns, diodes -----------------------------------------------------------------------


def test_rows_and_columns_differ_by_more_than_their_colour():
    found = parts(parse(drawing.svg(LEFT)))
    row = found["row R1 between L17 and L16"][0][-1]
    column = found["column C1 between L11 and L21"][0][-1]
    assert row.get("stroke") != column.get("stroke")
    assert row.get("stroke-dasharray") is None
    assert column.get("stroke-dasharray")


@pytest.mark.parametrize("cathode_at", ["row", "column"])
@pytest.mark.parametrize("diode_side", ["row", "column"])
def test_the_dark_band_is_drawn_at_the_cathode(cathode_at, diode_side):
    half = SMALL.model_copy(update={"cathode_at": cathode_at, "diode_side": diode_side})
    found = parts(parse(drawing.svg(half, "key")))
    for key in half.key:
        (diode,) = found[f"{key} diode"]
        corners = [tuple(map(float, p.split(","))) for p in diode[-1].get("points").split()]
        middle = sum(x for x, _ in corners) / 4, sum(y for _, y in corners) / 4
        cathode, anode = (face_point(half, key, name) for name in ("cathode", "anode"))
        assert math.dist(middle, cathode) < math.dist(middle, anode)


def test_a_splice_shows_two_joints_of_its_own():
    found = parts(parse(drawing.svg(LEFT)))
    spliced = found["row R6 between L64 and L63"][0]
    plain = found["row R6 between L63 and L62"][0]
    assert len(spliced.findall(f"{SVG}circle")) == 2
    assert len(plain.findall(f"{SVG}circle")) == 0


def test_legends_are_shown_on_the_key_side_only():
    assert texts(parse(drawing.svg(SMALL, "key")))["esc"] == 1
    assert texts(parse(drawing.svg(SMALL, "solder")))["esc"] == 0


# --- marks ---------------------------------------------------------------------------------------


def rings(picture):
    return [e for e in picture.iter() if e.get("stroke") == MARK]


def test_one_mark_is_ringed_and_named_at_its_place():
    address = "L23 diode-row joint"
    picture = parse(drawing.svg(LEFT, "solder", [address]))
    (ring,) = rings(picture)
    (joint,) = parts(picture)[address]
    assert (ring.get("cx"), ring.get("cy")) == (joint.get("cx"), joint.get("cy"))
    assert texts(picture)[address] == 1
    assert texts(picture)["1"] == 0  # nothing to count


def test_several_marks_are_numbered_and_listed():
    wanted = ["L23 switch", "L23 diode", "row R2 between L24 and L23", "pin PD0", "L31"]
    picture = parse(drawing.svg(LEFT, "solder", wanted))
    assert len(rings(picture)) == len(wanted)
    named = texts(picture)
    for number, address in enumerate(wanted, start=1):
        assert named[str(number)] == 2  # on the picture and in the list
        assert named[address] == 1 + (address == "L31")  # a key is named on itself as well


def test_a_whole_line_is_marked_from_its_lead_to_its_last_key():
    picture = parse(drawing.svg(LEFT, "solder", ["row R2"]))
    assert len(rings(picture)) == 7  # the lead and six stretches


def test_a_mark_without_a_place_is_told_in_words():
    picture = parse(drawing.svg(SMALL, "solder", ["pin PB0"]))
    assert rings(picture) == []
    assert texts(picture)["not on this picture: pin PB0"] == 1


def test_a_mark_that_names_nothing_is_refused():
    with pytest.raises(UsageError, match="names nothing on Bramblewick left"):
        drawing.svg(LEFT, "solder", ["L99 diode"])


def test_labels_hide_nothing_that_is_taken():
    anchor, taken = (0.0, 0.0), [(5.0, -40.0, 60.0, 40.0), (-3.0, -3.0, 3.0, 3.0)]
    left, top, right, bottom = place_callout(anchor, 30.0, 5.0, [], taken)
    assert right - left == pytest.approx(30.0)
    assert right <= 5.0
    assert not (left < 3.0 and right > -3.0 and top < 3.0 and bottom > -3.0)


def test_labels_avoid_what_is_better_left_visible():
    clear = [(12.0, 0.0), (20.0, 0.0), (28.0, 0.0)]
    free = place_callout((0.0, 0.0), 30.0, 5.0, [], [])
    kind = place_callout((0.0, 0.0), 30.0, 5.0, clear, [])
    assert free[0] < 12.0 < free[2]  # to the right, if nothing is there
    assert not any(kind[0] < x < kind[2] and kind[1] < y < kind[3] for x, y in clear)


def test_leaders_end_at_the_edge_of_their_label():
    assert edge_toward((10.0, -2.0, 30.0, 2.0), (0.0, 0.0)) == (10.0, 0.0)
    assert edge_toward((10.0, 5.0, 30.0, 9.0), (0.0, 0.0)) == (10.0, 5.0)


# --- zoom ----------------------------------------------------------------------------------------


def test_zoom_names_the_parts_of_the_suspected_key():
    picture = parse(drawing.zoom_svg(LEFT, "L23 diode-row joint"))
    named = texts(picture)
    for name in ("switch-column joint", "switch-diode joint", "diode-row joint", "diode"):
        assert named[name] == 1
    (window,) = picture.findall(f"{SVG}svg")
    left, top, width, height = map(float, window.get("viewBox").split())
    x, y = LEFT.key["L23"].at
    assert (left + width / 2, top + height / 2) == pytest.approx((-x, y), abs=0.002)
    assert len(rings(picture)) == 1


def test_zoom_numbers_the_look_alikes():
    joints = [f"{joint} joint" for joint in face(LEFT).joints]
    wanted = [f"L65 {part}" for part in [*joints, "switch", "diode"]]
    picture = parse(drawing.zoom_svg(LEFT, wanted))
    for number, address in enumerate(wanted, start=1):
        assert texts(picture)[f"{number}  {address.removeprefix('L65 ')}"] == 1


@pytest.mark.parametrize("address", ["row R6 between L64 and L63", "row R2 lead", "pin PD4"])
def test_zoom_on_a_wire_or_a_pin(address):
    picture = parse(drawing.zoom_svg(LEFT, address, side="key"))
    assert texts(picture)[address] == 2  # the heading and the name at the place
    assert len(rings(picture)) == 1


def test_zoom_needs_a_place():
    with pytest.raises(ValueError, match="at least one"):
        drawing.zoom_svg(LEFT, [])
    assert "pin PB0" in drawing.zoom_svg(SMALL, "pin PB0")  # nowhere, and still no crash


@pytest.mark.parametrize("side", ["key", "solder"])
def test_zoom_shows_every_part_at_most_once(side):
    found = parts(parse(drawing.zoom_svg(LEFT, ["L23 diode", "row R2"], side)))
    assert all(len(elements) == 1 for elements in found.values())


# --- whatever the builder calls things ----------------------------------------------------------


@settings(deadline=None, max_examples=30)
@given(st.text(max_size=20), st.text(max_size=20))
def test_any_legend_and_title_give_well_formed_svg(legend, title):
    keys = {**SMALL.key, "A1": SMALL.key["A1"].model_copy(update={"legend": legend})}
    half = SMALL.model_copy(update={"key": keys})
    for text in (drawing.svg(half, "key", title=title), drawing.zoom_svg(half, "A1", title=title)):
        named = texts(parse(text))
        assert named["A2"] >= 1


def test_markup_in_a_legend_stays_text():
    evil = '<script>alert("&")</script>'
    keys = {**SMALL.key, "A1": SMALL.key["A1"].model_copy(update={"legend": evil})}
    text = drawing.svg(SMALL.model_copy(update={"key": keys}), "key", title=evil)
    assert "<script" not in text
    assert texts(parse(text))[evil] == 2
