"""The chord check shows every fault that single presses cannot, with the fewest chords."""

from __future__ import annotations

import pytest

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from keydiag.diagnosis.chords import fewest, hidden_faults, plan, small_chords, unrevealed
from tests.diagnosis.halves import bramblewick, finding_of, press, small, sweep


@pytest.mark.parametrize("side", ["left", "right"])
def test_nothing_stays_hidden_and_no_plan_is_shorter(side: str) -> None:
    circuit = Circuit(bramblewick(side))
    chords = plan(circuit)
    assert hidden_faults(circuit)
    assert unrevealed(circuit, chords) == ()
    assert all(2 <= len(chord) <= 4 for chord in chords)
    assert len(chords) == fewest(list(small_chords(circuit).values()))


def test_every_chord_is_needed() -> None:
    circuit = Circuit(bramblewick())
    chords = plan(circuit)
    for left_out in chords:
        assert unrevealed(circuit, [chord for chord in chords if chord != left_out])


def test_a_small_half_by_eye() -> None:
    # Diodes on the row side: the nodes of neighbours in a row can touch unseen, K11-K12, K12-K13,
    # K21-K22, K22-K23; one row of three fits into one chord.
    circuit = Circuit(small())
    assert plan(circuit) == (("K11", "K12", "K13"), ("K21", "K22", "K23"))
    # On the column side it is the columns: three pairs, of which two fit into one chord.
    assert len(plan(Circuit(small(diode_side="column")))) == 2


def test_the_bound_by_hand() -> None:
    assert fewest([]) == 0
    assert fewest([("a", "b"), ("b", "c"), ("c", "d")]) == 1
    assert fewest([("a", "b"), ("c", "d")]) == 1
    assert fewest([("a", "b"), ("c", "d"), ("e", "f")]) == 2
    assert fewest([("a", "b"), ("b", "c"), ("d", "e"), ("e", "f")]) == 2


def test_a_chord_finds_what_a_clean_sweep_hides() -> None:
    circuit = Circuit(bramblewick())
    engine = Diagnostician(circuit)
    fault = next(f for f in hidden_faults(circuit) if "L23 node" in f.at)
    observations = sweep(circuit, [fault])
    assert engine.diagnose(observations).verdict == "pass"
    for chord in plan(circuit):
        observations.append(press(circuit, [fault], *chord, t_us=99))
    assert finding_of(engine.diagnose(observations), fault) is not None
