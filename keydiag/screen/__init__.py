"""The screens, for a terminal: views of snapshots, nothing else.

`keydiag.screen.show` and `show_replay` are what the command line calls; Textual is imported only
then, and a first picture is painted before anything else is.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from keydiag.bench import Bench
    from keydiag.screen.curtain import MakeScreen, Say
    from keydiag.screen.desk import Desk
    from keydiag.screen.player import Player

__all__ = ["show", "show_replay"]

# How long a thread may keep the interpreter while the screen waits for it (default 5 ms).
SWITCH_S = 0.001


def show(
    open_bench: Callable[[Say], tuple[Bench, str]], title: str = "", *, bell: bool = True
) -> int:
    """Open a bench behind a curtain with this title, and run it under the bench screen until the
    builder leaves.

    open_bench: tells what it is at, returns the opened bench and the journal's name ("" for none);
    it is run in another thread, and is always at its end when this returns. Returns 0, or 130 if
    interrupted; raises what kept the bench from being opened, and what ended it (PortError,
    JournalError).
    """

    def prepare(say: Say) -> tuple[Desk, MakeScreen]:
        from keydiag.screen.bench_screen import BenchScreen
        from keydiag.screen.desk import BenchDesk

        desk = BenchDesk(*open_bench(say))
        return desk, lambda look, bell: BenchScreen(desk, look, bell)

    return _run(prepare, title, bell)


def show_replay(make: Callable[[Say], tuple[Player, str, str]], title: str = "") -> int:
    """The same for a journal. make: returns a player, the journal's name, a note on it or ""."""

    def prepare(say: Say) -> tuple[Desk, MakeScreen]:
        from keydiag.screen.replay_desk import ReplayDesk
        from keydiag.screen.replay_screen import ReplayScreen

        desk = ReplayDesk(*make(say))
        return desk, lambda look, _: ReplayScreen(desk, look)

    return _run(prepare, title, bell=False)


def _run(prepare: Callable[[Say], tuple[Desk, MakeScreen]], title: str, bell: bool) -> int:
    from keydiag.screen.app import EXIT_INTERRUPTED, KeydiagApp
    from keydiag.screen.curtain import Opening

    opening = Opening(prepare)
    app = KeydiagApp(opening, title, bell)
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        app.run()
    finally:
        opening.join()
        if opening.desk is not None:
            opening.desk.close()
        sys.setswitchinterval(before_s)
    failure = opening.failure or (opening.desk.failure() if opening.desk is not None else None)
    if failure is not None and app.return_code != EXIT_INTERRUPTED:
        raise failure
    return app.return_code or 0
