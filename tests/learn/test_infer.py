"""What is concluded from the answers, by eye and for every single fault of a small half."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from wires import (
    LEFT,
    RIGHT,
    SMALL,
    Wires,
    by_pins,
    infer_at_once,
    learn_at_once,
    pins_learned,
)

from keydiag import board
from keydiag.circuit import Circuit
from keydiag.faults import Fault, describe, enumerate_faults
from keydiag.learn.answers import rest_of
from keydiag.learn.places import beside
from tests.board.any_board import boards

TINY = board.load(Path(__file__).parent.parent / "board" / "two-by-three.toml")


# --- rest and answers ---------------------------------------------------------------------------


def test_a_quiet_half_by_eye():
    rest = Wires(SMALL).rest
    assert rest.grounded == rest.high == rest.always == frozenset() and rest.bridged == ()


@pytest.mark.parametrize(
    ("fault", "what", "ports"),
    [
        ("row R1 shorted to ground", "grounded", ["row R1"]),
        ("row R1 shorted to supply", "high", ["row R1"]),
        ("row R1 bridged to row R2", "bridged", ["row R1", "row R2"]),
        ("row R1 bridged to column C3", "bridged", ["row R1", "column C3"]),
    ],
)
def test_rest_by_eye(fault, what, ports):
    wires = Wires(SMALL, [fault])
    pins = sorted(wires.ports.index(wires.circuit.line_file[name].pin) for name in ports)
    found = getattr(wires.rest, what)
    assert [*found] == ([tuple(pins)] if what == "bridged" else pins)


def test_a_key_held_for_good_conducts_one_way_at_rest():
    wires = Wires(SMALL, ["L12 switch stuck"])
    row, column = (wires.ports.index(pin) for pin in by_pins(SMALL)["L12"])
    assert wires.rest.always == {(row, column)}  # current from the column to the driven row


def test_an_answer_is_one_way():
    wires = Wires(SMALL)
    row, column = (wires.ports.index(pin) for pin in by_pins(SMALL)["L23"])
    assert wires.answer("L23").ways == {(row, column)}
    assert Wires(SMALL, ["L23 diode reversed"]).answer("L23").ways == {(column, row)}
    assert len(Wires(SMALL, ["L23 diode shorted"]).answer("L23").ways) == 2
    assert Wires(SMALL, ["L23 diode open"]).answer("L23") is None


def test_what_follows_from_rest_is_no_answer():
    # L12's node on row R2: current always flows from R2 through L12's diode to R1, so whatever
    # reaches R2 reaches R1 as well.
    wires = Wires(SMALL, ["row R2 bridged to L12 node"])
    pins = by_pins(SMALL)
    row, column = (wires.ports.index(pin) for pin in pins["L24"])
    assert wires.answer("L24").ways == {(row, column)}


# --- who stands beside whom ---------------------------------------------------------------------


def test_neighbours_by_eye():
    near = beside(LEFT.key)
    assert set(near.sides["L23"]) == {"L22", "L24"} and set(near.above["L23"]) == {"L13", "L33"}
    assert near.sides["L11"] == ("L12",) and near.above["L11"] == ("L21",)
    assert set(near.sides["L65"]) == {"L64", "L66"}  # turned keys stand beside each other as well
    assert set(beside(RIGHT.key).sides["K62"]) == {"K61", "K63"}


def test_one_key_has_no_neighbours():
    near = beside({"A": LEFT.key["L11"]})
    assert near.sides == {"A": ()} and near.above == {"A": ()}


# --- whole halves -------------------------------------------------------------------------------


@pytest.mark.parametrize("cathode_at", ["row", "column"])
@pytest.mark.parametrize("half", [LEFT, RIGHT, SMALL], ids=["left", "right", "small"])
def test_a_sound_half_is_learned_exactly(half, cathode_at):
    half = half.model_copy(update={"cathode_at": cathode_at})
    learned, result = learn_at_once(half)
    assert result.clean and result.notes == ()
    assert by_pins(result.board) == by_pins(half)
    assert result.board.cathode_at == cathode_at
    assert result.board.key == half.key
    for group in ("row", "column"):  # named from the top down and from the left
        mine = {frozenset(board.keys_of(line)) for line in getattr(result.board, group).values()}
        true = {frozenset(board.keys_of(line)) for line in getattr(half, group).values()}
        assert mine == true


def test_rows_and_columns_are_named_as_one_reads():
    _, result = learn_at_once(LEFT)
    assert list(result.board.row) == ["R1", "R2", "R3", "R4", "R5", "R6"]
    assert board.crossings(result.board) == board.crossings(LEFT)
    assert result.board.row["R1"].path == ["L17", "L16", "L15", "L14", "L13", "L12", "L11"]


def is_its_own_doing(fault: Fault) -> bool:
    """Leads on other pins than planned are no fault to someone who has no plan."""
    return fault.kind in ("swapped-leads", "misplaced-lead", "wrong-cathode-at")


FAULTS = [fault for fault in enumerate_faults(Circuit(SMALL)) if not is_its_own_doing(fault)]


def test_no_single_fault_is_taken_for_the_plan_of_the_half():
    circuit, true = Circuit(SMALL), by_pins(SMALL)
    for fault in FAULTS:
        wires = Wires(SMALL, [fault])
        learned = infer_at_once(wires)
        if learned is None:  # stopped at once: a pin stays high, perhaps a short to the supply
            assert fault.kind in ("line-to-supply", "dead-pin"), describe(fault)
            continue
        got = pins_learned(learned, wires.ports)
        assert set(got) | set(learned.left_out) == set(SMALL.key)
        assert learned.cathode_at == SMALL.cathode_at
        pins: set[str] = set()
        if fault.kind == "bridge" and not any(net.endswith(" node") for net in fault.at):
            # Two pins of one net: which is which nobody can tell, and the lines say so.
            pins = {circuit.line_file[net].pin for net in fault.at}
            assert sum(bool(line.bridged) for line in (*learned.rows, *learned.columns)) == 2
        for key, found in got.items():
            if fault.kind == "miswired-key" and key in learned.unusual:
                continue  # on a crossing that is free: it may be meant so, and is remarked upon
            assert {pin for pin in found if pin not in pins} == {
                pin for pin in true[key] if pin not in pins
            }, (describe(fault), key)


def test_every_fault_that_a_single_press_shows_is_reported():
    for fault in FAULTS[::7]:  # the inference above is held against all of them
        _, result = learn_at_once(SMALL, [fault])
        if result is not None:
            told = not result.clean or bool(result.remarks)
            assert told != Wires(SMALL, [fault]).looks_sound, describe(fault)
            assert board.loads(result.text) == result.board


@pytest.mark.parametrize(
    "words",
    [
        "L12 diode reversed",
        "L22 diode shorted",
        "row R2 broken between L23 and L22",
        "L13 switch stuck",
        "row R1 bridged to row R2",
        "L22 and L23 swapped",
        "row R2 shorted to ground",
        "L23 switch-column joint on column C2",
    ],
)
def test_the_fault_is_named(words):
    _, result = learn_at_once(SMALL, [words])
    members = [m for finding in result.diagnosis.findings for m in finding.members]
    assert words in {describe(Fault(m.kind, m.at)) for m in members}


def test_several_faults_at_once():
    faults = ["L12 diode reversed", "L34 diode open", "L43 diode shorted", "L21 and L22 swapped"]
    _, result = learn_at_once(SMALL, faults)
    assert by_pins(result.board) == by_pins(SMALL)
    assert len(result.diagnosis.findings) == 4
    assert any("No sign from L34" in note for note in result.notes)


def test_a_dead_row_is_left_out_and_said():
    learned, result = learn_at_once(LEFT, ["row R2 lead open"])
    row = {"L21", "L22", "L23", "L24", "L25", "L26", "L27"}
    assert set(learned.left_out) == row
    assert set(result.board.key) == set(LEFT.key) - row
    assert not result.clean
    assert "look at its lead and its pin first" in "\n".join(result.notes)


def test_every_diode_in_backwards_is_the_other_way_of_building():
    _, result = learn_at_once(LEFT, ["every diode reversed"])
    assert result.clean and result.board.cathode_at == "column"


@settings(deadline=None, max_examples=60)
@given(boards())
def test_any_sound_board_is_learned_or_its_keys_left_out(half):
    learned, result = learn_at_once(half)
    got, true = by_pins(result.board), by_pins(half)
    # Rows and columns are told apart by how they run; on a jumble they may be named in exchange.
    assert {key: frozenset(pins) for key, pins in got.items()} == {
        key: frozenset(pins) for key, pins in true.items()
    } or result.notes
    assert set(got) | set(learned.left_out) == set(half.key)
    assert board.loads(result.text) == result.board


def test_nothing_answers():
    learned, result = learn_at_once(TINY, [f"{key} diode open" for key in TINY.key])
    assert learned is None and result is None
    assert rest_of(Wires(TINY).rest_reading).bridged == ()
