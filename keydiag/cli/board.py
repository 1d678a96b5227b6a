"""keydiag board: work on board files. Each action describes itself in ACTIONS."""

from __future__ import annotations

import argparse
import sys

from keydiag.cli import (
    board_draw,
    board_learn,
    board_mirror,
    board_new,
    board_pins,
    board_precheck,
)


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command and its actions."""
    parser = commands.add_parser(
        "board", help="write, check, draw and learn board files", description="Work on board files."
    )
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    for action in ACTIONS:
        action(actions)


def _add_check(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = actions.add_parser(
        "check",
        help="check a board file",
        description="Says everything that is wrong with a board file, with place and mend, and "
        "warns of what is legal but odd.",
    )
    parser.add_argument("file", metavar="FILE", help="board file")
    parser.add_argument(
        "--supply", type=float, metavar="V", help="what the controller runs at, if not as usual"
    )
    parser.set_defaults(run=_check)


def _check(args: argparse.Namespace) -> int:
    from pathlib import Path

    from keydiag import board
    from keydiag.board.odd import warnings
    from keydiag.board.places import find_places

    half = board.load(args.file)
    lines = find_places(Path(args.file).read_text(encoding="utf-8-sig"))
    odd = warnings(half, args.file, lines, args.supply)
    for each in odd:
        print(f"warning: {each}", file=sys.stderr)
    told = f"{len(odd)} warning{'s' if len(odd) > 1 else ''}" if odd else "nothing odd"
    print(
        f"{args.file}: {half.name}: {len(half.key)} keys, {len(half.row)} rows and "
        f"{len(half.column)} columns on an {half.chip}; nothing wrong, {told}."
    )
    return 0


ACTIONS = (
    board_new.add,
    board_learn.add,
    _add_check,
    board_draw.add,
    board_precheck.add,
    board_mirror.add,
    board_pins.add,
)
