"""The steps of the job: rounds of keys, chords, findings, rework, retest, sign-off.

Here: functions that take a session from one step to the next. Not here: what brings them about,
that is events (fold.py) and what the builder says (commands.py); the rounds of one course
(course.py), the chords of a chord check (chords.py), what old evidence is worth after a repair
(repairs.py, answers.py), wording (say.py).
"""

from __future__ import annotations

from collections.abc import Sequence

from keydiag.diagnosis import Diagnosis, Finding
from keydiag.faults.predict import FaultSet
from keydiag.session import answers, repairs, say, signoff
from keydiag.session.chords import ChordCheck
from keydiag.session.course import Course
from keydiag.session.repairs import Repair
from keydiag.session.state import Phase, State

__all__ = [
    "ask",
    "ask_chords",
    "begin_retest",
    "begin_rework",
    "break_off",
    "chords_over",
    "lacks_presses",
    "leave_test",
    "round_over",
    "say_repairs",
    "say_verdict",
    "show_findings",
    "sweep_anew",
    "test_made",
]

# --- rounds of keys, and chords ---


def begin_course(state: State, phase: Phase, keys: Sequence[str]) -> None:
    """From now on these keys are asked for, in a sweep or a retest."""
    state.phase, state.asks_chords, state.signed_off = phase, False, False
    origin = "retest" if phase == "retest" else "sweep"
    state.course = Course(state.circuit, keys, origin, state.rest_state, state.now_us)
    state.tests.forget()
    state.asks_tests = True
    state.rounds += 1


def sweep_anew(state: State) -> None:
    """Press the whole half, from nothing; past a short to a rail too, if one insists."""
    state.kept, state.base, state.answers, state.chord_check = (), {}, (), None
    state.reworked = False
    state.judge.forget()
    state.rework, state.rail_stop = (), False
    begin_course(state, "sweep", state.circuit.keys)


def ask(state: State, keys: Sequence[str]) -> bool:
    """Ask for a new round of these keys; false if there are none."""
    if keys:
        state.course.begin_round(keys, state.now_us)
        state.rounds += 1
        state.note(say.press_again(keys))
    return bool(keys)


def round_over(state: State, more: bool = True) -> None:
    """The keys asked for are through, or no more will come; `more`: others may be asked for."""
    if more and ask(state, state.course.unclear()):
        return
    diagnosis = state.diagnose_now()
    if more and ask(state, state.course.doubted(diagnosis)):
        return
    if state.phase == "retest" and state.chord_check is not None and state.chord_check.todo:
        ask_chords(state, "retest")
    elif state.phase == "retest":
        _retest_over(state)
    else:
        show_findings(state, diagnosis)


def ask_chords(state: State, phase: Phase) -> None:
    """From now on chords are asked for: those of the check that are not held yet."""
    assert state.chord_check is not None
    state.phase, state.asks_chords, state.signed_off = phase, True, False
    state.rounds += 1
    state.chord_check.take_up(state.now_us)
    if state.chord_check.done:
        state.note(say.chords_again(len(state.chord_check.todo)))


def chords_over(state: State) -> None:
    """The chords asked for were held, or will not be."""
    state.asks_chords, state.fingers_until_us = False, state.now_us
    if state.phase == "retest":
        _retest_over(state)
    else:
        show_findings(state, state.diagnose_now())


def break_off(state: State) -> None:
    """The keys still to come in this round, or the chords, will not be pressed."""
    if state.chord_check is not None:
        state.chord_check.break_off()
    if state.asks_chords:
        chords_over(state)
        return
    state.course.begin_round((), state.now_us, cut=True)
    round_over(state, more=False)


# --- findings and sign-off ---


def show_findings(state: State, diagnosis: Diagnosis) -> None:
    """The keys are through: to the findings, or on to what the sign-off still lacks."""
    state.verdict = diagnosis
    passes = diagnosis.verdict == "pass"
    if passes and state.reworked:  # partly on the strength of presses from before
        state.note(say.SIGN_OFF)
        sweep_anew(state)
        return
    if passes and state.chord_check is None and state.book.plan:
        state.chord_check = ChordCheck(state.book, state.book.plan, state.now_us)
        state.note(say.chords(state.chord_check.total))
        ask_chords(state, "chords")
        return
    testing = state.phase == "findings" and bool(state.course.todo)  # a key not pressed yet
    state.phase = "findings"
    state.tests.suggest(diagnosis, _alive(state, diagnosis), state.now_us)
    test = state.tests.asked
    # From here on keys are pressed in any order, to look at them once more.
    keys = test.keys if test is not None and test.kind == "press" else ()
    state.course.begin_round(state.course.sweep.closed(keys), state.now_us, cut=testing)
    if state.test is not None:
        state.rounds += 1
    withheld = state.withheld
    state.asks_chords = (
        passes and state.chord_check is not None and bool(state.chord_check.not_held)
    )
    state.signed_off = passes and not withheld
    say_verdict(state, diagnosis)
    if state.signed_off:
        state.notes += [f"{say.PROVEN}{line}" for line in signoff.proven(state)]
        state.notes += [f"{say.NOT_PROVEN}{line}" for line in signoff.not_proven(state)]


def _alive(state: State, diagnosis: Diagnosis) -> tuple[FaultSet, ...]:
    """The explanations that a test might tell apart; none is looked for if there is no test."""
    if all(test.kind == "meter" for f in diagnosis.findings for test in f.next_tests):
        return ()
    return state.judge.alive(state.observations(), state.answers)


def test_made(state: State, keys: Sequence[str]) -> None:
    """These keys were pressed or held as the findings suggest: say what that has changed."""
    before = state.verdict
    assert before is not None
    state.tests.made(keys)
    diagnosis = state.diagnose_now()
    for line in say.told(keys, before, diagnosis):
        state.note(line)
    show_findings(state, diagnosis)


def leave_test(state: State, ask_others: bool) -> None:
    """The test that is asked for will not be made."""
    test, verdict = state.test, state.verdict
    assert test is not None and verdict is not None
    state.note(f"{'+'.join(test.keys)} is left out.")
    state.tests.made(test.keys)
    state.asks_tests = ask_others
    show_findings(state, verdict)


def lacks_presses(diagnosis: Diagnosis) -> bool:
    """True if pressing more keys may change the verdict."""
    return bool(diagnosis.not_pressed or diagnosis.press_again or not diagnosis.findings)


def say_verdict(state: State, diagnosis: Diagnosis) -> None:
    """Say and record what was found."""
    withheld = state.withheld
    state.note(say.verdict(diagnosis, withheld))
    titles = [finding.title for finding in diagnosis.findings]
    more = {"missing": list(withheld)} if withheld else {}
    state.record(verdict=diagnosis.verdict, findings=titles, **more)


# --- rework and retest ---


def begin_rework(state: State, diagnosis: Diagnosis, findings: Sequence[Finding]) -> None:
    """These findings are under the iron."""
    state.rework = tuple(findings)
    state.verdict = diagnosis
    state.rest_before = state.rest


def begin_retest(state: State) -> None:
    """Ask for the keys, and then the chords, that tell what became of the rework."""
    wanted = {key for finding in state.rework for key in finding.retest}
    keys = tuple(key for key in state.circuit.keys if key in wanted)
    assert state.rest_before is not None and state.rest is not None
    state.kept_before = tuple(seen for seen in state.observations() if seen.held)
    state.kept = repairs.still_valid(state.kept_before, keys, state.rest_before, state.rest)
    state.base = state.statuses()
    state.answers_before = state.answers
    state.answers = answers.still_valid(state.circuit, state.answers, state.rework)
    # A chord that showed something before shows whether that is gone.
    still = {seen.held for seen in state.kept}
    again = [c for c in state.book.deviating(state.kept_before) if c not in still]
    state.chord_check = ChordCheck(state.book, again, state.now_us) if again else None
    state.reworked = True
    begin_course(state, "retest", keys)
    state.note(say.retest(keys))


def _retest_over(state: State) -> None:
    before = state.verdict
    assert before is not None
    repaired, state.rework = state.rework, ()
    if not state.course.pressed and state.rest == state.rest_before:
        state.kept, state.answers = state.kept_before, state.answers_before
        state.note("Nothing was pressed, so nothing was retested.")
        show_findings(state, state.diagnose_now())
        return
    diagnosis = state.diagnose_now()
    not_held = state.chord_check.not_held if state.chord_check is not None else ()
    unheld = {key for chord in not_held for key in chord}
    verdicts = repairs.judge(repaired, before, diagnosis, unheld)
    say_repairs(state, verdicts)
    failed = {repair.title for repair in verdicts if repair.outcome == "still there"}
    for finding in repaired:
        if finding.title in failed:
            state.judge.note_tried(repairs.first_tried(finding, state.did))
    if failed:
        diagnosis = state.diagnose_now()
    if diagnosis.findings or any(repair.outcome != "confirmed" for repair in verdicts):
        show_findings(state, diagnosis)
        return
    state.note(say.SIGN_OFF)
    sweep_anew(state)


def say_repairs(state: State, verdicts: Sequence[Repair]) -> None:
    """Say and record what became of findings that were reworked."""
    for repair in verdicts:
        state.repairs.append(repair)
        state.note(str(repair))
        state.record(of=repair.title, outcome=repair.outcome)
