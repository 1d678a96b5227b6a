"""The other half: mirrored places, pins of its own, and back again."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag import board
from keydiag.board.mirrored import other_half, pin_table, pins_from_csv, text_of
from keydiag.chips import chips
from keydiag.errors import BoardError, UsageError

LEFT = board.example("bramblewick-left")
LINES = [*LEFT.row, *LEFT.column]


def test_the_same_controller_by_eye():
    right = other_half(LEFT)
    assert right == board.mirror(LEFT)
    assert pin_table(LEFT, right)[0] == ("row R1", "PD1", "PD1")


def test_pins_of_the_other_controller_by_eye():
    right = other_half(LEFT, pins={"R1": "PB0", "C7": "PD1"})
    table = {line: (there, here) for line, there, here in pin_table(LEFT, right)}
    assert table["row R1"] == ("PD1", "PB0")
    assert table["column C7"] == ("PB6", "PD1")
    assert table["row R2"] == ("PD0", "PD0")  # not named: as it was


def test_another_chip_gets_pins_that_can_measure():
    right = other_half(LEFT, chip="rp2040")
    assert right.chip == "rp2040"
    pins = [line.pin for line in right.column.values()]
    assert pins[:4] == ["GP26", "GP27", "GP28", "GP29"]  # the columns sense
    assert len({here for _, _, here in pin_table(LEFT, right)}) == 13


def test_new_key_names_everywhere():
    right = other_half(LEFT, rename=("L", "K"))
    assert [key.replace("K", "L") for key in right.key] == list(LEFT.key)
    assert right.row["R6"].path == ["K64", ["K65", "K66"], "K63", "K62", "K61"]
    assert right.row["R6"].splice == [("K64", "K63")]
    assert other_half(right, rename=("K", "L")) == LEFT


@pytest.mark.parametrize(
    ("more", "line"),
    [
        ({"pins": {"R9": "PB0"}}, "pins: there is no line R9; lines: R1, R2,"),
        ({"pins": {"R1": "PF4"}}, "PF4 is already the pin of row R1"),
        ({"pins": {"R1": "PF2"}}, 'the atmega32u4 has no pin "PF2"'),
        ({"chip": "z80"}, "chip: z80 is not known"),
        ({"chip": "rp2040", "pins": {"R1": "GP0"}}, 'the rp2040 has no pin "PD0"'),
        ({"rename": ("X", "Y")}, 'rename: no key name begins with "X"'),
        ({"rename": ("L1", "L2")}, 'rename: two keys would be called "L21"'),
        ({"rename": ("L", "9")}, '"911" cannot be a name'),
        ({"name": " "}, "name (line 2): is empty"),
    ],
)
def test_what_cannot_be(more, line):
    with pytest.raises((UsageError, BoardError)) as caught:
        other_half(LEFT, **more)
    assert line in str(caught.value)


@settings(deadline=None, max_examples=30)
@given(st.permutations(chips()["atmega32u4"].ports), st.integers(0, 13))
def test_mirrored_twice_it_is_itself_again(ports, count):
    pins = dict(zip(LINES[:count], ports, strict=False))
    try:
        right = other_half(LEFT, pins=pins)
    except BoardError:
        return  # a port that another line keeps
    text = text_of(right, LEFT)
    assert board.loads(text) == right
    back = {line.split()[1]: there for line, there, _ in pin_table(LEFT, right)}
    assert other_half(right, pins=back) == LEFT


def test_the_file_says_both_tables():
    text = text_of(other_half(LEFT, pins={"R1": "PB0"}), LEFT)
    assert text.startswith("# Bramblewick right, the mirror image of Bramblewick left:")
    assert "# row R1     PD1   PB0\n" in text


# --- tables of pins -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["line,pin\nR1,PD4\nC1,PF0\n", "R1;PD4\n\nC1;PF0", "# mine\nrow R1\tPD4\ncolumn C1\tPF0"],
)
def test_a_table_of_pins(text):
    assert pins_from_csv(text) == {"R1": "PD4", "C1": "PF0"}


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("R1,PD4\nR1,PD1\n", "pins: line 2: R1 is there twice; each line has one pin"),
        ("R1\n", "pins: line 1: is no line and pin; write a line and its pin, like R1,PD1"),
        ("R1,PD1,x\n", "pins: line 1: is no line and pin"),
        ("", "pins: there is no pin in it"),
    ],
)
def test_tables_of_pins_that_are_none(text, line):
    with pytest.raises(BoardError) as caught:
        pins_from_csv(text)
    assert str(caught.value).startswith(line)
