"""The whole way: a virtual half in one process, keydiag in the other, a pseudo-terminal between."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import time
from pathlib import Path

from commands import LEFT, SMALL, begun, environment, keydiag, virtual

from keydiag.journal import read

FAULTS = {
    ("reversed-diode", "L23 diode"): "L23 diode reversed",
    ("broken-stretch", "row R4 between L44 and L43"): "row R4 broken between L44 and L43",
    ("bridge", "row R2", "column C5"): "row R2 bridged to column C5",
}


def asked_for(words: list[str]) -> list[str]:
    return [arg for each in words for arg in ("--fault", each)]


def best(said: dict) -> set[tuple[str, ...]]:
    """The first member of every finding that is more likely than not."""
    found = [f for f in said["findings"] if f["probability"] >= 0.5]
    return {(f["members"][0]["kind"], *f["members"][0]["at"]) for f in found}


def test_three_faults_are_found_at_the_right_places(tmp_path: Path):
    journal = tmp_path / "j.jsonl"
    with virtual(LEFT, *asked_for(list(FAULTS.values())), "--script", "sweep") as (_, port):
        done = keydiag(
            "test", LEFT, "--json", "--port", port, "--idle", "2", "--journal", str(journal)
        )
    assert done.returncode == 1, done.stderr
    said = json.loads(done.stdout)
    assert said["verdict"] == "faults" and best(said) == set(FAULTS)
    hidden = {each["key"] for each in said["cannot_judge"]}
    assert hidden == {"L25", "L41", "L42", "L43"}  # the bridge closes L25's own crossing
    assert "L23 answers, but not as wired" in done.stderr  # what to do went there
    again = keydiag("diagnose", str(journal), "--json")
    assert again.stdout == done.stdout and again.returncode == 1


def follow(
    process: subprocess.Popen[str],
    hands: subprocess.Popen[str],
    until: str | None = None,
    *,
    chords: bool = True,
) -> str:
    """Press what the lines say, and hold the chords, to the end or until they say this; everything
    that was said."""
    assert process.stdout and hands.stdin
    lines: list[str] = []
    for line in process.stdout:
        lines.append(line)
        if until is not None and until in line:
            break
        due = re.search(r"[Pp]ress (\w+)( \(\w+\))?( once more)?\.$", line.rstrip())
        chord = re.search(r"[Hh]old (.+) together\.$", line.rstrip()) if chords else None
        if due is None and chord is None:
            continue
        keys = [due[1]] if due else re.findall(r"[A-Z]\d+", chord[1] if chord else "")
        for finger, hold_s in (("press", 0.06 if due else 0.15), ("release", 0.05)):
            for key in keys:
                hands.stdin.write(f"{finger} {key}\n")
            hands.stdin.flush()
            time.sleep(hold_s)
    return "".join(lines)


def test_sweep_mend_resume_retest_and_sign_off(tmp_path: Path):
    journal = str(tmp_path / "j.jsonl")
    with virtual(SMALL, "--fault", "B2 diode reversed") as (hands, port):
        process = begun(["test", SMALL, "--port", port, "--journal", journal])
        text = follow(process, hands)
        assert process.wait(timeout=20) == 1, text
    assert "1. B2 diode reversed" in text and f"keydiag resume {journal}" in text
    with virtual(SMALL) as (hands, port):
        process = begun(["resume", journal, "--port", port])
        text = follow(process, hands)
        assert process.wait(timeout=20) == 0, text
    assert "Retest: press " in text
    assert "Repair confirmed: B2 diode reversed is gone." in text
    assert "Verdict: pass. Every key answers as wired, and nothing else conducts." in text
    assert "Not proven:" in text.partition("Signed off. Proven:")[2]
    assert read(journal).ended


def test_without_the_chord_check_the_half_passes_but_is_not_signed_off(tmp_path: Path):
    journal = str(tmp_path / "j.jsonl")
    with virtual(SMALL) as (hands, port):
        process = begun(
            ["test", SMALL, "--plain", "--port", port, "--journal", journal, "--idle", "2"]
        )
        text = follow(process, hands, chords=False)
        assert process.wait(timeout=20) == 0, text
        assert "Hold A1, A2 and A3 together." in text and "this half passes" not in text
        assert text.rstrip().endswith(
            "Not signed off. Missing:\n  - Chord check: 2 of 2 chords were not held.\n"
            f"Go on with: keydiag resume {journal}"
        )
        process = begun(["resume", journal, "--plain", "--port", port])
        text = follow(process, hands)
        assert process.wait(timeout=20) == 0, text
    assert "Press " not in text.partition("Probe back")[2]
    assert "Verdict: this half passes." in text and "Not signed off" not in text


def test_a_short_to_ground_is_told_without_a_press(tmp_path: Path):
    fault = "row R3 shorted to ground"
    journal = str(tmp_path / "j.jsonl")
    with virtual(LEFT, "--fault", fault) as (_, port):
        done = keydiag("test", LEFT, "--plain", "--port", port, "--journal", journal)
    assert done.returncode == 1
    assert "ATTENTION. Unplug now! row R3 (PD4) is shorted to ground." in done.stdout
    assert f"1. {fault}" in done.stdout


def test_interrupted_the_journal_is_closed_and_can_be_resumed(tmp_path: Path):
    journal = str(tmp_path / "j.jsonl")
    with virtual(LEFT, "--script", "sweep") as (_, port):
        process = begun(["test", LEFT, "--plain", "--port", port, "--journal", journal])
        assert process.stdout
        for line in process.stdout:
            if "L13 answers" in line:
                break
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert err == "keydiag: interrupted\n"
    ended = read(journal)
    assert ended.ended and ended.events[-1]["why"] == "interrupted"
    done = keydiag("diagnose", journal, "--json")
    said = json.loads(done.stdout)
    assert said["verdict"] == "incomplete" and "L66" in said["not_pressed"]
    assert "L12" not in said["not_pressed"]


def test_killed_at_any_moment_the_journal_is_good_for_resuming(tmp_path: Path):
    journal = str(tmp_path / "j.jsonl")
    with virtual(SMALL) as (hands, port):
        process = begun(["test", SMALL, "--plain", "--port", port, "--journal", journal])
        follow(process, hands, until="A2 answers")
        process.kill()
        process.communicate(timeout=20)
        process = begun(["resume", journal, "--plain", "--port", port])
        text = follow(process, hands)
        assert process.wait(timeout=20) == 0, text
    assert "Probe back" in text and "Press A3." in text
    assert "Press A1" not in text and "Press A2" not in text
    assert read(journal).ended


def test_all_pins_finds_a_lead_on_a_wrong_pin(tmp_path: Path):
    journal = str(tmp_path / "j.jsonl")
    fault = "row Rb lead on pin PB0"
    with virtual(SMALL, "--fault", fault) as (hands, port):
        process = begun(
            ["test", SMALL, "--plain", "--all-pins", "--port", port, "--journal", journal]
        )
        text = follow(process, hands)
        assert process.wait(timeout=20) == 1, text
    assert "1. row Rb lead on pin PB0" in text


def test_unplugged_in_mid_sweep_it_waits_and_goes_on(tmp_path: Path):
    port = tmp_path / "port"  # the name stays the same, as with a controller plugged in again
    journal = str(tmp_path / "j.jsonl")
    with virtual(SMALL) as (hands, there):
        port.symlink_to(there)
        process = begun(["test", SMALL, "--plain", "--port", str(port), "--journal", journal])
        before = follow(process, hands, until="A2 answers")
    port.unlink()
    assert process.stdout
    assert "The probe is gone" in process.stdout.readline()
    with virtual(SMALL) as (hands, there):
        port.symlink_to(there)
        after = follow(process, hands)
        assert process.wait(timeout=20) == 0, after
    assert "Press A3." in after and "Press A1" not in after
    assert "Press A1" in before
    kinds = [event["kind"] for event in read(journal).events]
    assert kinds.count("link") == 2


def test_without_a_name_the_journal_goes_to_the_state_directory(tmp_path: Path):
    with virtual(LEFT, "--fault", "row R3 shorted to ground") as (_, port):
        done = keydiag(
            "test", LEFT, "--port", port, XDG_STATE_HOME=str(tmp_path), HOME=str(tmp_path)
        )
    (journal,) = tmp_path.rglob("bramblewick-left-*.jsonl")
    assert f"Journal: {journal}" in done.stdout
    assert read(journal).board_text == Path(LEFT).read_text("utf-8")


def test_the_virtual_half_says_what_it_does_not_understand():
    with virtual(LEFT) as (process, port):
        assert port.startswith("/dev/")
        assert process.stdin and process.stdout
        process.stdin.write("dance\n")
        process.stdin.flush()
        assert "dance: no such command" in process.stdout.readline()
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=10) == 130


def test_demo_finds_mends_and_signs_off():
    done = keydiag("demo", "--plain", "--seed", "3")
    assert done.returncode == 0
    assert "Repair confirmed" in done.stdout
    end = done.stdout.rpartition("Verdict: pass.")[2]
    assert "Signed off. Proven:" in end and "Not proven:" in end


def test_demo_of_a_given_fault_as_json():
    done = keydiag("demo", "--json", "--fault", "L23 diode reversed")
    assert best(json.loads(done.stdout)) == {("reversed-diode", "L23 diode")}
    assert done.returncode == 1


def test_no_ports_at_all_is_port_trouble():
    done = keydiag("probe", "ports")
    assert done.returncode in (0, 3)
    if done.returncode:
        assert "no serial port" in done.stderr


def test_environment_of_the_tests_promises_no_terminal():
    assert environment()["TERM"] == "dumb" and os.name == "posix"
