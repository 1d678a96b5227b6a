"""The remembering predictor gives what the plain one gives, whatever it leaves out or reuses."""

import pytest
from fault_boards import BRAMBLEWICK, SMALL
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag.circuit import Circuit, Reading
from keydiag.faults import Predictor, enumerate_faults, keys_that_show, pack, predict, unpack

WATCHED = ("PB0",)
CIRCUITS = [Circuit(b, WATCHED) for b in [*SMALL.values(), BRAMBLEWICK["bramblewick-left"]]]
# Kept over all examples, so that what was remembered for one set is there for the next.
PREDICTORS = [Predictor(circuit) for circuit in CIRCUITS]


def fault_sets(circuit: Circuit):
    """Sets of up to five faults near or far; kinds come equally often, whatever their number."""
    by_kind: dict[str, list] = {}
    for fault in enumerate_faults(circuit, "any"):
        by_kind.setdefault(fault.kind, []).append(fault)
    one = st.sampled_from(sorted(by_kind)).flatmap(lambda kind: st.sampled_from(by_kind[kind]))
    return st.frozensets(one, max_size=5)


def held_keys(circuit: Circuit):
    return st.frozensets(st.sampled_from(circuit.keys), max_size=3)


SETS = [fault_sets(circuit) for circuit in CIRCUITS]


@settings(max_examples=600, deadline=None)
@given(st.data())
def test_the_predictor_is_the_plain_prediction(data):
    at = data.draw(st.integers(0, len(CIRCUITS) - 1), label="which half")
    circuit, predictor = CIRCUITS[at], PREDICTORS[at]
    faults = data.draw(SETS[at], label="faults")
    held = data.draw(held_keys(circuit), label="held")
    plain = predict(circuit, faults, held)
    packed = predictor.packed(faults, held)
    pins = len(circuit.pins)
    unknown = unpack(packed.unknown, pins)
    assert (unknown.rest, unknown.low) == (plain.rest_unknown, plain.unknown)
    assert unpack(packed.bits & ~packed.unknown, pins) == plain.as_reading()


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_a_set_grown_fault_by_fault_is_the_plain_prediction(data):
    """What is taken over from the set with one fault less is right too."""
    at = data.draw(st.integers(0, len(CIRCUITS) - 1), label="which half")
    circuit, predictor = CIRCUITS[at], Predictor(CIRCUITS[at])
    order = data.draw(SETS[at].map(sorted).flatmap(st.permutations), label="faults")
    held = data.draw(held_keys(circuit), label="held")
    for count in range(len(order) + 1):
        faults = frozenset(order[:count])
        plain = predict(circuit, faults, held)
        packed = predictor.packed(faults, held)
        unknown = unpack(packed.unknown, len(circuit.pins))
        assert (unknown.rest, unknown.low) == (plain.rest_unknown, plain.unknown)
        sure = unpack(packed.bits & ~packed.unknown, len(circuit.pins))
        assert sure == plain.as_reading()


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_a_fault_shows_only_with_its_keys(data):
    """With none of its keys held or conducting, a fault changes nothing, whatever else is wrong."""
    at = data.draw(st.integers(0, len(CIRCUITS) - 1), label="which half")
    circuit, predictor = CIRCUITS[at], PREDICTORS[at]
    faults = data.draw(SETS[at], label="faults")
    held = data.draw(held_keys(circuit), label="held")
    kept = predictor.relevant(faults, held)
    assert kept <= faults
    assert predict(circuit, kept, held) == predict(circuit, faults, held)


@pytest.mark.parametrize("circuit", CIRCUITS[:4])
def test_a_single_fault_without_its_keys_is_not_there(circuit):
    """Every single fault that needs keys, with every key that is none of them."""
    for fault in enumerate_faults(circuit, "any"):
        shows = keys_that_show(circuit, fault)
        if shows is not None:
            for held in [(), *((key,) for key in circuit.keys if key not in shows)]:
                assert predict(circuit, [fault], held) == predict(circuit, [], held)


def test_forgetting_changes_no_answer():
    predictor = Predictor(CIRCUITS[0])
    faults, held = frozenset(enumerate_faults(CIRCUITS[0])[:3]), frozenset({"K11"})
    before = predictor.packed(faults, held)
    predictor.forget()
    assert predictor.packed(faults, held) == before


def test_the_packed_form_by_hand():
    """Two pins: the rest mask in bits 0-1, the mask read while pin 0 is driven in bits 2-3, the
    mask read while pin 1 is driven in bits 4-5."""
    reading = Reading(rest=0b10, low=(0b01, 0b11))
    assert pack(reading) == 0b11_01_10
    assert unpack(0b11_01_10, 2) == reading


@given(st.integers(1, 30).flatmap(lambda n: st.tuples(
    st.just(n), st.lists(st.integers(0, 2**n - 1), min_size=n + 1, max_size=n + 1),
)))  # fmt: skip
def test_packing_loses_nothing(given_masks):
    pins, masks = given_masks
    reading = Reading(masks[0], tuple(masks[1:]))
    assert unpack(pack(reading), pins) == reading


def test_a_mismatch_is_counted_where_it_counts():
    predictor = PREDICTORS[0]
    good = predictor.packed(frozenset(), frozenset({"K11"}))
    pins = len(CIRCUITS[0].pins)
    everything = (1 << pins * (pins + 1)) - 1
    assert good.mismatch(good.bits, everything) == 0
    assert good.mismatch(good.bits ^ 0b1001, everything) == 2
    assert good.mismatch(good.bits ^ 0b1001, 0b0001) == 1
    assert good._replace(unknown=0b1000).mismatch(good.bits ^ 0b1001, everything) == 1
