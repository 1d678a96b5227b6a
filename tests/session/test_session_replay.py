"""The same events give the same session, bit for bit, however the time between them was told."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small import BOARD, SECOND, Half, fold, reading_event

from keydiag import board
from keydiag.bench import Bench
from keydiag.errors import BoardError, JournalError
from keydiag.faults import parse_fault
from keydiag.journal import Writer, read
from keydiag.session import Session, replay
from keydiag.sources.hands import HandScript, Slips
from keydiag.sources.virtual import VirtualSource
from keydiag.sources.virtual_half import VirtualHalf

FAULTS = ("L23 diode reversed", "row R4 broken between L44 and L43", "row R1 bridged to column C5")


def same(one: Session, two: Session) -> bool:
    assert one.notes == two.notes
    assert one.snapshot().step == two.snapshot().step
    assert one.statuses() == two.statuses()
    assert one.observations() == two.observations()
    return one.diagnose_now().model_dump_json() == two.diagnose_now().model_dump_json()


def worked_over() -> Half:
    """A session with everything in it."""
    half = Half("a2 diode reversed", "b3 switch dead")
    half.plug_in()
    half.press("a1 a2")
    half.command("back")
    half.press("a2 a3")
    half.unplug()
    half.plug_in()
    half.press("b1 b2 b3")
    half.idle()
    half.follow()
    half.say("repair", did="a2 diode reversed")
    half.unplug()
    half.have("b3 switch dead")
    half.plug_in()
    half.follow()
    half.press("a1+b1")
    half.say("end")
    return half


def test_told_by_the_journal_alone_a_session_is_the_same():
    live = worked_over()
    assert same(live.session, fold(live.events))


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_unchanged_readings_in_between_make_no_difference(seed):
    """A bouncing half, told by its changes alone, and with unchanged readings at any times."""
    random = Random(seed)
    half = Half("a2 diode reversed")
    events = [reading_event(0, half.reads())]
    t_us = SECOND
    for key in ("a1", "a2", "a3", "b1", "b2", "b3"):
        for down in (True, False):
            for _ in range(random.randrange(4)):  # bounce
                t_us += random.randrange(1, 9_000)
                events.append(reading_event(t_us, half.reads(key)))
                t_us += random.randrange(1, 9_000)
                events.append(reading_event(t_us, half.reads()))
            events.append(reading_event(t_us, half.reads(*([key] if down else []))))
            t_us += random.randrange(9_000, 200_000)
    hello = {"kind": "hello", "chip": "atmega32u4", "build": "t", "t": 0}
    events = [hello, *events, {"kind": "idle", "t": t_us + 20 * SECOND}]
    alone = fold(events)
    beside = Session(board.loads(BOARD, "small"))
    now_us = 0
    for event in events:
        while random.random() < 0.8 and now_us < event["t"]:
            now_us = random.randint(now_us, event["t"])
            beside.pass_time(now_us)
        beside.apply(event)
        now_us = event["t"]
    assert same(alone, beside)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_journal_kept_by_the_bench_replays_to_the_same_findings(tmp_path: Path, seed: int):
    half_board = board.example("bramblewick-left")
    live = Session(half_board)
    faults = [parse_fault(live.circuit, words) for words in FAULTS]
    half = VirtualHalf(live.circuit, faults, seed=seed)
    script = HandScript.sweep(live.circuit.keys, seed, Slips(double=0.05, wrong=0.03, skip=0.03))
    writer = Writer.create(tmp_path / "j.jsonl", board.dumps(half_board))
    with Bench(live, VirtualSource(half, script), writer) as bench:
        bench.open()
        bench.run(lambda session: session.step in ("findings", "signed-off"))
    journal = read(tmp_path / "j.jsonl")
    assert journal.ended
    assert same(live, replay(journal))


def test_a_journal_cut_short_anywhere_still_replays(tmp_path: Path):
    live = worked_over()
    with Writer.create(tmp_path / "j.jsonl", BOARD) as writer:
        for event in live.events:
            writer.append(event)
    data = (tmp_path / "j.jsonl").read_bytes()
    header = data.index(b"\n") + 1
    for cut in range(header, len(data), 97):
        (tmp_path / "cut.jsonl").write_bytes(data[:cut])
        session = replay(read(tmp_path / "cut.jsonl"))
        session.snapshot(diagnose=True)


def journal_of(tmp_path: Path, *lines: str, board_text: str = BOARD) -> Path:
    path = tmp_path / "j.jsonl"
    Writer.create(path, board_text).close()
    with path.open("a", encoding="utf-8") as file:
        file.writelines(line + "\n" for line in lines)
    return path


@pytest.mark.parametrize(("line", "told"), [
    ('{"kind": "reading", "t": 1, "rest": "0", "low": "1 2 4"}', "3 pins on a board of 5"),
    ('{"kind": "reading", "t": 1, "rest": "0", "low": "1 2 4 8 100"}', "beyond the 5"),
    ('{"kind": "reading", "t": 1, "rest": "0"}', "'low'"),
    ('{"kind": "reading", "t": "soon", "rest": "0", "low": "1 2 4 8 10"}', "soon"),
    ('{"kind": "reading", "t": 1, "rest": 0, "low": 7}', "cannot be read"),
    ('{"kind": "hello"}', "'chip' to be text"),
    ('{"kind": "link"}', "'up' to be true or false"),
    ('{"kind": "link", "up": true}', "'chip'"),
    ('{"kind": "counted", "corrupt": true, "lost": 0}', "'corrupt' to be a number"),
    ('{"kind": "command", "t": 4}', "'name'"),
    ('{"kind": "idle", "t": null}', "'t' to be a time"),
])  # fmt: skip
def test_an_event_that_makes_no_sense_is_named_with_its_line(tmp_path, line, told):
    path = journal_of(tmp_path, '{"kind": "unheard-of"}', line)
    with pytest.raises(JournalError) as error:
        replay(read(path))
    assert str(error.value).startswith(f"{path}: line 3: ") and told in str(error.value)


def test_a_journal_whose_board_is_bad_is_refused_by_name(tmp_path):
    path = journal_of(tmp_path, board_text="format = 1\n")
    with pytest.raises(BoardError, match="the board in its header"):
        replay(read(path))


def test_extra_pins_come_from_the_header(tmp_path):
    path = tmp_path / "j.jsonl"
    Writer.create(path, BOARD, extra_pins=["PD0"]).close()
    assert replay(read(path)).circuit.pins[-1] == "PD0"


def test_extra_pins_that_are_none_are_refused(tmp_path):
    path = tmp_path / "j.jsonl"
    Writer.create(path, BOARD, extra_pins=["PZ9"]).close()
    with pytest.raises(JournalError, match="line 1: extra_pins"):
        replay(read(path))
