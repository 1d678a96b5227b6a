"""The bench screen, for a terminal: views of snapshots, nothing else.

`keydiag.screen.show(bench)` is what the command line calls; it imports Textual only then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from keydiag.bench import Bench

__all__ = ["show"]


def show(bench: Bench, journal: str = "", *, bell: bool = True) -> int:
    """Run an opened bench under the screen until the builder leaves. Returns 0, or 130 if
    interrupted; raises what ended the bench (PortError, JournalError)."""
    from keydiag.screen.app import run
    from keydiag.screen.desk import BenchDesk

    with BenchDesk(bench, journal) as desk:
        status = run(desk, bell=bell)
    failure = desk.failure()
    if failure is not None:
        raise failure
    return status
