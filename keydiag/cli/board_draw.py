"""keydiag board draw: the wiring map to solder by, and what it takes."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from keydiag.cli.board_files import add_force, check_new, write_new

if TYPE_CHECKING:
    from keydiag.drawing.pen import Side


def add(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the action."""
    parser = actions.add_parser(
        "draw",
        help="draw the wiring map of a half",
        description="Draws the wiring map to solder by, key side and solder side, as SVG and as "
        "PDF at true scale (with a bar of 50 mm to check the print), and prints what it takes: "
        "diodes, wire line by line, joints.",
    )
    parser.add_argument("file", metavar="FILE", help="board file")
    parser.add_argument(
        "-o",
        metavar="STEM",
        dest="stem",
        help="beginning of the files' names: STEM-solder.svg, STEM-key.svg, STEM-map.pdf "
        "(default: that of the board file, here)",
    )
    parser.add_argument("--side", choices=("solder", "key", "both"), default="both")
    parser.add_argument(
        "--only", choices=("svg", "pdf", "bill"), help="only the SVG, only the PDF, or no file"
    )
    parser.add_argument(
        "--paper",
        default="a4",
        metavar="SIZE",
        help="a4 (default), a3, letter, legal, tabloid; what is larger is cut into sheets",
    )
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Draw a half; 0."""
    from keydiag import board
    from keydiag.drawing.bill import bill_lines
    from keydiag.drawing.pdf import map_pdf
    from keydiag.drawing.wiring_map import map_svg

    half = board.load(args.file)
    stem = args.stem or Path(args.file).stem
    sides: tuple[Side, ...] = ("solder", "key") if args.side == "both" else (args.side,)
    drawings: dict[str, str | bytes] = {}
    if args.only in (None, "svg"):
        drawings |= {f"{stem}-{side}.svg": map_svg(half, side) for side in sides}
    if args.only in (None, "pdf"):
        drawings[f"{stem}-map.pdf"] = map_pdf(half, args.paper, sides)
    for path in drawings:  # all or nothing
        check_new(path, args.force)
    for path, data in drawings.items():
        write_new(path, data, args.force)
    print("\n".join(bill_lines(half)))
    if drawings:
        print(f"\nwritten: {', '.join(drawings)}")
        print("Print at 100 %; the bar on every sheet is 50 mm long.")
    return 0
