"""The chord check: the chords that are still to be held, and what those that were held have shown.

Here: `ChordCheck`, one going-through of chords. Not here: which chords show what single presses
cannot (diagnosis/chords.py), when they are asked for and what follows (steps.py), wording (say.py).
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from typing import Literal

from keydiag.circuit import Circuit, Reading
from keydiag.diagnosis.chords import Chord, plan
from keydiag.faults import Predictor, pack
from keydiag.faults.predict import FaultSet, Packed
from keydiag.observe import Observation
from keydiag.session.timeline import HELD_US, PERIOD_US, Held

__all__ = ["ChordBook", "ChordCheck", "Heard"]

Heard = Literal["as wired", "not as wired", "more keys", "nothing"]
"""What a steady reading says of the chords that are due: one of them was held and answers as wired,
or not; more keys are held than asked for; nothing that concerns them."""


class ChordBook:
    """What one circuit's chords should read, and the plan of them, worked out when first needed."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self._predictor = Predictor(circuit)
        self._plan: tuple[Chord, ...] | None = None
        self._lock = threading.Lock()

    @property
    def plan(self) -> tuple[Chord, ...]:
        """The smallest set of chords that shows what single presses cannot. Any thread may ask."""
        with self._lock:
            if self._plan is None:
                self._plan = plan(self.circuit)
            return self._plan

    @property
    def may_have_chords(self) -> bool:
        """False once it is known that there is no chord to hold on this board; never waits."""
        return self._plan is None or bool(self._plan)

    def reads(self, faults: FaultSet, keys: Iterable[str]) -> Packed:
        """What a half with these faults reads while these keys are held."""
        return self._predictor.packed(faults, frozenset(keys))

    def fits(self, faults: FaultSet, keys: Iterable[str], reading: Reading) -> bool:
        """True if a half with these faults may read so while these keys are held."""
        predicted = self.reads(faults, keys)
        return not (predicted.bits ^ pack(reading)) & ~predicted.unknown

    def as_wired(self, keys: Iterable[str], reading: Reading) -> bool:
        """True if a sound half reads so while these keys are held."""
        return self.fits(frozenset(), keys, reading)

    def deviating(self, seen: Iterable[Observation]) -> tuple[Chord, ...]:
        """The chords among these observations that did not read as wired, oldest first."""
        odd = (o.held for o in seen if o.origin == "chord" and not self.as_wired(o.held, o.reading))
        return tuple(dict.fromkeys(odd))

    def held_in(self, reading: Reading, rest: Reading) -> set[str]:
        """The keys whose crossing conducts in the reading, and not at rest."""
        return {
            key
            for key, (drive, sense) in self.circuit.forward.items()
            if (reading.low[drive] & ~rest.low[drive]) >> sense & 1
        }


class ChordCheck:
    """Chords to be held, in any order; the first of `todo` is the one that is asked for.

    left: those that the builder has left out. waiting_since_us: since when one is awaited.
    """

    def __init__(self, book: ChordBook, chords: Iterable[Chord], now_us: int) -> None:
        self._book = book
        self.todo = list(chords)
        self.left: list[Chord] = []
        self.total = len(self.todo)
        self.waiting_since_us = now_us
        self._seen: dict[Chord, Observation] = {}  # in the order in which they were held
        self._too_many: tuple[str, ...] = ()

    @property
    def done(self) -> int:
        """How many were held."""
        return len(self._seen)

    @property
    def not_held(self) -> tuple[Chord, ...]:
        """Those that were not held (yet)."""
        return (*self.left, *self.todo)

    @property
    def deviating(self) -> tuple[Chord, ...]:
        """Those that do not answer as wired."""
        return self._book.deviating(self._seen.values())

    def observations(self) -> tuple[Observation, ...]:
        """What was read while chords were held, oldest first."""
        return tuple(self._seen.values())

    def hear(self, held: Held, rest: Reading) -> tuple[Heard, tuple[str, ...]]:
        """Take in a steady reading: what it says, and the keys of the chord that was held, or the
        keys to let go of.

        The chord counts as held while all its keys' crossings conduct. Crossings of other keys may
        be fingers, or current that takes a way it should not: they are fingers if a sound half
        reads just so while those keys are held too.
        """
        keys = self._book.held_in(held.reading, rest)
        for chord in self.todo:
            more = tuple(key for key in self._book.circuit.keys if key in keys - set(chord))
            if not keys >= set(chord):
                continue
            if more and self._book.as_wired(keys, held.reading):
                told, self._too_many = self._too_many, more
                return ("more keys", more) if more != told else ("nothing", ())
            self._take(chord, held)
            sound = self._book.as_wired(chord, held.reading)
            return ("as wired" if sound else "not as wired"), chord
        return "nothing", ()

    def _take(self, chord: Chord, held: Held) -> None:
        samples = HELD_US // PERIOD_US
        self._seen[chord] = Observation(chord, held.reading, (), held.t_us, samples, "chord")
        self.todo.remove(chord)
        self.waiting_since_us = held.t_us
        self._too_many = ()

    def touched(self, t_us: int) -> None:
        """Something was pressed, though not (yet) a chord."""
        self.waiting_since_us = max(self.waiting_since_us, t_us)

    # --- what the builder asks for ---

    def skip(self, now_us: int) -> Chord:
        """Leave out the chord that is due; `todo` must not be empty."""
        chord = self.todo.pop(0)
        self.left.append(chord)
        self.waiting_since_us = now_us
        return chord

    def break_off(self) -> None:
        """No more will be held."""
        self.left, self.todo = [*self.left, *self.todo], []

    def take_up(self, now_us: int) -> None:
        """Ask for what was left out."""
        self.left, self.todo = [], [*self.left, *self.todo]
        self.waiting_since_us = now_us

    def again(self, now_us: int) -> None:
        """Ask once more for the chord that was held last; what it has shown is forgotten."""
        if self._seen:
            chord, _ = self._seen.popitem()
            self.todo.insert(0, chord)
            self.waiting_since_us = now_us
