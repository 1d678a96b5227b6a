"""The bill, with halves small enough to count by eye."""

from pathlib import Path

import pytest

from keydiag import board
from keydiag.circuit import Circuit
from keydiag.drawing.bill import END_MM, LEAD_SLACK, LEG_MM, SLACK, bill, bill_lines, path_words
from keydiag.drawing.geometry import face_point

SMALL = board.load(Path(__file__).parent / "two-by-three.toml")
LEFT = board.example("bramblewick-left")


def needs(half, line):
    return next(each for each in bill(half).lines if each.line == line)


def test_small_half_by_eye():
    total = bill(SMALL)
    assert (total.keys, total.key_joints) == (6, 18)
    one = needs(SMALL, "row Ra")  # three keys chained at the usual pitch: two legs reach
    assert (one.legs, one.pieces, one.joints) == (2, (), 2 + 2)
    two = needs(SMALL, "row Rb")  # B2-B1 a leg, B2-B3 spliced: a piece with a joint at either end
    assert (two.legs, len(two.pieces), two.joints) == (1, 1, 1 + 2 + 2)
    three = needs(SMALL, "column C1")  # one wire over one stretch of 19.05 mm
    assert three.pieces == (pytest.approx(SLACK * 19.05 + 2 * END_MM),)
    assert (three.legs, three.joints) == (0, 2)
    assert total.joints == 18 + 4 + 5 + 3 * 2


def test_every_joint_of_the_circuit_is_made():
    # The circuit knows three joints a key, and a stretch of a chain is a joint too; a lead has
    # two ends, and so has an offcut.
    circuit = Circuit(LEFT)
    chained = [s for s in circuit.stretches.values() if s.line.startswith("row")]
    splices = sum(len(line.splice) for line in LEFT.row.values())
    leads = 2 * len(circuit.line_names)
    assert bill(LEFT).joints == 3 * len(LEFT.key) + len(chained) + splices + leads


@pytest.mark.parametrize(("beyond", "legs"), [(-0.01, 2), (0.01, 1)])
def test_a_leg_reaches_so_far_and_no_further(beyond, legs):
    far = SMALL.key["A2"].at[0] + LEG_MM + beyond
    keys = {**SMALL.key, "A3": SMALL.key["A3"].model_copy(update={"at": (far, 0.0)})}
    line = needs(SMALL.model_copy(update={"key": keys}), "row Ra")
    assert line.legs == legs and len(line.pieces) == 2 - legs


def test_a_chain_without_diodes_is_made_of_pieces():
    half = SMALL.model_copy(update={"diode_side": "column"})
    line = needs(half, "row Ra")
    assert (line.legs, len(line.pieces), line.joints) == (0, 2, 2 * 2 + 2)


def test_leads_are_measured_to_the_pads_or_left_open():
    assert needs(SMALL, "row Ra").lead is None
    line = needs(LEFT, "row R1")
    x, y = face_point(LEFT, "L17", "diode-row")
    assert 152.0 - 9.5 < x + (line.lead - 2 * END_MM) / LEAD_SLACK < 152.0 + 9.5
    assert "lead to measure" in "\n".join(bill_lines(SMALL))
    assert "lead to measure" not in "\n".join(bill_lines(LEFT))


def test_words():
    lines = bill_lines(LEFT)
    assert "41 switches, 41 diodes, one atmega32u4" in lines
    assert any(line.startswith("row R6     PE6  4 diode legs chained; a wire of") for line in lines)
    assert path_words(["a", ["b", ["c"]], "d"]) == "a > (b > (c)) > d"
    half = SMALL.model_copy(update={"diode_side": "column"})
    assert any("wire in pieces: 2 x 5 cm;" in line for line in bill_lines(half))


def test_wire_adds_up():
    total = bill(LEFT)
    assert total.wire == pytest.approx(
        sum(sum(each.pieces) + (each.lead or 0) for each in total.lines)
    )
