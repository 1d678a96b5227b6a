"""The sheet before power: every line and diode once; what the answers mean, fault by fault."""

from itertools import combinations
from pathlib import Path

import pytest

from keydiag import board
from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from keydiag.diagnosis.meter import parse_code, read
from keydiag.errors import UsageError
from keydiag.faults import Fault, enumerate_faults, parse_fault, predict
from keydiag.observe import Observation
from keydiag.precheck import (
    answers_form,
    evidence,
    html_page,
    judge,
    judgement_lines,
    parse_answer,
    parse_answers,
    sheet,
    text_page,
)

SMALL = board.load(Path(__file__).parent.parent / "board" / "two-by-three.toml")
LEFT = board.example("bramblewick-left")
VARIANTS = [
    SMALL.model_copy(update={"cathode_at": cathode, "diode_side": side})
    for cathode in ("row", "column")
    for side in ("row", "column")
]
SHOWN = {"closed": "0.00", "diode": "0.61", "open": "OL"}


def measured(half, faults=()):
    """What a builder with a meter would write down about a half with these faults."""
    circuit = Circuit(half)
    lines = []
    for check in sheet(half):
        shown = [SHOWN[read(circuit, frozenset(faults), test)] for test in check.tests]
        if check.kind == "diode":
            lines.append(f"{check.code}: {shown[0]}")
        elif check.kind == "lines":
            low = [
                f"{name.split()[1]} {value}"
                for name, value in zip(check.touched, shown, strict=True)
                if value != "OL"
            ]
            lines.append(f"{check.code}: {', '.join(low) or 'ok'}")
        else:
            rails = [
                fault.kind.removeprefix("line-to-")
                for fault in faults
                if fault.kind.startswith("line-to-") and check.code == f"{fault.at[0]} rails"
            ]
            lines.append(f"{check.code}: {' '.join(rails) or 'ok'}")
    return "\n".join(lines)


def judged(half, text):
    checks = sheet(half)
    return judge(half, checks, parse_answers(text, checks))


# --- the sheet ----------------------------------------------------------------------------------


@pytest.mark.parametrize("half", [LEFT, *VARIANTS])
def test_every_pair_of_lines_and_every_diode_is_measured_once(half):
    checks = sheet(half)
    assert len({check.code for check in checks}) == len(checks)
    names = Circuit(half).line_names
    pairs = [
        frozenset((check.code, other)) for c in checks if c.kind == "lines" for other in c.touched
        for check in [c]
    ]  # fmt: skip
    assert sorted(map(sorted, pairs)) == sorted(sorted(pair) for pair in combinations(names, 2))
    assert sorted(c.code for c in checks if c.kind == "diode") == sorted(half.key)
    assert [c.code for c in checks if c.kind == "rails"] == [f"{name} rails" for name in names]


def test_neighbours_of_a_pin_come_first():
    check = next(c for c in sheet(LEFT) if c.code == "column C5")  # PB4; C6 is on PB5
    assert check.touched[0] == "column C6"
    assert "neighbours of PB4 first: PB5" in check.what


@pytest.mark.parametrize("half", VARIANTS)
def test_a_good_half_shows_what_the_sheet_expects(half):
    circuit = Circuit(half)
    for check in sheet(half):
        for test in check.tests:
            shown = read(circuit, frozenset(), test)
            assert shown == ("diode" if check.kind == "diode" else "open")


@pytest.mark.parametrize("half", [LEFT, *VARIANTS])
def test_a_good_half_is_cleared(half):
    judgement = judged(half, measured(half))
    assert judgement.clear and judgement.troubles == ()
    assert judgement_lines(judgement) == [
        f"All {len(sheet(half))} checks are as they should be: power may be put on."
    ]


# --- what the answers mean ----------------------------------------------------------------------


@pytest.mark.parametrize("half", VARIANTS)
def test_every_fault_the_meter_can_see_is_suspected(half):
    circuit = Circuit(half)
    tests = [test for check in sheet(half) for test in check.tests]

    def shown(fault):
        return [read(circuit, frozenset((fault,)), test) for test in tests]

    healthy = [read(circuit, frozenset(), test) for test in tests]
    seen = 0
    for fault in enumerate_faults(circuit):
        if fault.kind in ("wrong-cathode-at", "swapped-leads", "misplaced-lead"):
            continue  # of the file and of all keys at once: the sweep's matter
        judgement = judged(half, measured(half, [fault]))
        if shown(fault) == healthy and not fault.kind.startswith("line-to"):
            assert judgement.clear  # only pressing shows it
            continue
        seen += 1
        assert len(judgement.troubles) >= 1
        suspects = [s for trouble in judgement.troubles for s in trouble.suspects]
        # It, or one that no reading of the sheet tells apart from it.
        assert fault in suspects or any(shown(s) == shown(fault) for s in suspects), fault
    assert seen > 40


def test_a_break_is_one_trouble_and_not_one_per_key():
    fault = parse_fault(Circuit(LEFT), "row R2 broken between L25 and L24")
    (trouble,) = judged(LEFT, measured(LEFT, [fault])).troubles
    assert trouble.suspects[0] == fault
    assert set(trouble.checks) == {"L24", "L23", "L22", "L21"}


def test_a_backward_diode_is_told_by_exchanged_leads():
    text = measured(LEFT).replace("L23: 0.61", "L23: OL 0.60")
    (trouble,) = judged(LEFT, text).troubles
    assert trouble.suspects == (Fault("reversed-diode", ("L23 diode",)),)
    text = measured(LEFT).replace("L23: 0.61", "L23: OL OL")
    (trouble,) = judged(LEFT, text).troubles
    kinds = {suspect.kind for suspect in trouble.suspects}
    assert "reversed-diode" not in kinds and {"open-diode", "open-joint"} <= kinds


def test_several_faults_at_once():
    circuit = Circuit(LEFT)
    faults = [
        parse_fault(circuit, words)
        for words in ("L23 diode shorted", "row R3 bridged to column C2", "L44 switch stuck")
    ]
    suspects = [
        {suspect for suspect in trouble.suspects}
        for trouble in judged(LEFT, measured(LEFT, faults)).troubles
    ]
    assert all(any(fault in group for group in suspects) for fault in faults)


def test_supply_to_ground_stops_everything():
    judgement = judged(LEFT, measured(LEFT).replace("\nsupply: ok", "\nsupply: beeps"))
    assert judgement.troubles[0].stop
    assert judgement_lines(judgement)[0].startswith("1. STOP, no power: Supply pin against ground")


def test_a_line_on_a_rail_stops_everything_and_comes_first():
    text = measured(LEFT).replace("L11: 0.61", "L11: OL")
    text = text.replace("row R2 rails: ok", "row R2 rails: supply")
    judgement = judged(LEFT, text)
    assert judgement.troubles[0].suspects == (Fault("line-to-supply", ("row R2",)),)
    assert [trouble.stop for trouble in judgement.troubles] == [True, False]


@pytest.mark.parametrize(
    ("volts", "told"),
    [
        ("0.61", None),
        ("0.70", None),  # within 0.1 V of the others
        ("0.72", "where the others are near 0.61 V"),
        ("0.50", "where the others are near 0.61 V"),
        ("0.39", "is low for a silicon diode"),  # FLIR CM174 manual, 5.8: 0.40 to 0.80 V
    ],
)
def test_a_diode_unlike_the_others(volts, told):
    text = measured(LEFT).replace("L23: 0.61", f"L23: {volts}")
    troubles = judged(LEFT, text).troubles
    assert [told in trouble.what for trouble in troubles] == ([True] if told else [])


def test_what_is_open_is_said():
    judgement = judged(LEFT, "look plug: ok\nL11: 0.61\n")
    assert not judgement.clear
    (line, *_) = judgement_lines(judgement)
    assert line.startswith("2 of 79 checks answered; open: look meter, look clippings")


# --- reading answers ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("0.61", ["diode"]), ("0,61 V", ["diode"]), ("612", ["diode"]), (".6", ["diode"]),
        ("OL", ["open"]), ("1", ["open"]), ("0.00", ["closed"]), ("0.003V", ["closed"]),
        ("OL 0.6", ["open", "diode"]), ("0.6/OL", ["diode", "open"]), ("1.2", ["open"]),
        ("beep", ["closed"]),
    ],
)  # fmt: skip
def test_readings_of_a_diode(text, seen):
    check = next(c for c in sheet(SMALL) if c.code == "A1")
    if text.endswith(" V"):
        text = text.replace(" V", "V")
    assert [reading.seen for reading in parse_answer(check, text).readings] == seen


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("A1: 7", '"7" is no reading of a diode range'),
        ("A1: red", '"red" is no reading; write volts, like 0.61, or OL'),
        ("A1: 0.6 0.6 0.6", "write one reading, or two: leads exchanged"),
        ("row Ra rails: 3", "write ok, ground, supply, or both of these"),
        ("column C1: Rx 0", "write the line and its reading, like"),
        ("A7: 0.6", 'there is no check "A7"'),
        ("row Ra rail: ok", 'there is no check "row Ra rail"; did you mean "row Ra rails"?'),
        ("hello", '"hello" is no answer; write it like L11: 0.61'),
    ],
)
def test_answers_that_make_no_sense(line, told):
    with pytest.raises(UsageError) as caught:
        parse_answers(f"look plug: ok\n\n{line}\n", sheet(SMALL), "a.txt")
    assert str(caught.value).startswith("a.txt: line 3: ")
    assert told in str(caught.value)


def test_all_mistakes_at_once_and_remarks_are_none():
    text = "# a remark\nA1: x # mine\nA2: 0.6   # fine\nA9: 0.6\n"
    with pytest.raises(UsageError) as caught:
        parse_answers(text, sheet(SMALL))
    assert [each.split(": ")[1] for each in str(caught.value).splitlines()] == ["line 2", "line 4"]


def test_the_form_is_read_back_as_nothing_and_filled_in_as_answers():
    form = answers_form(LEFT, sheet(LEFT))
    assert parse_answers(form, sheet(LEFT)) == {}
    filled = [f"{line} 0.6" if line in {f"{k}:" for k in LEFT.key} else line
              for line in form.splitlines()]  # fmt: skip
    assert list(parse_answers("\n".join(filled), sheet(LEFT))) == [
        check.code for check in sheet(LEFT) if check.kind == "diode"
    ]


def test_evidence_is_the_meter_readings_in_the_words_of_the_diagnosis():
    checks = sheet(LEFT)
    answers = parse_answers("look plug: ok\nL17: 0.6\nrow R5: R6 0.0\n", checks)
    # L17's leg toward the diode against the pin of its row; PD7 is R5, PE6 is R6.
    told = [(answer.test.code, answer.result) for answer in evidence(answers)]
    assert told == [("L17.1 to PD1", "diode"), ("PD7 to PE6", "closed")]
    circuit = Circuit(LEFT)
    assert [parse_code(circuit, code) for code, _ in told] == [a.test for a in evidence(answers)]


def test_evidence_narrows_a_diagnosis_down():
    # L23 is dead. Pressing alone leaves five look-alikes; before power its leg read OL against the
    # pin of its row, so it is neither the switch nor the joint on the column's side.
    circuit = Circuit(LEFT)
    fault = parse_fault(circuit, "L23 diode-row joint open")
    rest = Observation((), circuit.healthy_rest, (), 0, 1, "rest")
    seen = [rest] + [
        Observation((k,), predict(circuit, [fault], (k,)).as_reading(), (), 0, 1, "sweep")
        for k in LEFT.key
    ]

    def kinds(answers):
        (finding,) = Diagnostician(circuit).diagnose(seen, answers=answers).findings
        return {(m.kind, m.at) for m in finding.members if m.probability > 0.05}

    before = kinds(())
    answers = parse_answers(measured(LEFT, [fault]), sheet(LEFT))
    after = kinds(evidence(answers))
    assert ("open-joint", ("L23 switch-column joint",)) in before - after
    assert ("open-joint", ("L23 diode-row joint",)) in after


# --- pages --------------------------------------------------------------------------------------


def test_the_text_page_has_every_check_and_the_cautions():
    lines = text_page(LEFT, sheet(LEFT))
    text = "\n".join(lines)
    assert max(map(len, lines)) <= 78
    assert "Unplug the cable before measuring" in text and "eye protection" in text
    assert text.count("[ ]") == len(sheet(LEFT))
    for word in ("0.5 to 0.8 V", "no beep", "OL, or more than 1 V"):
        assert word in text


def test_the_html_page_is_self_contained_and_escaped():
    half = LEFT.model_copy(update={"name": "<b>&"})
    checks = sheet(half)
    page = html_page(half, checks, parse_answers("L11: OL\nL12: 0.6\n", checks))
    assert "<b>&" not in page and "&lt;b&gt;&amp;" in page
    for word in ("href", "src=", "url(", "<script", "@import"):
        assert word not in page
    assert page.count("<svg ") == 1
    assert "<b>L11</b> OL <b>!</b>" in page and "<b>L12</b> 0.6 &#10003;" in page
