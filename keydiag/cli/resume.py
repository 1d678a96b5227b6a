"""keydiag resume: go on with a journal where it stopped."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from keydiag.cli import common

if TYPE_CHECKING:
    from keydiag.bench import Bench
    from keydiag.screen.curtain import Say


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "resume",
        help="go on with a journal: the rest of a sweep, or the retest after mending",
        description="Goes on where the journal stopped. In the middle of a sweep: with the keys "
        "that are left. After findings: with the retest of what was mended.",
    )
    parser.add_argument("journal", metavar="JOURNAL", help="journal of an earlier test")
    common.add_bench_options(parser, port=True)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Go on with a journal; the exit status."""
    if common.wants_plain(args):
        return common.run_plain(*_make(args, lambda _: None), args)
    return common.run_screen(lambda say: _make(args, say), args.journal, args)


def _make(args: argparse.Namespace, say: Say) -> tuple[Bench, str]:
    """A bench on which the session goes on, and its journal."""
    from keydiag.bench import Bench, check_idle
    from keydiag.journal import Writer
    from keydiag.session import replay

    check_idle(args.idle)
    say(f"Reading {args.journal}.")
    session = replay(common.read_journal(args.journal))
    say(common.looking_for(args.port))
    source, hi = common.open_port(args.port, session.circuit)
    try:
        writer, _ = Writer.resume(args.journal)
    except BaseException:
        source.close()
        raise
    bench = Bench(session, source, writer, hi=hi, port=source.device, idle_s=args.idle)
    return bench, args.journal
