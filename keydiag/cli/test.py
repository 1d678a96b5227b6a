"""keydiag test: rest check, sweep and findings of the half on the bench."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from keydiag.cli import common

if TYPE_CHECKING:
    from keydiag.bench import Bench
    from keydiag.screen.curtain import Say


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "test",
        help="test the half that is plugged in",
        description="Rest check, sweep, findings: plug the probe in and press every key once.",
    )
    parser.add_argument("board", metavar="BOARD", help="board file of the half")
    common.add_bench_options(parser, port=True)
    parser.add_argument(
        "--journal",
        metavar="FILE",
        help="where to keep the journal (default: a new file in the user's state directory)",
    )
    parser.add_argument(
        "--all-pins",
        action="store_true",
        help="watch the chip's free pins too, to find leads on wrong pins",
    )
    parser.add_argument(
        "--priors",
        metavar="FILE",
        help="TOML file with your own figures of how likely faults are (keydiag priors); they go "
        "into the journal",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Test a half; the exit status."""
    if common.wants_plain(args):
        return common.run_plain(*_make(args, lambda _: None), args)
    return common.run_screen(lambda say: _make(args, say), args.board, args)


def _make(args: argparse.Namespace, say: Say) -> tuple[Bench, str]:
    """A bench with the half on the port on it, and its journal."""
    from keydiag import board
    from keydiag.bench import Bench, check_idle
    from keydiag.chips import chips
    from keydiag.faults.priors import load_table, own_figures
    from keydiag.session import Session

    check_idle(args.idle)
    half = board.load(args.board)
    text = common.read_text(args.board)
    extra: tuple[str, ...] = ()
    if args.all_pins:
        lines = {line.pin for line in (*half.row.values(), *half.column.values())}
        extra = tuple(port for port in chips()[half.chip].ports if port not in lines)
    table = None
    header: dict[str, Any] = {"extra_pins": list(extra)}
    if args.priors is not None:
        table = load_table(args.priors)
        header["priors"] = own_figures(table)
    session = Session(half, extra, table)
    say(common.looking_for(args.port))
    source, hi = common.open_port(args.port, session.circuit)
    try:
        writer = common.begin_journal(args.journal, half.name, text, **header)
    except BaseException:
        source.close()
        raise
    bench = Bench(session, source, writer, hi=hi, port=source.device, idle_s=args.idle)
    return bench, str(writer.path)
