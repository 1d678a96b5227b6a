"""keydiag replay: a session once more, moment by moment. The journal is only read."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from keydiag.cli import common
from keydiag.errors import UsageError

if TYPE_CHECKING:
    from keydiag.screen.curtain import Say
    from keydiag.screen.film import Film
    from keydiag.screen.player import Player


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command."""
    parser = commands.add_parser(
        "replay",
        help="look at a session once more, at any speed",
        description="Plays a journal on the screen: press by press, at any speed, forward and "
        "back. Nothing is written to it. Ends as keydiag diagnose does: 0 pass, 1 faults.",
    )
    parser.add_argument("journal", metavar="JOURNAL", help="journal of a test")
    parser.add_argument(
        "--speed",
        metavar="X",
        help="how fast: 1, 16, 1/4, or once for all at once (default: 1 on the screen, once as "
        "lines of text)",
    )
    parser.add_argument(
        "--plain",
        action="store_true",
        help="lines of text with the journal's time instead of the screen "
        "(without a terminal, or with TERM=dumb, it is always like this)",
    )
    parser.set_defaults(run=run, json=False, json_lines=False)


def run(args: argparse.Namespace) -> int:
    """Play a journal; the exit status."""
    plain = common.wants_plain(args)
    default = "once" if plain else "1"
    speed = _speed(default if args.speed is None else args.speed)
    return _run_plain(args.journal, speed) if plain else _run_screen(args.journal, speed)


def _speed(text: str) -> float:
    from keydiag.screen.player import parse_speed

    try:
        return parse_speed(text)
    except ValueError as error:
        raise UsageError(
            f"--speed {text}: is no speed; give 16, 0.5, 1/4 or the like, or once"
        ) from error


def _run_plain(path: str, speed: float) -> int:
    """Every note with the journal's time before it, then the findings."""
    from time import monotonic, sleep

    from keydiag.report import diagnosis_lines
    from keydiag.screen.film import Reel
    from keydiag.screen.player import AT_ONCE, clock

    reel = Reel(common.read_journal(path))
    began = monotonic()
    for frame in reel.frames():
        if speed != AT_ONCE:
            sleep(max(0.0, began + frame.t_us / 1e6 / speed - monotonic()))
        for note in frame.notes:
            print(f"{clock(frame.t_us):>9}  {note}", flush=True)
    diagnosis = reel.session.diagnose_now()
    print("\n".join(["", *diagnosis_lines(diagnosis)]))
    return common.status_of(diagnosis)


def _run_screen(path: str, speed: float) -> int:
    """The journal on the screen, until the builder leaves."""
    from keydiag import screen

    films: list[Film] = []

    def make(say: Say) -> tuple[Player, str, str]:
        from keydiag.journal import read
        from keydiag.screen.film import Film
        from keydiag.screen.player import Player

        say(f"Reading {path}.")
        journal = read(path)
        torn = ", ".join(str(each.line) for each in journal.torn)
        note = f"Line {torn} was cut short and is left out; all else is here." if torn else ""
        films.append(Film(journal))
        player = Player(films[0], speed)
        player.play()
        return player, path, note

    try:
        if screen.show_replay(make, Path(path).name) == 130:
            raise KeyboardInterrupt
        # The exit status is that of the whole journal, however far it was looked at.
        films[0].finish()
    finally:
        for film in films:
            film.stop()
    diagnosis = films[0].session.diagnose_now()
    common.tell_torn(films[0].journal)
    from keydiag.report import verdict

    print(verdict(diagnosis))
    return common.status_of(diagnosis)
