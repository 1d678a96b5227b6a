"""The session's sentences: the one thing to do next, alerts, and notes of what happened.

Here: pure functions that word what the fold knows. Not here: the words of findings
(diagnosis/words.py), and how a view lays sentences out.
"""

from __future__ import annotations

from collections.abc import Sequence

from keydiag.circuit import Circuit, Reading
from keydiag.diagnosis.chords import Chord
from keydiag.diagnosis.model import Diagnosis, Finding
from keydiag.diagnosis.words import CUT_SHORT, list_words, rest_words
from keydiag.faults import pack
from keydiag.observe.answers import Answer
from keydiag.observe.sweep import Sign
from keydiag.session.chords import ChordCheck, Heard

CONNECT = "Plug the probe in."
RECONNECT = "Plug the probe in again; everything seen so far is kept."
REST = "Leave every key alone for a moment: the rest check."
PAUSED = "Paused; nothing that is pressed now counts."
LET_GO = "Let go of the key."
# How the notes begin that say what a sign-off rests on, and what it does not say.
PROVEN, NOT_PROVEN = "Proven. ", "Not proven. "
SIGN_OFF = "Nothing is left to mend. For the sign-off, press every key once more, in order."
REST_CHANGED = "The half has changed since its sweep: press every key once more, in order."
CLEAN_REST = "Rest check passed: with no key held, nothing conducts."

CHORD_S = 5  # seconds to read a prompt, find the keys and hold them (own judgement, no source)

_ODD = {
    Answer.REVERSED: "its crossing conducts only the wrong way",
    Answer.BOTH: "its crossing conducts both ways",
    Answer.MORE: "other crossings close with its own",
    Answer.PART: "its crossing closes only in part",
    Answer.NEAR: "another crossing closes instead of its own",
    Answer.ELSEWHERE: "another crossing closes instead of its own",
}


def press(key: str, legend: str, once_more: bool, retest: bool) -> str:
    """What to press."""
    name = f"{key} ({legend})" if legend and legend != key else key
    if retest:
        return f"Retest: press {name}."
    return f"Press {name} once more." if once_more else f"Press {name}."


def hold(chord: Sequence[str], retest: bool = False) -> str:
    """Which keys to hold together."""
    return f"{'Retest: hold' if retest else 'Hold'} {list_words(chord)} together."


def chords(count: int) -> str:
    """What the chord check is, and how long it takes."""
    minutes = max(1, round(count * CHORD_S / 60))
    about = "a minute" if minutes == 1 else f"{minutes} minutes"
    return (
        f"Every key answers as wired. Chord check: {count} chord{'s' * (count != 1)}, about"
        f" {about}; it shows what single presses cannot."
    )


def chords_again(count: int) -> str:
    """The chord check goes on."""
    return f"The chord check goes on: {count} chord{'s' * (count != 1)} left."


def hold_still(chord: Sequence[str], done: int, total: int) -> str:
    """Which keys to hold together, after the verdict: without that there is no sign-off."""
    are = "is" if total - done == 1 else "are"
    return f"Hold {list_words(chord)} together; {total - done} of {total} chords {are} missing."


def chord_note(heard: Heard, keys: Sequence[str]) -> str | None:
    """What a chord has shown."""
    match heard:
        case "as wired":
            return f"{list_words(keys)} together answer as wired."
        case "not as wired":
            return f"{list_words(keys)} together answer, but not as wired."
        case "more keys":
            return f"{list_words(keys)} conduct{'s' * (len(keys) == 1)} too: let go there."
        case "nothing":
            return None


def chords_missing(check: ChordCheck) -> tuple[str, ...]:
    """What the chord check lacks, one sentence each; () if it is done and clean."""
    out = []
    if not_held := check.not_held:
        some = f"{len(not_held)} of {check.total}"
        which = "" if len(not_held) == check.total else f" ({_chord_words(not_held)})"
        were = "was" if len(not_held) == 1 else "were"
        out.append(f"Chord check: {some} chord{'s' * (check.total != 1)}{which} {were} not held.")
    return (*out, *chords_deviating(check))


def chords_deviating(check: ChordCheck) -> tuple[str, ...]:
    """The chords that do not answer as wired, as a sentence, if there are any."""
    odd = check.deviating
    return (f"Chord check: not as wired: {_chord_words(odd)}.",) if odd else ()


def _chord_words(chords: Sequence[Chord]) -> str:
    return list_words(["+".join(chord) for chord in chords], 6)


def press_again(keys: Sequence[str]) -> str:
    """A new round of keys whose presses left something open."""
    return f"Press once more, in this order: {list_words(keys, 60)}."


def retest(keys: Sequence[str]) -> str:
    """What a retest consists of."""
    return f"The retest asks for {list_words(keys, 60)}."


def key_note(key: str, status: str, signs: Sequence[Sign]) -> str | None:
    """What a key has shown, once that is clear enough to be said."""
    if status == "seen":
        return f"{key} answers as wired."
    if status == "passed":
        return f"{key} gave no sign."
    if status == "odd":
        answers = [sign.answer for sign in signs if sign.answer is not None]
        how = _ODD.get(answers[-1]) if answers else None
        return f"{key} answers, but not as wired: {how}." if how else f"{key} answers oddly."
    return None


def rest_note(circuit: Circuit, rest: Reading) -> tuple[str, ...]:
    """What the rest check found."""
    found = rest_words(circuit, pack(rest))
    if not found:
        return (CLEAN_REST,)
    return (*found, "If you are holding a key, let go of it.")


def rail_alert(circuit: Circuit, rest: Reading) -> str | None:
    """The alert if a line is at ground, or cannot be pulled down: it may be on the supply."""
    names = {pin: f"{name} ({circuit.pins[pin]})" for pin, name in enumerate(circuit.line_names)}
    pins = range(len(circuit.pins))
    low = [names.get(p, circuit.pins[p]) for p in pins if rest.rest >> p & 1]
    high = [names.get(p, circuit.pins[p]) for p in pins if not rest.low[p] >> p & 1]
    if high:
        are = "stay" if len(high) > 1 else "stays"
        return f"Unplug now! {list_words(high)} {are} high when pulled low: a short to the supply?"
    if low:
        are = "are" if len(low) > 1 else "is"
        return f"Unplug now! {list_words(low)} {are} shorted to ground."
    return None


def findings(diagnosis: Diagnosis, withheld: Sequence[str] = ()) -> str:
    """What to do about a diagnosis. withheld: why a half that passes is not signed off."""
    if diagnosis.verdict == "pass" and withheld:
        return f"Not signed off. {withheld[0]}"
    if diagnosis.verdict == "pass":
        return (
            "This half passes: every key answers as wired, and nothing else conducts. A cold joint"
            " that still conducts would pass, too."
        )
    keys = tuple(dict.fromkeys(diagnosis.not_pressed + diagnosis.press_again))
    if diagnosis.findings and not (diagnosis.verdict == "incomplete" and keys):
        first, many = diagnosis.findings[0], len(diagnosis.findings)
        which = "" if many == 1 else f" (the first of {many} findings)"
        return f"Unplug and mend: {first.title}{which}; plug in again for the retest."
    if not keys:
        return "Unplug and plug in again: the rest check is missing."
    return f"Press {list_words(keys)}: without that nothing can be signed off."


def percent(probability: float) -> str:
    """A probability as people say it; never 100 %, because nothing here is that certain."""
    if probability > 0.99:
        return "over 99 %"
    return f"{probability:.0%}".replace("%", " %") if probability >= 0.01 else "under 1 %"


def test(keys: Sequence[str], about: str) -> str:
    """The press or chord to make before anything is mended."""
    what = f"hold {list_words(keys)} together" if len(keys) > 1 else f"press {keys[0]} once more"
    return f"Before the iron, to tell more about {about}: {what}."


def told(keys: Sequence[str], before: Diagnosis, after: Diagnosis) -> tuple[str, ...]:
    """What a test of the findings has changed, one sentence each."""
    held = f"{list_words(keys)} held together" if len(keys) > 1 else f"{keys[0]} pressed"
    was = {finding.title: finding for finding in before.findings}
    now = {finding.title: finding for finding in after.findings}
    out = []
    for title, finding in now.items():
        likely = percent(finding.probability)
        if title not in was:
            out.append(f"now found: {title} ({likely})")
        elif percent(was[title].probability) != likely:
            out.append(f"{title} is now {likely}")
        elif _places(was[title]) != _places(finding):
            first = finding.members[0]
            out.append(f"{title}: now first {first.words} ({percent(first.probability)})")
    out += [f"no longer suspected: {title}" for title in was if title not in now]
    if not out:
        return (f"Test taken, {held}: it changes nothing.",)
    return tuple(f"Test taken, {held}: {each}." for each in out)


def _places(finding: Finding) -> list[tuple[str, str]]:
    return [(member.words, percent(member.probability)) for member in finding.members]


def rework(repaired: Sequence[Finding]) -> str:
    """What to do while the iron is hot."""
    return f"Unplug and mend: {list_words(f.title for f in repaired)}; then plug in again."


def verdict(diagnosis: Diagnosis, withheld: Sequence[str] = ()) -> str:
    """The verdict as a note. withheld: why a half that passes is not signed off."""
    if diagnosis.verdict == "pass" and withheld:
        return f"Every key answers as wired. Not signed off. {' '.join(withheld)}"
    if diagnosis.verdict == "pass":
        return "Verdict: this half passes."
    if diagnosis.verdict == "faults":
        count = len(diagnosis.findings)
        more = f" {CUT_SHORT}" if diagnosis.cut_short else ""
        return f"Verdict: {count} finding{'s' * (count != 1)}.{more}"
    return f"Verdict: incomplete, because {missing(diagnosis)}."


def missing(diagnosis: Diagnosis) -> str:
    """Why a diagnosis is incomplete, as a clause."""
    parts = []
    if diagnosis.not_pressed:
        many = len(diagnosis.not_pressed)
        was = "was" if many == 1 else "were"
        parts.append(f"{list_words(diagnosis.not_pressed)} {was} not pressed, or gave no sign")
    if diagnosis.press_again:
        parts.append(f"the presses of {list_words(diagnosis.press_again)} are in doubt")
    if diagnosis.findings:
        parts.append("no finding is more likely than not")
    return list_words(parts) if parts else "the rest reading is missing"
