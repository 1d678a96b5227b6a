"""A real bench at work beside the screen: snapshots, commands, and how it ends."""

from __future__ import annotations

import threading

import pytest
from fake_desk import BOARD, CIRCUIT

from keydiag.bench import Bench
from keydiag.circuit import Reading
from keydiag.errors import ProbeLost
from keydiag.faults import parse_fault, predict
from keydiag.screen.app import BenchApp
from keydiag.screen.desk import BenchDesk
from keydiag.session import Session
from keydiag.sources.base import ReadingAt
from keydiag.wire import Hi

PATIENCE_S = 20.0  # for another thread; nothing is measured


class Script:
    """A source that says what it was given, then nothing more, or fails."""

    def __init__(self, readings: list[ReadingAt], error: Exception | None = None) -> None:
        self.readings, self.error = readings, error
        self.quiet = threading.Event()

    def open(self) -> Hi:
        return Hi(1, "atmega32u4", "test", 26, 5000)

    def start(self, ports, period_us) -> None: ...

    def read(self, timeout_s):
        if self.readings:
            return [self.readings.pop(0)]
        if self.error is not None:
            raise self.error
        self.quiet.wait(0.01)
        return []

    def ask_level(self, drive, sense) -> None: ...

    def close(self) -> None: ...


def presses(*keys: str, fault: str = "L12 diode reversed") -> list[ReadingAt]:
    """Two seconds of rest, then each key held for 0.1 s."""
    faults = {parse_fault(CIRCUIT, fault)}

    def reading(*held: str) -> Reading:
        return predict(CIRCUIT, faults, frozenset(held)).as_reading()

    told = [ReadingAt(t * 100_000, reading()) for t in range(21)]
    for number, key in enumerate(keys):
        at = 2_100_000 + number * 300_000
        told += [ReadingAt(at + ms * 1_000, reading(key)) for ms in (0, 50, 99)]
        told += [ReadingAt(at + ms * 1_000, reading()) for ms in (100, 200, 299)]
    return told


class Waiter:
    """Waits until a snapshot of a desk fulfils something."""

    def __init__(self, desk: BenchDesk) -> None:
        self.desk, self.news = desk, threading.Event()
        desk.wake(self.news.set)

    def until(self, fulfilled) -> None:
        while not fulfilled(self.desk.snapshot()):
            assert self.news.wait(PATIENCE_S), self.desk.snapshot()
            self.news.clear()


@pytest.fixture
def bench_of():
    opened = []

    def make(script: Script) -> Bench:
        bench = Bench(Session(BOARD), script, None, port="here")
        bench.open()
        opened.append(bench)
        return bench

    yield make
    for bench in opened:
        bench.close()


def test_presses_become_snapshots_and_findings(bench_of):
    with BenchDesk(bench_of(Script(presses("L11", "L12")))) as desk:
        wait = Waiter(desk)
        wait.until(lambda view: view.next_key == "L13")
        wait.until(lambda view: view.diagnosis and view.diagnosis.findings)
        assert desk.snapshot().diagnosis.findings[0].title == "L12 diode reversed"
        assert desk.failure() is None


def test_commands_reach_the_session(bench_of):
    with BenchDesk(bench_of(Script(presses()))) as desk:
        wait = Waiter(desk)
        wait.until(lambda view: view.next_key == "L11")
        desk.command("skip")
        wait.until(lambda view: view.next_key == "L12")
        desk.command("pause")
        wait.until(lambda view: view.paused)


def test_what_ends_the_bench_is_told(bench_of):
    with BenchDesk(bench_of(Script(presses(), ProbeLost("gone")))) as desk:
        wait = Waiter(desk)
        wait.until(lambda _: desk.failure() is not None)
        assert isinstance(desk.failure(), ProbeLost)


def test_leaving_stops_every_thread(bench_of):
    with BenchDesk(bench_of(Script(presses("L11")))):
        assert {"bench", "diagnosis"} <= {thread.name for thread in threading.enumerate()}
    assert not {"bench", "diagnosis"} & {thread.name for thread in threading.enumerate()}


async def test_the_screen_closes_when_the_bench_fails(bench_of):
    script = Script(presses())
    with BenchDesk(bench_of(script)) as desk:
        app = BenchApp(desk)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            script.error = ProbeLost("gone")
            for _ in range(1_000):
                await pilot.pause(0.01)
                if not app.is_running or app._exit:
                    break
        assert isinstance(desk.failure(), ProbeLost)


async def test_news_while_help_is_open_are_shown_afterwards(bench_of):
    script = Script(presses())
    with BenchDesk(bench_of(script)) as desk:
        app = BenchApp(desk)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            await pilot.press("h")
            Waiter(desk).until(lambda view: view.next_key == "L11")
            app.bench._woken()
            await pilot.pause()
            await pilot.press("s")  # not for now: help is open
            await pilot.press("escape")
            await pilot.pause()
            assert app.bench.snapshot.next_key == "L11"


def test_work_that_takes_its_time_can_be_asked_about(bench_of, monkeypatch):
    """The diagnosis is held up, and then the bench itself."""
    bench, go_on, at_it = bench_of(Script(presses("L11"))), threading.Event(), threading.Event()
    diagnose = bench.session.diagnose_now

    def slow(*args):
        at_it.set()
        assert go_on.wait(PATIENCE_S)
        return diagnose(*args)

    monkeypatch.setattr(bench.session, "diagnose_now", slow)
    with BenchDesk(bench) as desk:
        assert at_it.wait(PATIENCE_S)
        one, two = desk.busy(), desk.busy()
        assert 0 < one.thinking < two.thinking
        desk.command("finish")  # ends the sweep, and that needs a diagnosis
        while desk.busy().stuck < 0.1:
            go_on.wait(0.01)
        go_on.set()
        wait = Waiter(desk)
        wait.until(lambda view: view.step == "findings")
        while desk.busy() != (0.0, 0.0):
            threading.Event().wait(0.01)


def test_hands_that_rest_get_the_diagnosis_in_full(bench_of, monkeypatch):
    """A quick look at each press, then one in full at the last of them."""
    bench, looks, in_full = bench_of(Script(presses("L11", "L12"))), [], threading.Event()
    update, diagnose = bench.session.update_diagnosis, bench.session.diagnose_now

    def quickly(seen):
        looks.append(("quick", len(seen)))
        return update(seen)

    def fully(seen):
        looks.append(("full", len(seen)))
        if len(seen) == 3:  # rest and two presses
            in_full.set()
        return diagnose(seen)

    monkeypatch.setattr(bench.session, "update_diagnosis", quickly)
    monkeypatch.setattr(bench.session, "diagnose_now", fully)
    with BenchDesk(bench):
        assert in_full.wait(PATIENCE_S)
    assert looks[-1] == ("full", 3)
    assert ("quick", 3) in looks
