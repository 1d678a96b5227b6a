"""keydiag replay: as lines of text, and as a program on a terminal."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest
from commands import ROOT, environment

from keydiag.cli import main

FAULTS = ["L23 diode reversed", "row R4 broken between L44 and L43"]


@pytest.fixture(scope="module")
def journals(tmp_path_factory) -> dict[int, Path]:
    """Exit status -> a journal that ends with it: a demo, whole, and up to its first verdict."""
    path = tmp_path_factory.mktemp("replay") / "whole.jsonl"
    args = ["demo", "--plain", "--journal", str(path)]
    assert main([*args, *(a for f in FAULTS for a in ("--fault", f))]) == 0
    lines = path.read_text("utf-8").splitlines(keepends=True)
    verdict = next(n for n, line in enumerate(lines) if '"verdict"' in line)
    first = path.with_name("first.jsonl")
    first.write_text("".join(lines[: verdict + 1]), "utf-8")
    return {0: path, 1: first}


@pytest.mark.parametrize("status", [0, 1])
def test_it_ends_as_diagnose_does(journals, status, capsys):
    before = journals[status].read_bytes()
    assert main(["diagnose", str(journals[status])]) == status
    findings = capsys.readouterr().out
    assert main(["replay", "--plain", str(journals[status])]) == status
    assert capsys.readouterr().out.endswith("\n\n" + findings)
    assert journals[status].read_bytes() == before


def test_every_press_is_a_line_with_the_journals_time(journals, capsys):
    main(["replay", "--plain", str(journals[1])])
    lines = capsys.readouterr().out.partition("\n\n")[0].splitlines()
    times = [line.split()[0] for line in lines]
    assert times == sorted(times) and times[0] == "0:00.0"
    assert sum("L11 answers as wired." in line for line in lines) == 1
    assert any("L23 answers, but not as wired" in line for line in lines)


def test_a_speed_is_kept(journals, capsys):
    began = time.monotonic()
    main(["replay", "--plain", "--speed", "100", str(journals[1])])
    took = time.monotonic() - began
    last = capsys.readouterr().out.partition("\n\n")[0].splitlines()[-1].split()[0]
    minutes, seconds = last.split(":")
    assert took >= (60 * float(minutes) + float(seconds)) / 100


def test_a_torn_last_line_is_told_and_left_out(journals, tmp_path, capsys):
    torn = tmp_path / "torn.jsonl"
    torn.write_bytes(journals[1].read_bytes() + b'{"kind": "rea')
    assert main(["replay", "--plain", str(torn)]) == 1
    said = capsys.readouterr()
    assert said.err.count("\n") == 1 and "cut short" in said.err
    assert "L23 diode reversed" in said.out


@pytest.mark.parametrize(("args", "told"), [
    (["no-such.jsonl"], "no-such.jsonl"),
    ([str(ROOT / "README.md")], "README.md: line 1"),
    (["x.jsonl", "--speed", "fast"], "--speed fast"),
    ([], "JOURNAL"),
])  # fmt: skip
def test_mistakes_are_one_line(args, told, capsys):
    assert main(["replay", *args]) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and told in said.err


def on_terminal(args: list[str], keys: dict[str, bytes]) -> tuple[int, str]:
    """Run keydiag on a pseudo-terminal; as soon as a text has been shown, type its keys."""
    main_end, terminal = pty.openpty()
    os.set_blocking(main_end, False)
    process = subprocess.Popen(
        [sys.executable, "-m", "keydiag", *args],
        stdin=terminal, stdout=terminal, stderr=terminal, start_new_session=True,
        env=environment(TERM="xterm-256color", COLUMNS="80", LINES="24"),
    )  # fmt: skip
    os.close(terminal)
    shown, waiting, until = "", dict(keys), time.monotonic() + 60
    while process.poll() is None and time.monotonic() < until:
        if select.select([main_end], [], [], 0.05)[0]:
            try:
                shown += os.read(main_end, 65536).decode("utf-8", "replace")
            except OSError:  # the other end is closed
                break
        for text in [text for text in waiting if text in shown]:
            os.write(main_end, waiting.pop(text))
    status = process.wait(timeout=20)
    os.close(main_end)
    return status, shown


@pytest.mark.parametrize("status", [0, 1])
def test_on_a_terminal_it_plays_and_leaves_with_the_journals_status(journals, status):
    seen, shown = on_terminal(["replay", str(journals[status])], {"quit": b"q"})
    assert seen == status and " replay " in shown


def test_on_a_terminal_a_file_that_is_no_journal_is_one_line():
    status, shown = on_terminal(["replay", str(ROOT / "README.md")], {})
    assert status == 2 and shown.rstrip().endswith("name a journal that keydiag wrote")
