"""The learner: readings in, the key to press next out, and at the end what was learned.

Pure state: time is the probe's own, as it stands in the readings. Not here: ports (listen.py), the
conclusions (order.py, infer.py, write.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

from keydiag.board import Key
from keydiag.circuit import Reading
from keydiag.learn.answers import Answer, Rest, answer_of, rest_of
from keydiag.learn.infer import Learned, infer
from keydiag.learn.mend import UNCLEAR
from keydiag.learn.order import Settled, settle
from keydiag.observe import Observation, Observer, PressEvent

Phase = Literal["rest", "sweep", "alone", "done"]
"""rest: the rest reading is being learned. sweep: keys are pressed in order. alone: single keys are
asked for. done: there is nothing more to ask."""

SWEEP_IDLE_US = 8_000_000  # nothing pressed for so long: the sweep is over
FIRST_IDLE_US = 60_000_000  # before the first press the builder may have to find his seat
ALONE_US = 5_000_000  # a key that is asked for alone and gives no sign for so long is silent
MOST_UNUSUAL = 6  # keys asked for alone only because they answer unlike the keys around
MOST_SILENT = 6  # keys asked for alone, one after the other, without a sign: nobody is there


class Learner:
    """Learns one half.

    Args:
        keys: the keys with their places, in the order in which they are asked for.
        ports: the port of every pin of the readings.
        placed: the places are real ones.
        idle_us: how long the sweep may rest before it is over.
        alone_us: how long a key asked for alone is waited for.
    """

    def __init__(
        self,
        keys: Mapping[str, Key],
        ports: Sequence[str],
        placed: bool = True,
        idle_us: int = SWEEP_IDLE_US,
        alone_us: int = ALONE_US,
    ) -> None:
        self.keys = dict(keys)
        self.ports = tuple(ports)
        self.placed = placed
        self.phase: Phase = "rest"
        self.asked: str | None = None
        """The key to press now; in the sweep, as far as can be told."""
        self._idle_us, self._alone_us = idle_us, alone_us
        self._observer = Observer()
        self._rest: Rest | None = None
        self._rest_reading: Reading | None = None
        self._sweep: dict[int, PressEvent] = {}  # by number
        self._alone: dict[str, PressEvent | None] = {}
        self._spent: set[int] = set()  # numbers of presses that were taken in
        self._since_us = 0  # last press, or the last prompt
        self._silent = 0  # keys asked for alone without a sign, since the last that gave one

    @property
    def now_us(self) -> int:
        """Probe time of the latest reading."""
        return self._observer.now_us

    @property
    def rest(self) -> Rest | None:
        """The rest reading, sorted out, once it is known."""
        return self._rest

    @property
    def count(self) -> int:
        """How many presses the sweep has heard."""
        return len(self._sweep)

    def feed(self, t_us: int, reading: Reading) -> None:
        """Take in one reading."""
        for event in self._observer.feed(t_us, reading):
            self._press(event)
        if self.phase == "rest" and self._observer.rest is not None:
            self._rest_reading = self._observer.rest
            self._rest = rest_of(self._rest_reading)
            self.phase = "sweep"
            self.asked = next(iter(self.keys))
            self._since_us = self.now_us
            if self._rest.high:  # perhaps a short to the supply: not a moment longer
                self.phase, self.asked = "done", None
        self._mind_time()

    def restart(self) -> None:
        """The link broke: presses on at this moment are over, and rest is learned anew."""
        for event in self._observer.restart():
            self._press(event)
        self._since_us = self.now_us

    # --- presses ---

    def _press(self, event: PressEvent) -> None:
        if self._rest is None:
            return
        if event.number in self._sweep:
            self._sweep[event.number] = event  # the fuller form of a press that was taken in
            return
        for key, known in self._alone.items():
            if known is not None and known.number == event.number:
                self._alone[key] = event
                return
        if event.number in self._spent or not self._answer(event).ways:
            return
        self._spent.add(event.number)
        self._since_us = self.now_us
        if self.phase == "sweep":
            self._sweep[event.number] = event
            names = list(self.keys)
            self.asked = names[self.count] if self.count < len(names) else None
            if self.count == len(names) and self.settled().ask is None:
                self._over()  # no need to wait
        elif self.phase == "alone" and self.asked is not None:
            self._alone[self.asked] = event
            self._silent = 0
            self._ask()

    def _mind_time(self) -> None:
        waited = self.now_us - self._since_us
        if self._observer.holding:
            return
        if self.phase == "sweep":
            if waited >= (self._idle_us if self._sweep else FIRST_IDLE_US):
                self._over()
        elif self.phase == "alone" and waited >= self._alone_us and self.asked is not None:
            self._alone[self.asked] = None
            self._silent += 1
            if self._silent >= MOST_SILENT:
                for key in list(self._alone)[-MOST_SILENT:]:
                    del self._alone[key]  # not silent, but never pressed
                self.phase, self.asked = "done", None
            else:
                self._ask()

    def _over(self) -> None:
        """The sweep is over: ask for single keys, if anything is open."""
        if not self._sweep:
            self.phase, self.asked = "done", None  # nobody is there
            return
        self.phase = "alone"
        self._ask()

    def _ask(self) -> None:
        self.asked = self.settled().ask
        if self.asked is None:
            self.asked = next((key for key in self._doubted() if key not in self._alone), None)
        self._since_us = self.now_us
        if self.asked is None:
            self.phase = "done"

    def _doubted(self) -> tuple[str, ...]:
        """Keys that answer unlike the keys around them: were they pressed in another order?"""
        learned = self.learned()
        if learned is None:
            return ()
        # Where many are unlike, the half is built in another way than places let expect.
        unusual = learned.unusual if len(learned.unusual) <= MOST_UNUSUAL else ()
        return (*learned.doubted, *unusual)

    def finish(self) -> None:
        """No more readings will come."""
        for event in self._observer.finish():
            self._press(event)
        self.phase, self.asked = "done", None

    # --- what is known ---

    def _answer(self, event: PressEvent) -> Answer:
        assert self._rest is not None
        return answer_of(event.appeared, self._rest)

    def settled(self) -> Settled:
        """Which answer is whose, as far as can be told."""
        assert self._rest is not None
        bridged = frozenset(pins[0] for pins in self._rest.bridged)
        answers = [self._answer(self._sweep[number]) for number in sorted(self._sweep)]
        alone = {
            key: None if event is None else self._answer(event)
            for key, event in self._alone.items()
        }
        return settle(tuple(self.keys), answers, alone, bridged)

    def learned(self) -> Learned | None:
        """What can be concluded now; None if no key has answered."""
        if self._rest is None:
            return None
        settled = self.settled()
        unclear = [key for run in settled.open for key in run]
        keys = {name: key for name, key in self.keys.items() if name not in unclear}
        learned = infer(keys, settled.answer, self._rest, self.placed)
        if learned is not None:
            learned.left_out.update(dict.fromkeys(unclear, UNCLEAR))
        return learned

    def observations(self) -> list[Observation]:
        """Rest and every key as it was seen, over the ports: what a diagnosis explains."""
        if self._rest_reading is None:
            return []
        rest = self._rest_reading
        out = [Observation((), rest, (), 0, 1, "rest")]
        settled = self.settled()
        events = [self._sweep[number] for number in sorted(self._sweep)]
        events += [event for event in self._alone.values() if event is not None]
        by_answer = {id(event): self._answer(event) for event in events}
        for key, answer in settled.answer.items():
            own = self._alone.get(key)
            event = own or next(e for e in events if by_answer[id(e)] == answer)
            out.append(Observation((key,), event.reading, (), event.t_us, event.samples, "sweep"))
        for key in settled.silent:
            out.append(Observation((key,), rest, (), self.now_us, 1, "sweep"))
        return out
