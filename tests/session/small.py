"""Test helper: a small half, and the journal events of pressing its keys.

Two rows of three keys, swept row by row; rows are chains whose leads arrive at a1 and b1:

      X   Y   Z
    a1  a2  a3   A
    b1  b2  b3   B
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from keydiag import board
from keydiag.circuit import Circuit, Reading
from keydiag.faults import parse_fault, predict
from keydiag.session import Session

BOARD = """
format = 1
name = "small"
chip = "atmega32u4"
cathode_at = "row"
diode_side = "row"
[row.A]
pin = "PB0"
style = "chain"
path = ["a1", "a2", "a3"]
[row.B]
pin = "PB1"
style = "chain"
path = ["b1", "b2", "b3"]
[column.X]
pin = "PF4"
style = "through"
path = ["a1", "b1"]
[column.Y]
pin = "PF5"
style = "through"
path = ["a2", "b2"]
[column.Z]
pin = "PF6"
style = "through"
path = ["a3", "b3"]
[key.a1]
at = [0, 0]
legend = "Q"
[key.a2]
at = [19.05, 0]
[key.a3]
at = [38.1, 0]
[key.b1]
at = [0, 19.05]
[key.b2]
at = [19.05, 19.05]
[key.b3]
at = [38.1, 19.05]
"""
HELLO = {"kind": "hello", "version": 1, "chip": "atmega32u4", "build": "t", "pins": 26,
         "vcc_mv": 5000, "port": "here"}  # fmt: skip
SECOND = 1_000_000


class Half:
    """A half with faults, its session, and the hands on it. Events go to the session as they are
    made, and are kept in `events`."""

    def __init__(self, *faults: str) -> None:
        self.session = Session(board.loads(BOARD, "small"))
        self.circuit: Circuit = self.session.circuit
        self.events: list[dict[str, Any]] = []
        self.t_us = 0
        self.have(*faults)

    # --- the half ---

    def have(self, *faults: str) -> None:
        """From now on the half has these faults."""
        self.faults = [parse_fault(self.circuit, words) for words in faults]

    def reads(self, *held: str) -> Reading:
        return predict(self.circuit, self.faults, frozenset(held)).as_reading()

    # --- events ---

    def say(self, kind: str, **fields: Any) -> None:
        self._apply({"kind": kind, "t": self.t_us, **fields})

    def command(self, name: str, **fields: Any) -> None:
        self.say("command", name=name, **fields)

    def plug_in(self) -> None:
        """The probe answers; nothing is held for half a second."""
        self._apply({**HELLO, "t": self.t_us})
        self.read()
        self.wait(SECOND // 2)

    def unplug(self) -> None:
        self.say("link", up=False, reason="unplugged")
        self.t_us += SECOND

    def read(self, *held: str) -> None:
        self._apply(reading_event(self.t_us, self.reads(*held)))

    def wait(self, us: int) -> None:
        """Nothing changes for so long."""
        self.t_us += us
        self.session.pass_time(self.t_us)

    def press(self, keys: str) -> None:
        """Press keys one after the other: "a1 a2", or together: "a1+a2"."""
        for key in keys.split():
            self.read(*key.split("+"))
            self.wait(80_000)
            self.read()
            self.wait(150_000)

    def follow(self, most: int = 9) -> None:
        """Press what is asked for, round by round, until nothing is asked for."""
        for _ in range(most):
            todo, rounds = self.session.todo, self.session.rounds
            if self.session.chord and self.session.step != "findings":
                self.hold_chords()
                continue
            if not todo:
                return
            self.press(" ".join(todo))
            if self.session.rounds == rounds and self.session.todo:
                self.idle()  # the last key was silent
        raise AssertionError(f"still asked for: {self.session.todo}")

    def hold_chords(self) -> None:
        """Hold the chords that are asked for, until single keys or none are."""
        while self.session.chord and self.session.step != "findings":
            self.press("+".join(self.session.chord))

    def idle(self) -> None:
        self.wait(20 * SECOND)
        self.say("idle")

    def _apply(self, event: Mapping[str, Any]) -> None:
        self.events.append(dict(event))
        self.session.apply(event)

    # --- what came of it ---

    def status(self) -> dict[str, str]:
        return {view.name: view.status for view in self.session.snapshot().keys}

    def titles(self) -> list[str]:
        return [finding.title for finding in self.session.diagnose_now().findings]

    def outcomes(self) -> dict[str, str]:
        return {repair.title: repair.outcome for repair in self.session.repairs}


def found(*faults: str) -> Half:
    """A half with these faults, swept: its findings stand."""
    half = Half(*faults)
    half.plug_in()
    half.follow()
    assert half.session.step == "findings"
    return half


def reading_event(t_us: int, reading: Reading) -> dict[str, Any]:
    low = " ".join(f"{mask:x}" for mask in reading.low)
    return {"kind": "reading", "t": t_us, "rest": f"{reading.rest:x}", "low": low}


def fold(events: Iterable[Mapping[str, Any]]) -> Session:
    """A fresh session that is told these events and nothing else."""
    session = Session(board.loads(BOARD, "small"))
    for event in events:
        session.apply(event)
    return session
