"""A board file that is right is read as written, and written as read."""

import tomllib
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag import board
from keydiag.board import Board, Key, Line

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

text = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S", "Zs"]), max_size=12)


@st.composite
def boards(draw):
    """Full or holey grids with random branches, names, legends and turns."""
    rows, columns = draw(st.integers(1, 4)), draw(st.integers(1, 5))
    crossings = [(r, c) for r in range(rows) for c in range(columns)]
    kept = draw(st.lists(st.sampled_from(crossings), min_size=1, unique=True))
    prefix = draw(st.sampled_from(["L", "k-", "ключ", "Ä_"]))
    number = st.floats(-0.5, 0.5, allow_nan=False)
    keys = {
        f"{prefix}{r}x{c}": Key(
            at=(c * 19.05 + draw(number), r * 19.05 + draw(number)),
            turn=draw(st.sampled_from([0.0, -0.0, 12.5, -30.0, 90.0])),
            size=draw(st.sampled_from([(18.0, 18.0), (27.0, 18.0)])),
            legend=draw(text),
        )
        for r, c in kept
    }
    ports = ["PD1", "PD0", "PD4", "PC6", "PF4", "PF5", "PF6", "PF7", "PB4"]

    def line(names):
        path = []
        for name in draw(st.permutations(names)):
            branch = bool(path) and draw(st.booleans())
            path.append([name] if branch else name)
        neighbours = [pair for pair in board.walk(path) if pair[0] is not None]
        splice = draw(st.lists(st.sampled_from(neighbours), unique=True)) if neighbours else []
        style = draw(st.sampled_from(["chain", "through"]))
        return Line(pin=ports.pop(), style=style, path=path, splice=splice)

    def lines(letter, index, count):
        on = {n: [f"{prefix}{r}x{c}" for r, c in kept if (r, c)[index] == n] for n in range(count)}
        return {f"{letter}{n}": line(names) for n, names in on.items() if names}

    return Board(
        format=1,
        name=draw(text.filter(str.strip)),
        chip="atmega32u4",
        cathode_at=draw(st.sampled_from(["row", "column"])),
        diode_side=draw(st.sampled_from(["row", "column"])),
        row=lines("R", 0, rows),
        column=lines("C", 1, columns),
        key=keys,
    )


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
