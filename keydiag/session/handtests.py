"""Presses and chords that the findings suggest: which one is asked for, and whether it was made.

Here: `HandTests`, the suggestions of the findings on show. Not here: which tests are worth making
(diagnosis/next_test.py), readings of the meter (answers.py), what follows from a test (steps.py).

A chord of a half with faults cannot be told by its crossings alone: some of them may stay open, and
others close. A steady reading is taken for a chord if one of the explanations that are still alive
predicts just that reading for it, or if just its keys' crossings conduct; and if no other press so
far has read the same. If one of its own keys alone has, the other may be dead, or not down yet:
then the chord counts if it was asked for and is held for long, with a doubt left.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from keydiag.circuit import Reading
from keydiag.diagnosis import Diagnosis, NextTest
from keydiag.faults.predict import FaultSet
from keydiag.observe import Observation
from keydiag.session.chords import Chord, ChordBook
from keydiag.session.timeline import HELD_US, LONG_US, PERIOD_US, Held

__all__ = ["HandTests"]

# Probability that both keys are down when only one shows, though both were asked for and something
# is held for long: as careful as a press that a slip might explain (own judgement, no source).
SURE_OF_BOTH = 0.9


class HandTests:
    """The tests without a meter that are worth making, as far as findings suggest any.

    asked: the one to make now, None if there is none. about: the title of the finding that asks for
    it. waiting_since_us: since when it is awaited.
    """

    def __init__(self, book: ChordBook) -> None:
        self._book = book
        self._alive: tuple[FaultSet, ...] = ()
        self._chords: dict[Chord, NextTest] = {}  # all that are suggested
        self._made: set[str] = set()  # codes of tests that were made, or left out
        self._seen: dict[Chord, Observation] = {}
        self.asked: NextTest | None = None
        self.about = ""
        self.waiting_since_us = 0

    def forget(self) -> None:
        """A new course has begun: nothing is suggested, and nothing was made."""
        self._alive, self._chords, self._made, self._seen = (), {}, set(), {}
        self.asked, self.about = None, ""

    def suggest(self, diagnosis: Diagnosis, alive: Sequence[FaultSet], now_us: int) -> None:
        """What these findings suggest. alive: the fault sets that may still be what the half has,
        the likeliest first."""
        self._alive, self._chords = tuple(alive), {}
        self.asked, self.about, self.waiting_since_us = None, "", now_us
        for finding in diagnosis.findings:
            tests = [test for test in finding.next_tests if test.code not in self._made]
            left = [test for test in tests if test.kind == "meter" or self._tells(test)]
            chords = {test.keys: test for test in left if test.kind == "chord"}
            self._chords = {**chords, **self._chords}
            # If a reading of the meter comes first, it says more for the effort.
            if self.asked is None and left and left[0].kind != "meter":
                self.asked, self.about = left[0], finding.title

    def _tells(self, test: NextTest) -> bool:
        """True if explanations that are alive cannot all be right about it. What the datasheets
        leave open may differ, but is no evidence."""
        held = frozenset(test.keys)
        readings = [self._book.reads(faults, held) for faults in self._alive]
        return any(
            (readings[0].bits ^ other.bits) & ~readings[0].unknown & ~other.unknown
            for other in readings[1:]
        )

    @property
    def chords(self) -> tuple[Chord, ...]:
        """The chords that would be taken as a test if they were held now."""
        return tuple(self._chords)

    def observations(self) -> tuple[Observation, ...]:
        """What was read while chords were held as a test, oldest first."""
        return tuple(self._seen.values())

    def hear(self, held: Held, rest: Reading, before: Iterable[Observation]) -> Chord:
        """Take in a steady reading: the suggested chord that was held, () if it was none.
        before: everything that was seen so far."""
        others = {seen.held for seen in before if seen.reading == held.reading}
        crossings = self._book.held_in(held.reading, rest)
        for chord in self._chords:
            predicted = any(self._book.fits(faults, chord, held.reading) for faults in self._alive)
            sure = 1.0
            if others - {chord}:
                asked = self.asked is not None and self.asked.keys == chord and held.long
                if not (asked and predicted and others <= {chord, *((key,) for key in chord)}):
                    continue
                sure = SURE_OF_BOTH
            if predicted or crossings == set(chord):
                samples = (LONG_US if held.long else HELD_US) // PERIOD_US
                self._seen[chord] = Observation(
                    chord, held.reading, (), held.t_us, samples, "chord", sure
                )
                self._made.add(self._chords[chord].code)
                return chord
        return ()

    def touched(self, t_us: int) -> None:
        """Something was pressed."""
        self.waiting_since_us = max(self.waiting_since_us, t_us)

    def made(self, keys: Sequence[str]) -> None:
        """The test of these keys was made, or is left out; another one may be asked for still."""
        if self.asked is not None and self.asked.keys == tuple(keys):
            self._made.add(self.asked.code)
            self.asked = None
