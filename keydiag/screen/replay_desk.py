"""The desk of a replay: what the views ask of a bench at work, answered from a film.

Nothing that is said to it has an effect: a journal is looked at, not gone on with.
"""

from __future__ import annotations

from collections.abc import Callable

from keydiag.screen.desk import Busy
from keydiag.screen.player import Player
from keydiag.session import Snapshot

__all__ = ["ReplayDesk"]


class ReplayDesk:
    """A Desk on a player; whoever moves the player looks at `snapshot` afterwards."""

    def __init__(self, player: Player, journal: str, note: str = "") -> None:
        self.player, self.journal = player, journal
        self.note = note  # what there is to say of the journal itself

    def snapshot(self) -> Snapshot:
        return self.player.frame.snapshot

    def wake(self, callback: Callable[[], None]) -> None: ...

    def command(self, name: str, **fields: object) -> None: ...

    def repaired(self, did: str) -> None: ...

    def answer(self, code: str, value: str) -> None: ...

    def busy(self) -> Busy:
        return Busy()

    def failure(self) -> Exception | None:
        """What ended the reading of the journal."""
        return self.player.film.failure

    def open(self) -> None:
        """Have the rest of the film made."""
        self.player.film.start()

    def close(self) -> None:
        """The film goes on being made: how the journal ends is still wanted of it."""
