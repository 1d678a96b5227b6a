"""keydiag board mirror: the board file of the other half."""

from __future__ import annotations

import argparse

from keydiag.cli.board_files import add_force, check_new, read_file, write_new
from keydiag.errors import UsageError


def add(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the action."""
    parser = actions.add_parser(
        "mirror",
        help="write the board file of the other half",
        description="Writes the mirror image of a half: the same wiring, seen from the other "
        "hand, on a controller of its own. Prints the pins of both.",
    )
    parser.add_argument("board", metavar="IN", help="board file of the one half")
    parser.add_argument("out", metavar="OUT", help='board file to write; "-" prints it')
    parser.add_argument("--name", metavar="TEXT", help="what to call the other half")
    parser.add_argument("--chip", metavar="CHIP", help="chip of the other controller")
    parser.add_argument("--pins", metavar="TABLE", help="pins there: a table of line,pin (CSV)")
    parser.add_argument(
        "--pin",
        metavar="LINE=PIN",
        action="append",
        default=[],
        help="the pin of one line there, e.g. R1=PD4; may be given several times",
    )
    parser.add_argument(
        "--rename", metavar="OLD=NEW", help="beginning of the key names there, e.g. L=K"
    )
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the other half; 0."""
    from keydiag import board
    from keydiag.board.mirrored import other_half, pin_table, pins_from_csv, text_of

    half = board.load(args.board)
    check_new(args.out, args.force)
    pins = pins_from_csv(read_file(args.pins, "the pin table"), args.pins) if args.pins else {}
    pins |= dict(_pair(each, "--pin", "R1=PD4") for each in args.pin)
    rename = _pair(args.rename, "--rename", "L=K") if args.rename else None
    other = other_half(half, name=args.name, chip=args.chip, pins=pins, rename=rename)
    write_new(args.out, text_of(other, half), args.force)
    if args.out != "-":
        print(f"{args.out}: {other.name}, the mirror image of {half.name}, on an {other.chip}.")
        print(f"{'line':<12} {'there':<6} here")
        for line, before, after in pin_table(half, other):
            print(f"{line:<12} {before:<6} {after}{'' if before == after else '  (another)'}")
        print(f"Correct what is different there, then: keydiag board check {args.out}")
    return 0


def _pair(text: str, option: str, example: str) -> tuple[str, str]:
    one, mark, two = (each.strip() for each in text.partition("="))
    if not (one and mark and two):
        raise UsageError(f'{option}: "{text}" makes no sense; write it like {example}')
    return one, two
