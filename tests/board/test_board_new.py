"""New boards: from a few figures, from a table, from the other half in a mirror."""

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from keydiag import board
from keydiag.board.new import Plan, new_board
from keydiag.chips import chips
from keydiag.drawing.geometry import outline, overlap
from keydiag.errors import BoardError, UsageError

# --- mirror -------------------------------------------------------------------------------------


def test_mirror_by_eye():
    left = board.example("bramblewick-left")
    right = board.mirror(left)
    assert right.name == "Bramblewick right"
    assert left.key["L66"].at == (108.0, 118.0) and left.key["L66"].turn == 32.0
    assert right.key["L66"].at == (-108.0, 118.0) and right.key["L66"].turn == -32.0
    assert right.controller.at == (-152.0, 12.0)
    assert right.row == left.row and right.column == left.column  # the wiring is the same
    assert list(right.key) == list(left.key)
    assert "-0.0" not in board.dumps(right)


@pytest.mark.parametrize("name", ["bramblewick-left", "bramblewick-right"])
def test_mirroring_twice_gives_the_same_board(name):
    half = board.example(name)
    twice = board.mirror(board.mirror(half))
    assert twice == half
    assert board.dumps(twice) == board.dumps(half)
    assert board.loads(board.dumps(board.mirror(half)), "mirror") == board.mirror(half)


def test_mirror_keeps_every_distance():
    half = board.example("bramblewick-right")
    other = board.mirror(half)
    for one in half.key:
        for two in half.key:
            before = math.dist(half.key[one].at, half.key[two].at)
            assert math.dist(other.key[one].at, other.key[two].at) == pytest.approx(before)


def test_only_whole_words_change_hands():
    half = board.example("bramblewick-left").model_copy(update={"name": "Leftover, Right hand"})
    assert board.mirror(half).name == "Leftover, Left hand"


# --- from a few figures -------------------------------------------------------------------------


def test_two_by_three_by_eye():
    half = board.loads(new_board(Plan("Small", 2, 3, stagger=(4.0, 0.0, 2.0))), "new")
    assert list(half.key) == ["L11", "L12", "L13", "L21", "L22", "L23"]
    assert half.key["L11"].at == (0.0, 4.0)
    assert half.key["L12"].at == (19.05, 0.0)
    assert half.key["L23"].at == (38.1, 21.05)
    assert half.row["R1"].path == ["L13", "L12", "L11"]  # the lead arrives at the right
    assert half.column["C2"].path == ["L12", "L22"]
    assert (half.row["R1"].style, half.column["C1"].style) == ("chain", "through")


def test_thumb_keys_by_eye():
    text = new_board(Plan("Small", 1, 3, thumbs=(0.0, 20.0), lead="left"))
    half = board.loads(text, "new")
    assert list(half.key) == ["L11", "L12", "L13", "L22", "L23"]  # below the last two columns
    assert board.crossing(half, "L22") == ("R2", "C2")
    assert half.row["R2"].path == ["L22", "L23"]
    assert half.key["L22"].turn == 0.0 and half.key["L23"].turn == 20.0
    assert half.key["L22"].at[0] == 19.05
    assert half.key["L23"].at[1] > half.key["L22"].at[1]  # clockwise goes down to the right


def test_thumb_keys_from_a_column_on():
    half = board.loads(new_board(Plan("Small", 1, 3, thumbs=(0.0, 0.0), thumb_column=1)), "new")
    assert [key for key in half.key if key.startswith("L2")] == ["L21", "L22"]
    assert half.key["L21"].at == (0.0, 19.05)


def test_the_sensing_lines_get_pins_that_can_measure():
    analog = chips()["atmega32u4"].analog
    for cathode_at, sensing in (("row", "column"), ("column", "row")):
        half = board.loads(new_board(Plan("Small", 5, 7, cathode_at=cathode_at)), "new")
        assert all(line.pin in analog for line in getattr(half, sensing).values())


def test_pins_that_are_given_are_kept():
    plan = Plan("Small", 2, 2, row_pins=("PF4", "PF5"))
    half = board.loads(new_board(plan), "new")
    assert [line.pin for line in half.row.values()] == ["PF4", "PF5"]
    assert not {"PF4", "PF5"} & {line.pin for line in half.column.values()}


def test_names_stay_unambiguous_beyond_nine():
    half = board.loads(new_board(Plan("Wide", 2, 12)), "new")
    assert "L1-11" in half.key and "L1-1" in half.key


def test_the_text_explains_itself():
    text = new_board(Plan("Small", 2, 2))
    assert text.startswith("# Small, written by keydiag")
    for word in ("cathode_at", "style", "path", "branch", "splice", "turn", "clockwise"):
        assert any(word in line for line in text.splitlines() if line.startswith("#")), word


@settings(deadline=None, max_examples=40)
@given(st.data())
def test_every_plan_gives_a_board_without_overlapping_caps(data):
    rows, columns = data.draw(st.integers(1, 5)), data.draw(st.integers(1, 8))
    plan = Plan(
        data.draw(st.text(min_size=1, max_size=10)),
        rows,
        columns,
        stagger=tuple(data.draw(st.lists(st.floats(-12, 12), min_size=columns, max_size=columns))),
        thumbs=tuple(data.draw(st.lists(st.floats(-40, 40), max_size=columns))),
        pitch=data.draw(st.floats(19.05, 22)),
        cathode_at=data.draw(st.sampled_from(["row", "column"])),
        diode_side=data.draw(st.sampled_from(["row", "column"])),
        lead=data.draw(st.sampled_from(["left", "right"])),
        controller=data.draw(st.sampled_from([None, (150.0, 0.0)])),
    )
    assume(plan.name.strip() and plan.name.isprintable())
    half = board.loads(new_board(plan), "new")
    assert half.name == plan.name
    assert len(half.key) == rows * columns + len(plan.thumbs)
    if max(map(abs, plan.thumbs), default=0) <= 15:  # a wild fan is the builder's to untangle
        caps = {key: outline(half, key) for key in half.key}
        for one in caps:
            for two in caps:
                assert one == two or not overlap(caps[one], caps[two]), (one, two)


@pytest.mark.parametrize(
    ("plan", "line"),
    [
        (Plan("x", 0, 3), "rows: 0 cannot be; give 1 to 30"),
        (Plan("x", 3, 31), "columns: 31 cannot be; give 1 to 30"),
        (Plan("x", 2, 3, stagger=(1.0,)), "stagger: 1 figures for 3 columns; give one each"),
        (Plan("x", 2, 2, thumbs=(0, 0, 0)), "thumbs: 3 keys on 2 columns; at most one on each"),
        (Plan("x", 2, 2, thumbs=(0,), thumb_column=3), "thumb column: 3 cannot be; give 1 to 2"),
        (Plan("x", 2, 2, pitch=3.0), "pitch: 3 mm cannot be; give 15 to 60, usual is 19.05"),
        (Plan("x", 2, 1, stagger=(math.nan,)), "stagger: nan cannot be; give -200 to 200"),
        (Plan("x", 2, 2, chip="z80"), "chip: z80 is not known; give one of atmega32u4, rp2040"),
        (Plan("x", 9, 20), "9 rows and 20 columns need 29 pins; the atmega32u4 has 26"),
        (Plan("x", 2, 2, row_pins=("PD1",)), "row pins: 1 pins for 2 lines; give one each"),
        (Plan("x", 1, 1, controller=(math.inf, 0.0)), "controller: its place cannot be"),
        (Plan("x", 1, 1, row_pins=("PZ1",)), 'row.R1.pin (line 21): the atmega32u4 has no pin "P'),
        (Plan("x", 1, 1, prefix="9"), '"911" cannot be a name; start with a letter'),
        (Plan("\x00", 1, 1), "control character"),
    ],
)
def test_plans_that_make_no_sense(plan, line):
    with pytest.raises((UsageError, BoardError)) as caught:
        new_board(plan)
    assert line in str(caught.value)
