"""Suspects on the half, and their enlarged picture."""

from __future__ import annotations

import math

import pytest
from fake_desk import BOARD, CIRCUIT, only

from keydiag.board import Board
from keydiag.circuit import Circuit
from keydiag.diagnosis.model import Finding, Member, NextTest
from keydiag.drawing.geometry import face_point
from keydiag.drawing.places import lay_out
from keydiag.screen import zoom
from keydiag.screen.suspects import lead_points, suspects

LAYOUT = lay_out(BOARD)


def member(kind: str, *at: str) -> Member:
    return Member(kind=kind, at=at, probability=0.5, words=f"{kind} {at}", repair="", cost=1)


def finding(*members: Member) -> Finding:
    return Finding(
        probability=0.9, title="", members=members, evidence=(), explanation="", repair="",
        cautions=(), what_else=(), next_tests=(), retest=(), expected_joints=1,
    )  # fmt: skip


def of(*members: Member):
    return suspects(LAYOUT, CIRCUIT, finding(*members))


def text_of(drawn: zoom.Zoom) -> list[str]:
    canvas = drawn.canvas
    return [
        "".join(canvas.text.get((x, y), (" ",))[0] for x in range(canvas.width))
        for y in range(canvas.height)
    ]


def test_a_joint_is_a_spot_on_its_key_and_both_wires():
    (joint,) = of(member("open-joint", "L23 switch-column joint"))
    assert joint.spots == (face_point(BOARD, "L23", "switch-column"),)
    assert joint.keys == ("L23",)
    assert joint.lines == ("row R2", "column C3")


def test_a_stretch_is_a_run_between_its_keys():
    (stretch,) = of(member("broken-stretch", "row R5 between L54 and L53"))
    (run,) = stretch.runs
    assert run[0] == face_point(BOARD, "L54", "diode-row")
    assert run[-1] == face_point(BOARD, "L53", "diode-row")
    assert stretch.keys == ("L54", "L53") and stretch.lines == ("row R5",)


def test_a_lead_is_at_the_first_key_and_its_pin():
    (lead,) = of(member("open-lead", "row R5 lead"))
    assert lead.keys == ("L57",) and lead.pins == ("PD7",)


def test_a_bridge_of_two_lines_is_where_they_meet():
    (bridge,) = of(member("bridge", "row R2", "column C3"))
    assert bridge.keys == ("L23",)
    (spot,) = bridge.spots
    assert math.dist(spot, BOARD.key["L23"].at) < 12.0


def test_a_bridge_of_nets_that_stay_apart_is_marked_on_both():
    (bridge,) = of(member("bridge", "row R2", "row R3"))
    one, two = bridge.spots
    assert bridge.gap == (one, two)
    assert 10.0 < math.dist(one, two) < 20.0


def test_what_is_on_no_picture_has_no_spot():
    (ground,) = of(member("unknown"))
    assert ground.reach is None
    assert text_of(zoom.draw(LAYOUT, [ground], 0, "key", 26, 13)) == [" " * 26] * 13


FIVE = ("diode-row joint", "switch-column joint", "switch-diode joint", "switch", "diode")


@pytest.mark.parametrize("side", ["key", "solder"])
@pytest.mark.parametrize("size", [(21, 12), (26, 13), (44, 18), (66, 24)])
def test_all_five_look_alikes_of_a_key_are_marked(side, size):
    found = of(*(member("open-joint", f"L23 {part}") for part in FIVE))
    drawn = zoom.draw(LAYOUT, found, 0, side, *size)
    assert sorted(drawn.numbers) == [0, 1, 2, 3, 4]
    text = "\n".join(text_of(drawn))
    assert all(f"({number})" in text for number in range(1, 6))
    assert "L23" in text and "R2" in text and "C3" in text


def test_left_and_right_are_exchanged_on_the_solder_side():
    found = of(*(member("open-joint", f"L23 {part}") for part in FIVE))
    key, solder = (zoom.draw(LAYOUT, found, 0, side, 27, 13).numbers for side in ("key", "solder"))
    assert key[1][0] < key[0][0] and solder[1][0] > solder[0][0]  # column joint, row joint
    assert key[0][1] == solder[0][1]


def test_the_arrow_points_to_the_pin():
    found = of(member("reversed-diode", "L23 diode"))
    assert any("R2▸" in line for line in text_of(zoom.draw(LAYOUT, found, 0, "key", 26, 13)))
    assert any("◂R2" in line for line in text_of(zoom.draw(LAYOUT, found, 0, "solder", 26, 13)))


def test_the_pin_of_a_suspected_lead_is_named():
    found = of(member("open-lead", "row R5 lead"))
    assert any("PD7" in line for line in text_of(zoom.draw(LAYOUT, found, 0, "solder", 36, 13)))


def test_a_suspected_pin_is_shown_on_the_controller():
    found = of(member("dead-pin", "pin PD4"))
    for side in ("key", "solder"):
        drawn = zoom.draw(LAYOUT, found, 0, side, 36, 13)
        text = "\n".join(text_of(drawn))
        assert "PD4" in text and "(1)" in text and "PD0" in text
        assert drawn.numbers[0][1] == next(
            y for y, line in enumerate(text_of(drawn)) if "PD4" in line
        )


@pytest.mark.parametrize("cathode_at", ["row", "column"])
def test_the_band_is_at_the_cathode(cathode_at):
    board = BOARD.model_copy(update={"cathode_at": cathode_at})
    layout, circuit = lay_out(board), Circuit(board)
    found = suspects(layout, circuit, finding(member("dead-switch", "L23 switch")))
    owners = zoom.draw(layout, found, 0, "solder", 26, 13).canvas.owners
    glass = [y for y, row in enumerate(owners) if zoom.GLASS in row]
    (band,) = {y for y, row in enumerate(owners) if row.count(zoom.BAND) > 2}
    below = sum(y > band for y in glass)
    above = sum(y < band for y in glass)
    assert below < above if cathode_at == "row" else below > above


def test_diodes_on_the_column_side_lie_flat_and_keep_their_band():
    board: Board = BOARD.model_copy(update={"diode_side": "column"})
    layout, circuit = lay_out(board), Circuit(board)
    part = "L23 column-diode joint"
    found = suspects(layout, circuit, finding(member("open-joint", part)))
    drawn = zoom.draw(layout, found, 0, "key", 40, 20)
    assert any(row.count(zoom.BAND) for row in drawn.canvas.owners)
    assert 0 in drawn.numbers


def test_the_leads_of_the_meter_go_where_the_test_says():
    (first, *_) = [
        test
        for test in only("L23").findings[0].next_tests
        if test.kind == "meter"
    ]
    red, black = lead_points(LAYOUT, CIRCUIT, first)
    assert first.points == ("L23's switch leg on the diode side", "the row wire at L23")
    assert red == face_point(BOARD, "L23", "row leg")
    assert black == face_point(BOARD, "L23", "diode-row")
    found = of(member("open-joint", "L23 switch-diode joint"))
    drawn = zoom.draw(LAYOUT, found, 0, "solder", 36, 13, (red, black))
    text = "\n".join(text_of(drawn))
    assert "<+>" in text and "<−>" in text


@pytest.mark.parametrize("code", ["PD4 to row-R3@L37", "L23.0 to L23.3 holding L23"])
def test_every_way_to_name_a_lead_is_found(code):
    test = NextTest(what="", kind="meter", gain_bits=1, cost=1, code=code)
    assert len(lead_points(LAYOUT, CIRCUIT, test)) == 2


def test_unknown_places_show_no_leads():
    test = NextTest(what="", kind="meter", gain_bits=1, cost=1, code="ZZ9 to L99.1")
    assert lead_points(LAYOUT, CIRCUIT, test) == ()
