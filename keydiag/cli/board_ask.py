"""The questions of keydiag board new, asked on a terminal one after the other.

Every question has a default, and a wrong answer is told and asked for again.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from keydiag.board.new import Plan, check_plan
from keydiag.chips import chips
from keydiag.cli.board_files import check_new
from keydiag.errors import UsageError


class _Question(NamedTuple):
    field: str
    words: str
    default: Callable[[Plan], str]
    read: Callable[[str], Any]


def ask(plan: Plan, out: str | None, force: bool) -> tuple[Plan, str]:
    """Fill a plan by asking, starting from what is known; the plan and the file to write.

    UsageError if the input ends before the last answer.
    """
    _say("A new board file. Enter takes what stands in brackets; Ctrl-C stops.")
    for question in _QUESTIONS:
        plan = _put(question, plan)
    default = out or _file_name(plan.name)
    while True:
        file = _answer(f"File to write [{default}]: ") or default
        try:
            check_new(file, force)
            return plan, file
        except UsageError as error:
            _say(f"  {error}")
            default = out or default


def _put(question: _Question, plan: Plan) -> Plan:
    default = question.default(plan)
    while True:
        text = _answer(f"{question.words} [{default}]: ") or default
        try:
            wanted = replace(plan, **{question.field: question.read(text)})
            if wanted.rows and wanted.columns:
                check_plan(wanted)
            return wanted
        except (UsageError, ValueError) as error:
            _say(f"  {error}")


def _answer(prompt: str) -> str:
    print(prompt, end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise UsageError("the answers ended early; nothing was written")
    return line.strip()


def _say(line: str) -> None:
    print(line, file=sys.stderr)


def _file_name(name: str) -> str:
    words = "".join(c if c.isalnum() else " " for c in name.lower()).split()
    stem = "-".join(words) or "half"
    number, file = 1, f"{stem}.toml"
    while Path(file).exists():
        number += 1
        file = f"{stem}-{number}.toml"
    return file


# --- reading answers ----------------------------------------------------------------------------


def _name(text: str) -> str:
    if not text.isprintable():
        raise ValueError("write it with printable letters")
    return text


def _count(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 30:
        raise ValueError("give a whole number, 1 to 30")
    return int(text)


def _figures(text: str) -> tuple[float, ...]:
    if text.lower() in ("none", "no", "0"):
        return ()
    try:
        return tuple(float(each) for each in text.replace(",", " ").replace(";", " ").split())
    except ValueError as error:
        raise ValueError("give numbers, like 8 8 3 0 2.5, or none") from error


def _one_of(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        found = [word for word in words if word.startswith(text.lower())]
        if len(found) != 1:
            raise ValueError(f"give one of {', '.join(words)}")
        return found[0]

    return read


def _pitch(text: str) -> float:
    try:
        return float(text)
    except ValueError as error:
        raise ValueError("give a number of millimetres, like 19.05") from error


def _is_right(plan: Plan) -> bool:
    return "right" in plan.name.lower().split()


_QUESTIONS = (
    _Question("name", "What do you call this half?", lambda p: p.name or "My half left", _name),
    _Question("rows", "Rows, without the thumb keys", lambda p: str(p.rows or 5), _count),
    _Question("columns", "Columns", lambda p: str(p.columns or 6), _count),
    _Question(
        "stagger",
        "Shift of each column down, in mm, from the left as seen from the top",
        lambda p: " ".join(f"{each:g}" for each in p.stagger) or "none",
        _figures,
    ),
    _Question(
        "thumbs",
        "Turn of each thumb key, in degrees clockwise, from the left",
        lambda p: " ".join(f"{each:g}" for each in p.thumbs) or "none",
        _figures,
    ),
    _Question("pitch", "From key to key, in mm", lambda p: f"{p.pitch:g}", _pitch),
    _Question(
        "chip", f"Controller chip ({', '.join(chips())})", lambda p: p.chip, _one_of(*chips())
    ),
    _Question(
        "cathode_at",
        "The dark band of every diode looks to its wire of the (row or column)",
        lambda p: p.cathode_at,
        _one_of("row", "column"),
    ),
    _Question(
        "diode_side",
        "The diode sits between the switch and its (row or column)",
        lambda p: p.diode_side,
        _one_of("row", "column"),
    ),
    _Question(
        "lead",
        "The leads of the rows arrive at the (left or right) end, seen from the top",
        lambda p: "left" if _is_right(p) else p.lead,
        _one_of("left", "right"),
    ),
    _Question(
        "prefix",
        "Key names begin with",
        lambda p: "K" if _is_right(p) and p.prefix == "L" else p.prefix,
        _name,
    ),
)
