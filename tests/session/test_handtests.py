"""Presses and chords that the findings suggest, made with the hands still on the half.

Two blobs of solder, between the inner nodes of a1 and b1 and of a1 and a2, share a key. Pressing
keys one by one leaves open which of a1 and a2 the second blob is at; a1 and a2 held together tell.
"""

from __future__ import annotations

import pytest
from small import SECOND, Half, fold

from keydiag.plain import Plain, over

BLOBS = ("a1 node bridged to a2 node", "a1 node bridged to b1 node")
CHORD = ("a1", "a2")
ASKS = "Before the iron, to tell more about a1 node bridged to b1 node: "


def at_findings(*faults: str) -> Half:
    """Everything pressed that is asked for, up to the first test of a finding."""
    half = Half(*faults)
    half.plug_in()
    while half.session.todo and half.session.step != "findings":
        rounds = half.session.rounds
        half.press(" ".join(half.session.todo))
        if half.session.rounds == rounds and half.session.step != "findings":
            half.idle()
    assert half.session.step == "findings"
    return half


def taken(half: Half) -> list[tuple[str, ...]]:
    seen = half.session.observations()
    return [each.held for each in seen if each.origin == "chord"]


def test_tests_are_asked_for_one_after_the_other_and_update_the_findings():
    half = at_findings(*BLOBS)
    said = []
    while half.session.test is not None:
        said.append(half.session.snapshot().say)
        half.press("+".join(half.session.test.keys))
    assert said == [
        f"{ASKS}press a1 once more.",
        f"{ASKS}hold a1 and a2 together.",
    ]
    assert taken(half) == [CHORD]
    # Three inner nodes in one blob: any two of the three bridges do that, one as likely as another.
    shares = {m.words: m.probability for f in half.session.verdict.findings for m in f.members}
    assert shares == {
        words: pytest.approx(2 / 3, abs=0.01) for words in (*BLOBS, "a2 node bridged to b1 node")
    }
    told = [note for note in half.session.notes if note.startswith("Test taken")]
    assert told[0] == "Test taken, a1 pressed: it changes nothing."
    assert told[1:] == [
        f"Test taken, a1 and a2 held together: {what}."
        for what in (
            "now found: a1 node bridged to a2 node (or 1 look-alike) (over 99 %)",
            "a1 node bridged to b1 node is now 67 %",
            "no longer suspected: a2 node bridged to b1 node (or 1 look-alike)",
        )
    ]
    assert half.session.snapshot().say.startswith("Unplug and mend: ")
    assert half.session.verdict == half.session.diagnose_now()


def test_the_progress_is_that_of_the_sweep():
    half = at_findings(*BLOBS)
    view = half.session.snapshot()
    assert (view.done, view.total, view.next_key) == (6, 6, "a1")
    half.press("a1 a2")
    view = half.session.snapshot()
    assert (view.done, view.total, view.chord) == (6, 6, CHORD)


def test_a_suggested_chord_counts_before_it_is_asked_for():
    half = at_findings(*BLOBS)
    assert half.session.test is not None and half.session.test.kind == "press"
    before = half.session.diagnose_now()
    half.press("a1+a2")
    assert taken(half) == [CHORD]
    assert half.session.diagnosis == half.session.diagnose_now() != before
    assert half.session.snapshot().diagnosis == half.session.diagnose_now()


def test_only_just_those_keys_count():
    half = at_findings(*BLOBS)
    for keys in ("a1", "a2", "a1+a2+a3", "a1+b1", "a2+b2", "b2+b3"):
        half.press(keys)
        assert taken(half) == [], keys
    half.read(*CHORD)  # brushed
    half.wait(20_000)
    half.read()
    half.wait(SECOND)
    assert taken(half) == []


def test_the_fingers_of_a_chord_are_no_presses():
    half = at_findings(*BLOBS)
    before = half.session.course.sweep.observations()
    for held in (("a1",), CHORD, ("a2",), ()):
        half.read(*held)
        half.wait(100_000)
    half.wait(SECOND)
    assert taken(half) == [CHORD]
    assert half.session.course.sweep.observations() == before


def test_a_chord_that_no_finding_suggests_is_no_test():
    half = at_findings("a2 diode reversed")
    assert half.session.test is None and half.session.tests.chords == ()
    half.press("b1+b2")
    assert taken(half) == []


def unpressed_row() -> Half:
    """Nobody has pressed row B: its lead may be open, or it was not pressed."""
    half = Half()
    half.plug_in()
    half.press("a1 a2 a3")
    half.idle()
    half.idle()
    return half


def test_a_key_that_answers_when_it_is_asked_for_updates_the_findings_at_once():
    half = unpressed_row()
    assert half.titles()[0].startswith("row B lead open")
    assert half.session.test is not None and half.session.test.keys == ("b1",)
    assert half.session.snapshot().next_key == "b1"
    half.press("b1")
    assert not any(title.startswith("row B lead open") for title in half.titles())
    assert any(
        note.startswith("Test taken, b1 pressed: no longer suspected: row B lead open")
        for note in half.session.notes
    )


def test_a_silent_key_is_noticed_by_the_sound_one_after_it():
    half = unpressed_row()
    half.have("row B lead open")
    (before,) = half.session.diagnose_now().findings
    asked = half.session.todo
    assert asked[0] == "b1" and asked[1] in ("a1", "a2", "a3")
    half.press(" ".join(asked))
    (after,) = half.session.diagnose_now().findings
    assert after.probability > before.probability
    assert half.session.todo[:1] != ("b1",)


def test_nobody_makes_the_test_and_the_iron_comes_next():
    half = at_findings(*BLOBS)
    assert half.session.idle_since_us is not None
    half.idle()
    assert half.session.test is None and half.session.idle_since_us is None
    assert half.session.snapshot().say.startswith("Unplug and mend: ")
    half.press("a1+a2")  # but it still counts
    assert taken(half) == [CHORD]


def test_skip_asks_for_the_next_test():
    half = at_findings(*BLOBS)
    half.command("skip")
    assert half.session.test is not None and half.session.test.keys == CHORD
    half.command("skip")
    assert half.session.test is not None and half.session.test.keys == ("a2",)
    half.command("skip")
    assert half.session.test is None and half.session.step == "findings"


def test_the_iron_ends_the_asking_and_what_was_seen_is_asked_for_again_after_it():
    half = at_findings(*BLOBS)
    half.press("a1+a2")
    half.unplug()
    assert half.session.test is None and half.session.step == "rework"
    half.have()
    half.plug_in()
    assert half.session.step == "retest"
    half.press(" ".join(half.session.todo))
    assert half.session.chord == CHORD
    half.hold_chords()
    assert set(half.outcomes().values()) == {"confirmed"}
    half.follow()
    assert half.session.step == "signed-off"


def test_replay_comes_to_the_same():
    half = at_findings(*BLOBS)
    half.press("a1 a2 a1+a2")
    again = fold(half.events)
    assert again.notes == half.session.notes
    assert again.observations() == half.session.observations()
    assert again.diagnose_now() == half.session.diagnose_now()


def test_plain_says_it_and_waits_for_it():
    said: list[str] = []
    half = at_findings(*BLOBS)
    plain = Plain(said.append)
    plain.watch(half.session)
    assert not over(half.session) and said[-1].endswith(f"{ASKS}press a1 once more.")
    half.press("a1 a2")
    plain.watch(half.session)
    assert not over(half.session) and said[-1].endswith("hold a1 and a2 together.")
    half.press("a1+a2")
    plain.watch(half.session)
    assert over(half.session)
    assert any(line.startswith("Test taken, a1 and a2 held together: ") for line in said)


# --- a chord of which only one key shows ---

ALIKE = (
    "a1 node bridged to b1 node",
    "row B bridged to a3 node",
    "a3 node bridged to b2 node",
)
"""Through their blob a1 and b1 answer alike, and so they do together."""


def asked_for_a_chord() -> Half:
    half = at_findings(*ALIKE)
    while half.session.test is not None and half.session.test.kind == "press":
        half.command("skip")
    assert half.session.test is not None and half.session.test.keys == ("a1", "b1")
    assert half.reads("a1", "b1") == half.reads("a1")
    return half


def test_a_chord_of_which_one_key_shows_counts_when_it_is_held_for_long():
    half = asked_for_a_chord()
    half.press("a1+b1")
    assert taken(half) == []  # it might have been a1 alone
    half.read("a1", "b1")
    half.wait(SECOND + 100_000)
    half.read()
    half.wait(SECOND)
    (seen,) = (each for each in half.session.observations() if each.origin == "chord")
    assert seen.held == ("a1", "b1") and seen.confidence < 1
    assert any(n.startswith("Test taken, a1 and b1 held") for n in half.session.notes)
    assert fold(half.events).observations() == half.session.observations()


def test_another_key_held_for_long_is_not_that_chord():
    half = asked_for_a_chord()
    for key in ("a2", "a3", "b2", "b3"):
        half.read(key)
        half.wait(2 * SECOND)
        half.read()
        half.wait(SECOND)
        assert taken(half) == [], key
