"""The map of keys: where every tile lies, at every size."""

from __future__ import annotations

from itertools import combinations

import pytest

from keydiag.board import Board, Key, example, loads
from keydiag.board.new import Plan, new_board
from keydiag.screen import plan

BOARD = example("bramblewick-left")
SIZES = [(43, 16), (43, 17), (58, 22), (78, 38), (200, 60)]


@pytest.fixture(params=["key", "solder"])
def side(request):
    return request.param


@pytest.mark.parametrize("size", SIZES)
def test_every_key_can_be_read_and_clicked(side, size):
    made = plan.make(BOARD, side, *size)
    assert [tile.key for tile in made.tiles] == list(BOARD.key)
    for tile in made.tiles:
        assert tile.label_rows and tile.label_width >= 3
        for y in tile.label_rows:
            for x in range(tile.label_left, tile.label_left + tile.label_width):
                assert made.key_at(x, y) == tile.key


@pytest.mark.parametrize("size", SIZES)
def test_names_are_whole_where_there_is_room(side, size):
    made = plan.make(BOARD, side, *size)
    assert made.short_names["L23"] == "L23"


@pytest.mark.parametrize("size", SIZES)
def test_straight_keys_are_all_of_one_size_with_a_gap(side, size):
    made = plan.make(BOARD, side, *size)
    straight = [tile for tile in made.tiles if not BOARD.key[tile.key].turn]
    assert len({tile.width for tile in straight}) == 1
    for one, other in combinations(straight, 2):
        if one.top == other.top:
            assert abs(one.left - other.left) > one.width


def test_the_solder_side_is_the_mirror_image_without_mirrored_text():
    key, solder = (plan.make(BOARD, side, 78, 38) for side in ("key", "solder"))
    row = ("L11", "L12", "L13", "L14", "L15", "L16", "L17")
    assert sorted(row, key=lambda k: key.tile_of[k].left) == list(row)
    assert sorted(row, key=lambda k: solder.tile_of[k].left) == list(reversed(row))
    assert solder.short_names == key.short_names
    assert [t.top for t in solder.tiles if t.key in row] == [
        t.top for t in key.tiles if t.key in row
    ]


def test_the_stagger_of_the_columns_shows():
    made = plan.make(BOARD, "key", 78, 38)
    tops = [made.tile_of[key].top for key in ("L12", "L13", "L14", "L15", "L16")]
    assert tops[0] > tops[1] > tops[2] < tops[3] <= tops[4]


def test_a_turned_key_is_drawn_turned_where_there_is_room():
    small, large = (plan.make(BOARD, "key", *size) for size in ((43, 16), (78, 38)))
    number = list(BOARD.key).index("L66")
    corner = large.tile_of["L66"]
    assert large.canvas.owners_of(corner.left, corner.top).count(number) < 4
    plain = small.tile_of["L66"]
    assert (plain.width, plain.height) == (small.tile_of["L11"].width, 2)


def test_larger_keys_are_wider():
    keys = dict(BOARD.key)
    keys["L61"] = Key(at=(-9.5, 103.25), size=(37.05, 18.0))
    wide = plan.make(BOARD.model_copy(update={"key": keys}), "key", 78, 38)
    assert wide.tile_of["L61"].width > wide.tile_of["L62"].width


def test_long_names_lose_what_all_have_in_common():
    names = {f"thumb-{i}": Key(at=(19.05 * i, 0.0)) for i in range(3)}
    board = board_of(names)
    made = plan.make(board, "key", 20, 4)
    assert list(made.short_names.values()) == ["0", "1", "2"]


@pytest.mark.parametrize("columns", [10, 12, 14])
def test_many_columns_still_fit(columns):
    names = {f"{r}{c:x}": Key(at=(19.05 * c, 19.05 * r)) for c in range(columns) for r in range(5)}
    made = plan.make(board_of(names), "key", 43, 17)
    for tile in made.tiles:
        x = tile.label_left + tile.label_width - 1
        assert made.key_at(x, tile.label_rows[0]) == tile.key
    assert plan.easy_width(board_of(names)) == 4 * columns


def test_one_key_alone_fits():
    made = plan.make(board_of({"K": Key(at=(0.0, 0.0))}), "key", 43, 17)
    assert made.key_at(21, 8) == "K"


def test_nothing_lies_outside():
    made = plan.make(BOARD, "key", 43, 16)
    assert made.key_at(-1, 0) is None and made.key_at(43, 0) is None and made.key_at(0, 99) is None


def board_of(keys: dict[str, Key]) -> Board:
    line = {"pin": "PD1", "style": "through", "path": list(keys)}
    columns = {
        f"C{i}": {"pin": "PF4", "style": "through", "path": [key]} for i, key in enumerate(keys)
    }
    return Board(
        format=1, name="three", chip="atmega32u4", cathode_at="row", diode_side="row",
        row={"R1": line}, column=columns, key=keys,
    )  # fmt: skip


def test_of_names_too_long_for_their_tiles_the_end_is_shown():
    """Ten rows of twelve: in a row the names begin alike."""
    wide = loads(new_board(Plan(name="wide", rows=10, columns=12)), "wide.toml")
    names = plan.make(wide, "key", 58, 25).short_names
    assert [names[f"L4-{n}"] for n in (1, 2, 11, 12)] == ["1", "2", "11", "12"]
    assert all(names.values())
