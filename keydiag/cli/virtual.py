"""keydiag virtual: a half that is not there, on a pseudo-terminal, for any serial client."""

from __future__ import annotations

import argparse
import sys

HELP_FAULT = 'a fault of the half, e.g. "L23 diode reversed"; may be given several times'


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "virtual",
        help="serve a virtual half on a pseudo-terminal",
        description="Serves a virtual half with its probe on a pseudo-terminal and prints the "
        "port to open. Lines on standard input are the hands: press KEY, release KEY, sweep, "
        "reset.",
    )
    parser.add_argument("board", metavar="BOARD", help="board file of the half")
    parser.add_argument("--fault", action="append", default=[], metavar="WORDS", help=HELP_FAULT)
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="of contact bounce")
    parser.add_argument(
        "--script",
        choices=("sweep",),
        help="sweep: press every key once, as soon as a client begins to read",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until interrupted."""
    from keydiag import board
    from keydiag.circuit import Circuit
    from keydiag.faults import parse_fault
    from keydiag.sources.hands import HandScript
    from keydiag.sources.served import serve
    from keydiag.sources.virtual import VirtualHalf

    circuit = Circuit(board.load(args.board))
    faults = [parse_fault(circuit, words) for words in args.fault]
    half = VirtualHalf(circuit, faults, seed=args.seed)
    script = HandScript.sweep(circuit.keys, args.seed) if args.script == "sweep" else None
    serve(half, script, commands=sys.stdin, say=lambda line: print(line, flush=True))
    return 0
