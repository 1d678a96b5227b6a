"""The map to carry on with: what the file says, what a test proved, and nothing more."""

import csv
import io
import json
from pathlib import Path

import pytest
from tested import sweep

from keydiag import board
from keydiag.board.pins import as_csv, as_json, pin_map
from keydiag.circuit import Circuit
from keydiag.cli import main

SMALL_FILE = Path(__file__).parent / "two-by-three.toml"
SMALL = board.load(SMALL_FILE)


def rows(text):
    return {row["key"]: row for row in csv.DictReader(io.StringIO(text))}


def test_small_half_by_eye():
    table = pin_map(SMALL)
    assert [(each["line"], each["kind"], each["pin"]) for each in table["lines"]] == [
        ("Ra", "row", "PD1"), ("Rb", "row", "PD0"),
        ("C1", "column", "PF4"), ("C2", "column", "PF5"), ("C3", "column", "PF6"),
    ]  # fmt: skip
    assert [each["key"] for each in table["keys"]] == list(SMALL.key)
    b3 = rows(as_csv(table))["B3"]
    assert (b3["row"], b3["column"], b3["row_index"], b3["column_index"]) == ("Rb", "C3", "1", "2")
    assert (b3["row_pin"], b3["column_pin"]) == ("PD0", "PF6")
    assert (b3["anode_pin"], b3["cathode_pin"]) == ("PF6", "PD0")  # cathode_at = "row"
    assert (b3["x"], b3["y"], b3["turn"], b3["proven"]) == ("45.0", "25.0", "30.0", "")
    assert table["test"] is None


@pytest.mark.parametrize("cathode_at", ["row", "column"])
@pytest.mark.parametrize("diode_side", ["row", "column"])
def test_current_flows_as_the_circuit_says(cathode_at, diode_side):
    half = SMALL.model_copy(update={"cathode_at": cathode_at, "diode_side": diode_side})
    circuit = Circuit(half)
    for each in pin_map(half)["keys"]:
        # The driven pin sinks: it is the one at the cathode.
        drive, sense = circuit.forward[each["key"]]
        assert (circuit.pins[sense], circuit.pins[drive]) == (
            each["anode_pin"],
            each["cathode_pin"],
        )


def test_json_is_the_same_map():
    table = pin_map(SMALL, dict.fromkeys(SMALL.key, True), "pass")
    assert json.loads(as_json(table)) == table
    assert table["test"] == {"verdict": "pass", "proven": 6}


# --- as a test proved it ------------------------------------------------------------------------


def pins(journal, capsys):
    status = main(["board", "pins", str(journal)])
    told = capsys.readouterr()
    return status, {key: row["proven"] for key, row in rows(told.out).items()}, told.err


def test_a_clean_sweep_proves_every_key(tmp_path, capsys):
    sweep(SMALL, [], tmp_path / "j.jsonl")
    status, proven, told = pins(tmp_path / "j.jsonl", capsys)
    assert status == 0 and set(proven.values()) == {"yes"} and told == ""


@pytest.mark.parametrize(
    ("fault", "doubted"),
    [
        ("B2 diode reversed", {"B2"}),
        ("A3 switch dead", {"A3"}),
        ("bridge between row Ra and row Rb", {"A1", "A2", "A3", "B1", "B2", "B3"}),
    ],
)
def test_what_is_not_proven_is_not_claimed(tmp_path, capsys, fault, doubted):
    sweep(SMALL, [fault], tmp_path / "j.jsonl")
    status, proven, told = pins(tmp_path / "j.jsonl", capsys)
    assert status == 1
    assert doubted <= {key for key, said in proven.items() if said == "no"}
    assert "keys are proven, not" in told and "verdict of the test: faults" in told


def test_a_board_file_claims_nothing(capsys):
    status, proven, told = pins(SMALL_FILE, capsys)
    assert status == 0 and set(proven.values()) == {""} and told == ""


def test_into_a_file(tmp_path, capsys):
    out = tmp_path / "pins.json"
    command = ["board", "pins", str(SMALL_FILE), "--format", "json", "-o", str(out)]
    assert main(command) == 0
    assert json.loads(out.read_text())["half"] == "Two by three"
    assert main(command) == 2  # never overwritten unasked
    assert main([*command, "--force"]) == 0


def test_neither_board_nor_journal(tmp_path, capsys):
    (tmp_path / "x").write_text("hello")
    assert main(["board", "pins", str(tmp_path / "x")]) == 2
    assert main(["board", "pins", str(tmp_path / "none")]) == 2
    assert "cannot be read" in capsys.readouterr().err
