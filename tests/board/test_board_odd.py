"""Warnings: the legal but odd, each with a healthy board and both sides of its limit."""

from pathlib import Path

import pytest

from keydiag import board
from keydiag.board.odd import MARGIN_V, one_diode_v, supply_warnings, warnings
from keydiag.board.places import find_places
from keydiag.chips import Chip, chips

SMALL = (Path(__file__).parent / "two-by-three.toml").read_text("utf-8")


def told(text, **more):
    return [str(each) for each in warnings(board.loads(text), "f", find_places(text), **more)]


@pytest.mark.parametrize("name", ["bramblewick-left", "bramblewick-right"])
def test_the_examples_are_not_odd(name):
    assert warnings(board.example(name)) == []


def test_a_plain_board_is_not_odd():
    assert told(SMALL) == []


def test_a_row_of_one_key():
    text = SMALL.replace('path = ["A1", "A2", "A3"]', 'path = ["A2", "A3"]')
    new = '[row.Rc]\npin = "PD2"\nstyle = "chain"\npath = ["A1"]\n'
    text = text.replace("[row.Rb]", new + "[row.Rb]")
    (line,) = told(text)
    assert line.startswith("f: row.Rc.path (line 20): row Rc has only one key, A1")


@pytest.mark.parametrize(("x", "count"), [(79.0, 0), (79.1, 1)])
def test_a_jump_of_more_than_60_mm(x, count):  # A2 sits at 19.05
    text = SMALL.replace("[key.A3]\nat = [38.1, 0.0]", f"[key.A3]\nat = [{x}, 0.0]")
    lines = [each for each in told(text) if "row.Ra" in each]
    assert len(lines) == count
    for line in lines:
        assert "row Ra jumps 60 mm from A2 to A3" in line
        assert 'splice = [["A2", "A3"]]' in line


def test_a_jump_that_is_a_splice_is_meant_so():
    text = SMALL.replace("at = [45.0, 25.0]", "at = [95.0, 25.0]")
    assert [each for each in told(text) if "row.Rb" in each] == []
    assert any("column C3 jumps" in each for each in told(text))  # that one was not spliced


@pytest.mark.parametrize(("pin", "count"), [("PF4", 1), ("PF7", 1), ("PF1", 0), ("PB5", 0)])
def test_a_row_beside_a_column(pin, count):  # C2 is on PF5, C3 on PF6
    text = SMALL.replace('pin = "PF4"', 'pin = "PB0"').replace('"PD1"', f'"{pin}"')
    lines = told(text)
    assert len(lines) == count
    if pin == "PF4":
        assert lines[0].startswith("f: column.C2.pin (line 33): row Ra and column C2 are on PF4")


def test_leads_of_one_kind_may_be_neighbours():
    assert 'pin = "PF4"' in SMALL and 'pin = "PF5"' in SMALL and told(SMALL) == []


# --- the margin of one diode --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("supply", "pull_up", "level"),
    [
        (5.0, 20e3, 0.540),
        (5.0, 35e3, 0.511),
        (5.0, 50e3, 0.492),
        (3.3, 50e3, 0.468),
        (3.3, 80e3, 0.445),
    ],
)
def test_one_diode_against_ngspice(supply, pull_up, level):
    # ngspice 39.3 with NXP's published 1N4148 model, pin driven low through 25 ohm.
    assert one_diode_v(supply, pull_up) == pytest.approx(level, abs=0.001)


def test_every_chip_has_margin_at_the_supply_of_its_figures():
    for chip in chips().values():
        assert list(supply_warnings(chip, chip.supply_v)) == []


def test_the_32u4_at_3v3_has_little():
    # VIL max = 0.2 * 3.3 - 0.1 = 0.56 V (32U4 datasheet, DC table; from memory).
    (line,) = told(SMALL, supply_v=3.3)
    assert line.startswith("f: chip (line 8): at 3.3 V the atmega32u4 surely reads low up to 0.56")
    assert "0.05 V for bad joints" in line
    # VIL max = 0.3 * 3.3 = 0.99 V (328PB, DS40001906C, table 33-1): plenty.
    assert list(supply_warnings(chips()["atmega328p"], 3.3)) == []


@pytest.mark.parametrize("supply", [0.0, 1.8, 5.6, 12.0, float("nan")])
def test_a_supply_without_figures_is_said_to_have_none(supply):
    (found,) = supply_warnings(chips()["atmega32u4"], supply)
    assert "no figure is known" in found.wrong


@pytest.mark.parametrize(("beyond", "count"), [(0.001, 0), (-0.001, 1)])
def test_both_sides_of_the_margin(beyond, count):
    limit = one_diode_v(5.0, 20e3) + MARGIN_V + beyond
    chip = Chip("x", (), {}, (), (20e3, 50e3), limit, 3.0, 5.0)
    assert len(list(supply_warnings(chip, 5.0))) == count
