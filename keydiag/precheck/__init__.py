"""Before power: the sheet of looks and meter checks of a half, and what the answers mean.

`sheet` says what to look at and where the meter's leads go; `parse_answers` reads what was written
down; `judge` says what is not right, where, and what to do. Not here: asking on a terminal (the
command line), and anything that needs the half to be powered.
"""

from __future__ import annotations

from keydiag.precheck.answers import Answer, MeterReading, evidence, parse_answer, parse_answers
from keydiag.precheck.judge import Judgement, Trouble, judge
from keydiag.precheck.pages import answers_form, html_page, judgement_lines, text_page
from keydiag.precheck.sheet import SECTIONS, Check, sheet

__all__ = [
    "SECTIONS",
    "Answer",
    "Check",
    "Judgement",
    "MeterReading",
    "Trouble",
    "answers_form",
    "evidence",
    "html_page",
    "judge",
    "judgement_lines",
    "parse_answer",
    "parse_answers",
    "sheet",
    "text_page",
]
