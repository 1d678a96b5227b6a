"""The report as plain text: findings in words, how every key stands, what became of repairs.

Here: pure functions from a session or a diagnosis to lines of text, each fit for a screen reader:
no codes, no drawing, no columns. Not here: pictures (drawing/), what is printed while the work
goes on (plain.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import groupby
from textwrap import wrap
from typing import Any

from keydiag.diagnosis import CannotJudge, Diagnosis, Finding, NextTest
from keydiag.diagnosis.words import CUT_SHORT, list_words
from keydiag.session import KeyStatus, Session, missing, not_proven, proven
from keydiag.session.say import percent

__all__ = [
    "diagnosis_lines",
    "finding_lines",
    "percent",
    "report_lines",
    "signoff_lines",
    "verdict",
]

WIDTH = 78  # characters a line: fits a terminal of 80 columns
MOST_OUTCOMES = 4
MOST_SEEN = 2  # sentences of evidence; --json has them all

_STATUS: dict[KeyStatus, str] = {
    "good": "answer as wired",
    "odd": "answer, but not as wired",
    "silent": "gave no sign",
    "unsure": "are not clear yet",
    "hidden": "cannot be judged before a repair",
    "waiting": "were not pressed",
    "next": "were not pressed",
}


def diagnosis_lines(diagnosis: Diagnosis) -> list[str]:
    """A diagnosis in words: findings, what cannot be judged, what is missing, the verdict."""
    lines: list[str] = []
    for number, finding in enumerate(diagnosis.findings, start=1):
        lines += ["", *finding_lines(finding, number)]
    cautions = dict.fromkeys(c for finding in diagnosis.findings for c in finding.cautions)
    if cautions:
        lines += ["", "Before you touch anything:"]
        lines += [line for caution in cautions for line in _text(caution, "  - ", "    ")]
    for until, keys in _masked(diagnosis.cannot_judge):
        verb = "cannot be judged before this is mended"
        lines += ["", *_text(f"{list_words(keys, 60)} {verb}: {list_words(until)}.")]
    if diagnosis.cut_short:
        lines += ["", *_text(CUT_SHORT)]
    if diagnosis.fickle:
        lines += ["", *_text(f"Not the same on two presses: {list_words(diagnosis.fickle)}.")]
    lines += ["", *_text(verdict(diagnosis))]
    return lines[1:] if lines[0] == "" else lines


def verdict(diagnosis: Diagnosis) -> str:
    """The verdict in one or two sentences."""
    if diagnosis.verdict == "pass":
        return "Verdict: pass. Every key answers as wired, and nothing else conducts."
    missing = []
    if diagnosis.not_pressed:
        was = "was" if len(diagnosis.not_pressed) == 1 else "were"
        keys = list_words(diagnosis.not_pressed, 60)
        missing.append(f"{keys} {was} not pressed, or gave no sign.")
    if diagnosis.press_again:
        missing.append(f"Press once more, to be sure: {list_words(diagnosis.press_again, 60)}.")
    many = len(diagnosis.findings)
    if diagnosis.verdict == "faults":
        said = f"Verdict: faults, {many} finding{'s' * (many != 1)}."
        return " ".join([said, *missing])
    if diagnosis.findings:
        missing.append("No finding is more likely than not.")
    return " ".join(["Verdict: incomplete.", *(missing or ["The rest reading is missing."])])


def signoff_lines(session: Session) -> list[str]:
    """What is missing for the sign-off, or what it rests on and what it does not say."""
    if not session.signed_off:
        return _points("Not signed off. Missing:", missing(session, session.diagnose_now()))
    return [
        *_points("Signed off. Proven:", proven(session)),
        *_points("Not proven:", not_proven(session)),
    ]


def finding_lines(finding: Finding, number: int) -> list[str]:
    """One finding: what, how sure, what was seen, what to do, what to press afterwards."""
    lines = _text(f"{number}. {finding.title} ({percent(finding.probability)})", "", "   ")
    lines += _item("Seen", " ".join(_shortened(finding.evidence)))
    first = finding.evidence[0] if finding.evidence else ""
    lines += _item("Meaning", finding.explanation.removeprefix(first).strip())
    if len(finding.members) > 1:
        places = [f"{member.words}, {percent(member.probability)}" for member in finding.members]
        lines += _item("Best first", "; ".join(places) + ".")
    lines += _item("Repair", finding.repair)
    for test in finding.next_tests[:1]:
        lines += _item("To narrow it down", _test(test))
    if finding.retest:
        lines += _item("Press afterwards", f"{list_words(finding.retest, 60)}.")
    return lines


def _shortened(evidence: tuple[str, ...]) -> list[str]:
    left = len(evidence) - MOST_SEEN
    if left < 2:
        return list(evidence)
    return [*evidence[:MOST_SEEN], "Other presses agree."]


def _test(test: NextTest) -> str:
    outcomes = [
        f"{outcome.answer}: {list_words(outcome.means, 3, 'or')}"
        for outcome in test.outcomes[:MOST_OUTCOMES]
    ]
    return f"{test.what}. If {'. If '.join(outcomes)}."


def _masked(masked: Iterable[CannotJudge]) -> list[tuple[tuple[str, ...], list[str]]]:
    """The hidden keys by what hides them."""
    found: dict[tuple[str, ...], list[str]] = {}
    for each in masked:
        found.setdefault(each.until, []).append(each.key)
    return list(found.items())


def report_lines(session: Session, header: Mapping[str, Any], source: str) -> list[str]:
    """The whole report on a session; `header` is its journal's, `source` that journal's name."""
    circuit, diagnosis = session.circuit, session.diagnose_now()
    rows, columns = len(circuit.rows), len(circuit.columns)
    lines = [
        f"Report on {session.board.name}",
        f"{len(circuit.keys)} keys, {rows} rows, {columns} columns, {session.board.chip}.",
        f"Journal: {source}",
    ]
    if "begun" in header:
        lines.append(f"Begun: {header['begun']}")
    if "keydiag" in header:
        lines.append(f"Written by: keydiag {header['keydiag']}")
    lines += ["", *diagnosis_lines(diagnosis), "", *signoff_lines(session), "", "Keys"]
    by_status = sorted(session.statuses().items(), key=lambda item: list(_STATUS).index(item[1]))
    for status, group in groupby(by_status, key=lambda item: item[1]):
        keys = [key for key, _ in group]
        what = _STATUS[status].capitalize()
        lines += _text(f"{what} ({len(keys)}): {', '.join(keys)}", "", "  ")
    if session.repairs:
        lines += ["", "Repairs"]
        lines += [line for repair in session.repairs for line in _text(str(repair), "", "  ")]
    return lines


def _points(heading: str, sentences: Iterable[str]) -> list[str]:
    return [heading, *(line for each in sentences for line in _text(each, "  - ", "    "))]


def _item(name: str, text: str) -> list[str]:
    return _text(f"{name}: {text}", "   ", "     ")


def _text(text: str, first: str = "", then: str = "") -> list[str]:
    return wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )
