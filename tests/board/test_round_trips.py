"""Whatever writes a board file: it passes the check, is the same circuit, mirrors back to itself,
and a virtual half of it sweeps clean."""

import pytest
from any_board import boards
from hypothesis import given, settings
from hypothesis import strategies as st
from tested import sweep

from keydiag import board
from keydiag.board.mirrored import other_half, text_of
from keydiag.board.new import Plan, new_board
from keydiag.board.table import from_csv, to_csv
from keydiag.circuit import Circuit
from tests.learn.wires import by_pins, learn_at_once


def is_one_circuit(one: board.Board, two: board.Board) -> bool:
    """Same pins, crossings, stretches and directions: indistinguishable to every test."""
    a, b = Circuit(one), Circuit(two)
    return (a.pins, a.line_names, a.crossing, a.forward, a.stretches) == (
        b.pins, b.line_names, b.crossing, b.forward, b.stretches,
    )  # fmt: skip


def hold(half: board.Board) -> None:
    """What must hold of every board that anything writes."""
    again = board.loads(board.dumps(half), "again")  # the check: raises if it finds anything
    assert again == half and is_one_circuit(again, half)
    right = board.loads(text_of(other_half(half), half), "mirror")
    assert is_one_circuit(right, half)
    assert other_half(right) == half


@st.composite
def plans(draw):
    rows, columns = draw(st.integers(1, 4)), draw(st.integers(1, 7))
    side = st.sampled_from(["row", "column"])
    return Plan(
        draw(st.sampled_from(["Left", "Nettle left", "Ä left", "right"])),
        rows,
        columns,
        chip=draw(st.sampled_from(["atmega32u4", "rp2040", "atmega328p"])),
        stagger=tuple(draw(st.lists(st.floats(-9, 9), min_size=columns, max_size=columns))),
        thumbs=tuple(draw(st.lists(st.floats(-30, 30), max_size=min(3, columns)))),
        cathode_at=draw(side),
        diode_side=draw(side),
        lead=draw(st.sampled_from(["left", "right"])),
        controller=draw(st.sampled_from([None, (170.0, 10.0)])),
    )


@settings(deadline=None, max_examples=60)
@given(plans())
def test_what_new_writes(plan):
    hold(board.loads(new_board(plan), "new"))


@settings(deadline=None, max_examples=40)
@given(boards())
def test_what_a_table_writes(half):
    plan = Plan(half.name, 0, 0, cathode_at=half.cathode_at, diode_side=half.diode_side)
    again = board.loads(from_csv(to_csv(half), plan), "table")
    hold(again)
    assert by_pins(again) == by_pins(half) and list(again.key) == list(half.key)
    for name, key in half.key.items():  # a spreadsheet has no spaces around its words
        assert again.key[name] == key.model_copy(update={"legend": key.legend.strip()})
    twice = board.loads(from_csv(to_csv(again), plan), "table")  # nothing is lost any more
    assert is_one_circuit(twice, again)


@settings(deadline=None, max_examples=40)
@given(boards())
def test_what_mirror_writes(half):
    hold(half)


@settings(deadline=None, max_examples=25)
@given(plans())
def test_what_learn_writes(plan):
    half = board.loads(new_board(plan), "new")
    _, result = learn_at_once(half)
    if result is not None:
        hold(result.board)


@pytest.mark.parametrize("name", ["bramblewick-left", "bramblewick-right"])
def test_what_learn_writes_of_bramblewick_is_the_same_circuit(name):
    half = board.example(name)
    _, result = learn_at_once(half)
    a, b = Circuit(half), Circuit(result.board)
    assert (a.pins, a.line_names, a.crossing, a.forward) == (
        b.pins, b.line_names, b.crossing, b.forward,
    )  # fmt: skip


@settings(deadline=None, max_examples=8)
@given(boards(), st.integers(0, 99))
def test_a_virtual_half_of_any_board_sweeps_clean(half, seed):
    session = sweep(half, [], seed=seed)
    diagnosis = session.diagnose_now()
    assert (diagnosis.verdict, diagnosis.findings) == ("pass", ())
