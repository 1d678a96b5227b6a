"""One course over the keys: the rounds of a sweep or a retest, and what the builder asked for.

Here: `Course`, a Sweep with the keys that are due, left out, or asked for once more. Not here:
when a course begins and what follows it (steps.py).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from keydiag.circuit import Circuit
from keydiag.diagnosis.model import Diagnosis
from keydiag.observe import PressEvent, RestState
from keydiag.observe.sweep import Status, Sweep
from keydiag.session import say

__all__ = ["Course"]

# A key whose press diagnosis doubts is asked for so often in one course; then what was seen stands.
MOST_DOUBTS = 1


class Course:
    """A course over `keys` that begins at probe time `now_us`.

    pressed: anything was pressed in it. waiting_since_us: since when a press is awaited.
    """

    def __init__(
        self,
        circuit: Circuit,
        keys: Sequence[str],
        origin: str,
        rest: RestState | None,
        now_us: int,
    ) -> None:
        self.circuit = circuit
        self.sweep = Sweep(circuit, keys, origin)
        if rest is not None:
            self.sweep.note_rest(rest)
        self.pressed = False
        self.round_pressed = False
        self.waiting_since_us = now_us
        self._told: dict[str, Status] = {}
        self._skipped: set[str] = set()
        self._doubts: Counter[str] = Counter()

    # --- presses ---

    def feed(self, event: PressEvent) -> None:
        """Something was pressed."""
        self.sweep.feed(event)
        self.pressed = self.round_pressed = True
        self.waiting_since_us = max(self.waiting_since_us, event.until_us)

    def changes(self) -> list[str]:
        """What keys have shown since this was asked last, one sentence each."""
        notes = []
        for key in self.circuit.keys:
            status = self.sweep.status_of(key)
            if status != self._told.get(key, "waiting"):
                self._told[key] = status
                note = say.key_note(key, status, self.sweep.signs(key))
                if note is not None:
                    notes.append(note)
        return notes

    # --- what is due ---

    @property
    def todo(self) -> tuple[str, ...]:
        """The keys still to come in this round, the one that is due first."""
        due, asked = self.sweep.next_key, self.sweep.asked
        return asked[asked.index(due) :] if due is not None else ()

    @property
    def asks_again(self) -> bool:
        """True in every round but the first."""
        return self.sweep.rounds > 1

    def unclear(self) -> tuple[str, ...]:
        """The keys to press once more, as far as following the hands can say."""
        keys = tuple(key for key in self.sweep.ask() if key not in self._skipped)
        # A key that has answered is only asked for to close the round.
        return keys if any(self.sweep.status_of(key) != "seen" for key in keys) else ()

    def doubted(self, diagnosis: Diagnosis) -> tuple[str, ...]:
        """The keys to press once more because diagnosis doubts the press, or has seen the key only
        together with others; each only so often."""
        together = [k for k in diagnosis.not_pressed if self.sweep.status_of(k) != "waiting"]
        keys = [
            key
            for key in (*diagnosis.press_again, *together)
            if key not in self._skipped and self._doubts[key] < MOST_DOUBTS
        ]
        self._doubts.update(keys)
        return self.sweep.closed(keys)

    def begin_round(self, keys: Sequence[str], now_us: int, *, cut: bool = False) -> None:
        """Ask for these keys from now on; `cut` as in Sweep.begin_round."""
        self.sweep.begin_round(keys, now_us, cut=cut)
        self.round_pressed = False
        self.waiting_since_us = now_us

    # --- what the builder asks for ---

    def skip(self, now_us: int) -> str | None:
        """Leave out the key that is due; its name."""
        todo = self.todo
        if not todo:
            return None
        self._skipped.add(todo[0])
        self.begin_round(todo[1:], now_us, cut=True)
        return todo[0]

    def back(self, now_us: int) -> None:
        """Ask once more for the key before the one that is due, and go on from there."""
        order, todo = self.sweep.order, self.todo
        place = order.index(todo[0]) if todo and todo[0] in order else len(order)
        if place:
            self._skipped.discard(order[place - 1])
            self.begin_round((order[place - 1], *todo), now_us, cut=True)

    def again(self, now_us: int) -> None:
        """Ask once more for the key that answered last, then go on."""
        answered = [
            (sign.event.t_us, key)
            for key in self.circuit.keys
            for sign in self.sweep.signs(key)
            if sign.event is not None
        ]
        if answered:
            last = max(answered)[1]
            todo = (last, *(key for key in self.todo if key != last))
            self.begin_round(todo, now_us, cut=True)
