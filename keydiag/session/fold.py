"""The fold: journal events in, the state of the job out.

Here: `Session`, which keeps the phase of the work (sweep, chords, findings, retest) and decides
what comes next. Everything is decided from the events and the probe's own time in them, so the same
events always lead to the same state, however many unchanged readings came between. Not here: what
events
must look like (events.py), time on the grid (timeline.py), the rounds of a sweep (course.py), the
chords of a chord check (chords.py), meter answers (answers.py), the diagnosis (judge.py), what old
evidence is worth after a repair (repairs.py), a whole journal (replay.py), the view (view.py),
wording (say.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any, Literal

from keydiag.board import Board
from keydiag.circuit import Circuit, Reading
from keydiag.diagnosis import Diagnosis, Finding, MeterAnswer
from keydiag.errors import UsageError
from keydiag.faults.priors import Table
from keydiag.observe import Bit, Observation, PressEvent, RestState
from keydiag.session import answers, say
from keydiag.session.chords import ChordBook, ChordCheck
from keydiag.session.course import Course
from keydiag.session.events import Event, check, reading_of
from keydiag.session.judge import Judge
from keydiag.session.repairs import Outcome, Repair, first_tried, judge, still_valid
from keydiag.session.standing import hidden_at_rest, statuses
from keydiag.session.timeline import PERIOD_US, Happening, Held, Timeline
from keydiag.session.views import KeyStatus, LinkView, Snapshot, Step

__all__ = ["Session"]

Phase = Literal["sweep", "chords", "findings", "retest"]


class Session:
    """One half on the bench. `apply` every journal event in order; `pass_time` in between.

    extra_pins: ports without a line that are watched for misplaced leads. table: priors other than
    the built-in ones. Everything but `diagnose_now` belongs to one thread.
    """

    def __init__(
        self, board: Board, extra_pins: tuple[str, ...] = (), table: Table | None = None
    ) -> None:
        self.board = board
        self.circuit = Circuit(board, extra_pins)
        self.notes: list[str] = []
        self.repairs: list[Repair] = []
        self.link = LinkView("none", "", "", 0.0, 0, 0)
        self.gone = ""  # why the link is down
        self.paused = False
        self.finished = False  # the builder wants no more of this session
        self.signed_off = False
        self.rounds = 0  # rounds of keys that were asked for since the session began
        self.rework: tuple[Finding, ...] = ()  # what is under the iron
        self._base: dict[str, KeyStatus] = {}  # how keys stood before the present course
        self._judge = Judge(self.circuit, table)
        self._records: list[dict[str, Any]] = []
        self._timeline = Timeline()
        self._rest: RestState | None = None
        self._resting = False  # rest is being checked
        self._rail_stop = False  # a short to a rail: nothing goes on before it is cleared
        self._kept: tuple[Observation, ...] = ()  # from before the present course
        self._kept_before: tuple[Observation, ...] = ()  # the same, if nothing is retested
        self._did = ""  # what was done, in the builder's words
        self._verdict: Diagnosis | None = None  # what the latest findings were
        self._rest_before: Reading | None = None  # rest when the rework began
        self._answers: tuple[MeterAnswer, ...] = ()  # of the meter, that are evidence now
        self._answers_before: tuple[MeterAnswer, ...] = ()  # the same, if nothing is retested
        self._book = ChordBook(self.circuit)
        self._chords: ChordCheck | None = None  # None before chords are first asked for
        self._asks_chords = False  # chords are asked for now, not single keys
        self._fingers_until_us = -1  # what came down until then was a chord's
        self._reworked = False  # since the last sweep of the whole half
        self.phase: Phase = "sweep"
        self.course = self._new_course(self.circuit.keys)

    # --- events ---

    def apply(self, event: Event) -> None:
        """Take in one journal event; kinds the session does not know are passed over.

        JournalError if it lacks what its kind must have.
        """
        if event["kind"] == "reading":
            self._live(self._timeline.change(*reading_of(event, len(self.circuit.pins))))
            return
        check(event)
        if "t" in event:
            self.pass_time(event["t"])
        handler = self._HANDLERS.get(event["kind"])
        if handler is not None:
            handler(self, event)

    def pass_time(self, t_us: int) -> None:
        """The reading has not changed until `t_us`, probe time. That need not be journaled: the
        next event that is carries its time."""
        self._live(self._timeline.pass_time(t_us))

    def plan_chords(self) -> None:
        """Work out which chords will be asked for, which takes seconds on a big half: any thread
        may do so beforehand, so that the readings need not wait for it."""
        _ = self._book.plan

    def take_records(self) -> list[dict[str, Any]]:
        """Events for the journal that the fold itself brought about (verdicts), once. They are for
        people and for the disk: a replay comes to them by itself and passes over them."""
        records, self._records = self._records, []
        return records

    def _live(self, happenings: Iterable[Happening]) -> None:
        for happening in happenings:
            match happening:
                case RestState():
                    self._on_rest(happening)
                case PressEvent():
                    self._on_press(happening)
                case Held():
                    self._on_held(happening)

    # --- what is known ---

    @property
    def now_us(self) -> int:
        """The probe's time, as far as it was told."""
        return self._timeline.now_us

    @property
    def reading(self) -> Reading | None:
        """The latest reading; None while there is none."""
        return self._timeline.reading

    @property
    def rest(self) -> Reading | None:
        """The latest rest baseline; None before the first."""
        return self._rest.reading if self._rest is not None else None

    @property
    def departed(self) -> frozenset[Bit]:
        """What differs from rest at this moment, bounce included."""
        return self._timeline.departed

    @property
    def step(self) -> Step:
        """The step of the job."""
        if self.link.state == "none":
            return "connect"
        if self._resting and self.link.state == "up":
            return "rest"
        if self._has_findings and self.rework:
            return "rework"
        if self.signed_off:
            return "signed-off"
        return "findings" if self._rail_stop else self.phase

    @property
    def _has_findings(self) -> bool:
        """True while the builder looks at findings; a short to a rail is one at once."""
        return self.phase == "findings" or self._rail_stop

    @property
    def todo(self) -> tuple[str, ...]:
        """The keys to press in this round, the one that is due first; () if none is due now."""
        asking = self.step in ("sweep", "retest") and not self.paused and self.link.state == "up"
        return self.course.todo if asking and not self._asks_chords else ()

    @property
    def chord(self) -> tuple[str, ...]:
        """The keys to hold together now; () if no chord is asked for. After the findings: the first
        of those that were left out."""
        asking = self._asks_chords and self.step == self.phase  # not at the rest check, say
        if not asking or self.paused or self.link.state != "up" or self._chords is None:
            return ()
        chords = self._chords.not_held if self.phase == "findings" else self._chords.todo
        return chords[0] if chords else ()

    @property
    def chords_done(self) -> tuple[int, int]:
        """How many chords were held, of how many."""
        return (self._chords.done, self._chords.total) if self._chords is not None else (0, 0)

    @property
    def missing(self) -> str:
        """What the sign-off lacks though every key answers as wired, one sentence; "" if nothing,
        or if there are findings to see to first."""
        verdict = self._verdict.verdict if self._verdict is not None else ""
        if self.phase != "findings" or verdict != "pass" or self._chords is None:
            return ""
        return say.chords_missing(self._chords)

    @property
    def idle_since_us(self) -> int | None:
        """Probe time since when a press has been awaited: that of the last press, or of the prompt
        for a new round. None while none is awaited."""
        if self.chord and self.phase != "findings":
            assert self._chords is not None
            return self._chords.waiting_since_us
        return self.course.waiting_since_us if self.todo else None

    @property
    def diagnosis(self) -> Diagnosis | None:
        """The latest diagnosis that was made; perhaps of fewer observations than there are now."""
        return self._judge.latest

    def observations(self) -> tuple[Observation, ...]:
        """Everything that is evidence now, oldest first."""
        if self._rail_stop and self._rest is not None:
            rest = self._rest
            return (Observation((), rest.reading, (), rest.t_us, 1, "rest"),)
        chords = self._chords.observations() if self._chords is not None else ()
        return (*self._kept, *self.course.sweep.observations(), *chords)

    def diagnose_now(self, observations: tuple[Observation, ...] | None = None) -> Diagnosis:
        """The diagnosis of these observations (of the present ones if None). Any thread may call
        it with observations it was handed; it never changes what the session decides."""
        seen = self.observations() if observations is None else observations
        return self._judge.diagnose(seen, self._answers)

    def snapshot(self, diagnose: bool = False) -> Snapshot:
        """The session at this moment; with `diagnose` its diagnosis is brought up to date first."""
        if diagnose and self._rest is not None:
            self.diagnose_now()
        from keydiag.session.view import snapshot_of  # here, because it looks at this class

        return snapshot_of(self)

    def statuses(self) -> dict[str, KeyStatus]:
        """Every key of the half -> how it stands, in board order; none is "next"."""
        if self.phase != "findings":
            hidden = hidden_at_rest(self.circuit, self.rest)
        else:
            hidden = {m.key for m in self._verdict.cannot_judge} if self._verdict else set()
        return statuses(self.circuit, self.course.sweep, self._base, hidden)

    # --- the link ---

    def _on_hello(self, event: Event) -> None:
        found = "found" if self.link.state == "none" else "back"
        port = str(event.get("port", self.link.port))
        self.link = replace(self.link, state="up", port=port, chip=str(event["chip"]))
        self._live(self._timeline.restart(self.now_us))
        self._rework_unasked()
        self._resting = True
        where = f" on {port}" if port else ""
        self._note(f"Probe {found}{where}: {self.link.chip}, build {event.get('build', '?')}.")

    def _on_link(self, event: Event) -> None:
        if event["up"]:
            self._on_hello(event)
            return
        self.link = replace(self.link, state="down")
        self._live(self._timeline.restart(self.now_us))
        self.gone = str(event.get("reason", "")) or "unplugged"
        self._note(f"The probe is gone: {self.gone}.")
        self._rework_unasked()

    def _rework_unasked(self) -> None:
        """Unplugged while there are findings: take it that the iron was used, so that hands need
        not leave the half to say so. A retest in which nothing is pressed changes nothing."""
        if self._has_findings and not self.rework and self._rest is not None:
            self._did = ""
            diagnosis = self.diagnose_now()
            if diagnosis.findings:
                self._begin_rework(diagnosis, diagnosis.findings)

    def _on_counted(self, event: Event) -> None:
        self.link = replace(self.link, corrupt=int(event["corrupt"]), lost=int(event["lost"]))

    def _on_pace(self, event: Event) -> None:
        rate = 1e6 / max(PERIOD_US, int(event["reading_us"]))
        self.link = replace(self.link, readings_per_s=rate)

    def _on_probe(self, event: Event) -> None:
        self._note(f"The probe says: {event['text']} ({event['code']}).")

    # --- rest ---

    def _on_rest(self, rest: RestState) -> None:
        self._rest = rest
        self.course.sweep.note_rest(rest)
        was_resting, self._resting = self._resting, False
        stopped = self._rail_stop
        for line in say.rest_note(self.circuit, rest.reading):
            if was_resting or line != say.CLEAN_REST:
                self._note(line)
        self.course.waiting_since_us = max(self.course.waiting_since_us, self.now_us)
        self._rail_stop = say.rail_alert(self.circuit, rest.reading) is not None
        if stopped and self.rework:
            outcome: Outcome = "still there" if self._rail_stop else "confirmed"
            self._say_repairs(tuple(Repair(f.title, outcome) for f in self.rework))
            self.rework = ()
        if self._rail_stop:
            self._say_verdict(self.diagnose_now())
            return
        if stopped:
            self._judge.forget()
        if was_resting and self.rework and self.phase == "findings":
            self._begin_retest()
        elif self._is_clean and (stopped or rest.reading != self.circuit.healthy_rest):
            self._note(say.REST_CHANGED)  # so no press before it is worth anything
            self._sweep_anew({})
        elif was_resting and self.phase != "findings":
            self.rounds += 1  # the round that was going on is asked for anew
        elif was_resting and self._asks_chords:
            self._ask_chords("chords")
        elif was_resting and self._verdict is not None and self._verdict.verdict == "incomplete":
            self.phase = "sweep"
            missing = self._verdict.not_pressed + self._verdict.press_again
            self._ask(self.course.sweep.closed(tuple(dict.fromkeys(missing))))
        elif self._verdict is not None and not self.rework:
            diagnosis = self.diagnose_now()
            if diagnosis.verdict != self._verdict.verdict:
                self._show_findings(diagnosis)

    # --- presses ---

    def _on_press(self, event: PressEvent) -> None:
        if self.paused or self._resting or self._rail_stop:
            return
        if self._asks_chords and self._chords is not None:
            # Keys come down one after the other, but the chord is what counts.
            self._chords.touched(event.until_us)
            return
        if event.t_us <= self._fingers_until_us:
            return
        self.course.feed(event)
        self.notes += self.course.changes()
        if not event.done:
            return
        if self.phase != "findings":
            if not self.course.todo:
                self._round_over()
        elif self._verdict is not None and self._lacks_presses(self._verdict):
            diagnosis = self.diagnose_now()
            if diagnosis.verdict != self._verdict.verdict or not self._lacks_presses(diagnosis):
                self._show_findings(diagnosis)

    def _on_held(self, held: Held) -> None:
        if not self.chord or self._chords is None or self._rest is None:
            return
        if self.phase == "findings":
            self._chords.take_up(self._chords.waiting_since_us)
        note = say.chord_note(*self._chords.hear(held, self._rest.reading))
        if note is not None:
            self._note(note)
        if not self._chords.todo:
            self._chords_over()

    @staticmethod
    def _lacks_presses(diagnosis: Diagnosis) -> bool:
        """True if pressing more keys may change the verdict."""
        return bool(diagnosis.not_pressed or diagnosis.press_again or not diagnosis.findings)

    def _on_idle(self, event: Event) -> None:
        if self.chord:
            self._break_off()
            return
        if not self.todo:
            return
        if not self.course.round_pressed:
            self._break_off()  # nobody is there, asking again is no use
            return
        self.course.sweep.finish()
        self.notes += self.course.changes()
        self._round_over()

    def _break_off(self) -> None:
        """The keys still to come in this round, or the chords, will not be pressed."""
        if self._chords is not None:
            self._chords.break_off()
        if self._asks_chords:
            self._chords_over()
            return
        self.course.begin_round((), self.now_us, cut=True)
        self._round_over(ask=False)

    def _round_over(self, ask: bool = True) -> None:
        """The keys asked for are through, or no more will come."""
        if ask and self._ask(self.course.unclear()):
            return
        diagnosis = self.diagnose_now()
        if ask and self._ask(self.course.doubted(diagnosis)):
            return
        if self.phase == "retest" and self._chords is not None and self._chords.todo:
            self._ask_chords("retest")
        elif self.phase == "retest":
            self._retest_over()
        else:
            self._show_findings(diagnosis)

    def _ask(self, keys: Sequence[str]) -> bool:
        if keys:
            self.course.begin_round(keys, self.now_us)
            self.rounds += 1
            self._note(say.press_again(keys))
        return bool(keys)

    # --- phases ---

    @property
    def _is_clean(self) -> bool:
        """True from a clean sweep on: only chords are missing, or nothing."""
        return self.phase == "chords" or self.signed_off or bool(self.missing)

    def _ask_chords(self, phase: Phase) -> None:
        """From now on chords are asked for: those of the check that are not held yet."""
        assert self._chords is not None
        self.phase, self._asks_chords, self.signed_off = phase, True, False
        self.rounds += 1
        self._chords.take_up(self.now_us)
        if self._chords.done:
            self._note(say.chords_again(len(self._chords.todo)))

    def _chords_over(self) -> None:
        self._asks_chords, self._fingers_until_us = False, self.now_us
        if self.phase == "retest":
            self._retest_over()
        else:
            self._show_findings(self.diagnose_now())

    def _begin_course(self, phase: Phase, keys: Sequence[str]) -> None:
        self.phase, self._asks_chords = phase, False
        self.course = self._new_course(keys)
        self.rounds += 1
        self.signed_off = False

    def _new_course(self, keys: Sequence[str]) -> Course:
        origin = "retest" if self.phase == "retest" else "sweep"
        return Course(self.circuit, keys, origin, self._rest, self.now_us)

    def _show_findings(self, diagnosis: Diagnosis) -> None:
        self._verdict = diagnosis
        passes = diagnosis.verdict == "pass"
        if passes and self._reworked:  # partly on the strength of presses from before
            self._note(say.SIGN_OFF)
            self._sweep_anew({})
            return
        if passes and self._chords is None and self._book.plan:
            self._chords = ChordCheck(self._book, self._book.plan, self.now_us)
            self._note(say.chords(self._chords.total))
            self._ask_chords("chords")
            return
        self.phase = "findings"
        # From here on keys are pressed in any order, to look at them once more.
        self.course.begin_round((), self.now_us)
        self._asks_chords = passes and bool(self.missing)
        self.signed_off = passes and not self.missing
        self._say_verdict(diagnosis)

    def _say_verdict(self, diagnosis: Diagnosis) -> None:
        self._note(say.verdict(diagnosis, self.missing))
        titles = [finding.title for finding in diagnosis.findings]
        more = {"missing": self.missing} if self.missing else {}
        self._record(verdict=diagnosis.verdict, findings=titles, **more)

    def _say_repairs(self, repairs: Sequence[Repair]) -> None:
        for repair in repairs:
            self.repairs.append(repair)
            self._note(str(repair))
            self._record(of=repair.title, outcome=repair.outcome)

    def _begin_rework(self, diagnosis: Diagnosis, findings: Sequence[Finding]) -> None:
        self.rework = tuple(findings)
        self._verdict = diagnosis
        self._rest_before = self.rest

    def _begin_retest(self) -> None:
        wanted = {key for finding in self.rework for key in finding.retest}
        keys = tuple(key for key in self.circuit.keys if key in wanted)
        assert self._rest_before is not None and self.rest is not None
        self._kept_before = tuple(seen for seen in self.observations() if seen.held)
        self._kept = still_valid(self._kept_before, keys, self._rest_before, self.rest)
        self._base = self.statuses()
        self._answers_before = self._answers
        self._answers = answers.still_valid(self.circuit, self._answers, self.rework)
        # A chord that showed something before shows whether that is gone.
        still = {seen.held for seen in self._kept}
        again = [c for c in self._book.deviating(self._kept_before) if c not in still]
        self._chords = ChordCheck(self._book, again, self.now_us) if again else None
        self._reworked = True
        self._begin_course("retest", keys)
        self._note(say.retest(keys))

    def _retest_over(self) -> None:
        before = self._verdict
        assert before is not None
        repaired, self.rework = self.rework, ()
        if not self.course.pressed and self.rest == self._rest_before:
            self._kept, self._answers = self._kept_before, self._answers_before
            self._note("Nothing was pressed, so nothing was retested.")
            self._show_findings(self.diagnose_now())
            return
        diagnosis = self.diagnose_now()
        unheld = {key for chord in self._unheld for key in chord}
        verdicts = judge(repaired, before, diagnosis, unheld)
        self._say_repairs(verdicts)
        failed = {repair.title for repair in verdicts if repair.outcome == "still there"}
        for finding in repaired:
            if finding.title in failed:
                self._judge.note_tried(first_tried(finding, self._did))
        if failed:
            diagnosis = self.diagnose_now()
        if diagnosis.findings or any(repair.outcome != "confirmed" for repair in verdicts):
            self._show_findings(diagnosis)
            return
        self._note(say.SIGN_OFF)
        self._sweep_anew({})

    # --- what the builder says ---

    def _on_command(self, event: Event) -> None:
        command = self._COMMANDS.get(event["name"])
        if command is None:
            self._note(f"There is no command {event['name']!r}.")
        else:
            command(self, event)

    @property
    def _unheld(self) -> tuple[tuple[str, ...], ...]:
        return self._chords.not_held if self._chords is not None else ()

    def _pause(self, event: Event) -> None:
        self.paused = True

    def _resume(self, event: Event) -> None:
        self.paused = False
        self.course.waiting_since_us = self.now_us
        if self._chords is not None:
            self._chords.waiting_since_us = self.now_us

    def _finish(self, event: Event) -> None:
        if self.step in ("sweep", "retest", "chords"):
            self._break_off()
        else:
            self.finished = True

    def _skip(self, event: Event) -> None:
        """Leave out the key that is due, or the chord."""
        if self.chord and self._chords is not None and self.phase != "findings":
            left = self._chords.skip(self.now_us)
            self._note(f"{'+'.join(left)} is left out.")
            if not self._chords.todo:
                self._chords_over()
            return
        skipped = self.course.skip(self.now_us) if self.todo else None
        if skipped is not None:
            self._note(f"{skipped} is left out.")
            if not self.course.todo:
                self._round_over()

    def _back(self, event: Event) -> None:
        """Ask for the key before the one that is due once more."""
        if self.todo:
            self.course.back(self.now_us)
        else:
            self._chord_again()

    def _again(self, event: Event) -> None:
        """Ask for the key that answered last once more."""
        if self.todo:
            self.course.again(self.now_us)
        else:
            self._chord_again()

    def _chord_again(self) -> None:
        if self.chord and self._chords is not None and self.phase != "findings":
            self._chords.again(self.now_us)

    def _rework(self, event: Event) -> None:
        """Something was repaired, or is about to be. `did` names it (a finding's title, a member's
        words, or free text); if it names no finding, all of them may have been worked on."""
        diagnosis = self.diagnose_now()
        if not diagnosis.findings or self.step not in ("findings", "rework"):
            return
        self._did = did = str(event.get("did", "")).strip()
        named = [
            finding
            for finding in diagnosis.findings
            if did == finding.title or did in {member.words for member in finding.members}
        ]
        if did:
            self._note(f"Repaired: {did}.")
        self._begin_rework(diagnosis, named or diagnosis.findings)

    def _retest(self, event: Event) -> None:
        """Retest without unplugging (it was the board file, say)."""
        if self.phase == "findings" and self.link.state == "up" and not self._resting:
            if not self.rework:
                self._rework({})
            if self.rework:
                self._begin_retest()

    def _sweep_anew(self, event: Event) -> None:
        """Press the whole half, from nothing; past a short to a rail too, if one insists."""
        self._kept, self._base, self._answers, self._chords = (), {}, (), None
        self._reworked = False
        self._judge.forget()
        self.rework, self._rail_stop = (), False
        self._begin_course("sweep", self.circuit.keys)

    def _on_answer(self, event: Event) -> None:
        try:
            answer = answers.answer_of(self.circuit, event["code"], event["value"])
        except UsageError as error:
            self._note(f"The meter's answer does not count: {error}.")
            return
        self._answers = answers.added(self._answers, answer)
        self._note(answers.words(self.circuit, answer))
        before = self._verdict
        if self.phase != "findings" or self._rail_stop or before is None:
            return  # it counts when there are findings
        diagnosis = self.diagnose_now()
        for told in diagnosis.contradictions:
            if told not in before.contradictions:
                self._note(told)
        if not self.rework:
            self._show_findings(diagnosis)
            return
        # The meter is used with the cable off, when rework may have begun.
        if not self._did and diagnosis.findings:
            self._begin_rework(diagnosis, diagnosis.findings)
        self._say_verdict(diagnosis)

    def _on_end(self, event: Event) -> None:
        self._live(self._timeline.restart(self.now_us))
        if self.link.state == "up":
            self.link = replace(self.link, state="down")
            self.gone = "the session was closed"

    _HANDLERS: dict[str, Callable[[Session, Event], None]] = {
        "hello": _on_hello,
        "link": _on_link,
        "counted": _on_counted,
        "pace": _on_pace,
        "probe": _on_probe,
        "idle": _on_idle,
        "command": _on_command,
        "answer": _on_answer,
        "repair": _rework,
        "end": _on_end,
    }
    _COMMANDS: dict[str, Callable[[Session, Event], None]] = {
        "pause": _pause,
        "resume": _resume,
        "finish": _finish,
        "skip": _skip,
        "back": _back,
        "again": _again,
        "rework": _rework,
        "retest": _retest,
        "sweep": _sweep_anew,
    }

    def _note(self, line: str) -> None:
        self.notes.append(line)

    def _record(self, **fields: Any) -> None:
        self._records.append({"kind": "verdict", "t": self.now_us, **fields})
