"""A journal replayed gives what the source gave, and so the same sweep."""

from __future__ import annotations

from pathlib import Path

import pytest
from rigs import CIRCUIT, half_with

from keydiag.errors import JournalError
from keydiag.journal import Writer, read
from keydiag.observe import Observer
from keydiag.observe.sweep import Sweep
from keydiag.sources.base import (
    Counted,
    Ended,
    LevelAt,
    LinkDown,
    LinkUp,
    Paced,
    ProbeSaid,
    ReadingAt,
    SourceEvent,
    from_journal,
    hello_from_journal,
    hello_to_journal,
    to_journal,
)
from keydiag.sources.hands import HandScript
from keydiag.sources.replay import ReplaySource
from keydiag.sources.virtual import VirtualSource
from keydiag.wire import Hi

HI = Hi(1, "atmega32u4", "virtual-1", 26, 5000)


@pytest.mark.parametrize(
    "event",
    [
        LinkDown("gone"),
        LinkUp(HI),
        Counted(3, 4),
        ProbeSaid("pin", "text"),
        LevelAt(1, 2, 511),
        Paced(15, 210),
    ],
)
def test_events_come_back_from_the_journal(event: SourceEvent) -> None:
    written = to_journal(event)
    assert written is not None and from_journal(written) == event


def test_hello_comes_back() -> None:
    assert hello_from_journal(hello_to_journal(HI)) == HI


def run(source: object, journal: Writer | None = None) -> tuple[Sweep, list[SourceEvent]]:
    """Take everything in, as a session would."""
    sweep, observer, events = Sweep(CIRCUIT), Observer(), []
    hi = source.open()  # type: ignore[attr-defined]
    if journal:
        journal.append(hello_to_journal(hi))
    source.start(CIRCUIT.pins, 1_000)  # type: ignore[attr-defined]
    last_us = 0
    while not any(isinstance(event, Ended) for event in events) and last_us < 16_000_000:
        for event in source.read(0.2):  # type: ignore[attr-defined]
            events.append(event)
            if isinstance(event, ReadingAt):
                last_us = event.t_us
                if journal:
                    journal.reading(event.t_us, event.reading)
                for press in observer.feed(event.t_us, event.reading):
                    sweep.feed(press)
            elif journal and (record := to_journal(event)):
                journal.append(record)
    for press in observer.finish():
        sweep.feed(press)
    for rest in observer.rests:
        sweep.note_rest(rest)
    sweep.finish()
    return sweep, events


def test_a_replayed_sweep_is_the_same_sweep(tmp_path: Path) -> None:
    half = half_with("L23 diode reversed", "row R4 broken between L44 and L43")
    path = tmp_path / "j.jsonl"
    with Writer.create(path, "board") as journal:
        live, _ = run(VirtualSource(half, HandScript.sweep(CIRCUIT.keys, seed=4)), journal)
    replayed, events = run(ReplaySource(read(path)))
    assert replayed.status == live.status
    assert replayed.observations() == live.observations()
    assert isinstance(events[-1], Ended)
    # Only changes were written: far fewer than the readings that came.
    assert len(read(path).events) < 400


def test_replay_at_its_own_pace(tmp_path: Path) -> None:
    from keydiag.circuit import Reading

    path = tmp_path / "j.jsonl"
    with Writer.create(path, "board") as journal:
        journal.append(hello_to_journal(HI))
        for n in range(3):
            journal.reading(n * 100_000, Reading(n, (1,)))
    source = ReplaySource(read(path), pace=2.0)
    source.open()
    batches = []
    while not batches or not isinstance(batches[-1][-1], Ended):
        batch = source.read(0.02)
        if batch:
            batches.append(batch)
    times = [[e.t_us for e in batch if isinstance(e, ReadingAt)] for batch in batches]
    assert times == [[0], [100_000], [200_000], []]


def test_journals_that_cannot_be_replayed(tmp_path: Path) -> None:
    path = tmp_path / "j.jsonl"
    with Writer.create(path, "board") as journal:
        journal.event("press", key="L11")
    with pytest.raises(JournalError, match=r"j\.jsonl: no probe was ever connected"):
        ReplaySource(read(path)).open()
    with Writer.resume(path)[0] as journal:
        journal.event("reading", t=1, rest="0")
    with pytest.raises(JournalError, match=r"event 2 \(reading\): has a field that is missing"):
        ReplaySource(read(path))
