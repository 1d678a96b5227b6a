"""keydiag priors: the figures, what journals say about them, and their way into a session."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

from keydiag.cli import main
from keydiag.faults.priors import built_in_table
from keydiag.journal import read
from keydiag.session import replay


@pytest.fixture(scope="module")
def signed_off(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of a demo: one reversed diode, mended; then everything pressed once more."""
    path = tmp_path_factory.mktemp("hand") / "half.jsonl"
    args = ["demo", "--plain", "--fault", "L23 diode reversed", "--fault", "L45 switch dead"]
    assert main([*args, "--journal", str(path)]) == 0
    return path


def test_without_a_journal_it_shows_the_figures_with_their_reasons(capsys):
    assert main(["priors"]) == 0
    out = capsys.readouterr().out
    assert tomllib.loads(out) == built_in_table()
    assert "# one in four halves has one" in out


def test_repairs_of_a_signed_off_half_change_the_figures(signed_off, tmp_path, capsys):
    out = tmp_path / "hand.toml"
    assert main(["priors", str(signed_off), "-o", str(out)]) == 0
    said = capsys.readouterr().out
    assert "L23 diode reversed" in said
    assert "reversed-diode.prior: 0.006 -> 0.0096" in said
    learned = tomllib.loads(out.read_text("utf-8"))
    # By hand: (1 + one seen) / (1 / 0.006 + 41 diodes).
    assert learned["reversed-diode"]["prior"] == pytest.approx(2 / (1 / 0.006 + 41))
    assert learned["shorted-diode"]["prior"] == pytest.approx(1 / (1 / 0.0008 + 41))


def test_files_are_not_overwritten(signed_off, tmp_path, capsys):
    out = tmp_path / "hand.toml"
    out.write_text("mine\n")
    assert main(["priors", str(signed_off), "-o", str(out)]) == 2
    assert out.read_text() == "mine\n"
    assert "hand.toml" in capsys.readouterr().err


def test_a_half_that_is_not_signed_off_says_nothing(signed_off, tmp_path, capsys):
    cut = tmp_path / "cut.jsonl"
    lines = signed_off.read_text("utf-8").splitlines(keepends=True)
    cut.write_text("".join(lines[: len(lines) // 2]), "utf-8")
    assert main(["priors", str(cut)]) == 2
    assert "not signed off" in capsys.readouterr().err


def test_figures_in_a_journal_are_those_of_its_findings(signed_off, tmp_path, capsys):
    journal = tmp_path / "own.jsonl"
    lines = signed_off.read_text("utf-8").splitlines(keepends=True)
    verdict = next(n for n, line in enumerate(lines) if '"verdict"' in line)
    header = json.loads(lines[0])
    header["priors"] = {"dead-switch": {"prior": 0.2}}
    journal.write_text("".join([json.dumps(header) + "\n", *lines[1 : verdict + 1]]), "utf-8")
    finding = next(
        f for f in replay(read(journal)).diagnose_now().findings if "L45" in f.members[0].words
    )
    most = max(finding.members, key=lambda member: member.probability)
    assert (most.kind, most.at) == ("dead-switch", ("L45 switch",))
    header["priors"] = {"dead-switch": {"prior": 7}}
    journal.write_text("".join([json.dumps(header) + "\n", *lines[1:]]), "utf-8")
    assert main(["diagnose", str(journal)]) == 2
    assert "line 1: priors: dead-switch.prior" in capsys.readouterr().err
