"""keydiag virtual: a half that is not there, on a pseudo-terminal, for any serial client."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from keydiag.errors import UsageError

if TYPE_CHECKING:
    from keydiag.circuit import Circuit

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
    parser.add_argument(
        "--loose",
        action="append",
        default=[],
        metavar="PLACE",
        help="a place that lets go now and then while a key is held: a key (its switch), a joint, "
        "stretch or lead; may be given several times",
    )
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="of contact bounce")
    parser.add_argument(
        "--script",
        choices=("sweep",),
        help="sweep: press every key once, as soon as a client begins to read",
    )
    parser.set_defaults(run=run)


def place_of(circuit: Circuit, place: str) -> str:
    """The address that --loose means; UsageError if there is none."""
    if place in circuit.parts:
        return f"{place} switch"
    inside = {each for parts in circuit.parts.values() for each in parts.in_series}
    if place in inside or place in circuit.line_of_piece:
        return place
    example = circuit.parts[circuit.keys[0]].column_joint
    raise UsageError(
        f'--loose "{place}": no such place on {circuit.board.name}; name a key, a joint '
        f'("{example}"), a stretch or a lead'
    )


def run(args: argparse.Namespace) -> int:
    """Serve until interrupted."""
    from keydiag import board
    from keydiag.circuit import Circuit
    from keydiag.faults import parse_fault
    from keydiag.sources.hands import HandScript
    from keydiag.sources.served import serve
    from keydiag.sources.virtual_half import VirtualHalf

    circuit = Circuit(board.load(args.board))
    faults = [parse_fault(circuit, words) for words in args.fault]
    loose = [place_of(circuit, place) for place in args.loose]
    half = VirtualHalf(circuit, faults, cold=loose, seed=args.seed)
    script = HandScript.sweep(circuit.keys, args.seed) if args.script == "sweep" else None
    serve(half, script, commands=sys.stdin, say=lambda line: print(line, flush=True))
    return 0
