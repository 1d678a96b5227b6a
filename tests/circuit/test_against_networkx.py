"""Conduction held against networkx, bit for bit, for random fault sets and random keys held.

The other side of the comparison is explicit_half.py: a graph of every joint, drawn from the board
file's text, with shortest paths found by a general library.
"""

from itertools import product

import pytest
from explicit_half import ExplicitHalf, contradictory, small_text
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag import resources
from keydiag.board import loads
from keydiag.circuit import Circuit, Point, Prediction, Wiring
from keydiag.faults import KINDS, changes, predict

WATCHED = ("PB0",)  # a port without a line that is watched
FREE = ("PB1",)  # a port without a line that is not

SMALL = [
    (Circuit(loads(text), WATCHED), ExplicitHalf(text, WATCHED))
    for text in (
        small_text(*told)
        for told in product(("row", "column"), ("row", "column"), ("chain", "through"))
    )
]
BRAMBLEWICK_TEXT = resources.fixture("bramblewick-left.toml").read_text("utf-8")
BRAMBLEWICK = (Circuit(loads(BRAMBLEWICK_TEXT), WATCHED), ExplicitHalf(BRAMBLEWICK_TEXT, WATCHED))


def fault_sets(half: ExplicitHalf, most: int):
    """Sets of up to `most` faults; the kind is drawn first, so that rare kinds come as often."""
    every = half.every_fault(FREE)
    one = st.sampled_from(sorted(every)).flatmap(lambda kind: st.sampled_from(every[kind]))
    return st.frozensets(one, max_size=most).filter(lambda faults: not contradictory(faults))


def held_keys(half: ExplicitHalf, most: int):
    return st.frozensets(st.sampled_from(half.keys), max_size=most)


SMALL_SETS = [fault_sets(half, 4) for _, half in SMALL]


def certain(answer: Prediction) -> Prediction:
    """The same with every unknown bit read high, so that two answers can be compared."""
    sure = answer.as_reading()
    return Prediction(sure.rest, sure.low, answer.rest_unknown, answer.unknown)


def same(circuit: Circuit, half: ExplicitHalf, faults, held) -> None:
    assert certain(predict(circuit, faults, held)) == half.read(faults, held)


@settings(max_examples=500, deadline=None)
@given(st.data())
def test_any_faults_on_a_small_half(data):
    at = data.draw(st.integers(0, len(SMALL) - 1), label="which small half")
    circuit, half = SMALL[at]
    faults = data.draw(SMALL_SETS[at], label="faults")
    held = data.draw(held_keys(half, 3), label="held")
    same(circuit, half, faults, held)


@settings(max_examples=50, deadline=None)
@given(fault_sets(BRAMBLEWICK[1], 4), held_keys(BRAMBLEWICK[1], 3))
def test_any_faults_on_bramblewick(faults, held):
    same(*BRAMBLEWICK, faults, held)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_a_meter_between_any_two_places(data):
    at = data.draw(st.integers(0, len(SMALL) - 1), label="which small half")
    circuit, half = SMALL[at]
    faults = data.draw(SMALL_SETS[at], label="faults")
    held = data.draw(held_keys(half, 2), label="held")
    places = half.places()
    red = data.draw(st.sampled_from(sorted(places)), label="red lead")
    black = data.draw(st.sampled_from(sorted(places)), label="black lead")
    made = [change for fault in sorted(faults) for change in changes(circuit, fault)]
    wiring = Wiring(circuit, made, [key for _, _, key in (red, black) if key])
    shown = wiring.meter(Point(*red), Point(*black), held)
    assert shown == half.meter(faults, held, places[red], places[black])


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_single_fault_with_every_key(kind):
    """One fault at a time, at every place of the small half, nothing held and each key in turn."""
    circuit, half = SMALL[0]
    for fault in half.every_fault(FREE)[kind]:
        for held in [frozenset(), *(frozenset([key]) for key in half.keys)]:
            same(circuit, half, [fault], held)


def test_both_draw_the_same_half():
    """The two start from one text but read it separately; pins and crossings must agree."""
    for circuit, half in [*SMALL, BRAMBLEWICK]:
        assert list(circuit.pins) == half.ports
        assert {key: (half.row_of[key], half.column_of[key]) for key in half.keys} == {
            key: tuple(circuit.line_names[i] for i in pair)
            for key, pair in circuit.crossing.items()
        }
        assert {circuit.parts[key].in_series[::2] for key in circuit.keys} == {
            half.joints(key) for key in half.keys
        }
