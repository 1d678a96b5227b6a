"""The meter's answers as evidence: they narrow findings down, and end with the rework near them."""

from __future__ import annotations

import pytest
from small import Half, fold, found

DEAD = ("a2 switch dead", "b3 switch dead")


def best(half: Half, key: str) -> tuple[str, float]:
    """The likeliest place of the finding about this key."""
    findings = half.session.diagnose_now().findings
    (finding,) = (f for f in findings if any(p.split()[0] == key for p in f.members[0].at))
    member = max(finding.members, key=lambda m: m.probability)
    return member.words, member.probability


def test_an_answer_updates_the_findings():
    half = found("a2 switch dead")
    (before,) = half.session.diagnose_now().findings
    # Across the switch, its key held: open can only mean the switch, or its two ends.
    half.say("answer", code="a2.0 to a2.1 holding a2", value="open")
    words, probability = best(half, "a2")
    assert words == "a2 switch dead" and probability > 0.8
    assert probability > max(m.probability for m in before.members)
    assert half.session.diagnosis == half.session.diagnose_now()  # it is what is shown
    said = [note for note in half.session.notes if note.startswith("Meter, ")]
    assert said == ["Meter, red on a2's switch leg on the column side, black on a2's switch leg on"
                    " the diode side, holding a2: open (OL)."]  # fmt: skip


def test_the_answer_may_be_given_in_the_words_it_was_offered_in():
    half = found("a2 switch dead")
    (finding,) = half.session.diagnose_now().findings
    test = next(test for test in finding.next_tests if test.kind == "meter")
    for outcome in test.outcomes:
        half.say("answer", code=test.code, value=outcome.answer)
        assert "does not count" not in " ".join(half.session.notes)


@pytest.mark.parametrize(("code", "value"), [
    ("m1", "open"), ("zz.0 to a2.1", "open"), ("a2.0 to a2.1 holding q9", "open"),
    ("a2.0 to a2.1 holding a2", "42 ohm"),
])  # fmt: skip
def test_an_answer_that_makes_no_sense_is_said_and_changes_nothing(code, value):
    half = found("a2 switch dead")
    before = half.session.diagnose_now()
    half.say("answer", code=code, value=value)
    assert half.session.notes[-1].startswith("The meter's answer does not count: ")
    assert half.session.diagnose_now() == before


def test_an_answer_that_contradicts_everything_is_told_and_a_new_one_takes_its_place():
    half = found("a2 diode reversed")
    half.say("answer", code="row-B@b1 to row-B@b2", value="open")
    (told,) = half.session.diagnose_now().contradictions
    assert told in half.session.notes and "measure there once more" in told
    half.say("answer", code="row-B@b1 to row-B@b2", value="closed")
    assert half.session.diagnose_now().contradictions == ()
    assert half.session.notes.count(told) == 1


def test_what_is_measured_with_the_cable_off_counts_too():
    half = found("a2 switch dead")
    half.unplug()
    assert half.session.step == "rework"
    half.say("answer", code="a2.0 to a2.1 holding a2", value="open")
    assert half.session.step == "rework"
    assert best(half, "a2")[0] == "a2 switch dead"
    assert half.session.rework == half.session.diagnose_now().findings


def test_rework_ends_the_answers_near_it_and_no_others():
    half = found(*DEAD)
    half.say("answer", code="a2.0 to a2.1 holding a2", value="open")
    half.say("answer", code="b3.0 to b3.1 holding b3", value="open")
    assert best(half, "a2")[1] > 0.8 and best(half, "b3")[1] > 0.8
    title = next(t for t in half.titles() if t.startswith("a2"))
    half.say("repair", did=title)
    half.unplug()
    half.plug_in()  # it has not helped
    asked = half.session.course.sweep.order
    assert "a2" in asked and "b3" not in asked
    half.follow()
    assert [answer.test.held for answer in half.session.answers] == [("b3",)]
    assert best(half, "b3")[1] > 0.8


def test_a_retest_in_which_nothing_is_pressed_keeps_the_answers():
    half = found("a2 switch dead")
    half.say("answer", code="a2.0 to a2.1 holding a2", value="open")
    half.unplug()
    half.plug_in()
    half.idle()
    assert half.session.step == "findings" and best(half, "a2")[1] > 0.8


def test_a_new_sweep_begins_without_answers():
    half = found("a2 diode reversed")
    half.say("answer", code="row-B@b1 to row-B@b2", value="open")
    half.command("sweep")
    half.follow()
    assert half.session.diagnose_now().contradictions == ()


def test_replay_comes_to_the_same_findings():
    half = found(*DEAD)
    half.say("answer", code="a2.0 to a2.1 holding a2", value="open")
    half.say("answer", code="row-B@b1 to row-B@b2", value="open")
    again = fold(half.events)
    assert again.notes == half.session.notes
    assert again.diagnose_now() == half.session.diagnose_now()
