"""Where parts lie: hand-made positions, and laws that hold however a key is turned."""

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from keydiag import board
from keydiag.board import Board, Key, Line
from keydiag.drawing import geometry
from keydiag.drawing.geometry import along, distance, face, face_point, outline, overlap, turned
from keydiag.drawing.leads import pads
from keydiag.drawing.places import lay_out, locate, owner
from keydiag.errors import UsageError

LEFT = board.example("bramblewick-left")
RIGHT = board.example("bramblewick-right")
WIRES = {half.name: geometry.wires(half) for half in (LEFT, RIGHT)}


def one_key(turn=0.0, at=(100.0, 50.0), cathode_at="row", diode_side="row"):
    line = {"style": "chain", "path": ["K1"]}
    return Board(
        format=1, name="one", chip="atmega32u4", cathode_at=cathode_at, diode_side=diode_side,
        row={"R1": Line(pin="PD1", **line)}, column={"C1": Line(pin="PF4", **line)},
        key={"K1": Key(at=at, turn=turn)},
    )  # fmt: skip


def near(a, b):
    return math.dist(a, b) < 1e-9


def test_turning_is_clockwise_with_y_down():
    assert near(turned((1.0, 0.0), 90.0), (0.0, 1.0))  # right becomes down
    assert near(turned((0.0, 1.0), 90.0), (-1.0, 0.0))  # down becomes left
    assert near(turned((3.0, -2.0), 360.0), (3.0, -2.0))


def test_parts_of_a_key_that_is_not_turned():
    half = one_key()
    assert face_point(half, "K1", "switch") == (100.0, 50.0)
    assert face_point(half, "K1", "switch-column") == (95.5, 48.0)
    assert face_point(half, "K1", "switch-diode") == (103.5, 45.0)
    assert face_point(half, "K1", "diode-row") == (103.5, 56.5)
    assert face_point(half, "K1", "column leg") == face_point(half, "K1", "switch-column")
    assert face_point(half, "K1", "row leg") == face_point(half, "K1", "switch-diode")


def test_parts_of_a_key_turned_by_a_quarter():
    half = one_key(turn=90.0)
    assert near(face_point(half, "K1", "diode-row"), (100.0 - 6.5, 50.0 + 3.5))


def test_joint_names_follow_the_side_of_the_diode():
    assert list(face(one_key()).joints) == ["switch-column", "switch-diode", "diode-row"]
    other = one_key(diode_side="column")
    assert list(face(other).joints) == ["column-diode", "diode-switch", "switch-row"]
    with pytest.raises(KeyError):
        face_point(other, "K1", "diode-row")
    with pytest.raises(KeyError):
        face_point(other, "K2", "switch")


@pytest.mark.parametrize("cathode_at", ["row", "column"])
@pytest.mark.parametrize("diode_side", ["row", "column"])
def test_the_band_looks_to_the_side_the_cathode_is_at(cathode_at, diode_side):
    # Along the diode from its row end to its column end (the switch lies on the other side of it).
    half = one_key(cathode_at=cathode_at, diode_side=diode_side)
    row_end = "diode-row" if diode_side == "row" else "diode-switch"
    to_row = face_point(half, "K1", row_end)
    cathode, anode = (face_point(half, "K1", name) for name in ("cathode", "anode"))
    cathode_is_nearer_to_row = math.dist(cathode, to_row) < math.dist(anode, to_row)
    assert cathode_is_nearer_to_row == (cathode_at == "row")


@given(st.floats(-360, 360), st.sampled_from(["row", "column"]))
def test_a_turned_key_is_the_same_key(turn, diode_side):
    still, moved = one_key(diode_side=diode_side), one_key(turn, (-7.0, 3.0), "row", diode_side)
    names = [*face(still).joints, "switch", "diode", "anode", "cathode"]
    for one in names:
        for two in names:
            before = math.dist(*(face_point(still, "K1", name) for name in (one, two)))
            after = math.dist(*(face_point(moved, "K1", name) for name in (one, two)))
            assert abs(before - after) < 1e-9


@pytest.mark.parametrize("diode_side", ["row", "column"])
def test_joints_of_one_key_are_well_apart(diode_side):
    half = one_key(diode_side=diode_side)
    spots = [face_point(half, "K1", joint) for joint in face(half).joints]
    apart = [math.dist(a, b) for i, a in enumerate(spots) for b in spots[:i]]
    assert min(apart) > 5.0  # two rings of 2.1 mm do not touch
    assert all(abs(x - 100) < 9 and abs(y - 50) < 9 for x, y in spots)  # within the cap


def test_along_and_distance():
    run = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0))
    assert along(run, 0.0) == (0.0, 0.0)
    assert along(run, 0.25) == (5.0, 0.0)
    assert along(run, 0.75) == (10.0, 5.0)
    assert along(run, 1.0) == (10.0, 10.0)
    assert distance((5.0, 3.0), run) == 3.0
    assert distance((13.0, 14.0), run) == 5.0  # from the end, 3-4-5
    assert distance((1.0, 1.0), ((0.0, 1.0), (0.0, 1.0))) == 1.0  # a run without length


def test_overlap_by_eye():
    box = ((0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0))
    moved = tuple((x + 1, y + 1) for x, y in box)
    beside = tuple((x + 2, y) for x, y in box)
    diamond = ((3.0, 1.9), (4.0, 2.9), (3.0, 3.9), (2.0, 2.9))  # its box meets, it does not
    assert overlap(box, moved)
    assert not overlap(box, beside)  # touching is no overlap
    assert not overlap(box, diamond)
    assert overlap(box, ((-1.0, 1.0), (3.0, 1.0)))  # a wire across
    assert not overlap(box, ((-1.0, 3.0), (3.0, 3.0)))


number = st.floats(-20, 20)


@settings(deadline=None)
@given(number, number, st.floats(-180, 180), st.floats(0, 1), st.floats(0, 1))
def test_shapes_with_a_common_point_overlap(x, y, turn, right, down):
    one = geometry.rectangle(0.0, 0.0, 10.0, 6.0)
    other = tuple(
        (x + dx, y + dy)
        for dx, dy in (turned(p, turn) for p in geometry.rectangle(-4.0, -3.0, 4.0, 3.0))
    )
    dx, dy = turned((8 * right - 4, 6 * down - 3), turn)  # any point of the other one
    if 0.01 < x + dx < 9.99 and 0.01 < y + dy < 5.99:
        assert overlap(one, other)
    assert overlap(one, other) == overlap(other, one)


@settings(deadline=None)
@given(st.floats(0, 360), st.floats(0, 360))
def test_shapes_further_apart_than_their_radii_do_not_overlap(way, turn):
    one = geometry.rectangle(-4.0, -3.0, 4.0, 3.0)  # radius 5
    dx, dy = turned((10.01, 0.0), way)
    other = tuple((x + dx, y + dy) for x, y in (turned(p, turn) for p in one))
    assert not overlap(one, other)


def test_outline_is_the_cap():
    assert outline(one_key(), "K1") == ((91.0, 41.0), (109.0, 41.0), (109.0, 59.0), (91.0, 59.0))


# --- wires --------------------------------------------------------------------------------------


@pytest.mark.parametrize("half", [LEFT, RIGHT], ids=["left", "right"])
def test_stretches_join_the_wire_joints_of_neighbours(half):
    for kind, name, line in geometry.lines(half):
        runs = WIRES[half.name][f"{kind} {name}"]
        assert list(runs) == [pair for pair in board.walk(line.path) if pair[0] is not None]
        joint = geometry.wire_joint(half, kind)
        for (one, two), run in runs.items():
            assert run[0] == face_point(half, one, joint)
            assert run[-1] == face_point(half, two, joint)


@pytest.mark.parametrize("half", [LEFT, RIGHT], ids=["left", "right"])
def test_no_wire_of_bramblewick_seems_soldered_to_a_foreign_joint(half):
    crossing = board.crossings(half)
    for kind, name, _ in geometry.lines(half):
        for run in WIRES[half.name][f"{kind} {name}"].values():
            for key, (row, column) in crossing.items():
                for joint in face(half).joints:
                    own = name == (row if kind == "row" else column)
                    if not (own and joint == geometry.wire_joint(half, kind)):
                        assert distance(face_point(half, key, joint), run) > 1.9, (name, key)


def test_a_wire_bends_around_a_joint_in_its_way():
    # K1 and K3 on one column with K2 between them, which is on another one.
    pins = iter(["PD1", "PD0", "PD4", "PF4", "PF5"])
    half = Board(
        format=1, name="x", chip="atmega32u4", cathode_at="row", diode_side="row",
        row={f"R{n}": Line(pin=next(pins), style="chain", path=[f"K{n}"]) for n in (1, 2, 3)},
        column={
            "C1": Line(pin=next(pins), style="through", path=["K1", "K3"]),
            "C2": Line(pin=next(pins), style="through", path=["K2"]),
        },
        key={"K1": Key(at=(0, 0)), "K2": Key(at=(10, 20)), "K3": Key(at=(20, 40))},
    )  # fmt: skip
    run = geometry.wires(half)["column C1"]["K1", "K3"]
    assert len(run) > 2
    assert distance(face_point(half, "K2", "switch-column"), run) > 2.2


# --- leads --------------------------------------------------------------------------------------


@st.composite
def grids(draw):
    """Grids with any stagger and turn, with and without a controller."""
    rows, columns = draw(st.integers(1, 3)), draw(st.integers(1, 4))
    stagger = draw(st.lists(st.floats(-8, 8), min_size=columns, max_size=columns))
    spread = draw(st.floats(19.05, 26.0))
    keys = {
        f"K{r}{c}": Key(
            at=(c * spread, r * spread + stagger[c]), turn=draw(st.sampled_from([0.0, 12.0, -25.0]))
        )
        for r in range(rows)
        for c in range(columns)
    }
    for a in keys:
        for b in keys:
            assume(a == b or math.dist(keys[a].at, keys[b].at) > 15)
    ports = iter("PD1 PD0 PD4 PF4 PF5 PF6 PF7".split())

    def line(names):
        start = draw(st.integers(0, len(names) - 1))
        path = [names[start], *([names[:start][::-1]] if start else []), *names[start + 1 :]]
        return Line(pin=next(ports), style="chain", path=path)

    return Board(
        format=1, name="grid", chip="atmega32u4", cathode_at="row",
        diode_side=draw(st.sampled_from(["row", "column"])),
        controller=draw(st.sampled_from([None, {"at": (-60.0, 0.0)}])),
        row={f"R{r}": line([f"K{r}{c}" for c in range(columns)]) for r in range(rows)},
        column={f"C{c}": line([f"K{r}{c}" for r in range(rows)]) for c in range(columns)},
        key=keys,
    )  # fmt: skip


def flags_are_clear(half):
    shapes = {name: geometry.rectangle(*lead.flag) for name, lead in lay_out(half).leads.items()}
    for name, shape in shapes.items():
        for key in half.key:
            assert not overlap(shape, outline(half, key)), (name, key)
        for other, its in shapes.items():
            assert other == name or not overlap(shape, its), (name, other)


@pytest.mark.parametrize("half", [LEFT, RIGHT], ids=["left", "right"])
def test_flags_of_bramblewick_cover_nothing(half):
    flags_are_clear(half)


@settings(deadline=None, max_examples=25)
@given(grids())
def test_flags_never_cover_a_key_or_another_flag(half):
    flags_are_clear(half)
    for name, lead in lay_out(half).leads.items():
        kind, line = name.split()
        first = next(board.walk((half.row if kind == "row" else half.column)[line].path))[1]
        assert lead.key == first
        assert lead.run[0] == face_point(half, first, geometry.wire_joint(half, lead.kind))


def test_rows_leave_sideways_and_columns_upright_where_they_can():
    ways = lay_out(LEFT).leads
    for row in ("R1", "R2", "R3", "R4", "R5"):
        start, end = ways[f"row {row}"].run
        assert start[1] == end[1] and end[0] > start[0]  # to the right, where the controller is
    for column in LEFT.column:
        start, end = ways[f"column {column}"].run
        assert start[0] == end[0] and end[1] < start[1]  # up


def test_pads_show_every_used_pin_once():
    chip = pads(LEFT)
    used = [line.pin for _, _, line in geometry.lines(LEFT)]
    assert sorted(chip.at) == sorted(used)
    assert len(set(chip.at.values())) == len(used)
    assert pads(one_key()) is None


# --- addresses ----------------------------------------------------------------------------------


def test_every_kind_of_address_has_its_place():
    layout = lay_out(LEFT)
    at = {address: list(layout.locate(address)) for address in [
        "L23 switch-column joint", "L23 diode", "L23 switch", "L23 node", "L23",
        "row R2 between L24 and L23", "row R2 lead", "row R2", "column C3", "pin PD4",
    ]}  # fmt: skip
    assert at["L23 switch-column joint"] == [(face_point(LEFT, "L23", "switch-column"),)]
    assert at["L23 switch"] == [(LEFT.key["L23"].at,)]
    assert at["L23"] == [(LEFT.key["L23"].at,)]
    assert at["L23 diode"] == [
        (face_point(LEFT, "L23", "anode"), face_point(LEFT, "L23", "cathode"))
    ]
    assert at["L23 node"][0][0] == face_point(LEFT, "L23", "switch-diode")
    (stretch,) = at["row R2 between L24 and L23"]
    assert stretch[0] == face_point(LEFT, "L24", "diode-row")
    assert stretch[-1] == face_point(LEFT, "L23", "diode-row")
    assert at["row R2 lead"] == [lay_out(LEFT).leads["row R2"].run]
    assert at["row R2"][0] == lay_out(LEFT).leads["row R2"].run
    assert len(at["row R2"]) == 1 + 6  # the lead and the six stretches between seven keys
    assert at["pin PD4"] == [(pads(LEFT).at["PD4"],)]


def test_a_stretch_may_be_named_from_either_end():
    there = locate(LEFT, "row R2 between L24 and L23")
    assert locate(LEFT, "row R2 between L23 and L24") == there


def test_a_pin_no_line_uses():
    assert locate(LEFT, "pin PB0") == [(LEFT.controller.at,)]
    assert locate(one_key(), "pin PB0") == []
    assert locate(one_key(), "pin PD1") == [(lay_out(one_key()).leads["row R1"].middle,)]


@pytest.mark.parametrize(
    ("address", "mend"),
    [
        ("L23 doide", 'place "L23 doide": names nothing on Bramblewick left; did you mean "L23'),
        ("L23 column-diode joint", "did you mean"),
        ("row R2 between L21 and L24", "names nothing"),
        ("pin PZ9", "names nothing"),
        ("", "names nothing"),
        ("zzzzzzzzz", 'write it like "L11 diode"'),
    ],
)
def test_addresses_that_name_nothing(address, mend):
    with pytest.raises(UsageError) as caught:
        locate(LEFT, address)
    assert mend in str(caught.value)


def test_count_of_addresses():
    # 41 keys: key, switch, diode, node and three joints each; 13 lines with lead and pin each;
    # a stretch for every key on a line but the first.
    assert len(lay_out(LEFT).places) == 41 * 7 + 13 * 3 + (41 - 6) + (41 - 7)


def test_owner_of_an_address():
    assert owner("L23 diode-row joint") == "L23"
    assert owner("row R2 between L22 and L23") == "row R2"
    assert owner("pin PD4") == "pin PD4"
