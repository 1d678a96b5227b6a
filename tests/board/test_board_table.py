"""Boards from a table: what a spreadsheet says, what it may leave out, every mistake told."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag import board
from keydiag.board.new import Plan
from keydiag.board.table import from_csv, keys_from_csv, to_csv
from keydiag.errors import BoardError, KeydiagError

TABLE = """\
key,x,y,turn,row,column,legend
A1,0,0,0,R1,C1,esc
A2,19.05,0,,R1,C2,"a, b"

B1,0,19.05,-10,R2,C1,
B2,19.05,19.05,0,R2,C2,
"""
PLAN = Plan("Table", 0, 0)


def problems(text):
    with pytest.raises(BoardError) as caught:
        from_csv(text, PLAN, "keys.csv")
    return str(caught.value).splitlines()


def test_table_by_eye():
    half = board.loads(from_csv(TABLE, PLAN), "new")
    assert half.name == "Table"
    assert half.key["A2"] == board.Key(at=(19.05, 0.0), legend="a, b")
    assert half.key["B1"].turn == -10.0
    assert half.row["R1"].path == ["A2", "A1"]  # the lead arrives at the right
    assert half.column["C1"].path == ["A1", "B1"]


def test_semicolons_tabs_and_decimal_commas():
    plain = from_csv(TABLE.replace('"a, b"', "ab"), PLAN)
    for mark in (";", "\t"):
        text = TABLE.replace('"a, b"', "ab").replace(",", mark).replace("19.05", "19,05")
        assert from_csv(text, PLAN) == plain
    assert from_csv("\ufeff\n" + TABLE.replace("key,x", "Key, X"), PLAN) == from_csv(TABLE, PLAN)


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("key,x,", "key,ex,", 'keys.csv: line 1: column "x" is missing; needed: key, x, y, row,'),
        ("turn", "trun", 'keys.csv: line 1: unknown column "trun"; known: key, x, y, row, column'),
        ("turn", "x", 'keys.csv: line 1: column "x" twice; name each column once'),
        ("19.05,0,,", "19.05,zero,,", 'keys.csv: line 3: y cannot be "zero"; write a number'),
        ("19.05,0,,", "inf,0,,", 'keys.csv: line 3: x cannot be "inf"; write a number'),
        ("R1,C2", ",C2", "keys.csv: line 3: row is missing; write its row name"),
        ("B1,0", "A2,0", 'keys.csv: line 5: "A2" stands on line 3 as well; name each key once'),
        ("B1,0,19.05", "B1,0,1", "keys.csv: line 5: B1 is 1.0 mm from A1, too near for two"),
        ("B2,19.05,19.05,0,R2", "B2,19.05,19.05,0,R1", "keys.csv: line 6: B2 is on the same"),
        ("B1,0", "B 1,0", 'keys.csv: line 5: "B 1" cannot be a name; start with a letter'),
        ("R2,C1", "C2,C1", '"C2" is the name of row C2 as well'),
        ("B1,0,19.05,-10,R2,C1,", "B1", "keys.csv: line 5: row is missing; write its row name"),
    ],
)
def test_mistakes_in_a_table(old, new, line):
    assert old in TABLE
    assert any(line in each for each in problems(TABLE.replace(old, new, 1)))


def test_all_mistakes_of_a_table_at_once():
    told = problems(TABLE.replace("A1,0,0", "A1,a,b").replace("B2,19.05", "B2,c"))
    assert [each.split(": ")[1] for each in told] == ["line 2", "line 2", "line 6"]


def test_tables_that_are_none():
    assert problems("") == ["keys.csv: the table is empty; start with a line: key,x,y,row,column"]
    assert "is missing" in problems("hello\n")[0]
    assert any("there is no key in it" in each for each in problems(TABLE.splitlines()[0]))


@settings(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.integers(0, 150), st.sampled_from(',;\t"\n9-x\x00')), max_size=5))
def test_slips_in_a_table_give_a_board_or_an_error(slips):
    text = TABLE
    for place, char in slips:
        text = text[:place] + char + text[place + 1 :]
    try:
        board.loads(from_csv(text, PLAN), "new")
    except KeydiagError as error:
        assert str(error)


# --- wiring order -------------------------------------------------------------------------------


def ordered(column, values, plan=PLAN):
    """The table's four keys, two on each line, with one more column."""
    rows = ["A1,0,0,R1,C1", "A2,19.05,0,R1,C2", "B1,0,19.05,R2,C1", "B2,19.05,19.05,R2,C2"]
    lines = [f"key,x,y,row,column,{column}"]
    lines += [f"{row},{value}" for row, value in zip(rows, values, strict=True)]
    half = board.loads(from_csv("\n".join(lines), plan), "new")
    paths = [line.path for group in (half.row, half.column) for line in group.values()]
    return " ".join("-".join(path) for path in paths)


@pytest.mark.parametrize(
    ("column", "values", "paths"),
    [
        ("order", ["", "", "", ""], "A2-A1 B2-B1 A1-B1 A2-B2"),  # as if it were not there
        ("order", [1, 2, 3, 4], "A1-A2 B1-B2 A1-B1 A2-B2"),  # through the whole half
        ("order", [4, 3, 2, 1], "A2-A1 B2-B1 B1-A1 B2-A2"),
        ("order", [1, 2, 1, 2], "A1-A2 B1-B2 A1-B1 A2-B2"),  # along rows: columns have ties
        ("order", [2, 2, 1, 1], "A2-A1 B2-B1 B1-A1 B2-A2"),  # along columns: rows have ties
        ("order", [1, 2, "", 4], "A1-A2 B2-B1 A1-B1 A2-B2"),  # a gap leaves its lines alone
        ("row_order", [1, 2, 1, 2], "A1-A2 B1-B2 A1-B1 A2-B2"),
        ("column_order", [2, 2, 1, 1], "A2-A1 B2-B1 B1-A1 B2-A2"),
    ],
)
def test_wiring_order(column, values, paths):
    assert ordered(column, values) == paths


def test_the_exact_order_comes_before_the_common_one():
    assert ordered("order,row_order", ["1,2", "2,1", "3,2", "4,1"]) == "A2-A1 B2-B1 A1-B1 A2-B2"


def test_an_order_that_is_no_number():
    with pytest.raises(BoardError) as caught:
        ordered("order", [1, "second", 3, 4])
    assert 'table: line 3: order cannot be "second"; write a whole number' in str(caught.value)


# --- pins ---------------------------------------------------------------------------------------

PINS = """\
key,x,y,row,column,row_pin,column_pin
A1,0,0,R1,C1,PD1,PF4
A2,19.05,0,R1,C2,,PF5
B1,0,19.05,R2,C1,PD0,PF4
"""


def test_pins_stand_with_any_key_of_their_line():
    half = board.loads(from_csv(PINS, PLAN), "new")
    assert {name: line.pin for name, line in half.row.items()} == {"R1": "PD1", "R2": "PD0"}
    assert {name: line.pin for name, line in half.column.items()} == {"C1": "PF4", "C2": "PF5"}


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("R2,C1,PD0,PF4", "R2,C1,PD0,PF6", "line 4: column C1 is on PF6 here and on PF4 on line 2"),
        ("R2,C1,PD0,PF4", "R2,C1,,PF4", "line 4: no key on row R2 says its pin, other rows have"),
        ("PD0", "PD1", "PD1 is already the pin of row R1"),
        ("PD0", "PA0", 'the atmega32u4 has no pin "PA0"'),
    ],
)
def test_pins_that_cannot_be(old, new, line):
    assert any(line in each for each in problems(PINS.replace(old, new)))


# --- there and back -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["bramblewick-left", "bramblewick-right"])
def test_a_board_through_a_table(name):
    half = board.example(name)
    plan = Plan(half.name, 0, 0, controller=half.controller.at)
    again = board.loads(from_csv(to_csv(half), plan), "again")
    assert board.crossings(again) == board.crossings(half)
    assert again.key == half.key and list(again.key) == list(half.key)
    assert again.controller == half.controller
    for one, two in ((again.row, half.row), (again.column, half.column)):
        assert {n: line.pin for n, line in one.items()} == {n: line.pin for n, line in two.items()}
        for line in one:  # what branches in the file is one string of keys in the table
            assert tuple(one[line].path) == board.keys_of(two[line])


def test_only_the_keys_of_a_table():
    keys = keys_from_csv("key,x,y,turn\nA1,0,0,\nA2,20,0,15\n")
    assert keys == {"A1": board.Key(at=(0, 0)), "A2": board.Key(at=(20, 0), turn=15)}
    assert list(keys_from_csv(TABLE)) == ["A1", "A2", "B1", "B2"]
    for text, line in [
        ("key,x\nA1,0\n", 'column "y" is missing'),
        ("key,x,y\nA1,0,0\nA1,0,20\n", 'line 3: "A1" is there twice'),
        ("key,x,y\nA1,0,b\n", 'line 2: y cannot be "b"'),
        ("key,x,y\n", "there is no key in it"),
    ]:
        with pytest.raises(BoardError) as caught:
            keys_from_csv(text)
        assert line in str(caught.value)
