"""Slips of the hand: a label in doubt asks for another press, it does not make a finding."""

from __future__ import annotations

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from tests.diagnosis.halves import bramblewick, named, press, sweep

CIRCUIT = Circuit(bramblewick())
ENGINE = Diagnostician(CIRCUIT)


def replaced(key: str, *instead: object) -> list:
    return [o for o in sweep(CIRCUIT, ()) if o.held != (key,)] + list(instead)


def test_a_doubtful_silence_is_asked_for_again() -> None:
    dead = named(CIRCUIT, "L23 switch-column joint open")
    diagnosis = ENGINE.diagnose(replaced("L23", press(CIRCUIT, dead, "L23", confidence=0.6)))
    assert diagnosis.press_again == ("L23",)
    assert diagnosis.verdict == "incomplete"
    assert all(f.probability < 0.5 for f in diagnosis.findings)


def test_a_good_press_after_a_doubtful_one_settles_it() -> None:
    dead = named(CIRCUIT, "L23 switch-column joint open")
    observations = replaced(
        "L23", press(CIRCUIT, dead, "L23", confidence=0.6), press(CIRCUIT, (), "L23", t_us=99)
    )
    diagnosis = ENGINE.diagnose(observations)
    assert diagnosis.verdict == "pass" and diagnosis.fickle == ()


def test_two_silences_are_a_dead_key() -> None:
    dead = named(CIRCUIT, "L23 switch-column joint open")
    silent = [press(CIRCUIT, dead, "L23", confidence=0.95, t_us=t) for t in (98, 99)]
    (finding,) = ENGINE.diagnose(replaced("L23", *silent)).findings
    assert finding.probability > 0.9


def test_the_neighbour_pressed_instead_is_a_slip_first() -> None:
    observation = press(CIRCUIT, (), "L24", confidence=0.7)
    slip = observation.__class__(("L23",), observation.reading, (), 99, 50, "sweep", 0.7)
    diagnosis = ENGINE.diagnose(replaced("L23", slip))
    assert diagnosis.press_again == ("L23",)
    assert diagnosis.verdict == "incomplete"


def test_another_keys_answer_corrected_twice_was_that_other_key() -> None:
    wrong = press(CIRCUIT, (), "L24")
    wrong = wrong.__class__(("L23",), wrong.reading, (), 97, 50, "sweep")
    once = ENGINE.diagnose(replaced("L23", wrong, press(CIRCUIT, (), "L23", t_us=98)))
    assert once.fickle == once.press_again == ("L23",)
    right = [press(CIRCUIT, (), "L23", t_us=t) for t in (98, 99)]
    twice = ENGINE.diagnose(replaced("L23", wrong, *right))
    assert twice.fickle == () and twice.verdict == "pass"


def test_a_key_that_was_silent_and_then_answers_stays_fickle() -> None:
    dead = named(CIRCUIT, "L23 switch-column joint open")
    right = [press(CIRCUIT, (), "L23", t_us=t) for t in (98, 99)]
    diagnosis = ENGINE.diagnose(replaced("L23", press(CIRCUIT, dead, "L23"), *right))
    assert diagnosis.fickle == ("L23",)
