"""keydiag contacts: levels, rise times and drop-outs of the half on the bench, key by key."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from keydiag.cli import common
from keydiag.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from keydiag.circuit import Circuit
    from keydiag.journal import Writer
    from keydiag.sources.base import SourceEvent
    from keydiag.sources.serialport import SerialSource
    from keydiag.wire import Hi


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "contacts",
        help="measure every contact: level, bounce, drop-outs while the half is flexed",
        description="Asks for every key in turn and, while it is held, measures the level of its "
        "crossing and watches it closely. Says which joints are resistive or let go. Lines of text "
        "only. For what conducts where it should not there is keydiag test.",
    )
    parser.add_argument("board", metavar="BOARD", help="board file of the half")
    parser.add_argument(
        "--port",
        default="auto",
        help="serial port of the probe (default: the first USB port that answers as a probe)",
    )
    parser.add_argument(
        "--flex",
        nargs="+",
        metavar="KEY",
        default=[],
        help='ask only for these keys ("all": for every one), each to be held for a while in which '
        "you flex the case and move the wires; what opens is told at once",
    )
    parser.add_argument(
        "--hold",
        type=float,
        default=5.0,
        metavar="S",
        help="seconds that each key is held with --flex (default 5)",
    )
    parser.add_argument(
        "--idle",
        type=float,
        default=20.0,
        metavar="S",
        help="seconds without an answer after which a key is given up (default 20)",
    )
    parser.add_argument(
        "--plain", action="store_true", help="lines of text, as always with this command"
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="what was found as one JSON object on standard output, the lines of text on standard "
        "error",
    )
    parser.add_argument("--journal", metavar="FILE", help="keep what was measured in a journal")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure a half; 0 if nothing stands out, 1 if something does, or not all keys were held."""
    from keydiag import board
    from keydiag.circuit import Circuit

    for option, seconds, most in (("--idle", args.idle, 3600), ("--hold", args.hold, 120)):
        if not 0.5 <= seconds <= most:  # false for nan, too
            raise UsageError(f"{option} {seconds:g}: give a number of seconds, 0.5 to {most}")
    circuit = Circuit(board.load(args.board))
    keys = _keys(circuit, args.flex)
    import keydiag.contacts  # noqa: F401  (takes a while: not between opening the port and reading)

    stream = sys.stderr if args.json else sys.stdout

    def say(line: str) -> None:
        print(line, file=stream, flush=True)

    say(common.looking_for(args.port))
    source, hi = common.open_port(args.port, circuit)
    try:
        writer = None
        if args.journal is not None:
            writer = common.begin_journal(
                args.journal, circuit.board.name, common.read_text(args.board)
            )
        try:
            return _measure(args, circuit, keys, source, hi, writer, say)
        finally:
            if writer is not None:
                writer.close()
    finally:
        source.close()


def _keys(circuit: Circuit, flex: list[str]) -> tuple[str, ...]:
    """The keys to ask for, in board order."""
    unknown = [key for key in flex if key not in circuit.keys and key != "all"]
    if unknown:
        raise UsageError(
            f"--flex {unknown[0]}: no such key on {circuit.board.name}; keys are "
            f"{circuit.keys[0]} to {circuit.keys[-1]}, or all"
        )
    if not flex or "all" in flex:
        return circuit.keys
    return tuple(key for key in circuit.keys if key in flex)


def _measure(
    args: argparse.Namespace,
    circuit: Circuit,
    keys: Sequence[str],
    source: SerialSource,
    hi: Hi,
    writer: Writer | None,
    say: Callable[[str], None],
) -> int:
    """The round itself on an opened source; the exit status."""
    from keydiag.chips import chips
    from keydiag.contacts import Round, as_json, sum_up, summary_lines
    from keydiag.sources.base import hello_to_journal, to_journal

    chip = chips()[circuit.board.chip]
    supply_mv = hi.vcc_mv or round(chip.supply_v * 1000)

    def record(event: SourceEvent, now_us: int) -> None:
        written = to_journal(event)
        if writer is not None and written is not None:
            writer.append({"t": now_us, **written})

    if writer is not None:
        writer.append({**hello_to_journal(hi), "port": source.device, "t": 0})
        say(f"Journal: {writer.path}")
    work = Round(
        circuit,
        chip,
        source,
        supply_mv,
        keys,
        say=say,
        record=record,
        idle_us=round(args.idle * 1e6),
        flex_us=round(args.hold * 1e6) if args.flex else 0,
    )
    why = "error"
    try:
        taken = work.run()
        why = "finished"
    except KeyboardInterrupt:
        why = "interrupted"
        for line in summary_lines(sum_up(circuit, chip, supply_mv, work.taken)):
            say(line)
        raise
    finally:
        if writer is not None:
            writer.event("end", why=why, t=work.now_us)
    done = sum_up(circuit, chip, supply_mv, taken)
    for line in summary_lines(done):
        say(line)
    if args.json:
        print(as_json(done), flush=True)
    return common.EXIT_FAULTS if done.notices or done.incomplete else common.EXIT_PASS
