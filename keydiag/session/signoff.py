"""The sign-off: what is still missing for it, what it proves and with what, and what it does not.

Here: pure questions to a session's memory, answered in plain sentences. Not here: when the sign-off
is given (steps.py), and how views lay the sentences out.
"""

from __future__ import annotations

from collections.abc import Iterable

from keydiag.diagnosis import Diagnosis, Finding
from keydiag.diagnosis.words import list_words, rest_words
from keydiag.faults import pack
from keydiag.session import say
from keydiag.session.state import State

__all__ = ["NOT_PROVEN", "keys_missing", "missing", "not_proven", "proven"]

MOST_KEYS = 60  # named in one sentence: all keys of any half

NOT_PROVEN = (
    "A digital reading proves a path below a few kilo-ohms, not a good solder joint: a cold joint"
    " that still conducts passes.",
    "Every press is a moment: a contact that opens only when the half is bent, warm or shaken need"
    " not have shown.",
)
"""What holds for every half."""


def missing(state: State, diagnosis: Diagnosis | None = None) -> tuple[str, ...]:
    """What lies between the session as it stands and the sign-off, most urgent first; () once it is
    given. diagnosis: the present one, if the one that the session last decided on will not do."""
    if state.signed_off:
        return ()
    if diagnosis is None:
        diagnosis = state.verdict if state.phase == "findings" else None
        if state.rail_stop:
            diagnosis = state.diagnosis
    found = diagnosis.findings if diagnosis is not None else ()
    return (
        *_rest(state),
        *_findings(state, found),
        *_meter(diagnosis),
        *_keys(state, diagnosis),
        *_sweep(state, found),
        *_chords(state),
    )


def _rest(state: State) -> Iterable[str]:
    if state.rest is None:
        yield "Rest check: not made yet."
        return
    for words in rest_words(state.circuit, pack(state.rest)):
        yield f"Rest check: not clean. {words}"


def _findings(state: State, found: Iterable[Finding]) -> Iterable[str]:
    reworked = {finding.title for finding in state.rework}
    for finding in state.rework:
        keys = f": press {list_words(finding.retest, MOST_KEYS)}" if finding.retest else ""
        yield f"Finding in rework: {finding.title}; it is to be retested{keys}."
    for finding in found:
        if finding.title not in reworked:
            yield f"Finding open: {finding.title}; it is to be mended and retested."


def _meter(diagnosis: Diagnosis | None) -> Iterable[str]:
    if diagnosis is None or not diagnosis.findings:
        return  # then withheld has them
    for finding in diagnosis.findings:
        test = next((t for t in finding.next_tests if t.kind == "meter"), None)
        if test is not None and len(finding.members) > 1:
            yield (
                f"Meter question open, to tell the {len(finding.members)} places of"
                f" {finding.title} apart: {test.what.removeprefix('meter: ')}."
            )
    for told in diagnosis.contradictions:
        yield f"Meter reading in doubt: {told}"


def _keys(state: State, diagnosis: Diagnosis | None) -> Iterable[str]:
    if diagnosis is None:
        return
    by_cause: dict[tuple[str, ...], list[str]] = {}
    for each in diagnosis.cannot_judge:
        by_cause.setdefault(each.until, []).append(each.key)
    for until, keys in by_cause.items():
        yield (
            f"Keys not judged: {list_words(keys, MOST_KEYS)}; first mend {list_words(until, 6)}."
        )
    yield from keys_missing(diagnosis)


def keys_missing(diagnosis: Diagnosis) -> Iterable[str]:
    """The keys that are to be pressed before a diagnosis is complete."""
    if diagnosis.not_pressed:
        keys = list_words(diagnosis.not_pressed, MOST_KEYS)
        yield f"Keys not pressed, or without a sign: {keys}."
    again = [key for key in diagnosis.press_again if key not in diagnosis.not_pressed]
    steady = [key for key in again if key not in diagnosis.fickle]
    if steady:
        yield f"Keys whose press is in doubt, to be pressed once more: {list_words(steady, 60)}."
    if diagnosis.fickle:
        keys = list_words(diagnosis.fickle, MOST_KEYS)
        yield f"Keys that were not the same on two presses, to be pressed once more: {keys}."


def _sweep(state: State, found: Iterable[Finding]) -> Iterable[str]:
    """The sweep of the whole half that comes after the last repair."""
    order = state.course.sweep.order
    answered = sum(state.course.sweep.status_of(key) == "seen" for key in order)
    if state.phase == "sweep" and not state.rail_stop:
        open_, total = len(order) - answered, len(order)
        which = "Final sweep" if state.repairs else "Sweep"
        if open_:
            yield f"{which}: {open_} of {total} keys have not answered as wired yet."
    elif state.reworked or state.rework or tuple(found):
        yield "Final sweep: every key once more after the last repair, each as wired."


def _chords(state: State) -> Iterable[str]:
    check = state.chord_check
    if state.withheld:
        yield from state.withheld
    elif state.phase == "chords" and check is not None:
        left, total = len(check.todo), check.total
        yield f"Chord check: {left} of {total} chord{'s' * (total != 1)} to be held."
        yield from say.chords_deviating(check)
    elif state.phase == "findings" and check is not None and not state.reworked:
        yield from say.chords_missing(check)
    elif state.book.may_have_chords:
        yield "Chord check: to be made after the clean sweep."


def proven(state: State) -> tuple[str, ...]:
    """What the sign-off rests on, with what was pressed, held and read; () before it."""
    if not state.signed_off:
        return ()
    presses = [seen for seen in state.course.sweep.observations() if len(seen.held) == 1]
    keys, count = len(state.circuit.keys), len(presses)
    done, total = state.chords_done
    mended = len({repair.title for repair in state.repairs if repair.outcome == "confirmed"})
    after = f" after {mended} confirmed repair{'s' * (mended != 1)}" if mended else ""
    out = [
        f"Keys: each of the {keys} closes its own crossing, one way and no other, seen in"
        f" {count} presses of one sweep{after}.",
        "Rest: with no key held nothing conducts, and no line is at ground or at the supply.",
    ]
    if total:
        out.append(
            f"Chords: {done} of {total} held, each as wired; they show what single presses cannot."
        )
    if state.answers:
        many = len(state.answers)
        out.append(f"Meter: {many} reading{'s' * (many != 1)}, none against it.")
    return tuple(out)


def not_proven(state: State) -> tuple[str, ...]:
    """What a sign-off does not say, so that nobody takes it for more; () before it."""
    if not state.signed_off:
        return ()
    out = list(NOT_PROVEN)
    if not state.chords_done[1]:
        out.append("No chord was held: nothing is said of keys held together.")
    return tuple(out)
