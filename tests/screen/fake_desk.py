"""A made-up session for the screen: snapshots in, commands out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

from keydiag.board import example
from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnosis, Diagnostician
from keydiag.faults import parse_fault, predict
from keydiag.observe import Observation
from keydiag.screen.desk import Busy
from keydiag.session import KeyView, LinkView, Snapshot

BOARD = example("bramblewick-left")
CIRCUIT = Circuit(BOARD)
LINK = LinkView("up", "/dev/ttyACM0", "atmega32u4", 1012.0, 0, 0)


@cache
def diagnosis(*faults: str) -> Diagnosis:
    """What a whole sweep of a half with these faults leads to, by the real engine."""
    present = frozenset(parse_fault(CIRCUIT, words) for words in faults)

    def seen(held: tuple[str, ...], origin: str) -> Observation:
        reading = predict(CIRCUIT, present, frozenset(held)).as_reading()
        return Observation(held, reading, (), 0, 10, origin, 0.995)

    swept = [seen((key,), "sweep") for key in CIRCUIT.keys]
    return Diagnostician(CIRCUIT).diagnose([seen((), "rest"), *swept])


THREE = (
    "L23 switch-column joint open", "L45 diode reversed", "row R5 broken between L54 and L53",
)  # fmt: skip


def only(*parts: str) -> Diagnosis:
    """Of the diagnosis of a half with three faults, the findings whose titles contain these words:
    quicker than another diagnosis."""
    whole = diagnosis(*THREE)
    kept = [f for part in parts for f in whole.findings if part in f.title]
    return whole.model_copy(update={"findings": tuple(kept)})


def snapshot(**changes: object) -> Snapshot:
    """A sweep that has just begun, with some fields changed."""
    first, *rest = BOARD.key
    plain = Snapshot(
        step="sweep",
        say=f"Press {first}.",
        board=BOARD,
        circuit=CIRCUIT,
        keys=(KeyView(first, "next", False), *(KeyView(key, "waiting", False) for key in rest)),
        next_key=first,
        asked=(),
        done=0,
        total=len(BOARD.key),
        diagnosis=None,
        link=LINK,
        alert=None,
        notes=("Probe found.", "Rest check passed: with no key held, nothing conducts."),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def views(**status: str) -> tuple[KeyView, ...]:
    """All keys good but these; a status may end in "+held"."""
    out = []
    for key in BOARD.key:
        word, _, held = status.get(key, "good").partition("+")
        out.append(KeyView(key, word, bool(held)))  # type: ignore[arg-type]
    return tuple(out)


class FakeDesk:
    """Stands in for a bench at work: `show` a snapshot, look at `said` for what was asked of it."""

    journal = "bramblewick-left.jsonl"

    def __init__(self, first: Snapshot) -> None:
        self.latest = first
        self.work = Busy()
        self.said: list[Sequence[str]] = []
        self.callback: Callable[[], None] = lambda: None

    def show(self, new: Snapshot) -> None:
        self.latest = new
        self.callback()

    def snapshot(self) -> Snapshot:
        return self.latest

    def wake(self, callback: Callable[[], None]) -> None:
        self.callback = callback

    def command(self, name: str, **fields: object) -> None:
        self.said.append((name, *map(str, fields.values())))

    def repaired(self, did: str) -> None:
        self.said.append(("repaired", did))

    def answer(self, code: str, value: str) -> None:
        self.said.append(("answer", code, value))

    def busy(self) -> Busy:
        return self.work

    def open(self) -> None:
        self.said.append(("open",))

    def close(self) -> None: ...

    def failure(self) -> None:
        return None
