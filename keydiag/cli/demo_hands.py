"""The demo's half and the hands on it: they press what is asked for, and mend what is found.

Here: `DemoHalf`, a virtual half that can be unplugged, mended and plugged in again, as a source;
`Hands`, which look at the session as the builder does. Not here: the demo's course (demo.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from random import Random
from typing import Literal

from keydiag.circuit import Circuit
from keydiag.faults import Fault
from keydiag.session import Session
from keydiag.sources.base import LinkDown, LinkUp, ReadingAt, SourceEvent
from keydiag.sources.hands import Act, HandScript
from keydiag.sources.virtual import VirtualSource
from keydiag.sources.virtual_half import VirtualHalf
from keydiag.wire import Hi

__all__ = ["DemoHalf", "Hands"]

AWAY_US = 2_000_000  # unplugged for so long, by the session's time
# Own judgement, no source: between the fingers of a hand; how long it holds; until the next chord.
FINGERS_US = (5_000, 40_000)
CHORD_US = 200_000
BETWEEN_CHORDS_US = 300_000


class DemoHalf:
    """A virtual half as a Source; `pace` as in VirtualSource."""

    def __init__(
        self,
        circuit: Circuit,
        faults: Iterable[Fault],
        seed: int,
        pace: Literal["fast", "real"],
    ) -> None:
        self.circuit = circuit
        self.faults = tuple(faults)
        self._seed = seed
        self._pace: Literal["fast", "real"] = pace
        self._wanted: tuple[Sequence[str], int] | None = None
        self._said: list[SourceEvent] = []
        self._t_us = self._offset_us = 0
        self._plug_in()

    def _plug_in(self) -> None:
        self.half = VirtualHalf(self.circuit, self.faults, seed=self._seed)
        self._source = VirtualSource(self.half, pace=self._pace)

    # --- the Source interface ---

    def open(self) -> Hi:
        """Who is there: a virtual probe."""
        return self._source.open()

    def start(self, ports: Sequence[str], period_us: int) -> None:
        """Read these ports."""
        self._wanted = ports, period_us
        self._source.start(ports, period_us)

    def read(self, timeout_s: float) -> list[SourceEvent]:
        """What the probe said, and what happened to its cable."""
        events, self._said = self._said, []
        for event in self._source.read(timeout_s):
            if isinstance(event, ReadingAt):
                self._t_us = event.t_us + self._offset_us
                event = replace(event, t_us=self._t_us)
            events.append(event)
        return events

    def ask_level(self, drive: int, sense: int) -> None:
        """Ask for a level."""
        self._source.ask_level(drive, sense)

    def ask_watch(self, drive: int, sense: int, ms: int) -> None:
        """Ask to watch a crossing."""
        self._source.ask_watch(drive, sense, ms)

    def close(self) -> None:
        """Stop."""
        self._source.close()

    # --- the hands ---

    def press(self, keys: Sequence[str], seed: int) -> None:
        """Press these keys one after the other, from now on."""
        self.half.play(HandScript.sweep(keys, self._seed + seed))

    def hold(self, keys: Sequence[str], seed: int) -> None:
        """Bring these keys down one after the other, hold them together, let go."""
        random = Random(self._seed + seed)
        acts, t_us = [], BETWEEN_CHORDS_US
        for key in keys:
            acts.append(Act(t_us, "press", key))
            t_us += random.randint(*FINGERS_US)
        for key in keys:
            acts.append(Act(t_us + CHORD_US + random.randint(*FINGERS_US), "release", key))
        self.half.play(HandScript(tuple(sorted(acts, key=lambda act: act.t_us))))

    def mend(self, mended: Iterable[Fault]) -> None:
        """Unplug, take these faults away, plug in again."""
        gone = set(mended)
        self.faults = tuple(fault for fault in self.faults if fault not in gone)
        self._source.close()
        self._said.append(LinkDown("unplugged for the iron"))
        self._plug_in()
        hi = self._source.open()
        if self._wanted is not None:
            self._source.start(*self._wanted)
        self._offset_us = self._t_us + AWAY_US
        self._said.append(LinkUp(hi))


class Hands:
    """Do what the session says: give `follow` to a Bench."""

    def __init__(self, half: DemoHalf) -> None:
        self._half = half
        self._round = 0
        self._held: tuple[int, tuple[str, ...]] = (0, ())

    def follow(self, session: Session) -> None:
        """Look at the session, and press or mend what it asks for."""
        if session.step == "rework" and session.link.state == "up":
            named = {Fault(m.kind, m.at) for finding in session.rework for m in finding.members}
            self._half.mend(fault for fault in self._half.faults if fault in named)
        elif session.todo and session.rounds != self._round:
            self._round = session.rounds
            self._half.press(session.todo, self._round)
        elif session.chord and not session.departed and self._wants_chord(session):
            asked = (session.rounds, session.chord)
            if asked != self._held:  # the last chord is let go of
                self._held = asked
                self._half.hold(session.chord, self._round + session.chords_done[0])

    @staticmethod
    def _wants_chord(session: Session) -> bool:
        """Chords that were left out stay left out."""
        return session.step != "findings" or session.test is not None
