"""What the builder says with the other hand: back, skip, again, pause, resume, finish."""

from __future__ import annotations

from small import Half


def begun(keys: str, *faults: str) -> Half:
    half = Half(*faults)
    half.plug_in()
    half.press(keys)
    return half


def test_skip_leaves_the_key_that_is_due_out_and_asks_no_more_for_it():
    half = begun("a1")
    half.command("skip")
    assert half.session.snapshot().next_key == "a3"
    half.press("a3 b1 b2 b3")
    assert half.session.step == "findings"
    assert half.session.diagnose_now().not_pressed == ("a2",)
    assert half.status()["a2"] == "waiting"


def test_skipping_the_last_key_ends_the_sweep():
    half = begun("a1 a2 a3 b1 b2")
    half.command("skip")
    assert half.session.step == "findings"
    assert half.session.diagnose_now().not_pressed == ("b3",)


def test_back_asks_for_the_key_before():
    half = begun("a1 a2")
    half.command("back")
    assert half.session.todo == ("a2", "a3", "b1", "b2", "b3")
    half.follow()
    assert half.session.step == "signed-off"


def test_back_at_the_first_key_changes_nothing():
    half = begun("")
    half.command("back")
    assert half.session.todo[0] == "a1"


def test_back_brings_a_skipped_key_back():
    half = begun("a1")
    half.command("skip")
    half.command("back")
    half.follow()
    assert half.session.step == "signed-off"


def test_again_asks_for_the_key_that_answered_last():
    half = begun("a1 a2")
    half.command("again")
    assert half.session.todo == ("a2", "a3", "b1", "b2", "b3")
    half.follow()
    assert half.session.step == "signed-off"


def test_again_before_any_key_changes_nothing():
    half = begun("")
    half.command("again")
    assert half.session.todo[0] == "a1"


def test_what_is_pressed_in_a_pause_does_not_count():
    half = begun("a1")
    half.command("pause")
    view = half.session.snapshot()
    assert view.paused and view.next_key is None and "Paused" in view.say
    assert half.session.idle_since_us is None
    half.press("b1 b2")
    half.command("resume")
    assert half.session.snapshot().next_key == "a2"
    assert half.status()["b1"] == "waiting"


def test_finish_in_a_sweep_goes_to_the_findings_without_asking():
    half = begun("a1 a2 a3", "a2 diode reversed")
    half.command("finish")
    assert half.session.step == "findings" and not half.session.finished
    assert half.titles() == ["a2 diode reversed"]
    assert half.session.diagnose_now().not_pressed == ("b1", "b2", "b3")


def test_finish_after_the_findings_ends_the_session():
    half = begun("a1 a2 a3")
    half.command("finish")
    half.command("finish")
    assert half.session.finished


def test_a_new_sweep_begins_from_nothing():
    half = begun("a1 a2 a3", "a2 diode reversed")
    half.command("finish")
    half.have()
    half.command("sweep")
    assert half.session.todo[0] == "a1" and half.session.diagnosis is None
    half.follow()
    assert half.session.step == "signed-off"


def test_an_unknown_command_is_said_and_does_no_harm():
    half = begun("a1")
    half.command("dance")
    assert half.session.notes[-1] == "There is no command 'dance'."
    assert half.session.todo[0] == "a2"


def test_commands_that_make_no_sense_now_change_nothing():
    half = Half()
    for name in ("back", "skip", "again", "rework", "retest"):
        half.command(name)
    assert half.session.step == "connect"
    half.plug_in()
    half.follow()
    for name in ("back", "skip", "again", "rework", "retest"):
        half.command(name)
    assert half.session.step == "signed-off"
