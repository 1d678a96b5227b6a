"""keydiag board new: a first board file from options, from questions, or from a table of keys."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from keydiag.cli.board_files import add_force, read_file, write_new
from keydiag.errors import UsageError

if TYPE_CHECKING:
    from keydiag.board.new import Plan


def add(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the action."""
    parser = actions.add_parser(
        "new",
        help="write a first board file",
        description="Writes a first, commented board file: from rows and columns, or from a table "
        "of keys (--csv). Without either, on a terminal, it asks a few questions.",
        epilog='example: keydiag board new left.toml --name "Bramblewick left" --rows 5 '
        "--columns 7 --stagger 8,8,3,0,2.5,5,5 --thumbs 0,12,24",
    )
    parser.add_argument("out", metavar="OUT", nargs="?", help='board file to write; "-" prints it')
    parser.add_argument(
        "--csv",
        metavar="TABLE",
        help="table of keys: key,x,y,row,column and, if wanted, turn,width,height,legend,order,"
        "row_order,column_order,row_pin,column_pin",
    )
    add_plan_options(parser)
    add_force(parser)
    parser.set_defaults(run=run)


def add_plan_options(parser: argparse.ArgumentParser) -> None:
    """The options that describe a half."""
    numbers, names = _numbers, _names
    text = dict(metavar="TEXT")
    for option, more in (
        ("--name", {**text, "help": "what you call this half"}),
        ("--rows", {"type": int, "metavar": "N", "help": "rows, without the thumb keys"}),
        ("--columns", {"type": int, "metavar": "N", "help": "columns"}),
        (
            "--stagger",
            {"type": numbers, "metavar": "MM,..", "help": "shift down of each column, in mm"},
        ),
        (
            "--thumbs",
            {"type": numbers, "metavar": "DEG,..", "help": "turn of each thumb key, clockwise"},
        ),
        ("--thumb-column", {"type": int, "metavar": "N", "help": "column of the first thumb key"}),
        ("--pitch", {"type": float, "metavar": "MM", "help": "between keys (default 19.05)"}),
        ("--chip", {**text, "help": "controller chip (default atmega32u4)"}),
        ("--cathode-at", {"choices": ("row", "column"), "help": "where the dark bands look to"}),
        ("--diode-side", {"choices": ("row", "column"), "help": "side the diodes sit on"}),
        ("--prefix", {**text, "help": "beginning of the key names (default L)"}),
        ("--lead", {"choices": ("left", "right"), "help": "end of the rows their leads arrive at"}),
        ("--row-pins", {"type": names, "metavar": "PIN,..", "help": "ports of the rows"}),
        ("--column-pins", {"type": names, "metavar": "PIN,..", "help": "ports of the columns"}),
        (
            "--controller",
            {"type": numbers, "metavar": "X,Y", "help": "centre of the controller, in mm"},
        ),
    ):
        parser.add_argument(option, **more)


def _numbers(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(each) for each in text.replace(";", ",").split(",") if each.strip())
    except ValueError as error:
        raise argparse.ArgumentTypeError(f'"{text}" is no list of numbers, like 8,8,3') from error


def _names(text: str) -> tuple[str, ...]:
    return tuple(each.strip() for each in text.replace(";", ",").split(",") if each.strip())


def plan_of(args: argparse.Namespace, default_name: str) -> Plan:
    """The plan that the options describe."""
    from keydiag.board.new import Plan

    given: dict[str, Any] = {
        name: getattr(args, name)
        for name in (
            "rows columns stagger thumbs thumb_column pitch chip cathode_at diode_side prefix "
            "lead row_pins column_pins controller"
        ).split()
        if getattr(args, name) is not None
    }
    place = given.get("controller")
    if place is not None and len(place) != 2:
        raise UsageError(f"controller: {len(place)} figures; give x,y in mm")
    return Plan(**{"name": args.name or default_name, "rows": 0, "columns": 0, **given})


def run(args: argparse.Namespace) -> int:
    """Write a board file; 0."""
    from keydiag import board
    from keydiag.board.new import new_board
    from keydiag.board.table import from_csv

    if args.csv is not None:
        if args.rows is not None or args.columns is not None:
            raise UsageError("--csv: the table says the rows and columns; leave those options out")
        table = read_file(args.csv, "the table")
        text = from_csv(table, plan_of(args, "My half"), args.csv)
        out = args.out or "-"
    elif args.rows is not None and args.columns is not None:
        text, out = new_board(plan_of(args, "My half")), args.out or "-"
    elif args.rows is not None or args.columns is not None:
        raise UsageError("give both --rows and --columns")
    elif sys.stdin.isatty() and sys.stderr.isatty():
        from keydiag.cli.board_ask import ask

        plan, out = ask(plan_of(args, ""), args.out, args.force)
        text = new_board(plan)
    else:
        raise UsageError("give --rows and --columns, or --csv TABLE; on a terminal it would ask")
    write_new(out, text, args.force)
    if out != "-":
        half = board.loads(text, out)
        say_written(half, out)
    return 0


def say_written(half: Any, out: str) -> None:
    """What was written, its pins, and what comes next."""
    print(
        f"{out}: {half.name}: {len(half.key)} keys, {len(half.row)} rows and {len(half.column)} "
        f"columns on an {half.chip}."
    )
    for kind, group in (("Rows", half.row), ("Columns", half.column)):
        print(f"{kind}: {', '.join(f'{name} on {line.pin}' for name, line in group.items())}.")
    print("Correct pins and paths in the file where your wires go another way, then:")
    print(f"  keydiag board check {out}")
    print(f"  keydiag board draw {out}")
