"""keydiag report: everything a journal has to say, to keep with the half."""

from __future__ import annotations

import argparse

from keydiag.cli import common


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "report",
        help="report on a journal",
        description="Findings, repairs and how every key stands, as text.",
    )
    parser.add_argument("journal", metavar="JOURNAL", help="journal of a test")
    parser.add_argument("-o", metavar="FILE", dest="output", help="write it into this file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write a report; 0, whatever it says."""
    from keydiag.report import report_lines
    from keydiag.session import replay

    journal = common.read_journal(args.journal)
    lines = report_lines(replay(journal), journal.header, str(journal.path))
    if args.output is not None:
        common.write_text(args.output, lines)
    else:
        print("\n".join(lines))
    return 0
