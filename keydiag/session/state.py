"""What a session remembers, and what follows from it at any moment.

Here: `State`, the memory of one half on the bench, with questions to it that change nothing. Not
here: what changes it, that is events (fold.py), the steps of the job (steps.py) and what the
builder says (commands.py); the view of it for others (view.py).
"""

from __future__ import annotations

from typing import Any, Literal

from keydiag.board import Board
from keydiag.circuit import Circuit, Reading
from keydiag.diagnosis import Diagnosis, Finding, MeterAnswer, NextTest
from keydiag.faults.priors import Table
from keydiag.observe import Bit, Observation, RestState
from keydiag.session import answers, say
from keydiag.session.chords import Chord, ChordBook, ChordCheck
from keydiag.session.course import Course
from keydiag.session.handtests import HandTests
from keydiag.session.judge import Judge
from keydiag.session.repairs import Repair
from keydiag.session.standing import hidden_at_rest, statuses
from keydiag.session.timeline import Timeline
from keydiag.session.views import KeyStatus, LinkView, Step

__all__ = ["Phase", "State"]

Phase = Literal["sweep", "chords", "findings", "retest"]


class State:
    """One half on the bench. extra_pins, table: as of Session.

    notes: everything that was said so far, oldest first. repairs: what became of each finding that
    was reworked. rework: the findings under the iron. course: the keys that are asked for, in
    rounds; rounds: how many there were since the session began. verdict: what the latest findings
    were. chord_check: None before chords are first asked for.
    """

    def __init__(
        self, board: Board, extra_pins: tuple[str, ...] = (), table: Table | None = None
    ) -> None:
        self.board = board
        self.circuit = Circuit(board, extra_pins)
        self.notes: list[str] = []
        self.records: list[dict[str, Any]] = []  # for the journal, not yet taken
        self.repairs: list[Repair] = []
        self.link = LinkView("none", "", "", 0.0, 0, 0)
        self.gone = ""  # why the link is down
        self.timeline = Timeline()
        self.judge = Judge(self.circuit, table)
        # Where the work stands.
        self.paused = False
        self.finished = False  # the builder wants no more of this session
        self.signed_off = False
        self.resting = False  # rest is being checked
        self.rail_stop = False  # a short to a rail: nothing goes on before it is cleared
        self.reworked = False  # since the last sweep of the whole half
        self.verdict: Diagnosis | None = None
        self.rework: tuple[Finding, ...] = ()
        self.did = ""  # what was done, in the builder's words
        # Evidence, beside what the present course and the chord check have seen. What ends in
        # _before is to be had back if a retest turns out to be none.
        self.rest_state: RestState | None = None
        self.rest_before: Reading | None = None  # rest when the rework began
        self.kept: tuple[Observation, ...] = ()  # from before the present course
        self.kept_before: tuple[Observation, ...] = ()
        self.answers: tuple[MeterAnswer, ...] = ()  # of the meter, that are evidence now
        self.answers_before: tuple[MeterAnswer, ...] = ()
        self.base: dict[str, KeyStatus] = {}  # how keys stood before the present course
        # What is asked for.
        self.book = ChordBook(self.circuit)
        self.chord_check: ChordCheck | None = None
        self.asks_chords = False  # chords are asked for now, not single keys
        self.fingers_until_us = -1  # what came down until then was a chord's
        self.tests = HandTests(self.book)
        self.asks_tests = True  # until nobody makes the one that is asked for
        self.rounds = 0
        self.phase: Phase = "sweep"
        self.course = Course(self.circuit, self.circuit.keys, "sweep", None, 0)

    # --- the half at this moment ---

    @property
    def now_us(self) -> int:
        """The probe's time, as far as it was told."""
        return self.timeline.now_us

    @property
    def reading(self) -> Reading | None:
        """The latest reading; None while there is none."""
        return self.timeline.reading

    @property
    def rest(self) -> Reading | None:
        """The latest rest baseline; None before the first."""
        return self.rest_state.reading if self.rest_state is not None else None

    @property
    def departed(self) -> frozenset[Bit]:
        """What differs from rest at this moment, bounce included."""
        return self.timeline.departed

    # --- where the job stands, and what is due ---

    @property
    def step(self) -> Step:
        """The step of the job."""
        if self.link.state == "none":
            return "connect"
        if self.resting and self.link.state == "up":
            return "rest"
        if self.has_findings and self.rework:
            return "rework"
        if self.signed_off:
            return "signed-off"
        return "findings" if self.rail_stop else self.phase

    @property
    def has_findings(self) -> bool:
        """True while the builder looks at findings; a short to a rail is one at once."""
        return self.phase == "findings" or self.rail_stop

    @property
    def is_clean(self) -> bool:
        """True from a clean sweep on: only chords are missing, or nothing."""
        return self.phase == "chords" or self.signed_off or bool(self.withheld)

    @property
    def test(self) -> NextTest | None:
        """The press or chord that is asked for beside the findings, because it would tell more
        before anything is mended; None if there is none."""
        asking = self.step == "findings" and not self.rail_stop and self.asks_tests
        return self.tests.asked if asking and self.link.state == "up" and not self.paused else None

    @property
    def todo(self) -> tuple[str, ...]:
        """The keys to press in this round, the one that is due first; () if none is due now."""
        if self.test is not None:
            return self.course.todo
        asking = self.step in ("sweep", "retest") and not self.paused and self.link.state == "up"
        return self.course.todo if asking and not self.asks_chords else ()

    @property
    def chord(self) -> Chord:
        """The keys to hold together now; () if no chord is asked for. After the findings: the first
        of those that were left out, or those of a test."""
        if self.test is not None:
            return self.test.keys if self.test.kind == "chord" else ()
        asking = self.asks_chords and self.step == self.phase  # not at the rest check, say
        if not asking or self.paused or self.link.state != "up" or self.chord_check is None:
            return ()
        check = self.chord_check
        chords = check.not_held if self.phase == "findings" else check.todo
        return chords[0] if chords else ()

    @property
    def chords_done(self) -> tuple[int, int]:
        """How many chords were held, of how many."""
        check = self.chord_check
        return (check.done, check.total) if check is not None else (0, 0)

    @property
    def withheld(self) -> tuple[str, ...]:
        """Why a half whose every key answers as wired is not signed off, one sentence each; () if
        nothing holds it back, or if there are findings to see to first."""
        if self.phase != "findings" or self.verdict is None or self.verdict.verdict != "pass":
            return ()
        lacks = say.chords_missing(self.chord_check) if self.chord_check is not None else ()
        doubted = answers.against_sound(self.circuit, self.answers)
        return (*lacks, *(f"Meter reading in doubt: {each}" for each in doubted))

    @property
    def idle_since_us(self) -> int | None:
        """Probe time since when a press has been awaited: that of the last press, or of the prompt
        for a new round. None while none is awaited."""
        if self.test is not None:
            return self.tests.waiting_since_us
        if self.chord and self.phase != "findings":
            assert self.chord_check is not None
            return self.chord_check.waiting_since_us
        return self.course.waiting_since_us if self.todo else None

    # --- what it all shows ---

    @property
    def diagnosis(self) -> Diagnosis | None:
        """The latest diagnosis that was made; perhaps of fewer observations than there are now."""
        return self.judge.latest

    def observations(self) -> tuple[Observation, ...]:
        """Everything that is evidence now, oldest first."""
        if self.rail_stop and self.rest_state is not None:
            rest = self.rest_state
            return (Observation((), rest.reading, (), rest.t_us, 1, "rest"),)
        chords = self.chord_check.observations() if self.chord_check is not None else ()
        seen = self.course.sweep.observations()
        return (*self.kept, *seen, *self.tests.observations(), *chords)

    def diagnose_now(self, observations: tuple[Observation, ...] | None = None) -> Diagnosis:
        """The diagnosis of these observations (of the present ones if None). Any thread may call
        it with observations it was handed; it never changes what the session decides."""
        seen = self.observations() if observations is None else observations
        return self.judge.diagnose(seen, self.answers)

    def update_diagnosis(self, observations: tuple[Observation, ...] | None = None) -> Diagnosis:
        """The same quickly, to be looked at while presses come: nothing is decided by it."""
        seen = self.observations() if observations is None else observations
        return self.judge.update(seen, self.answers)

    def statuses(self) -> dict[str, KeyStatus]:
        """Every key of the half -> how it stands, in board order; none is "next"."""
        if self.phase != "findings":
            hidden = hidden_at_rest(self.circuit, self.rest)
        else:
            hidden = {m.key for m in self.verdict.cannot_judge} if self.verdict else set()
        return statuses(self.circuit, self.course.sweep, self.base, hidden)

    # --- for the reader and for the journal ---

    def note(self, line: str) -> None:
        """Say what happened."""
        self.notes.append(line)

    def record(self, **fields: Any) -> None:
        """Have a verdict written into the journal."""
        self.records.append({"kind": "verdict", "t": self.now_us, **fields})
