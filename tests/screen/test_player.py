"""Moving about in a film: pure, with a clock of the test's own."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from journals import SMALL, record

from keydiag.journal import read
from keydiag.screen.film import Film
from keydiag.screen.player import AT_ONCE, SPEEDS, Player, clock, parse_speed, speed_words


@pytest.fixture(scope="module")
def film(tmp_path_factory) -> Film:
    path: Path = tmp_path_factory.mktemp("player") / "j.jsonl"
    film = Film(read(record(path, SMALL, ["A1 diode reversed"], mend=True)))
    film.finish()
    return film


def run(player: Player, seconds: float, from_s: float = 100.0, beat: float = 0.05) -> None:
    """Let it play so long."""
    for number in range(round(seconds / beat) + 1):
        player.tick(from_s + number * beat)


def test_it_plays_as_fast_as_it_is_told(film):
    for speed in (0.5, 1.0, 4.0):
        player = Player(film, speed)
        player.play()
        run(player, 1.0)
        assert player.t_us == pytest.approx(speed * 1e6, abs=1000)
        assert film.times[player.at] <= player.t_us < film.times[player.at + 1]


def test_at_the_end_it_stops_and_play_begins_anew(film):
    player = Player(film, AT_ONCE)
    player.play()
    run(player, 0.1)
    assert player.at_end and not player.playing
    player.play()
    assert player.at == 0 and player.playing


def test_a_pause_stands_still(film):
    player = Player(film)
    player.play()
    run(player, 1.0)
    player.pause()
    there = (player.at, player.t_us)
    run(player, 5.0, from_s=200.0)
    assert (player.at, player.t_us) == there
    player.play()  # the time of the pause is not made up for
    player.tick(300.0)
    assert (player.at, player.t_us) == there


def test_steps_go_from_observation_to_observation(film):
    player = Player(film)
    seen = []
    for _ in film.marks:
        player.step(1)
        seen.append(player.at)
    assert seen == film.marks and player.seen == len(film.marks)
    player.step(1)
    assert player.at_end
    for _ in range(len(film.marks) + 1):
        player.step(-1)
    assert player.at == 0 and player.seen == 0


def test_turns_go_from_step_to_step(film):
    player = Player(film)
    steps = [player.frame.snapshot.step]
    for _ in film.turns:
        player.turn(1)
        steps.append(player.frame.snapshot.step)
    assert steps[1:4] == ["rest", "sweep", "findings"] and steps[-1] == "signed-off"
    player.turn(-1)
    assert player.frame.snapshot.step == "chords"


@given(moves=st.lists(st.sampled_from(["on", "back", "next", "last", "start", "end", "half"])))
def test_wherever_one_goes_the_same_place_shows_the_same(film, moves):
    player = Player(film)
    for move in moves:
        match move:
            case "on":
                player.step(1)
            case "back":
                player.step(-1)
            case "next":
                player.turn(1)
            case "last":
                player.turn(-1)
            case "start":
                player.to_start()
            case "end":
                player.to_end()
            case "half":
                player.seek(0.5)
        here, snapshot = player.at, player.frame.snapshot
        assert film.times[here] <= player.t_us
        player.step(1)
        player.step(-1)
        if here in film.marks and here != len(film.frames) - 1:
            assert player.at == here and player.frame.snapshot is snapshot
        player.at, player.t_us = here, film.times[here]


def test_a_film_that_is_still_being_made_is_waited_for(tmp_path):
    film = Film(read(record(tmp_path / "j.jsonl", SMALL, [])))
    player = Player(film, AT_ONCE)
    player.play()
    run(player, 1.0)
    assert player.at == 0 and player.playing and not player.at_end
    player.to_end()
    film.finish()
    player.tick(500.0)
    assert player.at_end


def test_speeds_go_by_notches_from_any_speed(film):
    player = Player(film, 3.0)
    player.faster(1)
    assert player.speed == 4.0
    player.speed = 3.0
    player.faster(-1)
    assert player.speed == 2.0
    for _ in SPEEDS:
        player.faster(1)
    assert player.speed == AT_ONCE
    for _ in SPEEDS:
        player.faster(-1)
    assert player.speed == 0.25


@pytest.mark.parametrize(("text", "speed", "words"), [
    ("1", 1.0, "x1"), ("16", 16.0, "x16"), ("1/4", 0.25, "x1/4"), ("0.5", 0.5, "x1/2"),
    ("once", AT_ONCE, "at once"),
])  # fmt: skip
def test_speeds_as_they_are_typed_and_shown(text, speed, words):
    assert parse_speed(text) == speed and speed_words(speed) == words


@pytest.mark.parametrize("text", ["", "fast", "0", "-1", "nan", "inf", "1/0", "0/1", "1/2/3", "x2"])
def test_what_is_no_speed(text):
    with pytest.raises(ValueError):
        parse_speed(text)


@pytest.mark.parametrize(("t_us", "told"), [
    (0, "0:00.0"), (99_999, "0:00.0"), (12_340_000, "0:12.3"), (754_500_000, "12:34.5"),
    (3_723_400_000, "1:02:03.4"),
])  # fmt: skip
def test_the_clock(t_us, told):
    assert clock(t_us) == told
