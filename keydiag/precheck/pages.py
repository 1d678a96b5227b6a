"""The sheet and the judgement as pages: plain text, a form to fill in, and HTML to print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from itertools import groupby
from textwrap import wrap

from keydiag.board import Board
from keydiag.diagnosis.words import CAUTIONS_METER, CAUTIONS_SOLDER
from keydiag.drawing.wiring_map import map_svg
from keydiag.faults import describe
from keydiag.precheck.answers import Answer
from keydiag.precheck.judge import Judgement
from keydiag.precheck.sheet import SECTIONS, Check

WIDTH = 78
CAUTIONS = (*CAUTIONS_METER, *CAUTIONS_SOLDER)
TITLE = "before power"


def text_page(
    board: Board, checks: Sequence[Check], answers: Mapping[str, Answer] | None = None
) -> list[str]:
    """The whole sheet as lines of text, with boxes to tick or what was answered."""
    answers = answers or {}
    lines = [f"{board.name}: {TITLE}", ""]
    lines += [line for each in CAUTIONS for line in _hang("! ", each)]
    for section, group in groupby(checks, key=lambda check: check.section):
        title, how = SECTIONS[section]
        lines += ["", title, "-" * len(title), *wrap(how, WIDTH), ""]
        for where, several in groupby(group, key=_clip):
            if where:
                lines += [*([""] if lines[-1] else []), *_hang("", where)]
            for check in several:
                lines += _entry(check, answers.get(check.code), bool(where))
    return lines


def _entry(check: Check, answer: Answer | None, short: bool) -> list[str]:
    said = answer.text if answer else "______"
    if short:  # a diode: the line above says where the leads go
        return [f"  [{_tick(answer)}] {check.code:<8} {said}"]
    text = f"{check.what}: {check.expect}."
    return [*_hang(f"[{_tick(answer)}] ", text), f"    {check.code}: {said}"]


def _clip(check: Check) -> str:
    """For diodes, which are many: where one lead stays, and what to expect."""
    if check.kind != "diode":
        return ""
    where, _, touch = check.what.partition(", ")
    return f"{where}; {touch.split(' on ')[0]} on the leg of each: {check.expect}"


def _tick(answer: Answer | None) -> str:
    if answer is None:
        return " "
    return "x" if answer.good else "!"


def _hang(start: str, text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=start, subsequent_indent=" " * len(start))


def answers_form(board: Board, checks: Sequence[Check]) -> str:
    """A file to write the answers into."""
    lines = [
        f"# {board.name}, {TITLE}: what was seen.",
        "# Leave empty what was not done; everything after # is a remark. For example:",
        "# look plug: ok     row R1 rails: ground     column C1: R2 0.00     L11: 0.61     L12: OL",
    ]
    for section, group in groupby(checks, key=lambda check: check.section):
        lines += ["", f"# {SECTIONS[section][0]}"]
        for check in group:
            if check.kind != "diode":
                lines.append(f"# {check.what}: {check.expect}")
            lines.append(f"{check.code}:")
    return "\n".join(lines) + "\n"


def judgement_lines(judgement: Judgement) -> list[str]:
    """What the answers say, in words."""
    lines: list[str] = []
    for number, trouble in enumerate(judgement.troubles, start=1):
        stop = "STOP, no power: " if trouble.stop else ""
        lines += _hang(f"{number}. ", f"{stop}{trouble.what}.")
        if len(trouble.suspects) > 1:
            lines += _hang("   ", f"Could be: {'; '.join(map(describe, trouble.suspects))}.")
        lines += _hang("   ", f"Do: {trouble.do}")
    if judgement.troubles:
        lines += ["", *_hang("", "Measure again what was mended before you plug anything in.")]
    count = judgement.answered + len(judgement.open)
    if judgement.open:
        some = ", ".join(judgement.open[:8]) + (", ..." if len(judgement.open) > 8 else "")
        lines += _hang("", f"{judgement.answered} of {count} checks answered; open: {some}.")
    elif not judgement.troubles:
        lines += _hang("", f"All {count} checks are as they should be: power may be put on.")
    return lines


# --- HTML ---------------------------------------------------------------------------------------

_STYLE = """
body { font: 11pt/1.35 Helvetica, Arial, sans-serif; color: #1a1a1a; margin: 14mm; }
h1 { font-size: 18pt; margin: 0 0 2mm; } h2 { font-size: 13pt; margin: 6mm 0 1mm; }
p { margin: 1mm 0 2mm; } ul.caution { border: 0.6mm solid #D55E00; padding: 2mm 2mm 2mm 8mm; }
table { border-collapse: collapse; width: 100%; } td { border: 0.2mm solid #888; padding: 1mm 2mm; }
td.box { width: 5mm; } td.code { white-space: nowrap; font-weight: bold; }
td.said { width: 42mm; } tr.clip td { background: #eee; } tr { break-inside: avoid; }
span.cell { display: inline-block; width: 34mm; border-bottom: 0.2mm solid #888; margin: 1mm; }
div.map { break-before: page; } svg { max-width: 100%; height: auto; }
@media print { body { margin: 0; } svg { max-width: none; } }
"""


def html_page(
    board: Board, checks: Sequence[Check], answers: Mapping[str, Answer] | None = None
) -> str:
    """The sheet as a self-contained HTML page to print, with the wiring map behind it."""
    answers = answers or {}
    out = [
        "<!doctype html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{_text(board.name)}: {TITLE}</title>',
        f"<style>{_STYLE}</style></head><body>",
        f"<h1>{_text(board.name)}: {TITLE}</h1>",
        "<ul class=caution>" + "".join(f"<li>{_text(each)}</li>" for each in CAUTIONS) + "</ul>",
    ]
    for section, group in groupby(checks, key=lambda check: check.section):
        title, how = SECTIONS[section]
        out += [f"<h2>{_text(title)}</h2><p>{_text(how)}</p>", "<table>"]
        for where, several in groupby(group, key=_clip):
            if where:
                cells = "".join(_cell(check, answers.get(check.code)) for check in several)
                out.append(f"<tr class=clip><td>{_text(where)}</td></tr><tr><td>{cells}</td></tr>")
            else:
                out += [_row(check, answers.get(check.code)) for check in several]
        out.append("</table>")
    out += [f"<div class=map>{map_svg(board, 'solder')}</div>", "</body></html>"]
    return "\n".join(out) + "\n"


def _row(check: Check, answer: Answer | None) -> str:
    said = _text(answer.text) if answer else ""
    return (
        f"<tr><td class=box>{_mark(answer)}</td><td class=code>{_text(check.code)}</td>"
        f"<td>{_text(check.what)}: <i>{_text(check.expect)}</i></td>"
        f"<td class=said>{said}</td></tr>"
    )


def _cell(check: Check, answer: Answer | None) -> str:
    said = _text(answer.text) if answer else ""
    return f"<span class=cell><b>{_text(check.code)}</b> {said} {_mark(answer)}</span>"


def _mark(answer: Answer | None) -> str:
    return {" ": "", "x": "&#10003;", "!": "<b>!</b>"}[_tick(answer)]


def _text(text: str) -> str:
    return escape("".join(c if c.isprintable() else "\ufffd" for c in text))
