"""Fault names: what is described is read back, and what names nothing is told in one line."""

import re

import pytest
from fault_boards import BRAMBLEWICK, SMALL, renamed, small

from keydiag.circuit import Circuit
from keydiag.errors import FaultNameError
from keydiag.faults import KINDS, Fault, describe, enumerate_faults, parse_fault

HALF = Circuit(small())

# One of each kind, in the words design and readme use; none may change without notice.
WORDS = {
    "K23 switch-column joint open": Fault("open-joint", ("K23 switch-column joint",)),
    "K23 switch-diode joint open": Fault("open-joint", ("K23 switch-diode joint",)),
    "K23 diode-row joint open": Fault("open-joint", ("K23 diode-row joint",)),
    "K23 switch dead": Fault("dead-switch", ("K23 switch",)),
    "K23 diode open": Fault("open-diode", ("K23 diode",)),
    "K23 diode reversed": Fault("reversed-diode", ("K23 diode",)),
    "K23 diode shorted": Fault("shorted-diode", ("K23 diode",)),
    "K23 switch stuck": Fault("stuck-switch", ("K23 switch",)),
    "row R2 broken between K22 and K23": Fault("broken-stretch", ("row R2 between K22 and K23",)),
    "row R2 lead open": Fault("open-lead", ("row R2 lead",)),
    "row R1 bridged to column C3": Fault("bridge", ("row R1", "column C3")),
    "row R1 bridged to K23 node": Fault("bridge", ("row R1", "K23 node")),
    "K13 node bridged to K23 node": Fault("bridge", ("K13 node", "K23 node")),
    "column C1 shorted to ground": Fault("line-to-ground", ("column C1",)),
    "column C1 shorted to supply": Fault("line-to-supply", ("column C1",)),
    "row R1 lead and row R2 lead swapped": Fault("swapped-leads", ("row R1 lead", "row R2 lead")),
    "row R1 lead on pin PB0": Fault("misplaced-lead", ("row R1 lead", "pin PB0")),
    "K23 switch-column joint on column C1": Fault(
        "miswired-key", ("K23 switch-column joint", "column C1")
    ),
    "K13 and K23 swapped": Fault("swapped-keys", ("K13", "K23")),
    "every diode reversed": Fault("wrong-cathode-at", ()),
    "pin PD1 dead": Fault("dead-pin", ("pin PD1",)),
    "K23 diode-row joint resistive": Fault("resistive-joint", ("K23 diode-row joint",)),
    "row R2 between K22 and K23 resistive": Fault(
        "resistive-joint", ("row R2 between K22 and K23",)
    ),
    "row R2 lead resistive": Fault("resistive-joint", ("row R2 lead",)),
}


@pytest.mark.parametrize("words", WORDS)
def test_the_words_of_every_kind(words):
    assert parse_fault(HALF, words) == WORDS[words]
    assert describe(WORDS[words]) == words
    assert parse_fault(HALF, words.upper()) == WORDS[words]


def test_no_kind_is_left_out():
    assert {fault.kind for fault in WORDS.values()} == set(KINDS)


@pytest.mark.parametrize("reach", ["near", "any"])
@pytest.mark.parametrize("board", [*SMALL.values(), *BRAMBLEWICK.values()])
def test_every_fault_of_a_board_is_read_back(board, reach):
    circuit = Circuit(board, ("PB0",))
    every = enumerate_faults(circuit, reach)
    assert [parse_fault(circuit, describe(fault)) for fault in every] == every


def test_no_two_faults_share_their_words():
    every = enumerate_faults(Circuit(BRAMBLEWICK["bramblewick-left"]), "any")
    assert len({describe(fault) for fault in every}) == len(every)


@pytest.mark.parametrize("name", ["on", "to", "open", "dead", "a", "bridged", "C1"])
def test_keys_may_be_called_like_the_words_of_faults(name):
    circuit = Circuit(renamed({"K12": name}))
    every = enumerate_faults(circuit, "any")
    assert [parse_fault(circuit, describe(fault)) for fault in every] == every


@pytest.mark.parametrize(("spoken", "meant"), [
    ("reversed diode at K23", "K23 diode reversed"),
    ("K23 reversed", "K23 diode reversed"),
    ("the diode of K23... reversed", None),
    ("cold joint: K23 switch-column joint", "K23 switch-column joint open"),
    ("K23 switch-column open", "K23 switch-column joint open"),
    ("open-joint: K23 switch-column joint", "K23 switch-column joint open"),
    ("reversed-diode K23", "K23 diode reversed"),
    ("bridge between row R1 and column C3", "row R1 bridged to column C3"),
    ("column C3 bridged to row R1", "row R1 bridged to column C3"),
    ("K23 node touches row R1", "row R1 bridged to K23 node"),
    ("K23 node bridged to K13 node", "K13 node bridged to K23 node"),
    ("row R2 open between K23 and K22", "row R2 broken between K22 and K23"),
    ("row R2 grounded", "row R2 shorted to ground"),
    ("row R2 lead and row R1 lead swapped", "row R1 lead and row R2 lead swapped"),
    ("K23 and K13 exchanged", "K13 and K23 swapped"),
    ("cathode_at wrong", "every diode reversed"),
])  # fmt: skip
def test_other_words_for_the_same(spoken, meant):
    if meant is None:
        with pytest.raises(FaultNameError):
            parse_fault(HALF, spoken)
    else:
        assert parse_fault(HALF, spoken) == parse_fault(HALF, meant)


MISTAKES = {
    # words -> what the one line must name: the mistake and the way out
    "K29 diode reversed": ["'K29'", "no key", "near names: K21, K22, K23"],
    "K23 doide reversed": ["'doide'", "did you mean 'diode'?"],
    "K23 diode reversd": ["'reversd'", "did you mean 'reversed'?"],
    "row R9 bridged to row R2": ["no row named 'R9'", "R1, R2"],
    "column R1 shorted to ground": ["no column named 'R1'", "C1, C2, C3"],
    "R2 bridged to row R1": ["'R2'", "did you mean 'row R2'?"],
    "row R2 broken between K21 and K23": [
        "K21 and K23 are not neighbours on row R2", "row R2 between K22 and K21",
    ],
    "row R2 broken between K22 and K29": ["no key named 'K29'", "K21, K22, K23"],
    "pin PD99 dead": ["the atmega32u4 has no pin 'PD99'", "PD0"],
    "pin PB0 dead": ["pin PB0 carries no line of this board", "PD0, PD1, PF4, PF5, PF6"],
    "row R1 lead on pin PX1": ["no pin 'PX1'", "near names: P"],
    "row R1 lead on pin PD0": ["misplaced-lead cannot be at row R1 lead, pin PD0"],
    "row R1 bridged to row R1": ["bridge cannot be at row R1, row R1"],
    "K23 node bridged to K23 node": ["bridge cannot be at"],
    "K13 and K13 swapped": ["swapped-keys cannot be at K13, K13"],
    "K23 switch-column joint on column C3": ["miswired-key cannot be at"],  # its own column
    "K23 switch-diode joint on column C1": ["miswired-key cannot be at"],  # ends at no line
    "open-joint: K23 diode": ["open-joint cannot be at K23 diode"],
    "K23 column-diode joint open": ["'column-diode'"],  # the diode is on the row side here
    "K23 diode": ["cannot tell what is wrong", "'L23 diode reversed'"],
    "K23": ["cannot tell what is wrong"],
    "reversed": ["cannot tell what is wrong"],
    "K23 diode stuck": ["cannot tell what is wrong"],
    "K13 K23 K12 swapped": ["cannot tell what is wrong"],
    "": ["fault ''", "write it like"],
    "K23\ndiode\nmelted": ["'melted'"],
    "\x1b[31mK23": ["x1b"],
}  # fmt: skip


@pytest.mark.parametrize("words", MISTAKES)
def test_mistakes_are_named_in_one_line(words):
    with pytest.raises(FaultNameError) as caught:
        parse_fault(HALF, words)
    line = str(caught.value)
    assert line.isprintable(), "more than one line, or control characters"
    assert line.startswith(f"fault {words!r}: ")
    for each in MISTAKES[words]:
        assert each in line
    assert re.search(r"; \S", line), "no way out is named"


def test_the_joints_follow_the_diodes_side():
    circuit = Circuit(small(diode_side="column"))
    assert parse_fault(circuit, "K23 column-diode joint open").at == ("K23 column-diode joint",)
    with pytest.raises(FaultNameError, match="'switch-column'"):
        parse_fault(circuit, "K23 switch-column joint open")
