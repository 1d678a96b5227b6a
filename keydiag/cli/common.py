"""What several commands share: board files, journals, the bench, and how a session ends.

Everything heavy is imported inside the functions.
"""

from __future__ import annotations

import argparse
import os
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from keydiag.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from keydiag.bench import Bench
    from keydiag.circuit import Circuit
    from keydiag.diagnosis import Diagnosis
    from keydiag.journal import Journal, Writer
    from keydiag.plain import Plain
    from keydiag.report.lines import Lines
    from keydiag.screen.curtain import Say
    from keydiag.sources.serialport import SerialSource
    from keydiag.wire import Hi

EXIT_PASS = 0
EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells have it
EXIT_FAULTS = 1  # also an incomplete verdict: this half is not proven


def add_bench_options(parser: argparse.ArgumentParser, *, port: bool) -> None:
    """The options of every command that works on the bench."""
    if port:
        parser.add_argument(
            "--port",
            default="auto",
            help="serial port of the probe (default: the first USB port that answers as a probe)",
        )
    parser.add_argument(
        "--plain",
        action="store_true",
        help="lines of text instead of the bench screen; ends after the findings "
        "(without a terminal, or with TERM=dumb, it is always like this)",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="the diagnosis as one JSON object on standard output, the lines of text on "
        "standard error",
    )
    parser.add_argument(
        "--json-lines",
        action="store_true",
        help="everything that happens, as it happens, as one JSON object a line on standard "
        "output, the lines of text on standard error (keydiag diagnose --schema-lines)",
    )
    parser.add_argument(
        "--no-bell",
        action="store_true",
        help="no terminal bell on a problem, neither with --plain nor on the bench screen, where "
        "u switches it, too (default: bell)",
    )
    parser.add_argument(
        "--idle",
        type=float,
        default=20.0,
        metavar="S",
        help="seconds without a press after which what is asked for is given up: the sweep, or a "
        "test that would tell more about a finding (default 20; six times as long before the "
        "first press)",
    )


def wants_plain(args: argparse.Namespace) -> bool:
    """True if there shall be, or can be, no screen."""
    if args.json and args.json_lines:
        raise UsageError("--json and --json-lines: give one of them, both write standard output")
    if args.plain or args.json or args.json_lines:
        return True
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    return not terminal or os.environ.get("TERM", "dumb") == "dumb"


def looking_for(port: str) -> str:
    """What is being done while a port is opened."""
    return "Looking for the probe." if port == "auto" else f"Looking for the probe on {port}."


def open_port(name: str, circuit: Circuit) -> tuple[SerialSource, Hi]:
    """The probe on this port, or on the first that has one ("auto"), reading the circuit's pins.
    Raises PortError."""
    from keydiag.session import PERIOD_US
    from keydiag.sources.serialport import SerialSource, find_probe

    if name == "auto":
        source, hi = find_probe()
    else:
        source = SerialSource(name)
        hi = source.open()
    try:
        source.start(circuit.pins, PERIOD_US)
    except BaseException:
        source.close()
        raise
    return source, hi


def read_text(path: str) -> str:
    """The text of a file that was just read as a board file."""
    return Path(path).read_text(encoding="utf-8-sig")


def begin_journal(path: str | None, board_name: str, board_text: str, **more: Any) -> Writer:
    """A new journal: where the builder says, or in the user's state directory."""
    from keydiag.journal import Writer

    begun = datetime.now().astimezone().isoformat(timespec="seconds")
    if path is not None:
        return Writer.create(path, board_text, begun=begun, **more)
    from platformdirs import user_state_path

    folder = user_state_path("keydiag", appauthor=False)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        folder = Path()  # no home to keep it in: here, then
    stem = "-".join("".join(c if c.isalnum() else " " for c in board_name.lower()).split())
    stem = f"{stem or 'half'}-{datetime.now():%Y%m%d-%H%M%S}"
    number, file = 1, folder / f"{stem}.jsonl"
    while file.exists():
        number += 1
        file = folder / f"{stem}-{number}.jsonl"
    return Writer.create(file, board_text, begun=begun, **more)


def read_journal(path: str) -> Journal:
    """A journal; a line that was cut short is said on standard error."""
    from keydiag.journal import read

    journal = read(path)
    tell_torn(journal)
    return journal


def tell_torn(journal: Journal) -> None:
    """Say that a journal has lines that were cut short."""
    for torn in journal.torn:
        print(
            f"keydiag: {journal.path}: line {torn.line} was cut short and is left out; "
            "everything else was read",
            file=sys.stderr,
        )


def run_plain(bench: Bench, journal: str | None, args: argparse.Namespace) -> int:
    """The work on an opened bench as lines of text, to the findings; the exit status."""
    from keydiag.plain import over

    session, plain = bench.session, text_output(args)
    lines = begin_output(bench, plain, args, journal)
    bench.watchers.append(plain.watch)
    with bench:
        bench.open()
        bench.run(over)
    diagnosis = session.diagnose_now()
    if args.json:
        print_json(diagnosis)
        return status_of(diagnosis)
    plain.end(session)
    if journal is not None and diagnosis.verdict != "pass":
        plain.say(f"After mending, go on with: keydiag resume {journal}")
    elif journal is not None and not session.signed_off:
        plain.say(f"Go on with: keydiag resume {journal}")
    if lines is not None:
        lines.end(session)
    return status_of(diagnosis)


def begin_output(
    bench: Bench, plain: Plain, args: argparse.Namespace, journal: str | None
) -> Lines | None:
    """Begin with the lines of text and, if they are wanted, with those for programs, which are
    returned and watch the bench from now on."""
    plain.begin(bench.session, journal)
    if not args.json_lines:
        return None
    from keydiag.report.lines import Lines

    lines = Lines(lambda line: print(line, flush=True))
    lines.begin(bench.session, journal)
    bench.watchers.insert(0, lines.watch)
    return lines


def text_output(args: argparse.Namespace) -> Plain:
    """A Plain that prints, and rings the bell, where the options want it."""
    from keydiag.plain import Plain

    stream = sys.stderr if args.json or args.json_lines else sys.stdout

    def say(line: str) -> None:
        print(line, file=stream, flush=True)

    def bell() -> None:
        print("\a", end="", file=stream, flush=True)

    # In a file or a pipe it would only be a stray character.
    return Plain(say, bell if stream.isatty() and not args.no_bell else None)


def print_json(diagnosis: Diagnosis) -> None:
    """One JSON object on standard output."""
    print(diagnosis.model_dump_json(indent=2), flush=True)


def status_of(diagnosis: Diagnosis) -> int:
    """The exit status that says what the diagnosis says."""
    return EXIT_PASS if diagnosis.verdict == "pass" else EXIT_FAULTS


def run_screen(
    make: Callable[[Say], tuple[Bench, str | None]], title: str, args: argparse.Namespace
) -> int:
    """The work on the bench screen, until the builder leaves; the exit status.

    make: tells what it is at, returns a bench and its journal. It is called when the first picture
    stands, so whatever takes time, imports included, belongs inside it.
    """
    from contextlib import ExitStack

    from keydiag import screen

    made: list[tuple[Bench, str | None]] = []
    with ExitStack() as closing:

        def open_bench(say: Say) -> tuple[Bench, str]:
            bench, journal = make(say)
            made.append((bench, journal))
            closing.enter_context(bench)
            bench.open()
            return bench, journal or ""

        if screen.show(open_bench, title, bell=not args.no_bell) == EXIT_INTERRUPTED:
            raise KeyboardInterrupt
    from keydiag.report import signoff_lines, verdict

    bench, journal = made[0]
    diagnosis = bench.session.diagnose_now()
    print("\n".join([verdict(diagnosis), *signoff_lines(bench.session)]))
    if journal is not None:
        print(f"Journal: {journal}")
    return status_of(diagnosis)
