"""Readings that can be worked out by hand on the half of two-by-three.toml.

Each row of a table is: faults in plain words, keys held, what is read.  What is read is written

    C1>R1      C1 reads low while R1 is driven (current flows from C1's pull-up to R1's sink)
    C1?R1      it may or may not: nothing guarantees it
    R1 high    R1 does not follow its own driver
    R1 high?   nothing guarantees that it does
    R1 rest    R1 reads low with nothing driven, and whatever is driven
    R1 rest?   it may or may not

and an empty string is a half on which nothing shows.  That a diode conducts from anode to cathode
and is marked at the cathode, that a bare joint conducts both ways, and what a break, a bridge or an
exchange does to a wire is common practice, no source; rows with another source name it.
"""

import pytest
from explicit_half import small_text

from keydiag.board import loads
from keydiag.circuit import Change, Circuit, Prediction, Reading, Wiring
from keydiag.faults import parse_fault, predict

HALF = Circuit(loads(small_text()), ("PB0",))


def reads(circuit: Circuit, faults: str, held: str) -> set[str]:
    """The reading in the words of this file; `faults` are separated by commas, keys by spaces."""
    named = [parse_fault(circuit, text) for text in faults.split(", ") if text]
    answer = predict(circuit, named, held.split())
    pins = [name.split()[-1] for name in circuit.line_names] + ["PB0"] * (len(circuit.pins) - 5)
    said = set()
    at_rest = answer.rest | answer.rest_unknown
    for j, sense in enumerate(pins):
        if answer.rest >> j & 1:
            said.add(f"{sense} rest")
        elif answer.rest_unknown >> j & 1:
            said.add(f"{sense} rest?")
        for i, drive in enumerate(pins):
            low, unknown = answer.low[i] >> j & 1, answer.unknown[i] >> j & 1
            if at_rest >> j & 1:
                assert low or unknown, f"{sense} is low at rest but not while {drive} is driven"
            elif i == j:
                if unknown or not low:
                    said.add(f"{sense} high?" if unknown else f"{sense} high")
            elif unknown or low:
                said.add(f"{sense}?{drive}" if unknown else f"{sense}>{drive}")
    return said


def check(faults: str, held: str, told: str, circuit: Circuit = HALF) -> None:
    assert reads(circuit, faults, held) == {each for each in told.split(", ") if each}


def rows(*lines: tuple[str, str, str]):
    return pytest.mark.parametrize(("faults", "held", "told"), lines)


@rows(
    ("", "", ""),
    ("", "K11", "C1>R1"),
    ("", "K23", "C3>R2"),
    ("", "K11 K12", "C1>R1, C2>R1"),
    ("", "K11 K12 K21", "C1>R1, C2>R1, C1>R2"),  # no fourth corner: the diodes see to that
)
def test_a_good_half(faults, held, told):
    check(faults, held, told)


@rows(
    ("K11 diode reversed", "K11", "R1>C1"),
    ("K11 diode reversed", "", ""),
    ("K11 diode shorted", "K11", "C1>R1, R1>C1"),
    ("K11 diode shorted", "", ""),
    ("K11 diode open", "K11", ""),
    ("K11 switch dead", "K11", ""),
    ("K11 switch-column joint open", "K11", ""),
    ("K11 switch-diode joint open", "K11", ""),
    ("K11 diode-row joint open", "K11", ""),
    ("K11 diode-row joint open", "K11 K12", "C2>R1"),
    ("K11 diode-row joint resistive", "K11", "C1>R1"),
    ("K11 switch stuck", "", "C1>R1"),
    ("K11 switch stuck", "K11", "C1>R1"),
    ("K11 switch stuck", "K12", "C1>R1, C2>R1"),
    ("K11 switch stuck, K11 diode shorted", "", "C1>R1, R1>C1"),
    ("every diode reversed", "K11", "R1>C1"),
    ("every diode reversed, K11 diode reversed", "K11", "C1>R1"),
)
def test_one_key(faults, held, told):
    check(faults, held, told)


@pytest.mark.parametrize("diode_side", ["row", "column"])
@pytest.mark.parametrize(("cathode_at", "forward", "back"), [
    ("row", "C1>R1", "R1>C1"), ("column", "R1>C1", "C1>R1"),
])  # fmt: skip
def test_which_way_the_diode_looks(cathode_at, diode_side, forward, back):
    """The cathode's side is where the current goes; the diode's side of the switch is no matter."""
    circuit = Circuit(loads(small_text(cathode_at, diode_side)))
    check("", "K11", forward, circuit)
    check("K11 diode reversed", "K11", back, circuit)
    check("K11 diode shorted", "K11", f"{forward}, {back}", circuit)
    drive, sense = circuit.forward["K11"]
    assert forward == "{1}>{0}".format(*(circuit.line_names[i].split()[1] for i in (drive, sense)))


@rows(
    ("row R1 broken between K11 and K12", "K11", "C1>R1"),
    ("row R1 broken between K11 and K12", "K12", ""),
    ("row R1 broken between K11 and K12", "K13", ""),
    ("row R1 broken between K12 and K13", "K12", "C2>R1"),
    ("row R1 broken between K12 and K13", "K13", ""),
    # The branch: R2's lead arrives at K22, and K21 and K23 both hang off K22.
    ("row R2 broken between K22 and K21", "K21", ""),
    ("row R2 broken between K22 and K21", "K22", "C2>R2"),
    ("row R2 broken between K22 and K21", "K23", "C3>R2"),
    ("row R2 broken between K22 and K23", "K21", "C1>R2"),
    ("row R2 broken between K22 and K23", "K23", ""),
    # Column C2 comes from below: its lead is at K22.
    ("column C2 broken between K22 and K12", "K12", ""),
    ("column C2 broken between K22 and K12", "K22", "C2>R2"),
    # What hangs beyond a break is still one piece of wire.
    ("row R1 broken between K11 and K12, K12 diode shorted", "K12 K13", "C3>C2"),
    # A break hides what is beyond it.
    ("row R1 broken between K11 and K12, K13 diode reversed", "K13", ""),
    ("row R1 lead open", "K11", ""),
    ("row R1 lead open", "K13", ""),
    ("row R1 lead open", "K21", "C1>R2"),
    ("row R1 lead open, K12 diode reversed", "K11 K12", "C1?C2"),
)
def test_breaks(faults, held, told):
    check(faults, held, told)


@rows(
    ("row R1 bridged to row R2", "", "R1>R2, R2>R1"),
    ("row R1 bridged to row R2", "K11", "R1>R2, R2>R1, C1>R1, C1>R2"),
    ("column C1 bridged to column C2", "K11", "C1>C2, C2>C1, C1>R1, C2>R1"),
    ("row R1 bridged to column C2", "", "R1>C2, C2>R1"),
    ("row R1 bridged to column C2", "K12", "R1>C2, C2>R1"),
    ("row R1 bridged to column C2", "K11", "R1>C2, C2>R1, C1>R1, C1>C2"),
    ("row R1 bridged to column C2", "K22", "R1>C2, C2>R1, R1>R2, C2>R2"),
    ("row R1 bridged to column C2", "K11 K22", "R1>C2, C2>R1, R1>R2, C2>R2, C1>R1, C1>C2, C1?R2"),
    # The break is beyond the bridge, which sits where the lead arrives.
    ("row R1 bridged to row R2, row R1 broken between K11 and K12", "K12", "R1>R2, R2>R1"),
)
def test_bridges_between_lines(faults, held, told):
    check(faults, held, told)


@rows(
    # A key's node leads through its diode to its own row, pressed or not.
    ("row R2 bridged to K11 node", "", "R2>R1"),
    ("row R2 bridged to K11 node", "K11", "R2>R1, C1>R1, C1>R2, R2>C1"),
    ("column C2 bridged to K11 node", "", "C2>R1"),
    ("column C2 bridged to K11 node", "K11", "C2>R1, C1>R1, C1>C2, C2>C1"),
    ("column C2 bridged to K11 node, K11 diode open", "", ""),
    ("column C2 bridged to K11 node, K11 switch-column joint open", "K11", "C2>R1"),
    # Two nodes of one row: nothing shows until both keys are held.
    ("K11 node bridged to K12 node", "", ""),
    ("K11 node bridged to K12 node", "K11", "C1>R1"),
    ("K11 node bridged to K12 node", "K12", "C2>R1"),
    ("K11 node bridged to K12 node", "K11 K12", "C1>R1, C2>R1, C1>C2, C2>C1"),
    # Two nodes of one column, and of neither.
    ("K11 node bridged to K21 node", "K11", "C1>R1, C1>R2"),
    ("K11 node bridged to K22 node", "", ""),
    ("K11 node bridged to K22 node", "K11", "C1>R1, C1>R2"),
    ("K11 node bridged to K22 node", "K22", "C2>R1, C2>R2"),
    ("K11 node bridged to K22 node", "K11 K22", "C1>R1, C1>R2, C2>R1, C2>R2, C1>C2, C2>C1"),
)
def test_bridges_to_nodes(faults, held, told):
    check(faults, held, told)


@rows(
    ("row R2 bridged to K11 node", "", "C1>R2"),
    ("row R2 bridged to K11 node", "K11", "C1>R1, C1>R2, R1>R2, R2>R1"),
    ("column C2 bridged to K11 node", "", "C1>C2"),
    ("column C2 bridged to K11 node", "K11", "C1>C2, C1>R1, C2>R1, R1>C2"),
    ("K11 node bridged to K12 node", "K11", "C1>R1, C2>R1"),
    # Two nodes of one column: the chord.
    ("K11 node bridged to K21 node", "K11", "C1>R1"),
    ("K11 node bridged to K21 node", "K11 K21", "C1>R1, C1>R2, R1>R2, R2>R1"),
)
def test_bridges_to_nodes_with_the_diode_at_the_column(faults, held, told):
    """The node now lies between the column's diode and the switch."""
    check(faults, held, told, Circuit(loads(small_text(diode_side="column"))))


@rows(
    ("row R1 shorted to ground", "", "R1 rest"),
    ("row R1 shorted to ground", "K11", "R1 rest, C1 rest"),
    ("row R1 shorted to ground", "K21", "R1 rest, C1>R2"),
    ("column C1 shorted to ground", "K11", "C1 rest"),
    ("row R1 shorted to ground, K12 diode reversed", "K11 K12", "R1 rest, C1 rest"),
    ("row R1 shorted to supply", "", "R1 high"),
    ("row R1 shorted to supply", "K11", "R1 high"),
    ("row R1 shorted to supply", "K21", "R1 high, C1>R2"),
    ("column C1 shorted to supply", "", "C1 high"),
    # The key lets the supply onto R1: its pin pulls against it, and nobody can say who wins.
    ("column C1 shorted to supply", "K11", "C1 high, R1 high?"),
    ("column C1 shorted to supply", "K11 K12", "C1 high, R1 high?, C2?R1"),
    ("column C1 shorted to supply, row R1 shorted to ground", "", "C1 high, R1 rest"),
    ("column C1 shorted to supply, row R1 shorted to ground", "K11", "C1 high, R1 rest?"),
    # The same two diodes further on.
    ("column C1 shorted to supply, K12 diode reversed", "K11 K12",
     "C1 high, R1 high?, C2 high?, R1?C2"),
    # Nothing is pulled low through a line that the supply holds high.
    ("row R1 shorted to supply, K12 diode reversed", "K11 K12", "R1 high, C2 high?"),
)  # fmt: skip
def test_ground_and_supply(faults, held, told):
    check(faults, held, told)


@rows(
    ("row R1 lead and row R2 lead swapped", "K11", "C1>R2"),
    ("row R1 lead and row R2 lead swapped", "K21", "C1>R1"),
    ("row R1 lead and column C1 lead swapped", "K11", "R1>C1"),
    ("row R1 lead and column C1 lead swapped", "K12", "C2>C1"),
    ("row R1 lead and column C1 lead swapped", "K21", "R1>R2"),
    ("row R1 lead and column C1 lead swapped", "K22", "C2>R2"),
    # Two exchanges in turn, a ring of three: R1 is on R2's pin, R2 on C1's, C1 on R1's.
    ("row R1 lead and row R2 lead swapped, row R2 lead and column C1 lead swapped", "K11", "R1>R2"),
    ("row R1 lead and row R2 lead swapped, row R2 lead and column C1 lead swapped", "K22", "C2>C1"),
    ("row R1 lead on pin PB0", "K11", "C1>PB0"),  # a pin that is watched
    ("row R1 lead on pin PB1", "K11", ""),  # one that is not
    ("row R1 lead on pin PD1", "K11", "C1>R2"),  # R2's pin
    ("K11 switch-column joint on column C2", "K11", "C2>R1"),
    ("K11 diode-row joint on row R2", "K11", "C1>R2"),
    ("K11 diode-row joint on row R2", "K12", "C2>R1"),
    ("K11 and K22 swapped", "K11", "C2>R2"),
    ("K11 and K22 swapped", "K22", "C1>R1"),
    ("K11 and K22 swapped", "K12", "C2>R1"),
    ("K11 and K22 swapped, K22 diode reversed", "K11", "R2>C2"),
    ("K11 and K12 swapped, K12 and K13 swapped", "K11", "C2>R1"),
    ("K11 and K12 swapped, K12 and K13 swapped", "K12", "C3>R1"),
    ("K11 and K12 swapped, K12 and K13 swapped", "K13", "C1>R1"),
    ("pin PD0 dead", "", "R1 high?"),
    ("pin PD0 dead", "K11", "R1 high?"),
    ("pin PF4 dead", "K11", "C1 high?"),
    ("pin PF4 dead", "K12", "C1 high?, C2>R1"),
    ("pin PD0 dead, row R1 bridged to row R2", "K11", "R1 high?, C1>R2"),
)
def test_mix_ups_and_dead_pins(faults, held, told):
    check(faults, held, told)


@rows(
    ("K11 diode shorted, K12 diode shorted, K21 diode shorted", "K11 K12 K21", "C2>R2"),
    ("K11 diode shorted", "K11 K12 K21", "C2?R2"),
)
def test_the_fourth_corner(faults, held, told):
    """Three switches closed on the corners of a rectangle without diodes show the fourth as closed
    (TI TCA8418E data sheet SCPS222C, section 9.1.1).  With two good diodes on the way it is two
    drops, so it may show."""
    said = reads(HALF, faults, held)
    assert told in said
    assert {told.replace("?", ">"), told.replace(">", "?")} & said == {told}
    assert "C2>R2" not in reads(HALF, "", held)


def test_pins_follow_the_board_file():
    assert HALF.line_names == ("row R1", "row R2", "column C1", "column C2", "column C3")
    assert HALF.pins == ("PD0", "PD1", "PF4", "PF5", "PF6", "PB0")
    assert HALF.crossing["K23"] == (1, 4)
    assert HALF.forward["K23"] == (1, 4)
    assert HALF.healthy_rest == predict(HALF, [], ()).as_reading()


def test_stretches_know_what_is_beyond():
    beyond = {address: sorted(each.beyond) for address, each in HALF.stretches.items()}
    assert beyond == {
        "row R1 between K11 and K12": ["K12", "K13"],
        "row R1 between K12 and K13": ["K13"],
        "row R2 between K22 and K21": ["K21"],
        "row R2 between K22 and K23": ["K23"],
        "column C1 between K11 and K21": ["K21"],
        "column C2 between K22 and K12": ["K12"],
        "column C3 between K13 and K23": ["K23"],
    }


def test_the_order_and_the_number_of_times_faults_are_named_is_no_matter():
    faults = [parse_fault(HALF, text) for text in ("K11 diode reversed", "K12 switch stuck")]
    once = predict(HALF, faults, ["K11"])
    assert predict(HALF, faults[::-1], ["K11"]) == once
    assert predict(HALF, faults + faults, ["K11"]) == once


def test_agreement_is_only_about_what_is_guaranteed():
    told = Prediction(rest=0, low=(0b01, 0b10), rest_unknown=0, unknown=(0b10, 0))
    assert told.agrees(Reading(0, (0b01, 0b10)))
    assert told.agrees(Reading(0, (0b11, 0b10)))
    assert not told.agrees(Reading(0, (0b00, 0b10)))
    assert not told.agrees(Reading(0, (0b01, 0b11)))
    assert not told.agrees(Reading(1, (0b01, 0b10)))
    assert told.as_reading() == Reading(0, (0b01, 0b10))
    assert Prediction(1, (0b11, 0b10), 1, (0b10, 0)).as_reading() == Reading(0, (0b01, 0b10))


def test_an_unknown_change_is_refused():
    with pytest.raises(ValueError, match="unknown change 'melt'"):
        Wiring(HALF, [Change("melt", "K11 diode")])
