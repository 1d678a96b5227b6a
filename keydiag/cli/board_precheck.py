"""keydiag board precheck: looks and meter checks before power, and what the answers mean."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from keydiag.cli.board_files import add_force, check_new, read_file, write_new
from keydiag.errors import UsageError

if TYPE_CHECKING:
    from keydiag.board import Board
    from keydiag.precheck import Answer, Check


def add(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the action."""
    parser = actions.add_parser(
        "precheck",
        help="what to look at and measure before power",
        description="Prints the sheet of looks and meter checks to make before a half is powered "
        "for the first time. With the answers it says what is not right, where, and what to do; "
        "then it ends with status 1 unless everything was answered and is as it should be.",
    )
    parser.add_argument("file", metavar="FILE", help="board file")
    parser.add_argument("--html", metavar="OUT", help="write the sheet as HTML, to print")
    parser.add_argument("--form", metavar="OUT", help="write a file to fill the answers in")
    parser.add_argument("--answers", metavar="FILE", help="the answers: such a file, filled in")
    parser.add_argument(
        "--ask",
        action="store_true",
        help="ask for every answer that is missing, and add it to the --answers file at once",
    )
    parser.add_argument(
        "--journal",
        metavar="JOURNAL",
        help="add the meter readings to the journal of a test of this half, as evidence",
    )
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the sheet (0), or judge the answers (0 if all is well, else 1)."""
    from keydiag import board
    from keydiag.precheck import (
        answers_form,
        html_page,
        judge,
        judgement_lines,
        parse_answers,
        sheet,
        text_page,
    )

    half = board.load(args.file)
    checks = sheet(half)
    answers: dict[str, Answer] = {}
    for out in (args.html, args.form):
        if out is not None:
            check_new(out, args.force)
    if args.answers is not None and not (args.ask and not Path(args.answers).exists()):
        text = read_file(args.answers, "the answers")
        answers = parse_answers(text, checks, args.answers)
    if args.ask:
        answers |= _ask(checks, answers, args.answers)
    if args.form is not None:
        write_new(args.form, answers_form(half, checks), args.force)
    if args.html is not None:
        write_new(args.html, html_page(half, checks, answers), args.force)
    if args.answers is not None or args.ask:
        judgement = judge(half, checks, answers)
        print("\n".join(judgement_lines(judgement)))
        if args.journal is not None:
            _into_journal(args.journal, half, answers)
        return 0 if judgement.clear else 1
    if args.journal is not None:
        raise UsageError("--journal: there is nothing to add without --answers or --ask")
    written = [out for out in (args.html, args.form) if out is not None]
    if written:
        print(f"written: {', '.join(written)}")
    else:
        print("\n".join(text_page(half, checks)))
    return 0


def _ask(
    checks: tuple[Check, ...], known: dict[str, Answer], path: str | None
) -> dict[str, Answer]:
    """Ask for what is not answered yet; every answer is in the file before the next question."""
    from keydiag.precheck import SECTIONS, parse_answer

    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise UsageError("--ask needs a terminal; or fill in the file that --form writes")
    found: dict[str, Answer] = {}
    section = ""
    _say("Enter leaves a check open, Ctrl-D ends. ok: as it should be.")
    for check in checks:
        if check.code in known:
            continue
        if check.section != section:
            section = check.section
            _say(f"\n{SECTIONS[section][0]}. {SECTIONS[section][1]}")
        while True:
            print(f"{check.what}\n  ({check.expect}) {check.code}: ", end="", file=sys.stderr)
            sys.stderr.flush()
            line = sys.stdin.readline()
            if not line:
                _say("")
                return found
            text = line.split("#", 1)[0].strip()
            if not text:
                break
            try:
                found[check.code] = parse_answer(check, text)
            except ValueError as error:
                _say(f"  {error}")
                continue
            if path is not None:
                _append(path, f"{check.code}: {line.strip()}\n")
            break
    return found


def _into_journal(path: str, half: Board, answers: dict[str, Answer]) -> None:
    """Add the readings to a journal, each once however often this is done."""
    from keydiag import board
    from keydiag.journal import Writer, read
    from keydiag.precheck import evidence

    if board.loads(read(path).board_text, path) != half:
        raise UsageError(f"{path}: is the journal of another half, or of another board file")
    writer, journal = Writer.resume(path)
    known = {(e.get("code"), e.get("value")) for e in journal.events if e["kind"] == "answer"}
    new = [(answer.test.code, answer.result) for answer in evidence(answers)]
    new = [each for each in dict.fromkeys(new) if each not in known]
    with writer:
        for code, value in new:
            writer.event("answer", code=code, value=value)
        writer.sync()
    print(f"{path}: {len(new)} readings added.")


def _append(path: str, line: str) -> None:
    try:
        with open(path, "a", encoding="utf-8") as file:
            file.write(line)
    except OSError as error:
        why = error.strerror or error
        raise UsageError(f"{path}: cannot be written ({why}); give another name") from error


def _say(line: str) -> None:
    print(line, file=sys.stderr)
