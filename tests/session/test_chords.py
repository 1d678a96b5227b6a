"""The chord check, between a clean sweep and the sign-off.

What shows only in a chord is worked out by hand: with a1 and a2 held and a blob of solder between
their inner nodes, column X reaches column Y through both switches and the blob, without any diode.
"""

from __future__ import annotations

import pytest
from small import SECOND, Half, fold

BLOB = "a1 node bridged to a2 node"
A, B = ("a1", "a2", "a3"), ("b1", "b2", "b3")


def swept(*faults: str) -> Half:
    """At the chord check."""
    half = Half(*faults)
    half.plug_in()
    half.press("a1 a2 a3 b1 b2 b3")
    assert half.session.step == "chords"
    return half


def test_chords_are_asked_for_after_a_clean_sweep_and_then_it_is_signed_off():
    half = swept()
    view = half.session.snapshot()
    assert view.say == "Hold a1, a2 and a3 together."
    assert (view.chord, view.next_key, view.done, view.total) == (A, None, 0, 2)
    assert {key for key, status in half.status().items() if status == "next"} == set(A)
    assert "Chord check: 2 chords, about a minute" in view.notes[-1]
    half.press("+".join(A))
    view = half.session.snapshot()
    assert (view.step, view.chord, view.done) == ("chords", B, 1)
    assert view.notes[-1] == "a1, a2 and a3 together answer as wired."
    half.press("+".join(B))
    view = half.session.snapshot()
    assert (view.step, view.chord, view.missing) == ("signed-off", (), ())
    assert "passes" in view.say


def test_a_half_with_findings_is_asked_for_no_chords():
    half = Half("a2 diode reversed")
    half.plug_in()
    half.follow()
    assert half.session.step == "findings" and half.session.chord == ()


def test_the_blob_is_as_worked_out_by_hand():
    x, y = (Half().circuit.pin_of_line[name] for name in ("column X", "column Y"))
    reads = Half(BLOB).reads("a1", "a2")
    assert reads.low[x] >> y & 1 and reads.low[y] >> x & 1
    assert Half(BLOB).reads("a1") == Half().reads("a1")


def test_what_only_a_chord_shows_is_found_mended_and_the_chord_held_again():
    half = swept(BLOB)
    half.press("a1+a2+a3")
    assert half.session.step == "chords"  # the other chords first
    assert half.session.notes[-1] == "a1, a2 and a3 together answer, but not as wired."
    half.press("b1+b2+b3")
    assert half.session.step == "findings" and half.session.chord == ()
    assert half.titles() == [BLOB]
    origins = {seen.held: seen.origin for seen in half.session.observations()}
    assert origins[A] == "chord" and origins["a1",] == "sweep"
    half.unplug()
    half.have()
    half.plug_in()
    half.press(" ".join(half.session.todo))
    view = half.session.snapshot()
    assert (view.step, view.say) == ("retest", "Retest: hold a1, a2 and a3 together.")
    assert half.outcomes() == {}  # single presses say nothing about it
    half.press("a1+a2+a3")
    assert half.outcomes() == {BLOB: "confirmed"}
    assert half.session.step == "sweep"
    half.follow()
    assert half.session.step == "signed-off"


def test_a_blob_that_is_still_there_is_said_to_be():
    half = swept(BLOB)
    half.hold_chords()
    half.unplug()
    half.plug_in()
    half.press(" ".join(half.session.todo))
    half.hold_chords()
    assert half.outcomes() == {BLOB: "still there"}
    assert half.session.step == "findings"


@pytest.mark.parametrize("how", ["skip", "finish", "idle"])
def test_without_the_chord_nothing_is_confirmed_and_the_whole_is_asked_for_anew(how):
    half = swept(BLOB)
    half.hold_chords()
    half.unplug()
    half.have()
    half.plug_in()
    half.press(" ".join(half.session.todo))
    assert half.session.step == "retest"
    half.idle() if how == "idle" else half.command(how)
    assert half.outcomes() == {BLOB: "not retested"}
    assert half.session.step == "sweep"
    half.follow()
    assert half.session.step == "signed-off"


# --- left out ---


def test_a_chord_left_out_is_missing_and_can_be_held_later():
    half = swept()
    half.command("skip")
    half.press("b1+b2+b3")
    view = half.session.snapshot()
    missing = "Chord check: 1 of 2 chords (a1+a2+a3) was not held."
    assert view.step == "findings" and view.missing == (missing,)
    assert view.notes[-1] == f"Every key answers as wired. Not signed off. {missing}"
    assert view.say == "Hold a1, a2 and a3 together; 1 of 2 chords is missing."
    assert (view.done, view.total) == (1, 2)
    assert view.diagnosis is not None and view.diagnosis.verdict == "pass"
    records = [r for r in half.session.take_records() if "verdict" in r]
    assert [r["verdict"] for r in records] == ["pass"] and records[0]["missing"] == [missing]
    half.press("a1+a2+a3")
    assert half.session.step == "signed-off"


@pytest.mark.parametrize("how", ["finish", "idle"])
def test_a_chord_check_broken_off_is_missing_and_is_taken_up_when_the_probe_comes_back(how):
    half = swept()
    half.idle() if how == "idle" else half.command(how)
    view = half.session.snapshot()
    assert view.step == "findings"
    assert view.missing == ("Chord check: 2 of 2 chords were not held.",)
    assert half.session.idle_since_us is None
    half.unplug()
    view = half.session.snapshot()
    assert view.step == "findings" and view.say.startswith("Plug the probe in again")
    half.plug_in()
    assert half.session.step == "chords"
    half.hold_chords()
    assert half.session.step == "signed-off"


# --- hands ---


def test_chords_may_be_held_in_any_order():
    half = swept()
    half.press("b1+b2+b3")
    assert half.session.chord == A
    half.press("a1+a2+a3")
    assert half.session.step == "signed-off"


def test_too_few_keys_are_no_chord_and_too_many_are_told_once():
    half = swept()
    half.press("a1+a2 a1+a2+a3+b2 a1+a2+a3+b2")
    assert half.session.chords_done == (0, 2)
    assert half.session.notes[-1] == "b2 conducts too: let go there."
    assert half.session.notes.count(half.session.notes[-1]) == 1
    half.press("a1+a2+a3+b2+b3")
    assert half.session.notes[-1] == "b2 and b3 conduct too: let go there."


def test_a_chord_only_brushed_does_not_count():
    half = swept()
    half.read(*A)
    half.wait(20_000)
    half.read()
    half.wait(SECOND)
    assert half.session.chords_done == (0, 2)


def test_fingers_that_let_go_after_the_sign_off_change_nothing():
    half = swept()
    half.press("a1+a2+a3")
    for held in (("b1",), ("b1", "b2"), B, ("b1", "b2"), ("b2",), ()):
        half.read(*held)
        half.wait(100_000)
    half.wait(SECOND)
    assert half.session.step == "signed-off"
    assert half.session.diagnose_now().verdict == "pass"


def test_again_and_back_ask_for_the_last_chord_once_more():
    for name in ("again", "back"):
        half = swept()
        half.command(name)
        assert half.session.chord == A
        half.press("a1+a2+a3")
        half.command(name)
        assert half.session.chord == A and half.session.chords_done == (0, 2)


def test_nothing_counts_in_a_pause():
    half = swept()
    half.command("pause")
    assert half.session.chord == () and half.session.idle_since_us is None
    half.press("a1+a2+a3")
    half.command("resume")
    assert half.session.chord == A and half.session.chords_done == (0, 2)


# --- rest, cable, replay ---


def test_unplugged_in_the_chord_check_it_waits_and_goes_on():
    half = swept()
    half.press("a1+a2+a3")
    half.unplug()
    assert "Plug the probe in again" in half.session.snapshot().say
    assert half.session.idle_since_us is None
    half.plug_in()
    assert (half.session.step, half.session.chord) == ("chords", B)
    half.hold_chords()
    assert half.session.step == "signed-off"


@pytest.mark.parametrize("before", ["chords", "findings", "signed-off"])
def test_a_rest_check_that_is_no_longer_clean_takes_the_sign_off_away(before):
    half = swept()
    if before == "findings":
        half.command("finish")
    elif before == "signed-off":
        half.hold_chords()
    assert half.session.step == before
    half.unplug()
    half.have("row A bridged to row B")
    half.plug_in()
    assert half.session.step == "sweep" and not half.session.signed_off
    assert half.session.todo[0] == "a1" and "press every key" in half.session.notes[-1]
    half.follow()
    assert half.titles() == ["row A bridged to row B"]


def test_a_short_to_a_rail_in_the_chord_check_asks_for_a_new_sweep_once_it_is_mended():
    half = swept()
    half.unplug()
    half.have("row A shorted to ground")
    half.plug_in()
    assert half.session.step == "findings" and half.session.chord == ()
    half.unplug()
    half.have()
    half.plug_in()
    assert half.session.step == "sweep" and half.session.todo[0] == "a1"
    half.follow()
    assert half.session.step == "signed-off"


def test_replay_comes_to_the_same():
    half = swept(BLOB)
    half.press("a1+a2+a3")
    half.command("skip")
    again = fold(half.events)
    assert again.notes == half.session.notes and again.observations() == half.session.observations()
    assert again.diagnose_now() == half.session.diagnose_now()
    assert again.step == half.session.step == "findings"
