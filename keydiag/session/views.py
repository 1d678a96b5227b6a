"""The immutable views of a session that the screen, the plain text and the report show.

Here: what their fields mean. Not here: how they are drawn up (view.py), and any layout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from keydiag.board import Board
from keydiag.circuit import Circuit
from keydiag.diagnosis.model import Diagnosis
from keydiag.session.repairs import Repair

__all__ = ["KeyStatus", "KeyView", "LinkView", "Snapshot", "Step"]

KeyStatus = Literal["waiting", "next", "good", "silent", "odd", "unsure", "hidden"]
"""waiting: not pressed yet. next: the one to press now. good: answers as wired. silent: passed
without a sign. odd: answers, but not as wired. unsure: a slip of the hand would explain it as
well. hidden: cannot be judged before something else is repaired."""

Step = Literal["connect", "rest", "sweep", "findings", "rework", "retest", "chords", "signed-off"]


@dataclass(frozen=True, slots=True)
class KeyView:
    """One key as it stands. held: its crossing conducts at this moment."""

    name: str
    status: KeyStatus
    held: bool


@dataclass(frozen=True, slots=True)
class LinkView:
    """The link to the probe. corrupt, lost: damaged lines and missing readings since it began."""

    state: Literal["none", "up", "down"]
    port: str
    chip: str
    readings_per_s: float
    corrupt: int
    lost: int


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything a view needs of a session at one moment; nothing in it ever changes.

    say: the one thing to do next, one sentence. asked: keys to press once more. done, total: keys
    that have answered or are known to be silent, of all that this step asks for. diagnosis: the
    latest there is, None before the first. alert: something that needs the eyes now. notes: the
    last few lines of what happened, newest last. paused: answers are not taken for the moment.
    repairs: what became of each finding that was reworked, oldest first. chord: the keys to hold
    together now, () if no chord is asked for. missing: everything that lies between here and the
    sign-off, one sentence each, most urgent first; () once it is given. proven, not_proven: what
    the sign-off rests on, and what it does not say, one sentence each; () before it.
    """

    step: Step
    say: str
    board: Board
    circuit: Circuit
    keys: tuple[KeyView, ...]
    next_key: str | None
    asked: tuple[str, ...]
    done: int
    total: int
    diagnosis: Diagnosis | None
    link: LinkView
    alert: str | None
    notes: tuple[str, ...]
    paused: bool = False
    repairs: tuple[Repair, ...] = ()
    chord: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    proven: tuple[str, ...] = ()
    not_proven: tuple[str, ...] = ()
