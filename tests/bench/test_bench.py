"""The bench: what reaches the journal, and when the session hears of it. The source is a list."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from keydiag import board
from keydiag.bench import FIRST_IDLE, Bench
from keydiag.circuit import Reading
from keydiag.diagnosis.chords import plan
from keydiag.errors import JournalError, UsageError
from keydiag.faults import predict
from keydiag.journal import Writer, read
from keydiag.session import Session, replay
from keydiag.sources.base import Counted, Ended, LinkDown, LinkUp, ReadingAt, SourceEvent
from keydiag.wire import Hi

HI = Hi(1, "atmega32u4", "t", 26, 5000)
BOARD = (Path(__file__).parents[1] / "board" / "two-by-three.toml").read_text("utf-8")
SECOND = 1_000_000


class ListSource:
    """Says what is in the list, one entry a read; after that nothing more happens, in time."""

    def __init__(self, *said: SourceEvent | BaseException) -> None:
        self.said = list(said)
        self.last: ReadingAt | None = None
        self.closed = 0

    def open(self) -> Hi:
        return HI

    def start(self, ports: Sequence[str], period_us: int) -> None:
        self.ports = ports

    def read(self, timeout_s: float) -> list[SourceEvent]:
        if not self.said:
            return [Ended()]
        event = self.said.pop(0)
        if isinstance(event, BaseException):
            raise event
        return [event]

    def ask_level(self, drive: int, sense: int) -> None:
        raise NotImplementedError

    def close(self) -> None:
        self.closed += 1


def session() -> Session:
    return Session(board.loads(BOARD, "two-by-three"))


REST = session().circuit.healthy_rest


def held(*keys: str) -> Reading:
    return predict(session().circuit, [], keys).as_reading()


def kinds(path: Path) -> list[str]:
    return [event["kind"] for event in read(path).events]


def run(tmp_path: Path, *said: SourceEvent | BaseException, **options) -> tuple[Bench, Path]:
    path = tmp_path / "j.jsonl"
    bench = Bench(session(), ListSource(*said), Writer.create(path, BOARD), port="P", **options)
    with bench:
        bench.open()
        bench.run()
    return bench, path


def test_only_readings_that_changed_are_journaled(tmp_path):
    key = session().circuit.keys[0]
    readings = [ReadingAt(0, REST), ReadingAt(1000, REST), ReadingAt(400_000, held(key)),
                ReadingAt(401_000, held(key)), ReadingAt(500_000, REST)]  # fmt: skip
    bench, path = run(tmp_path, *readings)
    events = read(path).events
    assert [e["kind"] for e in events] == ["hello", "reading", "reading", "reading", "end"]
    assert [e["t"] for e in events] == [0, 0, 400_000, 500_000, 500_000]
    assert events[0]["port"] == "P" and events[-1]["why"] == "finished"
    assert bench.session.now_us == 500_000


def test_the_first_reading_after_the_link_came_back_is_always_journaled(tmp_path):
    _, path = run(
        tmp_path, ReadingAt(0, REST), LinkDown("gone"), LinkUp(HI), ReadingAt(9_000, REST)
    )
    assert kinds(path) == ["hello", "reading", "link", "link", "reading", "end"]


def test_idle_counts_from_the_last_press_and_longer_before_the_first(tmp_path):
    seconds = [ReadingAt(n * SECOND, REST) for n in range(10 * FIRST_IDLE + 2)]
    bench, path = run(tmp_path, *seconds, idle_s=10)
    (idle,) = [e for e in read(path).events if e["kind"] == "idle"]
    assert idle["t"] >= 10 * FIRST_IDLE * SECOND
    assert bench.session.step == "findings"


def test_idle_after_a_press(tmp_path):
    key = session().circuit.keys[0]
    pressed = [ReadingAt(0, REST), ReadingAt(SECOND, held(key)), ReadingAt(SECOND + 90_000, REST)]
    seconds = [ReadingAt(n * SECOND, REST) for n in range(2, 14)]
    _, path = run(tmp_path, *pressed, *seconds, idle_s=10)
    (idle, *_) = [e for e in read(path).events if e["kind"] == "idle"]
    assert 11 * SECOND <= idle["t"] <= 12 * SECOND


def test_no_time_passes_while_the_probe_is_unplugged(tmp_path):
    _, path = run(tmp_path, ReadingAt(0, REST), LinkDown("gone"), *[Counted(0, 0)] * 50, idle_s=1)
    assert "idle" not in kinds(path)


def test_counts_are_journaled_now_and_then_not_each_time(tmp_path):
    said: list[SourceEvent] = []
    for n in range(400):
        said += [Counted(n, 0), ReadingAt(n * 10_000, REST)]
    bench, path = run(tmp_path, *said)
    assert 2 <= kinds(path).count("counted") <= 4
    assert bench.session.link.corrupt >= 200


@pytest.mark.parametrize(("error", "why"), [
    (KeyboardInterrupt(), "interrupted"), (JournalError("disk"), "error"),
])  # fmt: skip
def test_whatever_happens_the_journal_is_closed_in_good_order(tmp_path, error, why):
    path = tmp_path / "j.jsonl"
    source = ListSource(ReadingAt(0, REST), error)
    with pytest.raises(type(error)):  # noqa: SIM117
        with Bench(session(), source, Writer.create(path, BOARD)) as bench:
            bench.open()
            bench.run()
    assert source.closed == 1
    journal = read(path)
    assert journal.ended and journal.events[-1]["why"] == why


def test_commands_are_journaled_before_they_are_obeyed(tmp_path):
    path = tmp_path / "j.jsonl"
    bench = Bench(session(), ListSource(), Writer.create(path, BOARD))
    seen = []
    bench.session.apply = lambda event: seen.append(  # type: ignore[method-assign]
        json.loads(path.read_text("utf-8").splitlines()[-1]) == event
    )
    bench.command("skip")
    bench.repaired("a joint")
    bench.answer("m1", "open")
    bench.step(0.0)
    assert seen == [True, True, True]
    assert kinds(path) == ["command", "repair", "answer"]


def test_verdicts_reach_the_journal_and_the_watchers_hear_of_everything(tmp_path):
    steps: list[str] = []
    path = tmp_path / "j.jsonl"
    keys = session().circuit.keys
    said: list[SourceEvent] = [ReadingAt(0, REST)]
    t_us = SECOND
    for pressed in [*((key,) for key in keys), *plan(session().circuit)]:
        said += [ReadingAt(t_us, held(*pressed)), ReadingAt(t_us + 90_000, REST)]
        t_us += SECOND // 4
    said += [ReadingAt(t_us, REST)]
    bench = Bench(session(), ListSource(*said), Writer.create(path, BOARD))
    bench.watchers.append(lambda s: steps.append(s.step))
    with bench:
        bench.open()
        bench.run()
    assert list(dict.fromkeys(steps)) == ["rest", "sweep", "chords", "signed-off"]
    (verdict,) = [e for e in read(path).events if e["kind"] == "verdict"]
    assert verdict["verdict"] == "pass"


def test_a_journal_goes_on_where_its_time_ended(tmp_path):
    _, path = run(tmp_path, ReadingAt(0, REST), ReadingAt(5 * SECOND, REST))
    before = replay(read(path))
    writer, _ = Writer.resume(path)
    source = ListSource(ReadingAt(7, REST), ReadingAt(SECOND, REST))
    with Bench(before, source, writer) as bench:
        bench.open()
        bench.run()
    times = [event["t"] for event in read(path).events]
    assert times == sorted(times)
    assert replay(read(path)).notes == bench.session.notes


@pytest.mark.parametrize("idle_s", [0, -3, float("nan"), float("inf")])
def test_an_idle_time_that_makes_no_sense_is_refused(idle_s):
    with pytest.raises(UsageError, match="--idle"):
        Bench(session(), ListSource(), None, idle_s=idle_s)
