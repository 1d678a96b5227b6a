"""The command line: which commands there are, and what the program's end means.

Exit status: 0 the half passes (or the command did what it was told); 1 faults were found, or the
verdict is incomplete; 2 bad input or usage; 3 port or probe trouble; 130 interrupted. Two more that
say nothing about the half: 70 a bug in keydiag, 141 nobody reads the output any more.

Each command has a module with `add(commands)`, which describes it, and `run(args)`, which does it.
Nothing but argparse is imported before a command runs, so that help comes at once. Only `main`
prints errors.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from keydiag import __version__
from keydiag.cli import (
    board,
    contacts,
    demo,
    diagnose,
    priors,
    probe,
    replay,
    report,
    resume,
    test,
    virtual,
)
from keydiag.errors import KeydiagError, UsageError

__all__ = ["main"]

COMMANDS = (demo, test, contacts, resume, diagnose, replay, report, priors, board, virtual, probe)
EXIT_BUG = 70  # EX_SOFTWARE of BSD's sysexits
EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells have it
EXIT_NOBODY_READS = 141  # 128 + SIGPIPE


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line, like every other error."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{message}; see {self.prog} --help")


def build_parser() -> argparse.ArgumentParser:
    """The parser of the whole command line."""
    parser = _Parser(
        prog="keydiag",
        description="Finds the bad joint on a hand-wired split keyboard half.",
        epilog="exit status: 0 pass, 1 faults found or incomplete, 2 bad input or usage, "
        "3 port or probe trouble, 130 interrupted",
    )
    parser.add_argument("--version", action="version", version=f"keydiag {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add(commands)
    return parser


def collect_less() -> None:
    """Let Python look for garbage in cycles less often.  The search for explanations makes many
    small objects that live as long as its memory, and next to no cycles: a sixth to a fifth of its
    time was spent on looking at them again and again (measured on five-fault halves)."""
    gc.set_threshold(100_000, 20, 50)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status."""
    collect_less()
    try:
        args = build_parser().parse_args(argv)
        status: int = args.run(args)
        sys.stdout.flush()
        return status
    except KeydiagError as error:
        return _say(str(error), error.exit_status)
    except KeyboardInterrupt:
        return _say("interrupted", EXIT_INTERRUPTED)
    except BrokenPipeError:
        # Python would complain once more when it flushes on its way out.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_NOBODY_READS
    except Exception as error:
        if os.environ.get("KEYDIAG_TRACEBACK"):
            raise
        what = f"{type(error).__name__}: {error}"
        return _say(f"a bug in keydiag ({what}); KEYDIAG_TRACEBACK=1 shows where", EXIT_BUG)


def _say(lines: str, status: int) -> int:
    for line in lines.splitlines() or [""]:
        print(f"keydiag: {line}", file=sys.stderr)
    return status
