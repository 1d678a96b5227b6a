"""diagnose and report: a journal in, words or JSON out."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from commands import keydiag

from keydiag.cli import main


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """That of a demo with three faults, mended in the end; kept up to its first verdict."""
    path = tmp_path_factory.mktemp("demo") / "demo.jsonl"
    faults = ["L23 diode reversed", "row R4 broken between L44 and L43"]
    args = ["demo", "--plain", "--journal", str(path)]
    assert main([*args, *(a for f in faults for a in ("--fault", f))]) == 0
    lines = path.read_text("utf-8").splitlines(keepends=True)
    verdict = next(n for n, line in enumerate(lines) if '"verdict"' in line)
    first = path.with_name("first.jsonl")
    first.write_text("".join(lines[: verdict + 1]), "utf-8")
    return first


def test_diagnose_says_what_and_where_and_what_to_do(journal, capsys):
    assert main(["diagnose", str(journal)]) == 1
    out = capsys.readouterr().out
    assert "L23 diode reversed (over 99 %)" in out
    assert "row R4 broken between L44 and L43" in out
    assert "L41, L42 and L43 cannot be judged before this is mended" in out
    assert "Unplug the cable before soldering" in out
    assert out.rstrip().endswith("Verdict: faults, 2 findings.")
    assert max(map(len, out.splitlines())) <= 80 and "\x1b" not in out


def test_json_is_one_object_and_fits_its_schema(journal, capsys):
    assert main(["diagnose", str(journal), "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert main(["diagnose", "--schema"]) == 0
    jsonschema.validate(said, json.loads(capsys.readouterr().out))
    assert said["verdict"] == "faults"
    members = {(m["kind"], *m["at"]) for f in said["findings"] for m in f["members"]}
    assert ("reversed-diode", "L23 diode") in members
    assert ("broken-stretch", "row R4 between L44 and L43") in members
    hidden = {each["key"]: each["until"] for each in said["cannot_judge"]}
    assert set(hidden) == {"L41", "L42", "L43"}
    assert hidden["L42"] == ["row R4 between L44 and L43"]


def test_the_same_journal_gives_the_same_bytes_in_another_process(journal, capsys):
    main(["diagnose", str(journal), "--json"])
    assert keydiag("diagnose", str(journal), "--json").stdout == capsys.readouterr().out


def test_priors_of_ones_own_change_the_figures(journal, tmp_path, capsys):
    priors = tmp_path / "priors.toml"
    priors.write_text("[reversed-diode]\nprior = 0.0001\n", "utf-8")
    main(["diagnose", str(journal), "--json"])
    before = json.loads(capsys.readouterr().out)
    main(["diagnose", str(journal), "--json", "--priors", str(priors)])
    assert json.loads(capsys.readouterr().out) != before


def test_a_torn_last_line_is_said_and_tolerated(journal, tmp_path, capsys):
    torn = tmp_path / "torn.jsonl"
    torn.write_bytes(journal.read_bytes() + b'{"kind": "rea')
    assert main(["diagnose", str(torn)]) == 1
    said = capsys.readouterr()
    assert "L23 diode reversed" in said.out
    assert said.err.count("\n") == 1 and "cut short" in said.err


def test_a_journal_that_was_just_begun_is_incomplete(journal, tmp_path, capsys):
    short = tmp_path / "short.jsonl"
    short.write_text(journal.read_text("utf-8").splitlines(keepends=True)[0], "utf-8")
    assert main(["diagnose", str(short)]) == 1
    assert "Verdict: incomplete." in capsys.readouterr().out


def test_report_on_the_screen_and_into_a_file(journal, tmp_path, capsys):
    assert main(["report", str(journal)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Report on Bramblewick left\n")
    assert "Cannot be judged before a repair (3): L41, L42, L43" in out
    assert main(["report", str(journal), "-o", str(tmp_path / "r.txt")]) == 0
    assert (tmp_path / "r.txt").read_text("utf-8") == out


def test_nobody_reads_the_output(journal, tmp_path):
    import subprocess
    import sys

    from commands import environment

    command = f"{sys.executable} -m keydiag diagnose {journal} | head -1; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, env=environment(), timeout=60
    )
    assert done.stderr == "" and done.stdout.startswith("1. ")
