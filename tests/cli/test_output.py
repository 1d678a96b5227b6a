"""Lines for programs and the bell, as the commands give them."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import pytest
from commands import SMALL, begun, environment, keydiag, virtual
from test_over_a_terminal import follow

from keydiag.cli import common, main

BELL = b"\a"


def lines_of(args: list[str], hands: subprocess.Popen[str]) -> tuple[list[dict[str, Any]], str]:
    """Do the work of a command with --json-lines, as its lines ask for it: (lines, text)."""
    process = begun([*args, "--json-lines"])
    assert process.stdout and process.stderr and hands.stdin

    told: list[dict[str, Any]] = []

    def prompts() -> Iterator[str]:
        """What is asked for, as `follow` reads it."""
        assert process.stdout
        for line in process.stdout:
            told.append(json.loads(line))
            yield f"{told[-1].get('say', '')}\n"

    follow(SimpleNamespace(stdout=prompts()), hands)  # type: ignore[arg-type]
    text = process.stderr.read()
    assert process.wait(timeout=20) in (0, 1), text
    process.stdout.close()
    process.stderr.close()
    return told, text


def test_test_and_resume_in_lines_end_with_what_diagnose_says(tmp_path: Path, capsys):
    journal = str(tmp_path / "j.jsonl")
    assert main(["diagnose", "--schema-lines"]) == 0
    schema = json.loads(capsys.readouterr().out)
    with virtual(SMALL, "--fault", "B2 diode reversed") as (hands, port):
        told, text = lines_of(["test", SMALL, "--port", port, "--journal", journal], hands)
    assert main(["diagnose", journal, "--json"]) == 1
    assert told[-1]["diagnosis"] == json.loads(capsys.readouterr().out)
    assert told[-1]["missing"][0].startswith("Finding open: B2 diode reversed")
    assert "1. B2 diode reversed" in text and "Not signed off. Missing:" in text
    with virtual(SMALL) as (hands, port):
        more, text = lines_of(["resume", journal, "--port", port], hands)
    assert main(["diagnose", journal, "--json"]) == 0
    assert more[-1]["diagnosis"] == json.loads(capsys.readouterr().out)
    assert more[-1]["signed_off"] and "Signed off. Proven:" in text
    assert more[0]["t"] >= told[-1]["t"]
    changes = [(e["change"], e["finding"]["title"]) for e in more if e["event"] == "finding"]
    assert changes == [("opened", "B2 diode reversed"), ("closed", "B2 diode reversed")]
    for line in (*told, *more):
        jsonschema.validate(line, schema)


def test_json_and_json_lines_exclude_each_other(capsys):
    assert main(["demo", "--json", "--json-lines"]) == 2
    assert capsys.readouterr().err.startswith("keydiag: --json and --json-lines")


def test_nobody_reads_the_lines():
    command = f"{sys.executable} -m keydiag demo --json-lines 2>/dev/null | head -1"
    done = subprocess.run(
        ["bash", "-c", f"{command}; exit ${{PIPESTATUS[0]}}"],
        capture_output=True,
        text=True,
        env=environment(),
        timeout=60,
    )
    assert done.returncode == 141 and json.loads(done.stdout)["event"] == "begin"


# --- the bell ---


def on_a_terminal(*args: str) -> bytes:
    """What a command writes on a terminal that can do nothing."""
    master, slave = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "keydiag", *args],
        stdin=slave,
        stdout=slave,
        stderr=subprocess.DEVNULL,
        env=environment(),
    )
    os.close(slave)
    out = b""
    try:
        while piece := os.read(master, 65536):
            out += piece
    except OSError:  # Linux says so when the last writer is gone
        pass
    os.close(master)
    assert process.wait(timeout=60) in (0, 1)
    return out


DEMO = ("demo", "--plain", "--fault", "L23 diode reversed", "--fault", "L16 switch dead")


def test_the_bell_rings_on_a_terminal_at_each_problem_and_can_be_switched_off():
    out = on_a_terminal(*DEMO)
    rung = [re.sub(rb"^\W+", b"", piece)[:3] for piece in out.split(BELL)[1:]]
    assert rung == [b"L16", b"L23"]  # before the line that says it
    quiet = on_a_terminal(*DEMO, "--no-bell")
    assert BELL not in quiet and b"L16 gave no sign." in quiet


def test_no_bell_where_nobody_hears_it():
    assert "\a" not in keydiag(*DEMO).stdout


@pytest.mark.parametrize("bell", [True, False])
def test_the_option_reaches_the_screen(monkeypatch, bell):
    asked = []

    def show(*args: object, **options: object) -> int:
        asked.append(options["bell"])
        return 130

    monkeypatch.setattr("keydiag.screen.show", show)
    monkeypatch.setattr(common, "wants_plain", lambda args: False)
    assert main(["demo", *([] if bell else ["--no-bell"])]) == 130
    assert asked == [bell]


@pytest.mark.parametrize("command", ["test", "resume", "demo"])
def test_help_names_both(command, capsys):
    with pytest.raises(SystemExit):
        main([command, "--help"])
    said = " ".join(capsys.readouterr().out.split())
    assert "--json-lines" in said and "--no-bell" in said and "u switches it" in said
