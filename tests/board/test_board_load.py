"""A board file that is right is read as written, and written as read."""

import tomllib
from pathlib import Path

import pytest
import tomlkit
from any_board import boards
from hypothesis import given, settings

from keydiag import board
from keydiag.board import Key

HERE = Path(__file__).parent
SMALL = HERE / "two-by-three.toml"


def test_small_board_is_read_as_written():
    half = board.load(SMALL)
    assert half.name == "Two by three"
    assert list(half.key) == ["A1", "A2", "A3", "B1", "B2", "B3"]
    assert half.key["A1"] == Key(at=(0.0, 0.0), legend="esc")
    assert half.key["B3"] == Key(at=(45.0, 25.0), turn=30.0, size=(27.0, 18.0))
    assert half.row["Rb"].splice == [("B2", "B3")]
    assert half.controller is None


def test_walk_gives_parent_and_key():
    path = ["L11", ["L21", "L22"], "L12"]
    assert list(board.walk(path)) == [
        (None, "L11"),
        ("L11", "L21"),
        ("L21", "L22"),
        ("L11", "L12"),
    ]


def test_two_branches_hang_off_the_same_key():
    path = ["a", ["b"], ["c", ["d"]], "e"]
    assert list(board.walk(path)) == [
        (None, "a"), ("a", "b"), ("a", "c"), ("c", "d"), ("a", "e"),
    ]  # fmt: skip


def test_crossing_follows_from_the_paths():
    half = board.load(SMALL)
    assert board.crossing(half, "B3") == ("Rb", "C3")
    assert board.crossings(half)["A2"] == ("Ra", "C2")
    with pytest.raises(KeyError):
        board.crossing(half, "Z9")


def test_byte_order_mark_is_no_mistake(tmp_path):
    file = tmp_path / "half.toml"
    file.write_bytes(b"\xef\xbb\xbf" + SMALL.read_bytes())
    assert board.load(file) == board.load(SMALL)


@pytest.mark.parametrize(
    ("name", "keys", "rows", "columns"),
    [("bramblewick-left", 41, 6, 7), ("bramblewick-right", 43, 6, 8)],
)
def test_bramblewick(name, keys, rows, columns):
    half = board.example(name)
    assert (len(half.key), len(half.row), len(half.column)) == (keys, rows, columns)
    # Key Lrc stands on row Rr and column Cc, as the head of the file promises.
    for key, (row, column) in board.crossings(half).items():
        assert (row, column) == (f"R{key[1]}", f"C{key[2]}")
    assert sum(key.turn != 0 for key in half.key.values()) >= 3
    assert sum(len(row.splice) for row in half.row.values()) == 1
    lines = [*half.row.values(), *half.column.values()]
    assert any(isinstance(item, list) for line in lines for item in line.path)
    assert board.loads(board.dumps(half), "again") == half


# --- round trip, property -----------------------------------------------------------------------


@settings(deadline=None, max_examples=60)
@given(boards())
def test_dumps_then_loads_is_the_same_board(half):
    written = board.dumps(half)
    again = board.loads(written, "again")
    assert again == half
    assert list(again.key) == list(half.key)  # the order of the sweep
    assert board.dumps(again) == written


@settings(deadline=None, max_examples=30)
@given(boards())
def test_dumps_is_toml_for_another_reader(half):
    # tomlkit is a TOML library written independently of tomllib.
    written = board.dumps(half)
    assert tomlkit.parse(written).unwrap() == tomllib.loads(written)


@settings(deadline=None, max_examples=30)
@given(boards())
def test_every_key_is_walked_exactly_once_per_kind(half):
    for lines in (half.row, half.column):
        walked = [key for line in lines.values() for _, key in board.walk(line.path)]
        assert sorted(walked) == sorted(half.key)
