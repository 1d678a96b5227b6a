"""Contact bounce: what one bit of the matrix did between steady runs, and the sum of it.

Here: `Unsteady`, the evidence of bad contacts that goes with a press, and `Trace`, which collects
it. Not here: what counts as steady, or as one press (presses.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unsteady:
    """How one bit behaved during a press, from its first sign to its last.

    share: of that time, how much it was departed from rest (1.0 = never let go).
    changes: how often it changed; a clean press has 2.
    make_us, break_us: bounce before the first steady run and after the last one.
    dropouts, dropout_us: how often it let go in between, and for how long at the longest.
    """

    drive: int
    sense: int
    share: float
    changes: int
    make_us: int
    break_us: int
    dropouts: int
    dropout_us: int


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of time with one departure from rest (a packed mask), too short to be steady."""

    start_us: int
    end_us: int
    departed: int


@dataclass(slots=True)
class Trace:
    """What one bit did during a press, in the making. `bit` is its place in the packed mask."""

    bit: int
    first_us: int
    last_us: int
    on_us: int = 0
    changes: int = 0
    make_us: int = 0
    break_us: int = 0
    dropouts: int = 0
    dropout_us: int = 0

    @classmethod
    def begin(cls, bit: int, pieces: Sequence[Piece], after: int, t_us: int) -> Trace:
        """Watch a bit that was off until these pieces, which lead to the steady departure `after`
        at `t_us`."""
        starts = [piece.start_us for piece in pieces if piece.departed >> bit & 1]
        trace = cls(bit, first_us=min([*starts, t_us]), last_us=t_us)
        trace.book(pieces, 0, after, t_us)
        return trace

    def book(self, pieces: Sequence[Piece], before: int, after: int, t_us: int) -> None:
        """Add what happened between the steady departures `before` and `after` (since `t_us`)."""
        was_on, is_on = bool(before >> self.bit & 1), bool(after >> self.bit & 1)
        begun = pieces[0].start_us if pieces else t_us
        on, off_from = was_on, self.last_us
        for piece in pieces:
            if bool(piece.departed >> self.bit & 1) != on:
                on = not on
                self.changes += 1
                if on and was_on and is_on:
                    self._drop_out(piece.start_us - off_from)
                off_from = piece.start_us
            if on:
                self.on_us += piece.end_us - piece.start_us
                self.last_us = piece.end_us
        if on != is_on:
            self.changes += 1
            if was_on and is_on:
                self._drop_out(t_us - off_from)
        if was_on and not is_on:
            self.break_us = max(0, self.last_us - begun)
        elif is_on and not was_on and self.first_us >= begun:
            self.make_us = t_us - self.first_us
        elif is_on and not was_on:
            # Back after a steady run without it, but too soon for a finger.
            self._drop_out(t_us - off_from)
        if is_on:
            self.last_us = t_us

    def run(self, departed: int, length_us: int, end_us: int) -> None:
        """Add a steady run."""
        if departed >> self.bit & 1:
            self.on_us += length_us
            self.last_us = end_us

    def sum(self, pins: int) -> Unsteady:
        """The evidence so far, for a circuit with this many pins."""
        drive, sense = divmod(self.bit, pins)
        whole = self.last_us - self.first_us
        return Unsteady(
            drive=drive - 1,
            sense=sense,
            share=min(1.0, self.on_us / whole) if whole > 0 else 1.0,
            changes=self.changes,
            make_us=self.make_us,
            break_us=self.break_us,
            dropouts=self.dropouts,
            dropout_us=self.dropout_us,
        )

    def _drop_out(self, length_us: int) -> None:
        self.dropouts += 1
        self.dropout_us = max(self.dropout_us, length_us)


def ones(mask: int) -> Iterator[int]:
    """The positions of the ones in a mask, ascending."""
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low
