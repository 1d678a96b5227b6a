"""keydiag board precheck, as a builder types it."""

import io

import pytest

from keydiag import board
from keydiag.cli import main
from keydiag.journal import read
from keydiag.precheck import sheet
from keydiag.resources import fixture
from tests.board.tested import sweep

LEFT = str(fixture("bramblewick-left.toml"))


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def precheck(*options):
    return main(["board", "precheck", LEFT, *options])


def good_answers():
    return "".join(
        f"{check.code}: {'0.6' if check.kind == 'diode' else 'ok'}\n"
        for check in sheet(board.load(LEFT))
    )


def test_the_sheet(capsys):
    assert precheck() == 0
    out = capsys.readouterr().out
    assert out.startswith("Bramblewick left: before power")
    assert "[ ] L11      ______" in out


def test_form_and_html(here, capsys):
    assert precheck("--form", "f.txt", "--html", "s.html") == 0
    assert "written: s.html, f.txt" in capsys.readouterr().out
    assert precheck("--form", "f.txt") == 2  # never overwritten unasked
    assert precheck("--answers", "f.txt") == 1  # nothing answered
    assert "0 of 79 checks answered" in capsys.readouterr().out


def test_answers_are_judged(here, capsys):
    (here / "a.txt").write_text(good_answers())
    assert precheck("--answers", "a.txt") == 0
    assert "All 79 checks are as they should be" in capsys.readouterr().out
    (here / "a.txt").write_text(good_answers().replace("L23: 0.6", "L23: OL 0.6"))
    assert precheck("--answers", "a.txt") == 1
    assert "Unsolder the L23 diode and turn it round" in capsys.readouterr().out
    (here / "a.txt").write_text("L99: 0.6\n")
    assert precheck("--answers", "a.txt") == 2
    assert precheck("--answers", "none.txt") == 2


def test_asking_keeps_every_answer_at_once(here, capsys, monkeypatch):
    monkeypatch.setattr("sys.stderr", Terminal())
    monkeypatch.setattr("sys.stdin", Terminal("ok\n\nsome left\n"))  # and then the terminal closes
    assert precheck("--ask", "--answers", "a.txt") == 1
    assert (here / "a.txt").read_text() == "look plug: ok\nlook clippings: some left\n"
    assert "2 of 79 checks answered" in capsys.readouterr().out
    monkeypatch.setattr("sys.stdin", Terminal("ok\n"))
    assert precheck("--ask", "--answers", "a.txt") == 1
    assert "look meter: ok" in (here / "a.txt").read_text()  # only what was open is asked


def test_asking_needs_a_terminal(here, capsys):
    assert precheck("--ask") == 2
    assert "--ask needs a terminal" in capsys.readouterr().err


def test_readings_become_evidence_in_a_journal(here, capsys):
    half = board.load(LEFT)
    sweep(half, ["L23 diode-row joint open"], here / "j.jsonl")
    (here / "a.txt").write_text(good_answers().replace("L23: 0.6", "L23: OL"))
    for added in (41 + 78, 0):  # doing it again adds nothing
        assert precheck("--answers", "a.txt", "--journal", "j.jsonl") == 1
        assert f"j.jsonl: {added} readings added." in capsys.readouterr().out
    events = [event for event in read("j.jsonl").events if event["kind"] == "answer"]
    # 41 diodes, and 13 lines against each other: 13 * 12 / 2.
    assert len(events) == 41 + 78
    assert {"kind": "answer", "code": "L23.1 to PD0", "value": "open"} in events
    assert main(["diagnose", "j.jsonl"]) == 1  # and it is still a journal


def test_readings_of_another_half_are_refused(here, capsys):
    sweep(board.example("bramblewick-right"), [], here / "j.jsonl")
    (here / "a.txt").write_text(good_answers())
    assert precheck("--answers", "a.txt", "--journal", "j.jsonl") == 2
    assert "j.jsonl: is the journal of another half" in capsys.readouterr().err
    assert precheck("--journal", "j.jsonl") == 2
    assert "nothing to add without --answers or --ask" in capsys.readouterr().err
