"""The next best test: its gain is the entropy of its answers, worked out again by hand."""

from __future__ import annotations

import math

import pytest

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from tests.diagnosis.halves import bramblewick, named, small, sweep


def entropy(*shares: float) -> float:
    return -sum(p * math.log2(p) for p in shares if p)


def test_the_meter_at_a_dead_key() -> None:
    circuit = Circuit(small())
    # K22 stands first on both its lines: no break of a stretch looks like this.
    faults = named(circuit, "K22 switch-diode joint open")
    (finding,) = Diagnostician(circuit).diagnose(sweep(circuit, faults)).findings
    best = next(test for test in finding.next_tests if test.kind == "meter")
    # Joints 0.004 each, the switch 0.0008, the diode 0.0005 (priors.toml, as odds).
    odds = {p: p / (1 - p) for p in (0.004, 0.0008, 0.0005)}
    # Column joint, switch, middle joint, diode, row joint.
    series = [odds[p] for p in (0.004, 0.0008, 0.004, 0.0005, 0.004)]
    # Two leads anywhere along the key see whether the piece between them is whole.
    pieces = [sum(series[a:b]) / sum(series) for a in range(5) for b in range(a + 1, 6)]
    assert best.gain_bits == pytest.approx(max(entropy(p, 1 - p) for p in pieces), abs=0.01)
    assert sum(o.probability for o in best.outcomes) == pytest.approx(1)
    for test in finding.next_tests:
        by_hand = entropy(*(o.probability for o in test.outcomes))
        assert test.gain_bits == pytest.approx(by_hand, abs=1e-9)


def test_tests_are_ranked_by_gain_per_effort() -> None:
    circuit = Circuit(bramblewick())
    faults = named(circuit, "L23 switch-column joint open", "L33 node bridged to L34 node")
    for finding in Diagnostician(circuit).diagnose(sweep(circuit, faults)).findings:
        worth = [t.gain_bits / t.cost for t in finding.next_tests]
        assert worth == sorted(worth, reverse=True)


def test_every_answer_says_what_it_would_mean() -> None:
    circuit = Circuit(bramblewick())
    faults = named(circuit, "L23 switch dead")
    (finding,) = Diagnostician(circuit).diagnose(sweep(circuit, faults)).findings
    for test in finding.next_tests:
        assert test.code and test.what
        assert len(test.outcomes) >= 2
        assert all(o.answer and o.means for o in test.outcomes)
