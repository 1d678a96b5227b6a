"""Levels of closed crossings, on a half of two rows and three columns; the thresholds against
ngspice with two published models of the 1N4148 (tests/circuit/spice.py)."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from keydiag import board
from keydiag.chips import chips
from keydiag.circuit import Circuit
from keydiag.contacts.levels import judge_levels, ohms, two_drops
from tests.circuit.spice import MODELS, Netlist

CIRCUIT = Circuit(board.load(Path(__file__).parents[1] / "board" / "two-by-three.toml"))
LEFT = Circuit(board.example("bramblewick-left"))
CHIP = chips()["atmega32u4"]
GOOD = {"A1": 510, "A2": 505, "A3": 515, "B1": 512, "B2": 508, "B3": 511}


def told(mv: dict[str, int], circuit: Circuit = CIRCUIT) -> list[tuple[str, tuple[str, ...]]]:
    """(kind, keys) of what stands out."""
    notices = judge_levels(circuit, mv, CHIP, 5000).notices
    return [(notice.kind, notice.keys) for notice in notices]


def test_a_good_half_has_nothing_that_stands_out():
    found = judge_levels(CIRCUIT, GOOD, CHIP, 5000)
    assert found.notices == () and found.own
    assert found.reference_mv == 510 and found.limit_mv == 100


@pytest.mark.parametrize(("mv", "wanted"), [
    (609, []),
    (612, [("high", ("B2",))]),
    (5, [("no drop", ("B2",))]),
    (250, [("low", ("B2",))]),  # a Schottky diode, say
    (411, []),
])  # fmt: skip
def test_one_level_on_both_sides_of_the_limits(mv, wanted):
    assert told({**GOOD, "B2": mv}) == wanted


def test_one_high_key_names_its_own_joints_first():
    (notice,) = judge_levels(CIRCUIT, {**GOOD, "A2": 750}, CHIP, 5000).notices
    assert notice.places[:3] == ("A2 switch-column joint", "A2 switch-diode joint",
                                 "A2 diode-row joint")  # fmt: skip
    assert not notice.shared


def test_at_the_end_of_a_wire_its_last_stretch_is_named_too():
    (notice,) = judge_levels(CIRCUIT, {**GOOD, "A3": 750}, CHIP, 5000).notices
    assert "row Ra between A2 and A3" in notice.places


def test_all_keys_beyond_a_stretch_name_the_stretch():
    high = {**GOOD, "A2": 750, "A3": 760}
    (notice,) = judge_levels(CIRCUIT, high, CHIP, 5000).notices
    assert notice.places == ("row Ra between A1 and A2",) and notice.shared
    assert notice.keys == ("A2", "A3")


def test_a_good_key_beyond_it_speaks_for_the_stretch():
    assert told({**GOOD, "A1": 750, "A2": 750}) == [("high", ("A1",)), ("high", ("A2",))]


def test_a_whole_line_names_its_lead():
    (notice,) = judge_levels(CIRCUIT, {**GOOD, "A3": 750, "B3": 740}, CHIP, 5000).notices
    assert notice.places == ("column C3 lead",) and notice.shared


def test_a_key_that_was_not_measured_leaves_two_places_open():
    high = {key: mv for key, mv in GOOD.items() if key != "A1"} | {"A2": 750, "A3": 750}
    (notice,) = judge_levels(CIRCUIT, high, CHIP, 5000).notices
    assert notice.places == ("row Ra lead", "row Ra between A1 and A2")


def test_a_branch_is_cut_off_with_its_keys():
    mv = dict.fromkeys(LEFT.keys, 510) | {"L65": 700, "L66": 700}
    (notice,) = judge_levels(LEFT, mv, CHIP, 5000).notices
    assert notice.places == ("row R6 between L64 and L65",)


def test_a_half_whose_levels_differ_widely_is_judged_more_loosely():
    wide = {"A1": 450, "A2": 480, "A3": 510, "B1": 540, "B2": 570, "B3": 620}
    found = judge_levels(CIRCUIT, wide, CHIP, 5000)
    assert found.limit_mv > 200 and found.notices == ()


def test_bad_levels_do_not_hide_each_other():
    """Of four levels two are bad, by far and by little: the median of all would pass the second."""
    assert told({"A1": 510, "A2": 750, "B1": 2130, "B2": 510}) == [
        ("high", ("A2",)), ("high", ("B1",)),
    ]  # fmt: skip


def test_a_half_that_is_high_as_a_whole_does_not_pass():
    assert told({key: mv + 250 for key, mv in GOOD.items()}) == [("all high", tuple(GOOD))]


def test_too_few_levels_are_held_against_one_diode():
    found = judge_levels(CIRCUIT, {"A1": 510, "A2": 750}, CHIP, 5000)
    assert not found.own and 490 < found.reference_mv < 545
    assert [(n.kind, n.keys) for n in found.notices] == [("high", ("A2",))]


# --- against ngspice ---


@cache
def spice_mv(model: str, drops: int, joint_ohm: float, pull_up: float, supply: float = 5.0) -> int:
    """The sensing pin's level of one closed crossing, in millivolts."""
    net = Netlist(supply, model)
    net.resistor("vcc", "sense", pull_up)
    at = "sense"
    for n in range(drops):
        net.diode(at, f"d{n}")
        at = f"d{n}"
    net.resistor(at, "drive", joint_ohm + 1e-3)
    net.sink("drive")
    return round(1000 * net.solve()["sense"])


@pytest.mark.parametrize("model", MODELS)
def test_pull_ups_from_20_to_50_kohm_alone_do_not_stand_out(model):
    pulls = dict(zip(GOOD, (20e3, 25e3, 30e3, 35e3, 40e3, 50e3), strict=True))
    levels = {key: spice_mv(model, 1, 0, pull) for key, pull in pulls.items()}
    assert told(levels) == []
    assert told({**levels, "A1": spice_mv(model, 1, 200, 20e3)}) == []
    # 1 kOhm: on 50 kOhm it adds less than 100 mV, and is not told.
    for ohm, pull, high in ((1000, 20e3, True), (1000, 50e3, False), (2000, 50e3, True)):
        wanted = [("high", ("A3",))] if high else []
        assert told({**levels, "A3": spice_mv(model, 1, ohm, pull)}) == wanted
    assert told({**levels, "A3": spice_mv(model, 0, 0, 35e3)}) == [("no drop", ("A3",))]


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("pull_up", [20e3, 35e3, 50e3])
def test_two_diodes_in_series_are_taken_for_such(model, pull_up):
    assert two_drops(spice_mv(model, 2, 0, pull_up), spice_mv(model, 1, 0, 35e3))
    assert not two_drops(spice_mv(model, 1, 1000, pull_up), spice_mv(model, 1, 0, 35e3))


@pytest.mark.parametrize("joint", [1000, 2000, 5000, 20_000])
@pytest.mark.parametrize("pull_up", [22e3, 35e3, 48e3])
def test_the_resistance_lies_between_the_two_that_are_told(joint, pull_up):
    good = spice_mv("nxp", 1, 0, pull_up)
    low, high = ohms(spice_mv("nxp", 1, joint, pull_up), good, CHIP, 5000)
    assert low < joint < high
