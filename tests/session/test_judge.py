"""What the session decides on does not depend on what the screen looked at meanwhile."""

from __future__ import annotations

from keydiag.circuit import Circuit
from keydiag.faults import parse_fault
from keydiag.session.judge import Judge
from tests.diagnosis.halves import bramblewick, sweep

CIRCUIT = Circuit(bramblewick())
SEEN = tuple(
    sweep(CIRCUIT, {parse_fault(CIRCUIT, f) for f in ("L12 diode reversed", "row R3 lead open")})
)


def test_a_diagnosis_after_updates_is_the_one_without() -> None:
    looked_at, left_alone = Judge(CIRCUIT, None), Judge(CIRCUIT, None)
    for count in (1, 5, 20, 30):
        looked_at.update(SEEN[:count])
    for count in (30, len(SEEN)):
        assert looked_at.diagnose(SEEN[:count]) == left_alone.diagnose(SEEN[:count])


def test_an_update_does_not_take_the_place_of_the_diagnosis() -> None:
    judge = Judge(CIRCUIT, None)
    quick = judge.update(SEEN)
    assert judge.latest is quick
    full = judge.diagnose(SEEN)
    assert judge.update(SEEN) is judge.diagnose(SEEN) is judge.latest is full


def test_findings_that_stay_the_same_are_the_same_object() -> None:
    """So the screen need not draw them anew."""
    judge = Judge(CIRCUIT, None)
    clean = tuple(sweep(CIRCUIT, set()))
    assert judge.update(clean) is judge.diagnose(clean)
