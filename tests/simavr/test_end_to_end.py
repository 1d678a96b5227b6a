"""The whole job on the probe's real image: a freshly wired half, every key pressed, three findings.

The sketch, compiled for the ATmega32U4, runs in simavr behind its USB port; its pins are wired to a
half that this test describes; `keydiag test` is a process of its own on the other end of the port.
Nothing of keydiag's simulation takes part.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

from keydiag.board import dumps, example
from tests.simavr.from_board import column_wire, diode, netlist, row_wire
from tests.simavr.harness import SimulatedProbe

BOARD = example("bramblewick-left")
HELD_S, BETWEEN_S = 0.08, 0.05  # a brisk hand
WANTED = {
    ("reversed-diode", ("L23 diode",)),
    ("broken-stretch", ("row R4 between L44 and L43",)),
    ("bridge", ("row R1", "column C5")),
}


def faulty_half() -> str:
    """One diode turned round; the stretch and the bridge follow once the half is on the bench."""
    half = netlist(BOARD)
    return half.replace(diode(BOARD, "L23"), diode(BOARD, "L23", turned=True))


def press(probe: SimulatedProbe, key: str) -> None:
    probe.press(key)
    time.sleep(HELD_S)
    probe.release(key)
    time.sleep(BETWEEN_S)


def keydiag(*args: str) -> list[str]:
    return [sys.executable, "-m", "keydiag", *args]


def wait_for(process: subprocess.Popen[str], words: str, said: list[str]) -> None:
    assert process.stdout is not None
    for line in process.stdout:
        said.append(line)
        if words in line:
            return
    raise AssertionError(f"{words!r} was never said:\n{''.join(said)}")


def test_three_faults_are_named_at_the_right_places(tmp_path: Path) -> None:
    board, journal = tmp_path / "half.toml", tmp_path / "half.jsonl"
    board.write_text(dumps(BOARD), "utf-8")
    with SimulatedProbe(faulty_half()) as probe:
        probe.cut(row_wire("L44"), row_wire("L43"))
        probe.join(row_wire("L15"), column_wire("L15"))
        process = subprocess.Popen(
            keydiag(
                "test", str(board), "--plain", "--port", probe.port, "--journal", str(journal),
                "--idle", "3",
            ),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )  # fmt: skip
        try:
            said: list[str] = []
            wait_for(process, "Press L11", said)
            for key in BOARD.key:
                press(probe, key)
            rest, _ = process.communicate(timeout=60)
        finally:
            process.kill()
        said.append(rest)
        assert process.returncode == 1, "".join(said)
        assert not probe.drives().high

    answer = subprocess.run(
        keydiag("diagnose", str(journal), "--json"), capture_output=True, text=True, check=False
    )
    assert answer.returncode == 1, answer.stderr
    found = json.loads(answer.stdout)
    best = {
        (m["kind"], tuple(m["at"]))
        for finding in found["findings"]
        for m in finding["members"][:1]
    }
    assert best == WANTED, "".join(said)
    assert all(finding["probability"] > 0.9 for finding in found["findings"])
    hidden = {entry["key"] for entry in found["cannot_judge"]}
    assert {"L41", "L42", "L43"} <= hidden
