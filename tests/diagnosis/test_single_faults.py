"""Every static single fault is diagnosed down to the group that pressing keys cannot separate.

The truth is drawn from the catalogue and read by the circuit model, which has its own tests against
networkx and ngspice; what is tested here is that the way back from readings to faults is right.
"""

from __future__ import annotations

from collections import defaultdict

import pytest

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from keydiag.faults import Fault, describe, enumerate_faults
from tests.diagnosis.halves import bramblewick, finding_of, members, small, sweep

SMALL = [(c, d) for c in ("row", "column") for d in ("row", "column")]
PLACES = 5  # of each kind on Bramblewick


def strata(circuit: Circuit) -> list[Fault]:
    """Faults of every kind at several places spread over the half; bridges by sort of nets."""
    by_kind: dict[str, list[Fault]] = defaultdict(list)
    for fault in enumerate_faults(circuit):
        sort = fault.kind
        if fault.kind == "bridge":
            sort += "-".join(net.split()[-1] if "node" in net else "line" for net in fault.at)
        elif fault.kind == "open-joint":
            sort += fault.at[0].split()[1]
        by_kind[sort].append(fault)
    chosen = []
    for number, faults in enumerate(by_kind.values()):
        step = max(1, len(faults) // PLACES)
        chosen += faults[number % step :: step][:PLACES]
    return chosen


def check(circuit: Circuit, engine: Diagnostician, fault: Fault) -> bool:
    """Diagnose this one fault; False if nothing shows it while keys are pressed one at a time."""
    observations = sweep(circuit, (fault,))
    shows = [o.reading for o in observations] != [o.reading for o in sweep(circuit, ())]
    diagnosis = engine.diagnose(observations)
    if not shows:
        assert diagnosis.verdict == "pass" and not diagnosis.findings
        return False
    name = describe(fault)
    assert diagnosis.verdict == "faults", name
    assert len(diagnosis.findings) == 1, (name, [f.title for f in diagnosis.findings])
    finding = finding_of(diagnosis, fault)
    assert finding is not None, (name, diagnosis.findings[0].title)
    assert finding.probability >= 0.5, name
    assert sum(m.probability for m in finding.members) <= 1.000001, name
    for member in members(finding):
        for seen in observations:
            told = engine.predictor.packed(frozenset((member,)), frozenset(seen.held))
            true = engine.predictor.packed(frozenset((fault,)), frozenset(seen.held))
            differ = (told.bits ^ true.bits) & ~told.unknown & ~true.unknown
            assert not differ, (name, describe(member), seen.held)
    return True


@pytest.mark.parametrize(("cathode_at", "diode_side"), SMALL)
def test_every_fault_of_a_small_half(cathode_at: str, diode_side: str) -> None:
    circuit = Circuit(small(cathode_at, diode_side))
    engine = Diagnostician(circuit)
    faults = enumerate_faults(circuit)
    hidden = [fault for fault in faults if not check(circuit, engine, fault)]
    # Only blobs between two nodes of one line stay unseen while keys are pressed one at a time.
    line = circuit.row_of if diode_side == "row" else circuit.column_of
    for fault in hidden:
        one, two = (net.removesuffix(" node") for net in fault.at)
        assert fault.kind == "bridge" and line[one] == line[two]
    assert len(hidden) == (4 if diode_side == "row" else 3) and len(faults) > 140


@pytest.mark.parametrize("side", ["left", "right"])
def test_every_kind_at_several_places_of_bramblewick(side: str) -> None:
    circuit = Circuit(bramblewick(side))
    engine = Diagnostician(circuit)
    shown = sum(check(circuit, engine, fault) for fault in strata(circuit))
    assert shown >= 75


def test_the_whole_board_turned_round_is_one_finding() -> None:
    circuit = Circuit(bramblewick())
    diagnosis = Diagnostician(circuit).diagnose(sweep(circuit, [Fault("wrong-cathode-at", ())]))
    assert [f.title for f in diagnosis.findings] == ["every diode reversed"]
    assert "cathode_at" in diagnosis.findings[0].repair


def test_two_lines_exchanged_are_one_finding() -> None:
    circuit = Circuit(bramblewick())
    fault = Fault("swapped-leads", ("row R2 lead", "row R5 lead"))
    diagnosis = Diagnostician(circuit).diagnose(sweep(circuit, [fault]))
    assert len(diagnosis.findings) == 1 and members(diagnosis.findings[0]) == {fault}


def test_five_look_alikes_at_a_dead_key_are_one_finding() -> None:
    circuit = Circuit(bramblewick())
    (fault,) = [f for f in enumerate_faults(circuit) if f.at == ("L23 switch-diode joint",)]
    (finding,) = Diagnostician(circuit).diagnose(sweep(circuit, [fault])).findings
    assert {m.at[0] for m in finding.members} == {
        "L23 switch-column joint", "L23 switch", "L23 switch-diode joint", "L23 diode",
        "L23 diode-row joint",
    }  # fmt: skip
    # Three joints at one prior, a switch and a diode at theirs: see priors.toml.
    shares = {m.kind: m.probability / finding.probability for m in finding.members}
    odds = {"open-joint": 0.004, "dead-switch": 0.0008, "open-diode": 0.0005}
    total = 3 * odds["open-joint"] + odds["dead-switch"] + odds["open-diode"]
    for kind, share in shares.items():
        assert share == pytest.approx(odds[kind] / total, rel=0.01)


def test_a_clean_half_passes() -> None:
    for side in ("left", "right"):
        circuit = Circuit(bramblewick(side))
        diagnosis = Diagnostician(circuit).diagnose(sweep(circuit, ()))
        assert diagnosis.verdict == "pass"
        assert not (diagnosis.findings or diagnosis.cannot_judge or diagnosis.press_again)
