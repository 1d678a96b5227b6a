"""keydiag board pins: the map of keys, pins and diodes, as a file says or as a test proved it."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from keydiag.cli.board_files import add_force, read_file, write_new

if TYPE_CHECKING:
    from keydiag.session import Session


def add(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the action."""
    parser = actions.add_parser(
        "pins",
        help="print the map of keys, pins and diodes",
        description="Says for every key which two pins it closes and which way the current flows, "
        "as CSV or JSON. From the journal of a test it also says of every key whether that was "
        "proven, and ends with status 1 if it was not for all of them.",
    )
    parser.add_argument("file", metavar="FILE|JOURNAL", help="board file, or journal of a test")
    parser.add_argument("--format", choices=("csv", "json"), default="csv", help="default csv")
    parser.add_argument("-o", metavar="FILE", dest="out", default="-", help="write it here")
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the map; 1 if a test did not prove all of it."""
    from keydiag import board
    from keydiag.board.pins import as_csv, as_json, pin_map

    status = 0
    if read_file(args.file, "the board file or journal").lstrip().startswith("{"):
        from keydiag.cli import common
        from keydiag.session import replay

        session = replay(common.read_journal(args.file))
        table, status = _proven(session)
    else:
        table = pin_map(board.load(args.file))
    write_new(args.out, (as_json if args.format == "json" else as_csv)(table), args.force)
    return status


def _proven(session: Session) -> tuple[dict[str, Any], int]:
    """The map with what the test proved, and the exit status; says what is not proven."""
    from keydiag.board.pins import pin_map
    from keydiag.diagnosis.words import list_words

    diagnosis = session.diagnose_now()
    doubted = {*diagnosis.press_again, *diagnosis.not_pressed}
    doubted |= {each.key for each in diagnosis.cannot_judge}
    for finding in diagnosis.findings:  # what a repair may change is not proven before it
        doubted |= {*finding.retest}
    proven = {
        key: status == "good" and key not in doubted for key, status in session.statuses().items()
    }
    table = pin_map(session.board, proven, diagnosis.verdict)
    if diagnosis.verdict == "pass" and all(proven.values()):
        return table, 0
    missing = [key for key, is_proven in proven.items() if not is_proven]
    said = f"{len(proven) - len(missing)} of {len(proven)} keys are proven"
    if missing:
        said += f", not {list_words(missing, 10)}"
    print(f"keydiag: {said}; the verdict of the test: {diagnosis.verdict}", file=sys.stderr)
    return table, 1
