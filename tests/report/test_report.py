"""Findings and reports in words: what must be there, and that they can be read aloud."""

from __future__ import annotations

import pytest

from keydiag import board
from keydiag.board import example
from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnosis, Diagnostician
from keydiag.faults import parse_fault, predict
from keydiag.observe import Observation
from keydiag.plain import Plain
from keydiag.report import diagnosis_lines, percent, report_lines
from keydiag.session import Session

LEFT = example("bramblewick-left")
CIRCUIT = Circuit(LEFT)
ENGINE = Diagnostician(CIRCUIT)


def diagnosis(*faults: str, without: tuple[str, ...] = ()) -> Diagnosis:
    parsed = [parse_fault(CIRCUIT, words) for words in faults]
    frames = [(), *((key,) for key in CIRCUIT.keys if key not in without)]
    return ENGINE.diagnose(
        [
            Observation(held, predict(CIRCUIT, parsed, held).as_reading(), (), n, 50, "sweep")
            for n, held in enumerate(frames)
        ]
    )


@pytest.mark.parametrize(("probability", "said"), [
    (1.0, "over 99 %"), (0.991, "over 99 %"), (0.99, "99 %"), (0.5, "50 %"), (0.014, "1 %"),
    (0.009, "under 1 %"), (0.0, "under 1 %"),
])  # fmt: skip
def test_nothing_is_said_to_be_certain(probability, said):
    assert percent(probability) == said


def test_a_sound_half_passes_in_one_line():
    assert diagnosis_lines(diagnosis()) == [
        "Verdict: pass. Every key answers as wired, and nothing else conducts."
    ]


def test_a_finding_says_what_where_why_and_what_to_do():
    text = "\n".join(diagnosis_lines(diagnosis("L23 diode reversed")))
    for part in ("1. L23 diode reversed (over 99 %)", "Seen: ", "Meaning: ", "Repair: Unsolder",
                 "Press afterwards: ", "Before you touch anything:", "eye protection",
                 "Verdict: faults, 1 finding."):  # fmt: skip
        assert part in text
    assert "Best first" not in text  # one place only


def test_look_alikes_come_with_their_order_and_what_tells_them_apart():
    text = " ".join(" ".join(diagnosis_lines(diagnosis("L23 switch dead"))).split())
    assert "Best first: L23 " in text and "To narrow it down: " in text
    assert "L23 switch dead, " in text


def test_hidden_keys_are_grouped_by_what_hides_them():
    text = " ".join(diagnosis_lines(diagnosis("row R4 broken between L44 and L43")))
    hidden = "L41, L42 and L43 cannot be judged before this is mended: row R4 between L44 and L43."
    assert hidden in text


def test_cautions_are_said_once_however_many_findings_there_are():
    lines = diagnosis_lines(diagnosis("L23 diode reversed", "L11 diode reversed"))
    assert sum("eye protection" in line for line in lines) == 1


def test_what_is_missing_is_named():
    text = " ".join(diagnosis_lines(diagnosis(without=("L14", "L66"))))
    assert text == "Verdict: incomplete. L14 and L66 were not pressed, or gave no sign."


@pytest.mark.parametrize("faults", [
    (), ("L23 diode reversed",), ("row R2 bridged to column C5",), ("row R3 shorted to ground",),
    ("L23 switch dead", "L46 node bridged to L56 node", "row R6 lead open"),
])  # fmt: skip
def test_lines_fit_a_terminal_and_carry_no_codes(faults):
    for line in diagnosis_lines(diagnosis(*faults)):
        assert len(line) <= 80 and line.isprintable()


def test_the_report_tells_of_every_key_exactly_once():
    session = Session(LEFT)
    lines = report_lines(session, {"begun": "yesterday", "keydiag": "0"}, "j.jsonl")
    keys = " ".join(lines[lines.index("Keys") :])  # what comes before names them too
    for key in CIRCUIT.keys:
        assert keys.count(key) == 1
    assert "Journal: j.jsonl" in lines and "Begun: yesterday" in lines


def test_the_text_says_what_is_missing_for_the_sign_off():
    lines = report_lines(Session(LEFT), {}, "j.jsonl")
    missing = " ".join(lines[lines.index("Not signed off. Missing:") : lines.index("Keys")]).split()
    for part in ("Rest check: not made yet.", "Sweep: 41 of 41 keys have not answered as wired",
                 "Chord check: to be made after the clean sweep."):  # fmt: skip
        assert part in " ".join(missing)
    assert max(map(len, lines)) <= 80


def test_plain_says_each_note_once_and_the_prompt_with_it():
    said: list[str] = []
    session = Session(board.example("bramblewick-left"))
    plain = Plain(said.append)
    plain.begin(session, "j.jsonl")
    plain.watch(session)
    assert said[0] == "Bramblewick left: 41 keys, 6 rows and 7 columns on an atmega32u4."
    assert said[1] == "Journal: j.jsonl" and said[-1] == "Plug the probe in."
    session.apply({"kind": "hello", "chip": "atmega32u4", "build": "t", "port": "P"})
    plain.watch(session)
    plain.watch(session)
    assert said[-1] == (
        "Probe found on P: atmega32u4, build t. Leave every key alone for a moment: the rest check."
    )
    assert len(said) == 5
