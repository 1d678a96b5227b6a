"""What the builder says: commands, repairs declared, answers of the meter.

Here: `obey`, which takes in one such event. Not here: the steps these lead to (steps.py), and
which fields the events must have (events.py).
"""

from __future__ import annotations

from collections.abc import Callable

from keydiag.errors import UsageError
from keydiag.session import answers, steps
from keydiag.session.events import Event
from keydiag.session.state import State

__all__ = ["KINDS", "obey"]

KINDS = ("command", "repair", "answer")
"""The kinds of events that are taken in here."""


def obey(state: State, event: Event) -> None:
    """Take in what the builder said; `event` has passed events.check."""
    match event["kind"]:
        case "repair":
            _rework(state, event)
        case "answer":
            _answer(state, event)
        case "command":
            command = _COMMANDS.get(event["name"])
            if command is None:
                state.note(f"There is no command {event['name']!r}.")
            else:
                command(state, event)


def _pause(state: State, event: Event) -> None:
    state.paused = True


def _resume(state: State, event: Event) -> None:
    state.paused = False
    state.course.waiting_since_us = state.now_us
    if state.chord_check is not None:
        state.chord_check.waiting_since_us = state.now_us


def _finish(state: State, event: Event) -> None:
    if state.step in ("sweep", "retest", "chords"):
        steps.break_off(state)
    else:
        state.finished = True


def _skip(state: State, event: Event) -> None:
    """Leave out the key that is due, or the chord, or a test."""
    if state.test is not None:
        steps.leave_test(state, ask_others=True)
        return
    if state.chord and state.chord_check is not None and state.phase != "findings":
        left = state.chord_check.skip(state.now_us)
        state.note(f"{'+'.join(left)} is left out.")
        if not state.chord_check.todo:
            steps.chords_over(state)
        return
    skipped = state.course.skip(state.now_us) if state.todo else None
    if skipped is not None:
        state.note(f"{skipped} is left out.")
        if not state.course.todo:
            steps.round_over(state)


def _back(state: State, event: Event) -> None:
    """Ask for the key before the one that is due once more."""
    if state.todo:
        state.course.back(state.now_us)
    else:
        _chord_again(state)


def _again(state: State, event: Event) -> None:
    """Ask for the key that answered last once more."""
    if state.todo:
        state.course.again(state.now_us)
    else:
        _chord_again(state)


def _chord_again(state: State) -> None:
    if state.chord and state.chord_check is not None and state.phase != "findings":
        state.chord_check.again(state.now_us)


def _rework(state: State, event: Event) -> None:
    """Something was repaired, or is about to be. `did` names it (a finding's title, a member's
    words, or free text); if it names no finding, all of them may have been worked on."""
    diagnosis = state.diagnose_now()
    if not diagnosis.findings or state.step not in ("findings", "rework"):
        return
    state.did = did = str(event.get("did", "")).strip()
    named = [
        finding
        for finding in diagnosis.findings
        if did == finding.title or did in {member.words for member in finding.members}
    ]
    if did:
        state.note(f"Repaired: {did}.")
    steps.begin_rework(state, diagnosis, named or diagnosis.findings)


def _retest(state: State, event: Event) -> None:
    """Retest without unplugging (it was the board file, say)."""
    if state.phase == "findings" and state.link.state == "up" and not state.resting:
        if not state.rework:
            _rework(state, {})
        if state.rework:
            steps.begin_retest(state)


def _sweep(state: State, event: Event) -> None:
    steps.sweep_anew(state)


def _answer(state: State, event: Event) -> None:
    try:
        answer = answers.answer_of(state.circuit, event["code"], event["value"])
    except UsageError as error:
        state.note(f"The meter's answer does not count: {error}.")
        return
    state.answers = answers.added(state.answers, answer)
    state.note(answers.words(state.circuit, answer))
    before = state.verdict
    if state.phase != "findings" or state.rail_stop or before is None:
        return  # it counts when there are findings
    diagnosis = state.diagnose_now()
    for told in diagnosis.contradictions:
        if told not in before.contradictions:
            state.note(told)
    if not state.rework:
        steps.show_findings(state, diagnosis)
        return
    # The meter is used with the cable off, when rework may have begun.
    if not state.did and diagnosis.findings:
        steps.begin_rework(state, diagnosis, diagnosis.findings)
    steps.say_verdict(state, diagnosis)


_COMMANDS: dict[str, Callable[[State, Event], None]] = {
    "pause": _pause,
    "resume": _resume,
    "finish": _finish,
    "skip": _skip,
    "back": _back,
    "again": _again,
    "rework": _rework,
    "retest": _retest,
    "sweep": _sweep,
}
