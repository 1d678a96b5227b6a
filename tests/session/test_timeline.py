"""Presses and rests are told at the grid's times, whatever the readings' times are."""

from __future__ import annotations

from small import Half

from keydiag.observe import PressEvent, RestState
from keydiag.session.timeline import GRID_US, HELD_US, Held, Timeline

HALF = Half()
REST, A1 = HALF.reads(), HALF.reads("a1")


def test_rest_and_press_are_told_once_they_are_due():
    timeline = Timeline()
    assert list(timeline.change(0, REST)) == []
    (rest,) = timeline.pass_time(300_000)
    assert isinstance(rest, RestState) and rest.reading == REST
    assert list(timeline.change(301_000, A1)) == []
    assert list(timeline.pass_time(301_000 + 2 * GRID_US - 2_000)) == []
    (press,) = timeline.pass_time(320_000)
    assert isinstance(press, PressEvent) and not press.done
    assert press.until_us % GRID_US == 301_000 % GRID_US  # its own time, not the grid's
    assert list(timeline.change(301_000 + HELD_US - 2_000, REST)) == []
    (press,) = timeline.pass_time(500_000)
    assert press.done


def test_a_reading_that_stays_is_told_once_as_held_at_whatever_times_it_is_repeated():
    def told(times: list[int]) -> list[Held]:
        timeline = Timeline()
        list(timeline.change(0, REST))
        list(timeline.change(301_000, A1))
        out = [h for t_us in times for h in timeline.change(t_us, A1)]
        return [h for h in (*out, *timeline.change(900_000, REST)) if isinstance(h, Held)]

    (held,) = told([])
    assert held.reading == A1 and 0 <= held.t_us - 301_000 - HELD_US < GRID_US
    assert told([302_000, 361_001, 377_777]) == [held]


def test_rest_is_never_told_as_held():
    timeline = Timeline()
    list(timeline.change(0, REST))
    assert not [h for h in timeline.pass_time(2_000_000) if isinstance(h, Held)]


def test_a_repeated_reading_is_no_change():
    timeline = Timeline()
    list(timeline.change(0, REST))
    list(timeline.pass_time(300_000))
    told = [*timeline.change(300_001, REST), *timeline.change(333_333, REST)]
    assert told == [] and timeline.rest == REST


def test_an_hour_of_quiet_costs_no_more_than_seconds():
    timeline = Timeline()
    list(timeline.change(0, REST))
    list(timeline.pass_time(3_600_000_000))
    assert timeline.now_us == 3_600_000_000
    assert timeline._ticked <= 3_100_000


def test_a_restart_closes_what_is_open_and_learns_rest_anew():
    timeline = Timeline()
    list(timeline.change(0, REST))
    list(timeline.pass_time(300_000))
    list(timeline.change(300_000, A1))
    list(timeline.pass_time(350_000))
    (press,) = timeline.restart(355_000)
    assert press.done and timeline.reading is None and timeline.rest is None
    list(timeline.change(900_000, REST))
    (rest,) = timeline.pass_time(2_000_000)
    assert rest.t_us >= 900_000


def test_time_never_runs_backwards():
    timeline = Timeline()
    list(timeline.change(1_000_000, REST))
    list(timeline.pass_time(500_000))
    assert timeline.now_us == 1_000_000
