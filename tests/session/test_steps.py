"""The steps of the job, on a half small enough to follow by eye."""

from __future__ import annotations

import pytest
from small import SECOND, Half

KEYS = "a1 a2 a3 b1 b2 b3"


def swept(*faults: str) -> Half:
    half = Half(*faults)
    half.plug_in()
    half.follow()
    return half


# --- from plugging in to the verdict ---


def test_a_sound_half_is_signed_off_after_one_sweep():
    half = Half()
    assert half.session.step == "connect"
    assert half.session.snapshot().say == "Plug the probe in."
    half._apply({"kind": "hello", "chip": "atmega32u4", "build": "t", "t": 0})
    assert half.session.step == "rest"
    half.plug_in()
    view = half.session.snapshot()
    assert (view.step, view.next_key, view.done, view.total) == ("sweep", "a1", 0, 6)
    assert view.say == "Press a1 (Q)."
    half.press("a1 a2")
    view = half.session.snapshot()
    assert (view.next_key, view.done) == ("a3", 2)
    assert half.status() == {
        "a1": "good", "a2": "good", "a3": "next", "b1": "waiting", "b2": "waiting", "b3": "waiting",
    }  # fmt: skip
    half.press("a3 b1 b2 b3")
    assert half.session.step == "chords"
    half.hold_chords()
    view = half.session.snapshot()
    assert (view.step, view.next_key, view.asked) == ("signed-off", None, ())
    assert view.diagnosis is not None and view.diagnosis.verdict == "pass"
    assert "passes" in view.say


def test_a_held_key_is_shown_as_held():
    half = Half("a2 diode reversed")
    half.plug_in()
    half.read("a2")
    half.wait(20_000)
    held = {view.name for view in half.session.snapshot().keys if view.held}
    assert held == {"a2"}


def test_a_silent_key_is_noticed_asked_for_again_and_found():
    half = Half("a2 switch dead")
    half.plug_in()
    half.press(KEYS)
    view = half.session.snapshot()
    assert (view.step, view.next_key) == ("sweep", "a2")
    assert view.asked[0] == "a2" and len(view.asked) == 2  # a sound key ends the round
    assert view.say == "Press a2 once more."
    half.press(" ".join(view.asked))
    assert half.session.step == "findings"
    (finding,) = half.session.diagnose_now().findings
    assert "a2 switch" in {place for member in finding.members for place in member.at}
    assert half.status()["a2"] == "silent"


def test_an_odd_answer_is_said_at_once():
    half = Half("a2 diode reversed")
    half.plug_in()
    half.press("a1 a2 a3")
    assert half.status()["a2"] == "odd"
    assert half.session.notes[-2:] == [
        "a2 answers, but not as wired: its crossing conducts only the wrong way.",
        "a3 answers as wired.",
    ]
    assert half.session.diagnosis is None  # the sweep did not wait for a diagnosis


def test_what_hides_behind_a_break_cannot_be_judged():
    half = swept("row B broken between b1 and b2")
    assert half.status()["b2"] == half.status()["b3"] == "hidden"
    assert half.titles() == ["row B broken between b1 and b2"]


def test_a_bridge_is_said_at_the_rest_check():
    half = Half("row A bridged to column Y")
    half.plug_in()
    assert "With nothing held, row A (PB0) and column Y (PF5) conduct both ways." in (
        half.session.notes
    )
    assert half.status()["a2"] == "hidden"  # its crossing conducts already
    half.follow()
    assert half.titles() == ["row A bridged to column Y"]


# --- shorts to a rail ---


@pytest.mark.parametrize(("fault", "words"), [
    ("row A shorted to ground", "row A (PB0) is shorted to ground"),
    ("column Y shorted to the supply", "column Y (PF5) stays high when pulled low"),
])  # fmt: skip
def test_a_short_to_a_rail_stops_the_work(fault, words):
    half = Half(fault)
    half.plug_in()
    view = half.session.snapshot()
    assert view.step == "findings"
    assert view.alert is not None and view.alert.startswith("Unplug now!") and words in view.alert
    named = {member.words for f in half.session.diagnose_now().findings for member in f.members}
    assert fault.replace("the supply", "supply") in named
    half.press("a1")  # does not count
    assert half.status()["a1"] != "good"
    half.unplug()
    assert half.session.step == "rework"
    half.plug_in()  # nothing was mended
    assert half.session.step == "findings"
    assert set(half.outcomes().values()) == {"still there"}
    half.unplug()
    half.have()
    half.plug_in()
    view = half.session.snapshot()
    assert (view.step, view.next_key, view.alert) == ("sweep", "a1", None)
    assert half.outcomes()[half.session.repairs[-1].title] == "confirmed"
    half.follow()
    assert half.session.step == "signed-off"


def test_the_builder_may_insist_on_a_sweep_past_a_short():
    half = Half("row A shorted to ground")
    half.plug_in()
    half.command("sweep")
    assert half.session.step == "sweep"


# --- nobody presses ---


def test_a_sweep_that_nobody_begins_is_incomplete():
    half = Half()
    half.plug_in()
    half.idle()
    diagnosis = half.session.diagnose_now()
    assert half.session.step == "findings"
    assert diagnosis.verdict == "incomplete"
    assert diagnosis.not_pressed == ("a1", "a2", "a3", "b1", "b2", "b3")
    assert set(half.status().values()) == {"waiting"}


def stopped() -> Half:
    """Nothing was pressed after the first two keys, nor when the others were asked for."""
    half = Half()
    half.plug_in()
    half.press("a1 a2")
    half.idle()
    assert half.session.step == "sweep"
    assert half.session.todo == ("a3", "b1", "b2", "b3", "a1")  # a1 is known to answer
    half.idle()
    return half


def test_a_sweep_that_stops_asks_once_and_then_says_what_is_missing():
    half = stopped()
    diagnosis = half.session.diagnose_now()
    assert (half.session.step, diagnosis.verdict) == ("findings", "incomplete")
    assert diagnosis.not_pressed == ("a3", "b1", "b2", "b3")
    assert half.status()["a2"] == "good" and half.status()["b3"] == "waiting"


def test_the_keys_that_were_missing_can_be_pressed_after_the_findings():
    half = stopped()
    half.press("a3 b1 b2 b3")
    half.hold_chords()
    assert half.session.step == "signed-off"


def test_an_incomplete_sweep_goes_on_when_the_probe_comes_back():
    half = stopped()
    half.say("end")
    half.plug_in()
    assert half.session.step == "sweep"
    assert set(half.session.todo) >= {"a3", "b1", "b2", "b3"}
    half.follow()
    assert half.session.step == "signed-off"


def test_a_whole_row_not_pressed_is_suspected_until_it_answers():
    half = Half()
    half.plug_in()
    half.press("a1 a2 a3")
    half.idle()
    half.idle()
    diagnosis = half.session.diagnose_now()
    assert diagnosis.findings[0].title.startswith("row B lead open")
    assert diagnosis.findings[0].probability < 0.95
    assert diagnosis.press_again == ("b1", "b2", "b3")
    half.press("b1 b2 b3")
    half.hold_chords()
    assert half.session.step == "signed-off"


def test_a_dead_key_at_the_end_needs_one_idle_time():
    half = Half("b3 switch dead")
    half.plug_in()
    half.press(KEYS)
    assert half.session.todo == ("b3",)
    half.idle()
    assert half.session.todo[0] == "b3"
    half.press(" ".join(half.session.todo))
    assert half.session.step == "findings"
    assert half.titles()[0].startswith("b3")


# --- the cable ---


def test_unplugged_in_mid_sweep_the_work_waits_and_goes_on():
    half = Half()
    half.plug_in()
    half.press("a1 a2")
    half.unplug()
    view = half.session.snapshot()
    assert view.step == "sweep" and view.next_key is None
    assert "Plug the probe in again" in view.say and "The probe is gone" in (view.alert or "")
    assert half.session.idle_since_us is None
    half.plug_in()
    view = half.session.snapshot()
    assert (view.next_key, view.done, view.alert) == ("a3", 2, None)
    half.follow()
    assert half.session.step == "signed-off"


def test_a_key_held_while_rest_is_checked_is_not_taken_for_a_bridge():
    half = Half()
    half._apply({"kind": "hello", "chip": "atmega32u4", "build": "t", "t": 0})
    half.read("a1")
    half.wait(SECOND)
    half.read()
    half.wait(SECOND)
    half.press(KEYS)
    half.follow()
    assert half.titles() == []


# --- after the findings ---


def test_a_press_after_the_findings_takes_the_place_of_the_earlier_one():
    half = swept("a2 diode reversed")
    assert half.titles() == ["a2 diode reversed"]
    before = half.session.observations()
    half.press("a1")
    assert half.session.step == "findings"
    assert len(half.session.observations()) == len(before) + 1


def test_a_key_seen_only_together_with_another_is_asked_for_alone():
    half = Half()
    half.plug_in()
    half.press("a1")
    half.read("a2")
    half.wait(80_000)
    half.read("a2", "a3")  # the next finger is down before the last one is up
    half.wait(40_000)
    half.read()
    half.wait(150_000)
    half.press("b1 b2 b3")
    assert half.session.todo[0] == "a3"
    half.follow()
    assert half.session.step == "signed-off"


def test_a_wrong_key_by_mistake_leaves_no_doubt_behind():
    half = Half()
    half.plug_in()
    half.press("a1 a2 b3 b1 b2 b3")  # b3 instead of a3
    half.follow()
    assert half.session.step == "signed-off"
