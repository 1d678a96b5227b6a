"""keydiag report: everything a journal has to say, to keep with the half."""

from __future__ import annotations

import argparse

from keydiag.cli import common
from keydiag.cli.board_files import add_force, check_new, write_new


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "report",
        help="report on a journal",
        description="Findings, repairs and how every key stands: as text, as one HTML page with "
        'drawings that can be printed, or as JSON. The file "-" is standard output.',
    )
    parser.add_argument("journal", metavar="JOURNAL", help="journal of a test")
    parser.add_argument("-o", metavar="FILE", dest="text", help="write the text into this file")
    parser.add_argument("--html", metavar="FILE", help="write the page into this file")
    parser.add_argument("--json", metavar="FILE", help="write JSON into this file")
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write a report; 0, whatever it says."""
    from keydiag.report import report_lines
    from keydiag.report.history import follow

    for path in (args.text, args.html, args.json):
        if path is not None:  # all or nothing
            check_new(path, args.force)
    journal = common.read_journal(args.journal)
    account = follow(journal)
    if args.html is not None or args.json is not None:
        from keydiag.report.summary import as_json, gather

        report = gather(account, journal.header, journal.path.name)
        if args.html is not None:
            from keydiag.report.html import page

            write_new(args.html, page(report), args.force)
        if args.json is not None:
            write_new(args.json, as_json(report), args.force)
    elif args.text is None:
        args.text = "-"
    if args.text is not None:
        lines = report_lines(account.session, journal.header, str(journal.path))
        write_new(args.text, "\n".join(lines) + "\n", args.force)
    return 0
