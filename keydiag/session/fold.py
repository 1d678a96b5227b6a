"""The fold: journal events in, the state of the job out.

Here: `Session`, which takes in what comes from the probe (link, rest, presses, chords, silence) and
hands on what the builder says. Everything is decided from the events and the probe's own time in
them, so the same events always lead to the same state, however many unchanged readings came
between. Not here: what is remembered (state.py), the steps (steps.py), what the builder says
(commands.py), what events must look like (events.py), time on the grid (timeline.py), a whole
journal (replay.py), the view (view.py), wording (say.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from keydiag.observe import PressEvent, RestState
from keydiag.session import commands, say, steps
from keydiag.session.events import Event, check, reading_of
from keydiag.session.repairs import Outcome, Repair
from keydiag.session.state import State
from keydiag.session.timeline import PERIOD_US, Happening, Held
from keydiag.session.views import Snapshot

__all__ = ["Session"]


class Session(State):
    """One half on the bench. `apply` every journal event in order; `pass_time` in between.

    extra_pins: ports without a line that are watched for misplaced leads. table: priors other than
    the built-in ones. Everything but `diagnose_now` and `update_diagnosis` belongs to one thread.
    """

    # --- events ---

    def apply(self, event: Event) -> None:
        """Take in one journal event; kinds the session does not know are passed over.

        JournalError if it lacks what its kind must have.
        """
        if event["kind"] == "reading":
            self._live(self.timeline.change(*reading_of(event, len(self.circuit.pins))))
            return
        check(event)
        if "t" in event:
            self.pass_time(event["t"])
        if event["kind"] in commands.KINDS:
            commands.obey(self, event)
            return
        handler = self._HANDLERS.get(event["kind"])
        if handler is not None:
            handler(self, event)

    def pass_time(self, t_us: int) -> None:
        """The reading has not changed until `t_us`, probe time. That need not be journaled: the
        next event that is carries its time."""
        self._live(self.timeline.pass_time(t_us))

    def _live(self, happenings: Iterable[Happening]) -> None:
        for happening in happenings:
            match happening:
                case RestState():
                    self._on_rest(happening)
                case PressEvent():
                    self._on_press(happening)
                case Held():
                    self._on_held(happening)

    # --- for those around it ---

    def plan_chords(self) -> None:
        """Work out which chords will be asked for, which takes seconds on a big half: any thread
        may do so beforehand, so that the readings need not wait for it."""
        _ = self.book.plan

    def take_records(self) -> list[dict[str, Any]]:
        """Events for the journal that the fold itself brought about (verdicts), once. They are for
        people and for the disk: a replay comes to them by itself and passes over them."""
        records, self.records = self.records, []
        return records

    def snapshot(self, diagnose: bool = False) -> Snapshot:
        """The session at this moment; with `diagnose` its diagnosis is brought up to date first."""
        if diagnose and self.rest_state is not None:
            self.diagnose_now()
        from keydiag.session.view import snapshot_of  # here, because it looks at this class

        return snapshot_of(self)

    # --- the link ---

    def _on_hello(self, event: Event) -> None:
        found = "found" if self.link.state == "none" else "back"
        port = str(event.get("port", self.link.port))
        self.link = replace(self.link, state="up", port=port, chip=str(event["chip"]))
        self._live(self.timeline.restart(self.now_us))
        self._rework_unasked()
        self.resting = True
        where = f" on {port}" if port else ""
        self.note(f"Probe {found}{where}: {self.link.chip}, build {event.get('build', '?')}.")

    def _on_link(self, event: Event) -> None:
        if event["up"]:
            self._on_hello(event)
            return
        self.link = replace(self.link, state="down")
        self._live(self.timeline.restart(self.now_us))
        self.gone = str(event.get("reason", "")) or "unplugged"
        self.note(f"The probe is gone: {self.gone}.")
        self._rework_unasked()

    def _rework_unasked(self) -> None:
        """Unplugged while there are findings: take it that the iron was used, so that hands need
        not leave the half to say so. A retest in which nothing is pressed changes nothing."""
        if self.has_findings and not self.rework and self.rest_state is not None:
            self.did = ""
            diagnosis = self.diagnose_now()
            if diagnosis.findings:
                steps.begin_rework(self, diagnosis, diagnosis.findings)

    def _on_counted(self, event: Event) -> None:
        self.link = replace(self.link, corrupt=int(event["corrupt"]), lost=int(event["lost"]))

    def _on_pace(self, event: Event) -> None:
        rate = 1e6 / max(PERIOD_US, int(event["reading_us"]))
        self.link = replace(self.link, readings_per_s=rate)

    def _on_probe(self, event: Event) -> None:
        self.note(f"The probe says: {event['text']} ({event['code']}).")

    def _on_end(self, event: Event) -> None:
        self._live(self.timeline.restart(self.now_us))
        if self.link.state == "up":
            self.link = replace(self.link, state="down")
            self.gone = "the session was closed"

    # --- rest ---

    def _on_rest(self, rest: RestState) -> None:
        self.rest_state = rest
        self.course.sweep.note_rest(rest)
        was_resting, self.resting = self.resting, False
        stopped = self.rail_stop
        for line in say.rest_note(self.circuit, rest.reading):
            if was_resting or line != say.CLEAN_REST:
                self.note(line)
        self.course.waiting_since_us = max(self.course.waiting_since_us, self.now_us)
        self.rail_stop = say.rail_alert(self.circuit, rest.reading) is not None
        if stopped and self.rework:
            outcome: Outcome = "still there" if self.rail_stop else "confirmed"
            steps.say_repairs(self, tuple(Repair(f.title, outcome) for f in self.rework))
            self.rework = ()
        if self.rail_stop:
            steps.say_verdict(self, self.diagnose_now())
            return
        if stopped:
            self.judge.forget()
        if was_resting and self.rework and self.phase == "findings":
            steps.begin_retest(self)
        elif self.is_clean and (stopped or rest.reading != self.circuit.healthy_rest):
            self.note(say.REST_CHANGED)  # so no press before it is worth anything
            steps.sweep_anew(self)
        elif was_resting and self.phase != "findings":
            self.rounds += 1  # the round that was going on is asked for anew
        elif was_resting and self.asks_chords:
            steps.ask_chords(self, "chords")
        elif was_resting and self.verdict is not None and self.verdict.verdict == "incomplete":
            self.phase = "sweep"
            missing = self.verdict.not_pressed + self.verdict.press_again
            steps.ask(self, self.course.sweep.closed(tuple(dict.fromkeys(missing))))
        elif self.verdict is not None and not self.rework:
            diagnosis = self.diagnose_now()
            if diagnosis.verdict != self.verdict.verdict:
                steps.show_findings(self, diagnosis)

    # --- presses ---

    def _on_press(self, event: PressEvent) -> None:
        if self.paused or self.resting or self.rail_stop:
            return
        if self.asks_chords and self.chord_check is not None:
            # Keys come down one after the other, but the chord is what counts.
            self.chord_check.touched(event.until_us)
            return
        if event.t_us <= self.fingers_until_us:
            return
        self.tests.touched(event.until_us)
        if self.phase == "findings" and self.tests.chords and not event.done:
            return  # it may yet become a chord
        self.course.feed(event)
        self.notes += self.course.changes()
        if not event.done:
            return
        if self.phase != "findings":
            if not self.course.todo:
                steps.round_over(self)
        elif self.test is not None and self.test.kind == "press":
            (key,) = self.test.keys
            if key not in self.course.todo:
                steps.test_made(self, (key,))
        elif self.verdict is not None and steps.lacks_presses(self.verdict):
            diagnosis = self.diagnose_now()
            changed = diagnosis.verdict != self.verdict.verdict
            if changed or not steps.lacks_presses(diagnosis):
                steps.show_findings(self, diagnosis)

    def _on_held(self, held: Held) -> None:
        if self.rest_state is not None and self._takes_tests:
            chord = self.tests.hear(held, self.rest_state.reading, self.observations())
            if chord:
                self.fingers_until_us = self.now_us
                steps.test_made(self, chord)
            return
        if held.long or not self.chord or self.chord_check is None or self.rest_state is None:
            return
        if self.phase == "findings":
            self.chord_check.take_up(self.chord_check.waiting_since_us)
        note = say.chord_note(*self.chord_check.hear(held, self.rest_state.reading))
        if note is not None:
            self.note(note)
        if not self.chord_check.todo:
            steps.chords_over(self)

    @property
    def _takes_tests(self) -> bool:
        """True while a chord that the findings suggest counts, asked for or not."""
        at_findings = self.step == "findings" and not self.rail_stop and not self.asks_chords
        return at_findings and not self.paused and bool(self.tests.chords)

    def _on_idle(self, event: Event) -> None:
        if self.test is not None:
            if self.test.kind == "press" and self.course.round_pressed:
                # A key has answered since it was asked for: somebody is there.
                keys = self.test.keys
                self.course.sweep.finish()
                self.course.begin_round((), self.now_us)
                steps.test_made(self, keys)
            else:
                steps.leave_test(self, ask_others=False)
            return
        if self.chord:
            steps.break_off(self)
            return
        if not self.todo:
            return
        if not self.course.round_pressed:
            steps.break_off(self)  # nobody is there, asking again is no use
            return
        self.course.sweep.finish()
        self.notes += self.course.changes()
        steps.round_over(self)

    _HANDLERS: dict[str, Callable[[Session, Event], None]] = {
        "hello": _on_hello,
        "link": _on_link,
        "counted": _on_counted,
        "pace": _on_pace,
        "probe": _on_probe,
        "idle": _on_idle,
        "end": _on_end,
    }
