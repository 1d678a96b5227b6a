"""What following the hands gives: the rounds of keys asked for, and the signs of each key.

Here: `Round`, what was asked and what was seen; `Sign`, what one pressing of a key showed;
`Weighed` and `Followed`, all that was made of it. Not here: how that is worked out (following.py),
and what it means for the sweep (sweep.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

from keydiag.observe import PressEvent
from keydiag.observe.answers import Answer
from keydiag.observe.exchanges import Exchange

__all__ = ["LIKELY", "Followed", "Round", "Sign", "Weighed"]

LIKELY = 0.5  # posterior from which an attribution is the best guess, and is made


@dataclass(slots=True)
class Round:
    """Keys asked for in this order from `from_us` on, and the events since then, by number.
    `origin` is that of its observations; `finished`: nothing more will come in this round; `good`:
    the keys among those asked for that were known to answer when it began."""

    asked: tuple[str, ...]
    origin: str
    from_us: int = 0
    finished: bool = False
    good: frozenset[str] = frozenset()
    events: dict[int, PressEvent] = field(default_factory=dict)

    def answers(self) -> list[PressEvent]:
        """The events, oldest first."""
        return [event for _, event in sorted(self.events.items())]


@dataclass(frozen=True, slots=True)
class Sign:
    """What one pressing of a key showed.

    event, answer: None where it gave no sign. own: the key answered with a crossing that is its
    own in the board file. in_turn: it was the key's turn, or the builder follows no order.
    settled: false for silence with no answer after it, which may as well be no pressing at all.
    posterior: that the event is this key's, or that the key was passed. confidence: that it was
    pressed, and showed this; of silence, before it is asked how likely a dead key is.
    """

    key: str
    round: int
    event: PressEvent | None
    answer: Answer | None
    own: bool
    in_turn: bool
    settled: bool
    posterior: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Weighed:
    """An exchange that was weighed: is it assumed, and how sure is that decision (0.5 to 1)?"""

    exchange: Exchange
    assumed: bool
    sure: float


@dataclass(frozen=True)
class Followed:
    """All that was made of the events so far.

    places[r]: how many asked keys of round r are behind us, None if it is done in free order.
    signs: oldest first. strays: events that are no key's. weighed: exchanges that might be.
    """

    places: tuple[int | None, ...]
    signs: tuple[Sign, ...]
    strays: tuple[PressEvent, ...]
    weighed: tuple[Weighed, ...]

    @cached_property
    def doubted(self) -> dict[str, float]:
        """The keys of the exchanges that were weighed -> how sure the decision is."""
        found: dict[str, float] = {}
        for w in self.weighed:
            for key, _ in w.exchange.moved:
                found[key] = min(found.get(key, 1.0), w.sure)
        return found

    @cached_property
    def of_key(self) -> dict[str, tuple[Sign, ...]]:
        """The signs of each key that has any, oldest first."""
        found: dict[str, tuple[Sign, ...]] = {}
        for sign in self.signs:
            found[sign.key] = (*found.get(sign.key, ()), sign)
        return found
