"""A journal as a film: its end is what diagnosing gives, and every moment stays what it was."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from journals import LEFT, SMALL, record

from keydiag.errors import JournalError
from keydiag.journal import read
from keydiag.screen.film import Film, Reel
from keydiag.session import replay

PATIENCE_S = 60.0  # for another thread; nothing is measured
FAULTS = ["A1 diode reversed"]


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    """Two by three keys, one fault: found, mended, signed off."""
    return record(tmp_path_factory.mktemp("film") / "whole.jsonl", SMALL, FAULTS, mend=True)


@pytest.fixture(scope="module")
def swept(tmp_path_factory) -> Path:
    """A whole half with two faults, swept once."""
    faults = ["L23 diode reversed", "row R4 broken between L44 and L43"]
    return record(tmp_path_factory.mktemp("film") / "swept.jsonl", LEFT, faults)


@pytest.fixture(scope="module")
def uncut(whole) -> Film:
    return film_of(whole)


def film_of(path: Path) -> Film:
    film = Film(read(path))
    film.finish()
    return film


def test_the_end_is_what_diagnosing_gives(whole, swept):
    for path in (whole, swept):
        film, session = film_of(path), replay(read(path))
        assert film.session.diagnose_now() == session.diagnose_now()
        last, end = film.frames[-1].snapshot, session.snapshot()
        assert (last.step, last.done, last.diagnosis) == (end.step, end.done, end.diagnosis)
        assert last.alert is None and last.link.state == "up"  # the file was closed, no more
        assert [key.status for key in last.keys] == [key.status for key in end.keys]
        assert [note for frame in film.frames for note in frame.notes] == session.notes


def test_every_press_is_an_observation_and_every_step_a_turn(whole):
    film = film_of(whole)
    told = [note for number in film.marks for note in film.frames[number].notes]
    assert sum("A1 answers" in note for note in told) == 3  # sweep, retest, the last sweep
    steps = [film.frames[number].snapshot.step for number in (0, *film.turns)]
    assert steps == [
        "connect", "rest", "sweep", "findings", "rework", "rest", "retest", "sweep", "chords",
        "signed-off",
    ]  # fmt: skip


def test_a_press_shows_at_its_own_time_not_at_that_of_the_next_event(whole, tmp_path):
    """The journal is silent for 20 s after the key was let go of."""
    lines = whole.read_text("utf-8").splitlines(keepends=True)
    for number in range(3, len(lines)):
        released_us = json.loads(lines[number - 1])["t"]
        late = {"kind": "counted", "corrupt": 0, "lost": 0, "t": released_us + 20_000_000}
        silent = tmp_path / f"{number}.jsonl"
        silent.write_text("".join(lines[:number]) + json.dumps(late) + "\n", "utf-8")
        told = [f for f in film_of(silent).frames if any("A1 answers" in n for n in f.notes)]
        if told:
            assert told[0].t_us < released_us + 200_000
            return
    raise AssertionError("A1 never answered")


def test_findings_come_with_the_presses_in_the_second_run(swept):
    film = film_of(swept)
    film.start()
    film._thread.join(PATIENCE_S)
    assert film.failure is None and film.thought == len(film.frames)
    before = [frame for frame in film.frames if frame.snapshot.step == "sweep"]
    titles = {f.title for frame in before if (d := frame.snapshot.diagnosis) for f in d.findings}
    assert "L23 diode reversed" in titles  # known before the sweep was over
    assert film.frames[-1].snapshot.diagnosis == replay(read(swept)).diagnose_now()


def test_both_runs_have_the_same_moments(whole):
    journal = read(whole)
    quick, thorough = list(Reel(journal).frames()), list(Reel(journal).frames(diagnose=True))
    assert [(f.t_us, f.fresh, f.notes, f.snapshot.keys) for f in quick] == [
        (f.t_us, f.fresh, f.notes, f.snapshot.keys) for f in thorough
    ]


@given(data=st.data())
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_cut_of_a_journal_replays(whole, uncut, tmp_path, data):
    bytes_of = whole.read_bytes()
    header = bytes_of.index(b"\n") + 1
    cut = tmp_path / "cut.jsonl"
    cut.write_bytes(bytes_of[: data.draw(st.integers(header, len(bytes_of)))])
    before = cut.read_bytes()
    journal = read(cut)
    film = film_of(cut)
    assert film.session.diagnose_now() == replay(journal).diagnose_now()
    for mine, theirs in zip(film.frames[:-1], uncut.frames, strict=False):  # the same beginning
        assert replace(mine.snapshot, circuit=theirs.snapshot.circuit) == theirs.snapshot
    assert cut.read_bytes() == before


def test_an_event_that_makes_no_sense_is_told_with_its_line(whole, tmp_path):
    lines = whole.read_text("utf-8").splitlines(keepends=True)
    bad = tmp_path / "bad.jsonl"
    bad.write_text("".join([*lines[:5], '{"kind": "reading", "t": "noon"}\n', *lines[5:]]), "utf-8")
    with pytest.raises(JournalError, match=r"bad\.jsonl: line 6: "):
        film_of(bad)


def test_what_goes_wrong_in_the_thread_is_kept_for_who_asks(whole, tmp_path):
    bad = tmp_path / "bad.jsonl"
    bad.write_text(whole.read_text("utf-8") + '{"kind": "reading"}\n', "utf-8")
    film = Film(read(bad))
    film.start()
    with pytest.raises(JournalError, match="line"):
        film.finish()


def test_the_clock_begins_with_the_first_reading(whole, tmp_path):
    """The probe had been on for an hour when the journal was begun."""
    late = tmp_path / "late.jsonl"
    out = []
    for line in whole.read_text("utf-8").splitlines():
        event = json.loads(line)
        if event["kind"] not in ("header", "hello") and "t" in event:
            event["t"] += 3_600_000_000
        out.append(json.dumps(event) + "\n")
    late.write_text("".join(out), "utf-8")
    assert film_of(late).times[-1] <= film_of(whole).times[-1] + 1_000_000
