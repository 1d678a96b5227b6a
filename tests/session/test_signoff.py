"""What the sign-off lacks, said exactly at every step; what it proves, and what it does not."""

from __future__ import annotations

from small import Half

FINAL = "Final sweep: every key once more after the last repair, each as wired."
CHORDS = "Chord check: to be made after the clean sweep."


def missing(half: Half) -> tuple[str, ...]:
    return half.session.snapshot().missing


def swept(*faults: str) -> Half:
    half = Half(*faults)
    half.plug_in()
    half.follow()
    return half


def test_from_nothing_to_the_sign_off_the_list_grows_shorter():
    half = Half()
    assert missing(half) == (
        "Rest check: not made yet.",
        "Sweep: 6 of 6 keys have not answered as wired yet.",
        CHORDS,
    )
    half.plug_in()
    half.press("a1 a2")
    assert missing(half) == ("Sweep: 4 of 6 keys have not answered as wired yet.", CHORDS)
    half.press("a3 b1 b2 b3")
    assert missing(half) == ("Chord check: 2 of 2 chords to be held.",)
    half.press("a1+a2+a3")
    assert missing(half) == ("Chord check: 1 of 2 chords to be held.",)
    half.press("b1+b2+b3")
    assert half.session.step == "signed-off" and missing(half) == ()


def test_each_finding_its_meter_question_and_its_hidden_keys_are_named():
    half = swept("row B broken between b1 and b2", "a1 switch dead", "row A bridged to column Z")
    said = missing(half)
    assert said[0] == (
        "Rest check: not clean. With nothing held, row A (PB0) and column Z (PF6) conduct both"
        " ways."
    )
    findings = half.session.diagnose_now().findings
    for finding in findings:
        assert f"Finding open: {finding.title}; it is to be mended and retested." in said
    (dead,) = (f for f in findings if f.title.startswith("a1"))
    test = next(test for test in dead.next_tests if test.kind == "meter")
    questions = [line for line in said if line.startswith("Meter question open")]
    (question,) = (line for line in questions if dead.title in line)
    assert test.what.removeprefix("meter: ") in question
    assert "Keys not judged: b2 and b3; first mend row B between b1 and b2." in said
    assert said[-2:] == (FINAL, CHORDS)


def test_rework_and_retest():
    half = swept("a2 diode reversed")
    half.unplug()
    (finding,) = half.session.rework
    keys = f"{', '.join(finding.retest[:-1])} and {finding.retest[-1]}"
    waiting = f"Finding in rework: a2 diode reversed; it is to be retested: press {keys}."
    assert missing(half) == (waiting, FINAL, CHORDS)
    half.have()
    half.plug_in()
    assert half.session.step == "retest" and missing(half) == (waiting, FINAL, CHORDS)
    half.press(" ".join(half.session.todo))
    assert missing(half) == ("Final sweep: 6 of 6 keys have not answered as wired yet.", CHORDS)


def test_keys_left_out():
    half = Half()
    half.plug_in()
    half.command("skip")
    half.press("a2 a3 b1 b2 b3")
    assert missing(half) == ("Keys not pressed, or without a sign: a1.", CHORDS)
    assert half.session.snapshot().say == "Press a1: without that nothing can be signed off."


def test_the_sign_off_says_what_it_rests_on_and_what_it_does_not_say():
    half = swept("a2 diode reversed")
    assert half.session.snapshot().proven == half.session.snapshot().not_proven == ()
    half.unplug()
    half.have()
    half.plug_in()
    half.follow()
    view = half.session.snapshot()
    assert view.step == "signed-off"
    assert view.proven == (
        "Keys: each of the 6 closes its own crossing, one way and no other, seen in 6 presses of"
        " one sweep after 1 confirmed repair.",
        "Rest: with no key held nothing conducts, and no line is at ground or at the supply.",
        "Chords: 2 of 2 held, each as wired; they show what single presses cannot.",
    )
    assert view.notes[-5:] == (
        *(f"Proven. {line}" for line in view.proven),
        *(f"Not proven. {line}" for line in view.not_proven),
    )
    assert "A cold joint that still conducts would pass, too." in view.say
    assert any("below a few kilo-ohms" in line for line in view.not_proven)


def test_a_meter_reading_against_everything_withholds_the_sign_off_until_it_is_taken_again():
    half = swept()
    assert half.session.step == "signed-off"
    half.say("answer", code="row-B@b1 to row-B@b2", value="open")
    view = half.session.snapshot()
    assert view.step == "findings" and view.diagnosis is not None
    (told,) = view.missing
    assert told == (
        "Meter reading in doubt: red on the row wire at b1, black on the row wire at b2: open (OL);"
        " a half that passes shows near 0 (it beeps): measure there once more."
    )
    assert view.say == f"Not signed off. {told}"
    half.say("answer", code="row-B@b1 to row-B@b2", value="closed")
    view = half.session.snapshot()
    assert view.step == "signed-off"
    assert view.proven[-1] == "Meter: 1 reading, none against it."


def test_unplugged_with_keys_missing_the_cable_comes_first():
    half = Half()
    half.plug_in()
    half.idle()
    half.unplug()
    assert half.session.snapshot().say.startswith("Plug the probe in again")
