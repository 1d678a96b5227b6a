"""keydiag contacts over a pseudo-terminal, with hands that do what its lines say."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import time
from pathlib import Path

import pytest
from commands import LEFT, SMALL, begun, keydiag, virtual

from keydiag.journal import read
from keydiag.sources.base import EdgesAt, LevelAt, RiseAt
from keydiag.sources.replay import ReplaySource

ASKED = re.compile(r"Hold (\w+)( \(.+\))?\.")


def follow(
    process: subprocess.Popen[str], hands: subprocess.Popen[str], *, text: str = "stdout",
    until: str | None = None,
) -> str:  # fmt: skip
    """Hold what is asked for until the next key is; everything that was said there."""
    lines, down = [], ""
    stream = getattr(process, text)
    assert stream and hands.stdin
    for line in stream:
        lines.append(line)
        if until is not None and until in line:
            break
        asked = ASKED.fullmatch(line.strip())
        if asked is None:
            continue
        if down:
            hands.stdin.write(f"release {down}\n")
            hands.stdin.flush()
            time.sleep(0.1)
        down = asked[1]
        hands.stdin.write(f"press {down}\n")
        hands.stdin.flush()
    return "".join(lines)


def test_a_sound_half_ends_with_nothing_that_stands_out():
    with virtual(SMALL) as (hands, port):
        process = begun(["contacts", SMALL, "--port", port])
        text = follow(process, hands)
        assert process.wait(timeout=20) == 0, text
    assert "Nothing stands out." in text and "Not proven:" in text
    assert re.search(r"A1: 0\.51 V, .*steady for", text)


def test_a_resistive_stretch_and_a_journal_that_every_reader_takes(tmp_path: Path):
    journal = str(tmp_path / "j.jsonl")
    with virtual(SMALL, "--fault", "row Ra between A1 and A2 resistive") as (hands, port):
        process = begun(["contacts", SMALL, "--port", port, "--json", "--journal", journal])
        text = follow(process, hands, text="stderr")
        assert process.stdout
        said = json.loads(process.stdout.read())
        assert process.wait(timeout=20) == 1, text
    (notice,) = said["stands_out"]
    assert notice["places"] == ["row Ra between A1 and A2"] and notice["keys"] == ["A2", "A3"]
    assert "Reflow row Ra between A1 and A2" in text and "never solder a live circuit" in text
    written = read(journal)
    assert written.ended
    assert {"hello", "rise", "pace", "level", "edges", "end"} == {e["kind"] for e in written.events}
    replayed = ReplaySource(written).read(0.0)
    assert {LevelAt, EdgesAt, RiseAt} <= {type(event) for event in replayed}
    done = keydiag("diagnose", journal)
    assert done.returncode == 1 and "Verdict: incomplete." in done.stdout and done.stderr == ""
    done = keydiag("report", journal, "--html", str(tmp_path / "r.html"))
    assert done.returncode == 0 and done.stderr == ""
    assert keydiag("replay", journal, "--plain").stderr == ""


def test_flexed_a_loose_contact_is_told_at_once():
    with virtual(LEFT, "--loose", "L23") as (hands, port):
        process = begun(
            ["contacts", LEFT, "--port", port, "--flex", "L22", "L23", "--hold", "1"]
        )
        text = follow(process, hands)
        assert process.wait(timeout=20) == 1, text
    assert "Keep L22 down for 1 s: flex the case" in text
    assert re.search(r"  L23 opened (once|\d+ times) just now", text)
    assert "L22 opened" not in text and "Hold L21" not in text
    assert re.search(r"1\. L23: opened \d+ times while held", text)


def test_interrupted_the_journal_is_closed(tmp_path: Path):
    journal = str(tmp_path / "j.jsonl")
    with virtual(SMALL) as (hands, port):
        process = begun(["contacts", SMALL, "--port", port, "--journal", journal])
        follow(process, hands, until="A2: ")
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
    assert process.returncode == 130 and err == "keydiag: interrupted\n"
    assert "Not pressed, so nothing is known of them:" in out  # what was found is not lost
    assert read(journal).events[-1]["why"] == "interrupted"


def test_nobody_presses_anything():
    with virtual(SMALL) as (_, port):
        done = keydiag("contacts", SMALL, "--port", port, "--idle", "0.5")
    assert done.returncode == 1
    assert "Not pressed, so nothing is known of them: A1, A2, A3, B1, B2 and B3." in " ".join(
        done.stdout.split()
    )


@pytest.mark.parametrize(("args", "words"), [
    (["contacts", "no-such-board.toml"], "no-such-board.toml"),
    (["contacts", SMALL, "--flex", "L99"], "--flex L99: no such key on Two by three"),
    (["contacts", SMALL, "--hold", "nan"], "--hold nan: give a number of seconds"),
    (["contacts", SMALL, "--idle", "0"], "--idle 0: give a number of seconds"),
    (["virtual", SMALL, "--loose", "A9"], '--loose "A9": no such place on Two by three'),
])  # fmt: skip
def test_bad_input_is_one_line_and_status_2(args, words):
    done = keydiag(*args)
    assert done.returncode == 2 and words in done.stderr and done.stderr.count("\n") == 1


def test_no_such_port_is_port_trouble():
    assert keydiag("contacts", SMALL, "--port", "/dev/no-such-port").returncode == 3
