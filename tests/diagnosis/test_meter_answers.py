"""Meter readings as evidence: they sharpen, they may be wrong, and contradictions are told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician, MeterAnswer
from keydiag.diagnosis.meter import parse_code, read
from keydiag.diagnosis.meter_answers import MISREAD, apply
from keydiag.errors import UsageError
from keydiag.faults import Fault
from tests.diagnosis.halves import bramblewick, finding_of, named, sweep

CIRCUIT = Circuit(bramblewick())
ENGINE = Diagnostician(CIRCUIT)
JOINT = Fault("open-joint", ("L23 switch-diode joint",))


def answered(code: str, fault: Fault) -> MeterAnswer:
    test = parse_code(CIRCUIT, code)
    return MeterAnswer(test, read(CIRCUIT, frozenset((fault,)), test))


@pytest.mark.parametrize(
    "name",
    ["L23 switch-column joint open", "L23 switch-diode joint open", "L23 diode-row joint open",
     "L23 switch dead", "L23 diode open"],
)  # fmt: skip
def test_the_suggested_readings_find_the_place(name: str) -> None:
    (fault,) = named(CIRCUIT, name)
    observations = sweep(CIRCUIT, [fault])
    answers: list[MeterAnswer] = []
    for _ in range(6):
        finding = finding_of(ENGINE.diagnose(observations, answers=answers), fault)
        assert finding is not None
        meter = [test for test in finding.next_tests if test.kind == "meter"]
        best = max(finding.members, key=lambda m: m.probability)
        if best.probability > 0.9 or not meter:
            break
        answers.append(answered(meter[0].code, fault))
    assert Fault(best.kind, best.at) == fault
    assert len(answers) <= 4


def test_readings_at_one_dead_key_say_nothing_against_the_others() -> None:
    """Five keys dead in five ways; each reading is a surprise where it was taken, nowhere else."""
    truth = frozenset(
        named(
            CIRCUIT, "L14 switch dead", "L36 switch-column joint open",
            "L45 switch-diode joint open", "L46 diode open", "row R3 broken between L32 and L31",
        )
    )  # fmt: skip
    observations = sweep(CIRCUIT, truth)
    answers: list[MeterAnswer] = []
    diagnosis = ENGINE.diagnose(observations)
    for _ in range(25):
        codes = [t.code for f in diagnosis.findings for t in f.next_tests if t.kind == "meter"]
        if not codes:
            break
        test = parse_code(CIRCUIT, codes[0])
        answers.append(MeterAnswer(test, read(CIRCUIT, truth, test)))
        diagnosis = ENGINE.diagnose(observations, answers=answers)
        assert not diagnosis.contradictions
    best = [max(f.members, key=lambda m: m.probability) for f in diagnosis.findings]
    assert {Fault(m.kind, m.at) for m in best} == truth
    assert min(m.probability for m in best) > 0.9


def test_one_answer_by_hand() -> None:
    observations = sweep(CIRCUIT, [JOINT])
    before = {m.at[0]: m.probability for m in ENGINE.diagnose(observations).findings[0].members}
    # From the switch's leg to the diode's far leg: open only if the middle joint or the diode is.
    code = "L23.1 to L23.3"
    diagnosis = ENGINE.diagnose(observations, answers=[answered(code, JOINT)])
    after = {m.at[0]: m.probability for m in diagnosis.findings[0].members}
    cut = {"L23 switch-diode joint", "L23 diode"}
    weights = {at: p * (1 - MISREAD if at in cut else MISREAD / 2) for at, p in before.items()}
    total = sum(weights.values())
    for at, weight in weights.items():
        # Two open places at once are possible too: a percent or so.
        assert after[at] == pytest.approx(weight / total, abs=0.02)
    assert diagnosis.contradictions == ()


def test_an_answer_that_contradicts_everything_is_told() -> None:
    observations = sweep(CIRCUIT, [JOINT])
    # Across the whole of a healthy key far away, held: the diode must show.
    odd = MeterAnswer(parse_code(CIRCUIT, "L55.0 to L55.3 holding L55"), "open")
    diagnosis = ENGINE.diagnose(observations, answers=[odd])
    assert len(diagnosis.contradictions) == 1
    assert "measure there once more" in diagnosis.contradictions[0]
    # And it does not shake what the presses showed.
    assert finding_of(diagnosis, JOINT) is not None


def test_the_order_of_answers_changes_little_and_none_changes_nothing() -> None:
    observations = sweep(CIRCUIT, [JOINT])
    codes = ["L23.1 to L23.3", "L23.0 to L23.1 holding L23", "L23.2 to L23.3"]
    answers = [answered(code, JOINT) for code in codes]
    assert ENGINE.diagnose(observations, answers=[]) == ENGINE.diagnose(observations)
    one = ENGINE.diagnose(observations, answers=answers).findings[0].probability
    two = ENGINE.diagnose(observations, answers=answers[::-1]).findings[0].probability
    assert one == pytest.approx(two, rel=1e-9)


@pytest.mark.parametrize("code", ["", "L23.1", "L23.1 to L23.9", "XX.1 to L23.2", "L23.1 to PB77"])
def test_a_code_that_is_none_is_refused(code: str) -> None:
    with pytest.raises(UsageError, match="write it as the tool does"):
        parse_code(CIRCUIT, code)


def test_codes_come_back_as_the_tests_they_name() -> None:
    for name in ("L23 switch dead", "row R2 broken between L23 and L22", "column C3 lead open"):
        (finding,) = ENGINE.diagnose(sweep(CIRCUIT, named(CIRCUIT, name))).findings
        for test in finding.next_tests:
            if test.kind == "meter":
                assert parse_code(CIRCUIT, test.code).code == test.code


@pytest.mark.parametrize(
    "names",
    [
        ("L23 diode reversed", "L23 diode-row joint open"),
        ("L23 diode reversed", "L23 switch dead"),
        ("L23 switch dead", "L23 switch-column joint open"),
    ],
)
def test_what_an_open_place_hides_is_found_by_the_meter(names: tuple[str, ...]) -> None:
    # A meter between two points sees the diode that no press can show.
    truth = frozenset(named(CIRCUIT, *names))
    observations = sweep(CIRCUIT, truth)
    answers: list[MeterAnswer] = []
    for _ in range(10):
        diagnosis = ENGINE.diagnose(observations, answers=answers)
        codes = [t.code for f in diagnosis.findings for t in f.next_tests if t.kind == "meter"]
        new = [code for code in codes if code not in {a.test.code for a in answers}]
        if not new:
            break
        test = parse_code(CIRCUIT, new[0])
        answers.append(MeterAnswer(test, read(CIRCUIT, truth, test)))
    assert diagnosis.contradictions == ()
    most = [max(f.members, key=lambda m: m.probability) for f in diagnosis.findings]
    # No joint that is sound is blamed; what is named is there.
    assert {Fault(m.kind, m.at) for m in most if m.probability > 0.5} <= truth
    assert truth & {Fault(m.kind, m.at) for m in most}


def test_a_sound_half_is_contradicted_by_wrong_readings_only() -> None:
    observations = sweep(CIRCUIT, [])
    test = parse_code(CIRCUIT, "L23.1 to L23.3")
    right = MeterAnswer(test, read(CIRCUIT, frozenset(), test))
    assert ENGINE.diagnose(observations, answers=[right]).contradictions == ()
    wrong = right._replace(result="closed")
    assert len(ENGINE.diagnose(observations, answers=[wrong]).contradictions) == 1


def test_readings_that_fit_nothing_do_not_hide_what_was_seen() -> None:
    evidence, (group,) = ENGINE.explain(sweep(CIRCUIT, [JOINT]))
    # As if the presses could not have been slips: then good readings everywhere fit nothing known.
    sure = replace(group, hypotheses=tuple(h for h in group.hypotheses if h.faults != frozenset()))
    codes = [f"column-C3@{k} to row-R2@L23 holding L23" for k in CIRCUIT.keys_on["column C3"]]
    answers = [MeterAnswer(parse_code(CIRCUIT, code), "diode") for code in codes]
    (after,), told = apply(ENGINE.explainer, evidence, [sure], answers)
    assert after == sure
    assert any("left out there" in line for line in told)


def test_a_bridge_is_not_taken_back_by_the_meter_alone() -> None:
    observations = sweep(CIRCUIT, named(CIRCUIT, "row R1 bridged to row R2"))
    (before,) = ENGINE.diagnose(observations).findings
    answer = MeterAnswer(parse_code(CIRCUIT, "row-R1@L11 to row-R2@L21"), "open")
    diagnosis = ENGINE.diagnose(observations, answers=[answer])
    assert [finding.title for finding in diagnosis.findings] == [before.title]
    assert len(diagnosis.contradictions) == 1
