"""Every mistake in a board file is told in one line: place, what is wrong, the mend."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag import board
from keydiag.errors import BoardError

SMALL = (Path(__file__).parent / "two-by-three.toml").read_text()


def problems(text, name="half.toml"):
    with pytest.raises(BoardError) as caught:
        board.loads(text, name)
    lines = str(caught.value).splitlines()
    assert len(lines) == len(caught.value.problems)
    for problem in caught.value.problems:
        assert problem.wrong and problem.mend
    return lines


# label, what stands in the file, what is written instead, the one line it must give
CASES = [
    (
        "wrong format",
        "format = 1",
        "format = 2",
        "half.toml: format (line 6): 2 is no format this keydiag reads; write format = 1",
    ),
    ("format of the wrong type", "format = 1", "format = true", "format (line 6): true is no"),
    ("missing field", "format = 1", "", "half.toml: format: is missing; write format = 1"),
    ("blank name", '"Two by three"', '" "', "name (line 7): is empty; write name"),
    ("name of the wrong type", '"Two by three"', "3", "name (line 7): cannot be 3; write name"),
    (
        "unknown chip",
        "atmega32u4",
        "atmega32u5",
        'chip (line 8): unknown chip "atmega32u5"; did you mean "atmega32u4"?',
    ),
    (
        "wrong cathode_at",
        'cathode_at = "row"',
        'cathode_at = "left"',
        'cathode_at (line 9): cannot be "left"; write cathode_at = "row" or',
    ),
    (
        "wrong diode_side",
        'diode_side = "row"',
        'diode_side = "ro"',
        'diode_side (line 10): cannot be "ro"; write diode_side = "row" or',
    ),
    (
        "wrong style",
        'style = "chain"',
        'style = "chian"',
        'row.Ra.style (line 14): cannot be "chian"; write style = "chain"',
    ),
    (
        "unknown field",
        'pin = "PF5"',
        'pin = "PF5"\nstlye = "x"',
        'column.C2.stlye (line 34): unknown field "stlye"; did you mean "style"?',
    ),
    (
        "unknown field like none",
        "turn = 30.0",
        "zzz = 1",
        'key.B3.zzz (line 60): unknown field "zzz"; fields here: at, turn, size, legend',
    ),
    ("line without pin", 'pin = "PD1"\n', "", "row.Ra.pin (line 12): is missing; write the port"),
    ("key without place", "at = [38.1, 0.0]\n", "", "key.A3.at (line 49): is missing; write the"),
    (
        "pin the chip does not have",
        '"PF4"',
        '"PF3"',
        'column.C1.pin (line 28): the atmega32u4 has no pin "PF3"; free pins: PF0, PF1, PF4, ',
    ),
    ("pin in small letters", '"PF4"', '"pf4"', 'no pin "pf4"; did you mean "PF4"?'),
    (
        "pin of the USB plug",
        '"PF4"',
        '"D+"',
        "column.C1.pin (line 28): D+ may not be used: USB data; move the lead to a free",
    ),
    ("pin of the crystal", '"PF4"', '"XTAL1"', "XTAL1 may not be used: crystal; move"),
    (
        "pin used twice",
        '"PF4"',
        '"PD1"',
        "column.C1.pin (line 28): PD1 is already the pin of row Ra; write the pin each lead",
    ),
    (
        "key on no row",
        '"A1", "A2", "A3"',
        '"A1", "A3"',
        "key.A2 (line 46): A2 is on no row; add it to the path of its row",
    ),
    (
        "key on no column",
        '"A2", "B2"',
        '"A2"',
        "key.B2 (line 55): B2 is on no column; add it to the path of its column",
    ),
    (
        "key on two rows",
        '["B1"]',
        '["B1", "A1"]',
        "row.Rb.path[1][1] (line 22): A1 is on two rows, Ra and Rb; leave it on the row",
    ),
    (
        "key twice on a path",
        '"A1", "A2", "A3"',
        '"A1", "A2", "A3", "A1"',
        "row.Ra.path[3] (line 15): A1 stands on this path twice (also at row.Ra.path[0]); name",
    ),
    (
        "undefined key on a path",
        '"B3",  #',
        '"B33",  #',
        'row.Rb.path[2] (line 23): no key is called "B33"; did you mean "B3"?',
    ),
    (
        "empty path",
        '["A1", "A2", "A3"]',
        "[]",
        "row.Ra.path (line 15): is empty; name the keys on row Ra, or remove the row",
    ),
    (
        "branch with nothing to hang from",
        '["A1", "A2", "A3"]',
        '[["A1"], "A2", "A3"]',
        "row.Ra.path[0] (line 15): a branch with nothing to hang from; write the key it hangs",
    ),
    ("empty branch", '["B1"]', '["B1"], []', "row.Rb.path[2] (line 22): is an empty branch;"),
    ("no list", '["A1", "B1"]', '"A1"', 'column.C1.path (line 30): cannot be "A1"; write the'),
    ("number on a path", '"A1", "B1"', '"A1", 7, "B1"', "column.C1.path[1] (line 30): cannot be 7"),
    (
        "splice of two that are no neighbours",
        '[["B2", "B3"]]',
        '[["B1", "B3"]]',
        "row.Rb.splice[0] (line 25): B1 and B3 are no neighbours on this path; name two keys",
    ),
    ("splice of three", '[["B2", "B3"]]', '[["B2", "B3", "B1"]]', "row.Rb.splice[0] (line 25): "),
    ("splice twice", '[["B2", "B3"]]', '[["B2", "B3"], ["B3", "B2"]]', "splice[1] (line 25): B3"),
    ("text for a number", "[38.1, 0.0]", '["38.1", 0.0]', 'key.A3.at[0] (line 50): cannot be "38'),
    ("truth for a number", "[38.1, 0.0]", "[true, 0.0]", "key.A3.at[0] (line 50): cannot be true"),
    ("not a number", "[38.1, 0.0]", "[nan, 0.0]", "key.A3.at[0] (line 50): nan is no place"),
    ("infinite", "[38.1, 0.0]", "[38.1, -inf]", "key.A3.at[1] (line 50): -inf is no place"),
    ("three numbers", "[38.1, 0.0]", "[38.1, 0.0, 1.0]", "key.A3.at (line 50): cannot be [38.1"),
    ("one number", "[38.1, 0.0]", "[38.1]", "key.A3.at[1] (line 50): cannot be [38.1]"),
    ("not in mm", "[38.1, 0.0]", "[38100, 0]", "key.A3.at (line 50): [38100, 0] is more than 1000"),
    ("no size", "[27.0, 18.0]", "[27.0, 0]", "key.B3.size (line 61): [27.0, 0] is no size of a"),
    ("turned too far", "turn = 30.0", "turn = 400", "key.B3.turn (line 60): 400 is more than a"),
    (
        "two keys at the same place",
        "[38.1, 0.0]",
        "[19.05, 0.0]",
        "key.A3.at (line 50): A3 is at the same place as A2; measure the centres again",
    ),
    (
        "two keys too near",
        "[38.1, 0.0]",
        "[30.0, 0.0]",
        "key.A3.at (line 50): A3 is 10.9 mm from A2, too near for two switches; measure",
    ),
    ("name with a space", "[key.A1]", '[key."A 1"]', 'key.A 1 (line 42): "A 1" cannot be a name'),
    ("name with a digit first", "[row.Ra]", "[row.1a]", 'row.1a (line 12): "1a" cannot be a name'),
    ("name of an address", "[row.Ra]", "[row.pin]", '"pin" is a word of the addresses'),
    (
        "row and column of one name",
        "[column.C1]",
        "[column.Ra]",
        'column.Ra (line 27): "Ra" is the name of row Ra as well; give every row and column',
    ),
    ("unknown table", "[column.C1]", "[colum.C1]", 'unknown field "colum"; did you mean "column"?'),
    (
        "line that is no table",
        "[column.C1]",
        "[column]\nC1 = 3\n[column.C9]",
        "column.C1 (line 28)",
    ),
]


@pytest.mark.parametrize(("old", "new", "line"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_one_mistake_one_line(old, new, line):
    assert old in SMALL
    told = problems(SMALL.replace(old, new, 1))
    assert any(line in each for each in told), told
    assert all(each.startswith("half.toml: ") for each in told)


def test_two_keys_on_one_crossing():
    both = SMALL.replace('["A1", "B1"]', '["A1"]').replace('"A2", "B2"', '"A2", "B2", "B1"')
    assert problems(both) == [
        "half.toml: key.B2 (line 55): B2 is on the same crossing as B1, row Rb and column C2; "
        "they cannot be told apart: check both paths"
    ]


def test_names_that_differ_in_capitals_only():
    text = SMALL.replace("[key.B1]", "[key.a1]").replace('"B1"', '"a1"')
    assert any('"a1" and "A1" differ in capitals only' in each for each in problems(text))


def test_all_problems_at_once_in_file_order():
    text = SMALL.replace("32u4", "99").replace('"PD0"', '"PD1"').replace("[38.1, 0.0]", "[]")
    told = problems(text)
    places = [each.split(": ")[1] for each in told]
    assert places == ["chip (line 8)", "row.Rb.pin (line 18)", "key.A3.at[0] (line 50)",
                      "key.A3.at[1] (line 50)"]  # fmt: skip


def test_a_line_that_is_gone_is_told_once():
    text = SMALL.replace('["A1", "A2", "A3"]', "[]").replace('"B2",\n    ["B1"],', '"B2",')
    told = [each for each in problems(text) if "on no row" in each]
    assert told == [
        "half.toml: key.A1 (line 41): 4 keys are on no row: A1, A2, A3, B1; "
        "add each to the path of its row"
    ]


def test_another_format_is_not_judged_by_the_rules_of_this_one():
    assert len(problems(SMALL.replace("format = 1", "format = 2").replace("key", "keys"))) == 1


def test_empty_and_nearly_empty():
    assert problems("") == ["half.toml: the file is empty; start one with: keydiag board new"]
    assert problems(" \n") == problems("")
    told = problems("# nothing yet\n")
    for field in ("format", "name", "chip", "cathode_at", "diode_side", "row", "column", "key"):
        assert any(each.startswith(f"half.toml: {field}: is missing; write") for each in told)
    assert "half.toml: key (line 1): there is no key; write one table per key" in "\n".join(
        problems("key = {}")
    )


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "format = \n",
            "half.toml: line 1, column 10: not TOML: invalid value; look for a missing",
        ),
        ("format = 1\nname = x\n", "half.toml: line 2, column 8: not TOML: invalid value; look"),
        ("path = [1,\n", "half.toml: end of the file: not TOML: invalid value; look for a missing"),
        ("[key.A1]\n[key.A1]\n", "line 2, column 8: not TOML: cannot declare key.A1 twice; the"),
        ("format = " + "1" * 5000, "half.toml: not TOML: a number has thousands of digits; write"),
        ("path = " + "[" * 5000, "half.toml: lists are nested too deeply; a branch of a branch"),
    ],
)
def test_not_toml(text, line):
    (told,) = problems(text)
    assert line in told


def test_a_number_beyond_any_float():
    assert any(
        "key.A3.at[0] (line 50): cannot be 1000" in each
        for each in problems(SMALL.replace("[38.1,", "[1" + "0" * 400 + ","))
    )


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"format = 1\nname = '\xff'\n", ": line 2: is not UTF-8 text; save the file as UTF-8"),
        (b"#" * 1_000_001, ": is too large to be a board file; name a board file"),
    ],
)
def test_bytes_that_are_no_board(tmp_path, content, line):
    file = tmp_path / "half.toml"
    file.write_bytes(content)
    with pytest.raises(BoardError) as caught:
        board.load(file)
    assert str(caught.value).startswith(f"{file}{line}")


def test_unreadable(tmp_path):
    for name in (tmp_path / "none.toml", tmp_path, "a\0b"):
        with pytest.raises(BoardError, match="cannot be read .*; check the name and the perm"):
            board.load(name)


# --- whatever is written, the answer is a board or a BoardError ---------------------------------

values = st.recursive(
    st.sampled_from(['"x"', "1", "-2.5", "nan", "inf", "true", '""', "1979-05-27", "{}", "[]"]),
    lambda inner: st.lists(inner, max_size=3).map(lambda each: f"[{', '.join(each)}]"),
    max_leaves=5,
)


@settings(deadline=None, max_examples=150)
@given(st.integers(0, 60), values)
def test_any_value_in_any_field_gives_a_board_or_a_board_error(line, value):
    lines = SMALL.splitlines()
    if "=" in lines[line]:
        lines[line] = f"{lines[line].split('=')[0]}= {value}"
    try:
        half = board.loads("\n".join(lines), "half.toml")
    except BoardError as error:
        assert all(each.startswith("half.toml: ") for each in str(error).splitlines())
    else:
        assert board.loads(board.dumps(half), "again") == half


@settings(deadline=None, max_examples=150)
@given(st.lists(st.tuples(st.integers(0, len(SMALL)), st.sampled_from('[]"=.\n{#,\\')), max_size=4))
def test_slips_of_the_keyboard_give_a_board_or_a_board_error(slips):
    text = SMALL
    for place, char in slips:
        text = text[:place] + char + text[place + 1 :]
    try:
        board.loads(text, "half.toml")
    except BoardError as error:
        assert error.problems
