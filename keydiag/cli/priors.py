"""keydiag priors: how likely each fault is taken to be, and what past journals say about that."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from keydiag.cli import common
from keydiag.cli.board_files import add_force, check_new, write_new
from keydiag.errors import UsageError

if TYPE_CHECKING:
    from keydiag.report.history import Account


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "priors",
        help="how likely each fault is taken to be, and what your own journals say",
        description="Without a journal: the figures that come with the tool, with their units and "
        "reasons. With journals of halves that were signed off: how the repairs confirmed in them "
        "change the figures. Nothing is changed by itself: -o writes a file to give to test "
        "--priors.",
    )
    parser.add_argument(
        "journals", metavar="JOURNAL", nargs="*", help="journals of signed-off halves"
    )
    parser.add_argument(
        "--priors", metavar="FILE", help="figures to begin with, other than the tool's"
    )
    parser.add_argument("-o", metavar="FILE", dest="out", help="write the changed figures")
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show the figures, or learn from journals; 0."""
    from keydiag.faults.priors import (
        built_in_table,
        built_in_text,
        differences,
        learn,
        load_table,
        write_table,
    )

    if args.out is not None:
        check_new(args.out, args.force)
    table = load_table(args.priors) if args.priors is not None else built_in_table()
    if not args.journals:
        text = built_in_text() if args.priors is None else write_table(table)
        write_new(args.out or "-", text, args.force)
        return 0
    from keydiag.report.hand import count_hand

    accounts = [_signed_off(path) for path in args.journals]
    learned = learn(table, count_hand(accounts))
    for path, account in zip(args.journals, accounts, strict=True):
        print(f"{path}: {_made(account)}")
    changes = differences(table, learned)
    print("\nProbability per place, before and after:" if changes else "\nNothing changes.")
    for line in changes:
        print(f"  {line}")
    if args.out is not None:
        write_new(args.out, write_table(learned), args.force)
        print(f"\nWritten to {args.out}; use it with: keydiag test BOARD --priors {args.out}")
    elif changes:
        print("\n-o FILE writes these figures, to be given to test with --priors.")
    return 0


def _signed_off(path: str) -> Account:
    from keydiag.report.history import follow

    account = follow(common.read_journal(path))
    if not account.session.signed_off:
        raise UsageError(
            f"{path}: this half was not signed off, so nobody knows which of its places are good; "
            "leave it out, or finish it with keydiag resume"
        )
    return account


def _made(account: Account) -> str:
    from keydiag.diagnosis.words import list_words
    from keydiag.faults import describe
    from keydiag.report.hand import confirmed

    repaired = confirmed(account)
    if not repaired:
        return "nothing had to be mended."
    words = [
        describe(fault) if share > 0.99 else f"{describe(fault)} ({share:.0%})"
        for fault, share in sorted(repaired.items(), key=lambda item: -item[1])
    ]
    return f"mended: {list_words(words, 20)}."
