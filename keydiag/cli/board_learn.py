"""keydiag board learn: the board file of a half that was wired first and is to be drawn up now."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from typing import TYPE_CHECKING

from keydiag.cli.board_files import add_force, check_new, read_file, write_new
from keydiag.cli.board_new import add_plan_options, plan_of
from keydiag.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from keydiag.board import Key
    from keydiag.board.new import Plan
    from keydiag.learn import Learner
    from keydiag.sources.base import Source
    from keydiag.sources.serialport import SerialSource
    from keydiag.wire import Hi


def add(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the action."""
    parser = actions.add_parser(
        "learn",
        help="learn a half from its wires",
        description="Reads all free pins of the controller while you press the keys in order, "
        "finds the rows, the columns, the crossing of every key and the way the diodes point, and "
        "writes the board file. Faults are reported, not written into it. Ends with status 1 if "
        "there are any. The order along the lines cannot be read: it is proposed.",
    )
    parser.add_argument("out", metavar="OUT", help='board file to write; "-" prints it')
    parser.add_argument("--port", default="auto", help="serial port of the probe")
    parser.add_argument("--csv", metavar="TABLE", help="the keys in order: key,x,y and turn")
    parser.add_argument("--like", metavar="FILE", help="the keys in order: those of a board file")
    parser.add_argument(
        "--names",
        metavar="KEY,..",
        help="the keys in order, if their places are not known (the number of keys will do)",
    )
    add_plan_options(parser)
    parser.add_argument("--only", metavar="PIN,..", help="read only these pins")
    parser.add_argument("--not", dest="leave", metavar="PIN,..", help="leave these pins alone")
    parser.add_argument(
        "--idle", type=float, default=8.0, metavar="S", help="a sweep is over after (default 8)"
    )
    parser.add_argument(
        "--wait",
        type=float,
        default=5.0,
        metavar="S",
        help="a key asked for alone is silent after (default 5)",
    )
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Learn a half through its port; 0 if it is sound, 1 if not, or if no key answered."""
    for option, seconds in (("--idle", args.idle), ("--wait", args.wait)):
        if not 0.5 <= seconds <= 3600:  # false for nan, too
            raise UsageError(f"{option} {seconds:g}: give a number of seconds, 0.5 to 3600")
    check_new(args.out, args.force)
    plan, keys, placed = _what(args)
    import keydiag.learn  # noqa: F401  (takes a while: not between opening the port and reading)
    import keydiag.report  # noqa: F401

    source, hi = _open(args.port)
    try:
        return learn(source, hi.chip, plan, keys, placed, args)
    finally:
        source.close()


def _open(name: str) -> tuple[SerialSource, Hi]:
    """The probe on this port, or on the first that has one; which pins to read follows from it."""
    from keydiag.sources.serialport import SerialSource, find_probe

    if name == "auto":
        return find_probe()
    source = SerialSource(name)
    return source, source.open()


def _what(args: argparse.Namespace) -> tuple[Plan, dict[str, Key], bool]:
    """What the options say of the half, its keys in the order in which they are asked for, and
    whether their places are known."""
    from keydiag import board
    from keydiag.board.new import new_board
    from keydiag.board.table import keys_from_csv

    grid = args.rows is not None and args.columns is not None
    ways = (args.csv is not None, args.like is not None, args.names is not None, grid)
    if sum(ways) != 1:
        raise UsageError(
            "say which keys there are, in one way: --csv TABLE, --like FILE, --rows and "
            "--columns, or --names"
        )
    plan = replace(plan_of(args, "Learned half"), row_pins=(), column_pins=())
    if args.csv is not None:
        return plan, keys_from_csv(read_file(args.csv, "the table"), args.csv), True
    if grid:
        return plan, dict(board.loads(new_board(plan)).key), True
    if args.like is not None:
        half = board.load(args.like)
        plan = replace(plan, name=args.name or half.name)
        plan = replace(plan, diode_side=args.diode_side or half.diode_side)
        if args.controller is None and half.controller is not None:
            plan = replace(plan, controller=half.controller.at)
        return plan, dict(half.key), True
    names = args.names.split(",")
    if len(names) == 1 and names[0].strip().isdigit():
        count = int(names[0])
        if not 1 <= count <= 400:
            raise UsageError(f"--names {count}: give 1 to 400 keys")
        names = [f"{plan.prefix}{number:02}" for number in range(1, count + 1)]
    return plan, {each.strip(): board.Key(at=(0.0, 0.0)) for each in names if each.strip()}, False


def learn(
    source: Source,
    chip_name: str,
    plan: Plan,
    keys: dict[str, Key],
    placed: bool,
    args: argparse.Namespace,
) -> int:
    """Learn from an open source, say what was found, write the file; the exit status."""
    from keydiag.chips import chips
    from keydiag.learn import Learner, free_ports, listen, write
    from keydiag.learn.write import rest_notes
    from keydiag.report import diagnosis_lines

    chip = chips().get(chip_name)
    if chip is None or args.chip not in (None, chip_name):
        known = ", ".join(chips())
        raise UsageError(
            f"the probe is on an {chip_name}, not on an {args.chip}; leave --chip out"
            if chip is not None
            else f"the probe is on an {chip_name}, which is not known; known chips: {known}"
        )
    only, leave = (_split(each) for each in (args.only, args.leave))
    ports = free_ports(chip, only, leave)
    learner = Learner(keys, ports, placed, round(args.idle * 1e6), round(args.wait * 1e6))
    stream = sys.stderr if args.out == "-" else sys.stdout  # the file has the output to itself

    def say(line: str) -> None:
        print(line, file=stream, flush=True)

    say(f"Reading {len(ports)} pins of the {chip.name}. Leave every key alone for a moment.")
    listen(source, learner, lambda now: say_next(now, say), say)
    learned = learner.learned()
    if learned is None or learner.rest is None:
        for note in rest_notes(learner.rest, ports) if learner.rest is not None else ():
            say(note)
        why = "It is not clear which answer is whose" if learner.count else "No key has answered"
        say(f"{why}: nothing was written. Press every key in order, and those asked for alone.")
        return 1
    plan = replace(plan, chip=chip.name)
    result = write(learned, keys, ports, plan, learner.rest, learner.observations(), placed)
    write_new(args.out, result.text, args.force)
    half = result.board
    say(
        f"\n{half.name}: {len(half.key)} of {len(keys)} keys on {len(half.row)} rows and "
        f"{len(half.column)} columns; the bands look to the {half.cathode_at} wires."
    )
    for note in (*result.notes, *result.remarks):
        say(f"- {note}")
    say("\n".join(diagnosis_lines(result.diagnosis)))
    say(
        "\nNo reading tells the order of the keys along a wire, where its lead arrives, how it is "
        "made, and on which side of the switch the diodes sit: correct these in the file."
    )
    if args.out != "-":
        say(f"Written: {args.out}. Then: keydiag board check {args.out}")
    return 0 if result.clean else 1


def _split(text: str | None) -> tuple[str, ...]:
    return tuple(each.strip() for each in (text or "").split(",") if each.strip())


def say_next(learner: Learner, say: Callable[[str], None]) -> None:
    """Say the one thing to do next."""
    if learner.asked is None:
        if learner.phase == "sweep":
            say("As many presses as keys; a moment.")
    elif learner.phase == "alone":
        say(f"Now press only {learner.asked}, and wait if it gives no sign.")
    elif learner.count == 0:
        say(f"Press every key in order, one at a time. Begin with {learner.asked}.")
    else:
        say(f"{learner.count} heard. Next: {learner.asked}.")
