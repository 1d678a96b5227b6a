"""Every mistake is one clear line on standard error, with the right exit status, and no more."""

from __future__ import annotations

import os
import time
import tty
from pathlib import Path

import pytest
import serial
from commands import LEFT, keydiag

from keydiag.cli import main


def refused(capsys: pytest.CaptureFixture[str], *args: str, status: int = 2) -> str:
    assert main(args) == status
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("keydiag: ") and "Traceback" not in said.err
    return said.err


def one_line(capsys: pytest.CaptureFixture[str], *args: str, status: int = 2) -> str:
    err = refused(capsys, *args, status=status)
    assert err.count("\n") == 1, err
    return err


@pytest.mark.parametrize(("args", "told"), [
    ([], "COMMAND"),
    (["tset"], "tset"),
    (["test"], "BOARD"),
    (["test", LEFT, "--idle", "soon"], "--idle"),
    (["test", LEFT, "--idle", "-3"], "--idle -3"),
    (["test", LEFT, "--speed", "9"], "--speed"),
    (["test", "no-such-board.toml"], "no-such-board.toml"),
    (["board", "check", "no-such-board.toml"], "no-such-board.toml"),
    (["board"], "ACTION"),
    (["virtual", "no-such-board.toml"], "no-such-board.toml"),
    (["virtual", LEFT, "--fault", "L23 doide reversed"], "diode"),
    (["virtual", LEFT, "--fault", "L99 diode reversed"], "L99"),
    (["virtual", LEFT, "--script", "dance"], "dance"),
    (["demo", "--plain", "--fault", "everything"], "everything"),
    (["demo", "--seed", "x"], "--seed"),
    (["diagnose"], "JOURNAL"),
    (["diagnose", "no-such.jsonl"], "no-such.jsonl"),
    (["report", "no-such.jsonl"], "no-such.jsonl"),
    (["resume", "no-such.jsonl"], "no-such.jsonl"),
    (["diagnose", LEFT], "journal"),
    (["diagnose", "x", "--priors", "no-such.toml"], "no-such.toml"),
    (["probe"], "ACTION"),
])  # fmt: skip
def test_bad_usage(capsys, args, told):
    assert told in one_line(capsys, *args)


def test_a_bad_board_is_told_problem_by_problem(capsys, tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text(Path(LEFT).read_text("utf-8").replace('pin = "PD1"', 'pin = "PD99"'), "utf-8")
    for command in (["board", "check"], ["test"], ["virtual"]):
        err = refused(capsys, *command, str(bad))
        assert f"{bad}: row.R1.pin" in err and "PD99" in err


@pytest.mark.parametrize("text", [
    "", "not a journal\n", '{"kind": "hello"}\n', "\x00\x01\x02", "[1, 2]\n",
    '{"kind": "header", "journal": 99, "board": ""}\n',
    '{"kind": "header", "journal": 1, "board": "format = 1"}\n',
])  # fmt: skip
def test_a_bad_journal(capsys, tmp_path, text):
    bad = tmp_path / "bad.jsonl"
    bad.write_text(text, "utf-8")
    for command in ("diagnose", "report", "resume"):
        assert str(bad) in refused(capsys, command, str(bad))


def test_a_journal_is_never_overwritten(capsys, tmp_path):
    there = tmp_path / "there.jsonl"
    there.write_text("mine\n", "utf-8")
    assert "never overwritten" in one_line(
        capsys, "demo", "--plain", "--journal", str(there), status=2
    )
    assert there.read_text("utf-8") == "mine\n"


def test_a_report_that_cannot_be_written(capsys, tmp_path):
    journal = tmp_path / "j.jsonl"
    main(["demo", "--plain", "--journal", str(journal), "--fault", "L11 diode reversed"])
    capsys.readouterr()
    assert str(tmp_path) in one_line(capsys, "report", str(journal), "-o", str(tmp_path))


# --- ports ---


def test_no_such_port(capsys):
    assert "/dev/no-such-port" in one_line(
        capsys, "test", LEFT, "--plain", "--port", "/dev/no-such-port", status=3
    )


def test_a_port_that_another_program_has(capsys):
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    try:
        with serial.Serial(name, exclusive=True):
            assert "another program" in one_line(
                capsys, "test", LEFT, "--plain", "--port", name, status=3
            )
    finally:
        os.close(master)
        os.close(slave)


def test_something_that_is_no_probe_is_found_out_soon(capsys, tmp_path):
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    journal = tmp_path / "j.jsonl"
    began = time.monotonic()
    try:
        err = one_line(
            capsys, "test", LEFT, "--plain", "--port", name, "--journal", str(journal), status=3
        )
    finally:
        os.close(master)
        os.close(slave)
    assert name in err and "nothing answered" in err
    assert time.monotonic() - began < 10  # promised: 3 s; the rest is for a busy machine
    assert not journal.exists()


def test_a_probe_without_the_boards_pins(capsys, tmp_path):
    from commands import virtual

    text = Path(LEFT).read_text("utf-8")
    other = tmp_path / "rp2040.toml"
    pins = [line.split('"')[1] for line in text.splitlines() if line.startswith("pin = ")]
    text = text.replace('"atmega32u4"', '"rp2040"')
    for number, pin in enumerate(pins):
        text = text.replace(f'pin = "{pin}"', f'pin = "GP{number}"')
    other.write_text(text, "utf-8")
    with virtual(LEFT) as (_, port):
        journal = str(tmp_path / "j.jsonl")
        err = one_line(
            capsys, "test", str(other), "--plain", "--port", port, "--journal", journal, status=3
        )
    assert "GP0" in err and "atmega32u4" in err


# --- the ends of the program ---


def test_help_and_version_come_at_once_and_well():
    assert keydiag("--version").stdout.startswith("keydiag ")
    done = keydiag("--help")
    assert done.returncode == 0 and "exit status" in done.stdout
    for command in ("demo", "test", "resume", "diagnose", "report", "board", "virtual", "probe"):
        assert command in done.stdout
        assert keydiag(command, "--help").returncode == 0


def test_help_imports_nothing_heavy():
    import subprocess
    import sys

    from commands import environment

    code = (
        "import sys; from keydiag.cli import build_parser; build_parser();"
        "print([m for m in ('numpy', 'pydantic', 'textual', 'serial') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment()
    )
    assert done.stdout == "[]\n", done.stderr


def test_a_bug_is_one_line_too(capsys, monkeypatch):
    import keydiag.report

    def broken(*args: object) -> list[str]:
        raise RuntimeError("oh")

    monkeypatch.delenv("KEYDIAG_TRACEBACK", raising=False)
    monkeypatch.setattr(keydiag.report, "diagnosis_lines", broken)
    monkeypatch.setattr("keydiag.plain.diagnosis_lines", broken)
    assert main(["demo", "--plain", "--fault", "L11 diode reversed"]) == 70
    assert "keydiag: a bug in keydiag (RuntimeError: oh)" in capsys.readouterr().err
