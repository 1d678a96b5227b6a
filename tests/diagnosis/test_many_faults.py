"""Several faults at once; faults hidden behind others; anomalies at rest; keys that change."""

from __future__ import annotations

import pytest

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from keydiag.faults import Fault
from tests.diagnosis.halves import bramblewick, finding_of, named, press, sweep

CIRCUIT = Circuit(bramblewick())
ENGINE = Diagnostician(CIRCUIT)

SETS = [
    ("L23 diode reversed", "L45 switch dead"),
    ("L11 diode shorted", "row R3 broken between L35 and L34", "L62 diode reversed"),
    ("row R1 bridged to row R2", "L41 diode-row joint open", "L27 diode reversed"),
    ("column C2 lead open", "L15 diode reversed", "L64 switch stuck closed"),
    ("row R6 shorted to ground", "L23 diode reversed", "L33 switch-column joint open"),
    (
        "L12 diode reversed", "L26 switch-diode joint open", "column C4 lead open",
        "L51 diode shorted", "row R6 broken between L63 and L62",
    ),
    (
        "L21 diode reversed", "L14 switch-column joint open", "L35 diode-row joint open",
        "L43 diode reversed", "row R2 bridged to column C6",
    ),
    (
        "row R5 lead and row R3 lead swapped", "L16 diode reversed", "L41 switch-column joint open",
    ),
    ("every diode reversed", "L23 switch dead", "L45 diode reversed"),
]  # fmt: skip


@pytest.mark.parametrize("names", SETS, ids=lambda names: names[0])
def test_independent_faults_are_all_found(names: tuple[str, ...]) -> None:
    faults = named(CIRCUIT, *names)
    diagnosis = ENGINE.diagnose(sweep(CIRCUIT, faults))
    assert diagnosis.verdict == "faults"
    for fault in faults:
        finding = finding_of(diagnosis, fault)
        assert finding is not None, fault
        assert finding.probability > 0.5
    assert len(diagnosis.findings) == len(faults)


def test_keys_beyond_a_break_cannot_be_judged() -> None:
    # Row R2 starts at L27; a reversed diode beyond the break is hidden by it.
    faults = named(CIRCUIT, "row R2 broken between L23 and L22", "L21 diode reversed")
    diagnosis = ENGINE.diagnose(sweep(CIRCUIT, faults))
    assert [f.members[0].kind for f in diagnosis.findings] == ["broken-stretch"]
    assert {c.key for c in diagnosis.cannot_judge} == {"L22", "L21"}
    assert all(c.until == ("row R2 between L23 and L22",) for c in diagnosis.cannot_judge)


def test_no_key_is_masked_by_its_own_fault() -> None:
    faults = named(CIRCUIT, "L23 switch-column joint open")
    assert ENGINE.diagnose(sweep(CIRCUIT, faults)).cannot_judge == ()


def test_a_bridge_at_rest_is_found_before_any_key_is_pressed() -> None:
    faults = named(CIRCUIT, "row R1 bridged to row R2")
    diagnosis = ENGINE.diagnose([press(CIRCUIT, faults)])
    assert diagnosis.verdict == "faults"
    assert finding_of(diagnosis, faults[0]) is not None
    assert len(diagnosis.not_pressed) == len(CIRCUIT.keys)


def test_a_short_to_the_supply_comes_first_and_says_unplug() -> None:
    faults = named(CIRCUIT, "L11 diode reversed", "column C3 shorted to supply")
    first = ENGINE.diagnose(sweep(CIRCUIT, faults)).findings[0]
    assert faults[1] in {Fault(m.kind, m.at) for m in first.members}
    assert "nplug" in first.repair and any("unplug now" in c for c in first.cautions)


def test_an_unfinished_sweep_is_incomplete_not_passed() -> None:
    diagnosis = ENGINE.diagnose(sweep(CIRCUIT, (), CIRCUIT.keys[:7]))
    assert diagnosis.verdict == "incomplete"
    assert diagnosis.not_pressed == CIRCUIT.keys[7:]


def test_without_a_rest_reading_nothing_passes() -> None:
    assert ENGINE.diagnose(sweep(CIRCUIT, ())[1:]).verdict == "incomplete"


def test_a_key_that_changes_its_answer_is_fickle() -> None:
    dead = named(CIRCUIT, "L23 switch-column joint open")
    observations = [*sweep(CIRCUIT, dead), press(CIRCUIT, (), "L23", t_us=99)]
    diagnosis = ENGINE.diagnose(observations)
    assert diagnosis.fickle == ("L23",)
    assert diagnosis.verdict != "pass"


def test_what_the_catalogue_does_not_know_is_said_to_be_unknown() -> None:
    # L11 answers on three crossings far from each other: no single fault or pair near it does that.
    observations = sweep(CIRCUIT, ())
    odd = press(CIRCUIT, (), "L24", "L35", "L66", t_us=2)
    observations[1:2] = [
        press(CIRCUIT, (), "L11").__class__(("L11",), odd.reading, (), t, 50, "sweep", 1.0)
        for t in (2, 3, 4)
    ]
    diagnosis = ENGINE.diagnose(observations)
    assert diagnosis.verdict == "faults"
    kinds = {m.kind for f in diagnosis.findings for m in f.members}
    assert "unknown" in kinds
