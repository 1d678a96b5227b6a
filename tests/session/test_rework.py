"""From findings through the iron to the sign-off."""

from __future__ import annotations

from small import Half, found

from keydiag.faults import describe


def replug(half: Half, *left: str) -> None:
    half.unplug()
    assert half.session.step == "rework"
    half.have(*left)
    half.plug_in()


def test_a_repair_is_retested_confirmed_and_signed_off():
    half = found("a2 diode reversed")
    (finding,) = half.session.diagnose_now().findings
    replug(half)
    view = half.session.snapshot()
    assert view.step == "retest"
    assert half.session.course.sweep.order == finding.retest
    assert view.total == len(finding.retest)
    assert view.say == f"Retest: press {_named(finding.retest[0])}."
    half.press(" ".join(finding.retest))
    assert half.outcomes() == {"a2 diode reversed": "confirmed"}
    assert half.session.step == "sweep"  # a clean sweep of the whole half signs it off
    assert set(half.status().values()) == {"next", "waiting"}
    half.follow()
    assert half.session.step == "signed-off"


def _named(key: str) -> str:
    return f"{key} (Q)" if key == "a1" else key


def test_a_repair_that_did_not_hold_is_still_there():
    half = found("a2 diode reversed")
    replug(half, "a2 diode reversed")
    half.follow()
    assert half.outcomes() == {"a2 diode reversed": "still there"}
    assert half.session.step == "findings"


def test_harm_done_by_the_iron_is_new():
    half = found("a2 diode reversed")
    replug(half, "a3 switch-diode joint open")
    half.follow()
    outcomes = half.outcomes()
    assert outcomes.pop("a2 diode reversed") == "confirmed"
    ((title, outcome),) = outcomes.items()
    assert title.startswith("a3") and outcome == "new harm"


def test_harm_that_shows_at_rest_makes_every_press_before_it_worthless():
    half = found("a2 diode reversed")
    replug(half, "row A bridged to row B")
    half.follow()
    assert half.outcomes() == {
        "a2 diode reversed": "confirmed",
        "row A bridged to row B": "new harm",
    }
    pressed = {key for seen in half.session.observations() for key in seen.held}
    assert pressed == set(half.session.course.sweep.order)


def test_what_a_break_had_hidden_comes_to_light():
    half = found("row B broken between b1 and b2", "b3 diode reversed")
    assert half.titles() == ["row B broken between b1 and b2"]
    replug(half, "b3 diode reversed")
    half.follow()
    assert half.outcomes() == {
        "row B broken between b1 and b2": "confirmed",
        "b3 diode reversed": "came to light",
    }


def test_a_bridge_that_is_gone_is_taken_out_of_the_readings_that_stay():
    half = found("row A bridged to column Y", "b3 diode reversed")
    replug(half, "b3 diode reversed")
    order = half.session.course.sweep.order
    half.follow()
    assert half.outcomes()["row A bridged to column Y"] == "confirmed"
    assert half.outcomes()["b3 diode reversed"] == "still there"
    assert half.titles() == ["b3 diode reversed"]
    assert len(order) <= 6


def test_a_retest_in_which_nothing_is_pressed_changes_nothing():
    half = found("a2 diode reversed")
    replug(half)
    half.idle()
    assert half.session.step == "findings"
    assert half.outcomes() == {}
    assert half.titles() == ["a2 diode reversed"]


def test_a_retest_broken_off_confirms_nothing():
    half = found("a2 diode reversed")
    replug(half)
    half.press(half.session.todo[0])
    half.command("finish")
    assert half.outcomes() == {"a2 diode reversed": "not retested"}
    assert half.session.step == "findings"


def test_a_named_repair_is_the_only_one_retested():
    half = found("a1 diode reversed", "b3 diode reversed")
    half.say("repair", did="b3 diode reversed")
    assert half.session.step == "rework"
    assert [finding.title for finding in half.session.rework] == ["b3 diode reversed"]
    replug(half, "a1 diode reversed")
    half.follow()
    assert half.outcomes() == {"b3 diode reversed": "confirmed"}
    assert half.titles() == ["a1 diode reversed"]


def test_words_that_name_no_finding_mean_all_of_them():
    half = found("a1 diode reversed", "b3 diode reversed")
    half.command("rework", did="went over everything with the iron")
    assert len(half.session.rework) == 2


def test_retest_without_unplugging():
    half = found("a2 diode reversed")
    half.have()
    half.command("retest")
    assert half.session.step == "retest"
    half.follow()
    assert half.session.step == "signed-off"


def test_verdicts_are_given_out_for_the_journal_once():
    half = found("a2 diode reversed")
    (record,) = half.session.take_records()
    assert record["verdict"] == "faults" and record["findings"] == ["a2 diode reversed"]
    assert half.session.take_records() == []
    replug(half)
    half.press(" ".join(half.session.todo))
    assert [(r["of"], r["outcome"]) for r in half.session.take_records()] == [
        ("a2 diode reversed", "confirmed")
    ]


def test_a_repair_without_effect_makes_the_other_explanations_more_likely():
    """Two dead switches read like one break; when mending the break does not help, they are it."""
    half = found("b2 switch dead", "b3 switch dead")
    assert half.titles() == ["row B broken between b1 and b2"]
    for _ in range(3):
        left = [f for f in half.faults if describe(f) not in members(half)]
        replug(half, *map(describe, left))
        half.follow()
        if half.session.step == "signed-off":
            break
    assert half.session.step == "signed-off"


def members(half: Half) -> set[str]:
    return {m.words for f in half.session.diagnose_now().findings for m in f.members}


def test_a_diode_backwards_behind_an_open_joint_comes_to_light():
    half = found("a2 diode-row joint open", "a2 diode reversed")
    replug(half, "a2 diode reversed")
    half.follow()
    outcomes = half.outcomes()
    assert outcomes.pop("a2 diode reversed") == "came to light"
    assert set(outcomes.values()) == {"confirmed"}


def test_a_place_that_only_the_meter_named_is_still_there_if_the_key_stays_dead():
    half = found("a2 diode-row joint open")
    # The wrong leg was touched with the meter's tip: the switch seems open.
    half.say("answer", code="a2.0 to a2.1 holding a2", value="open")
    (finding,) = half.session.diagnose_now().findings
    assert finding.members[0].words == "a2 switch dead"
    replug(half, "a2 diode-row joint open")
    half.follow()
    assert half.outcomes() == {finding.title: "still there"}
