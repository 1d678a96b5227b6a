"""keydiag demo: the whole job on a virtual half, with hands that do what the prompts say.

The half is virtual, nothing else is: its probe speaks the real protocol, its contacts bounce, and
the session knows its faults only from its readings. When the session says that something is to be
mended, the hands take the fault out of the virtual half if it is among the places named.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from keydiag.cli import common
from keydiag.cli.virtual import HELP_FAULT

if TYPE_CHECKING:
    from keydiag.bench import Bench
    from keydiag.circuit import Circuit
    from keydiag.faults import Fault

# One of each sort that a first build is likely to have; the last one hides behind the break.
FAULTS = (
    "L23 diode reversed",
    "L16 switch-diode joint open",
    "row R1 bridged to column C5",
    "row R4 broken between L44 and L43",
    "L41 diode reversed",
)
DRAWN = (3, 5)  # how many faults a drawn half has, at least and at most
MOST_REWORKS = 8  # so often the hands mend and retest before they give up


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "demo",
        help="the whole job on a virtual half with faults",
        description="A virtual half, Bramblewick left, with a handful of faults, and hands that "
        "press what is asked for and mend what is found, until the half passes. With --json: the "
        "findings before anything is mended.",
    )
    common.add_bench_options(parser, port=False)
    parser.add_argument("--fault", action="append", metavar="WORDS", help=HELP_FAULT)
    parser.add_argument(
        "--seed",
        type=int,
        metavar="N",
        help="of hands and bounce; without --fault, draws the faults too",
    )
    parser.add_argument("--journal", metavar="FILE", help="keep a journal in this file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show the whole job; the exit status."""
    if common.wants_plain(args):
        bench, _ = _make(args, plain=True)
        return _run_plain(bench, args)
    title = "Bramblewick left, a virtual half"
    return common.run_screen(lambda _: _make(args, plain=False), title, args)


def _make(args: argparse.Namespace, plain: bool) -> tuple[Bench, str | None]:
    """A bench with the virtual half on it, and its journal."""
    from keydiag import board
    from keydiag.bench import Bench
    from keydiag.cli.demo_hands import DemoHalf, Hands
    from keydiag.faults import parse_fault
    from keydiag.session import Session

    half_board = board.example("bramblewick-left")
    session = Session(half_board)
    if args.fault is None and args.seed is not None:
        faults = draw(session.circuit, args.seed)
    else:
        faults = [parse_fault(session.circuit, words) for words in args.fault or FAULTS]
    half = DemoHalf(session.circuit, faults, args.seed or 0, "fast" if plain else "real")
    writer = None
    if args.journal is not None:
        writer = common.begin_journal(args.journal, half_board.name, board.dumps(half_board))
    bench = Bench(session, half, writer, port="virtual", idle_s=args.idle)
    bench.watchers.append(Hands(half).follow)
    return bench, args.journal


def _run_plain(bench: Bench, args: argparse.Namespace) -> int:
    """Test, mend and retest until the half is signed off; the status is that of the half as it
    then is.  With --json: the findings of the sweep, unmended, and their status."""
    from keydiag.plain import over

    plain = common.text_output(args)
    session = bench.session
    lines = common.begin_output(bench, plain, args, args.journal)
    bench.watchers.insert(0, plain.watch)  # the hands move when everything was told
    with bench:
        bench.open()
        bench.run(over)
        found = session.diagnose_now()
        plain.end(session)
        if args.json:
            common.print_json(found)
            return common.status_of(found)
        for _ in range(MOST_REWORKS):
            if session.step == "signed-off" or not session.diagnose_now().findings:
                break
            bench.command("rework")
            bench.step(0.0)
            bench.run(over)
            plain.end(session)
    if lines is not None:
        lines.end(session)
    return common.status_of(session.diagnose_now())


def draw(circuit: Circuit, seed: int) -> list[Fault]:
    """A handful of faults, each as likely as the priors say."""
    from random import Random

    from keydiag.faults import enumerate_faults
    from keydiag.faults.priors import Priors

    random, priors = Random(seed), Priors(circuit)
    catalogue = [f for f in enumerate_faults(circuit) if f.kind not in ("wrong-cathode-at",)]
    weights = [priors.probability(fault) for fault in catalogue]
    drawn: list[Fault] = []
    for _ in range(random.randint(*DRAWN)):
        drawn += random.choices(catalogue, weights)
    return list(dict.fromkeys(drawn))
