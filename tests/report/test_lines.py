"""The lines for other programs: each fits the published schema, and they tell the whole job."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from keydiag.cli import main
from keydiag.report.lines import FORMAT, schema

FAULTS = ("L23 diode reversed", "row R4 broken between L44 and L43", "L41 diode reversed",
          "L16 switch dead", "L12 node bridged to L13 node")  # fmt: skip


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[dict[str, Any]], Path]:
    """What a demo says on standard output, and its journal."""
    from contextlib import redirect_stderr, redirect_stdout
    from io import StringIO

    journal = tmp_path_factory.mktemp("lines") / "j.jsonl"
    out, err = StringIO(), StringIO()
    args = ["demo", "--plain", "--json-lines", "--journal", str(journal)]
    with redirect_stdout(out), redirect_stderr(err):
        assert main([*args, *(word for fault in FAULTS for word in ("--fault", fault))]) == 0
    assert "Verdict: pass." in err.getvalue()  # the text goes there
    return [json.loads(line) for line in out.getvalue().splitlines()], journal


def of(told: tuple[list[dict[str, Any]], Path], event: str) -> list[dict[str, Any]]:
    return [line for line in told[0] if line["event"] == event]


def test_every_line_fits_the_schema(told):
    validator = jsonschema.Draft202012Validator(schema())
    validator.check_schema(schema())
    for line in told[0]:
        validator.validate(line)
    assert {line["event"] for line in told[0]} == {
        "begin", "link", "step", "ask", "key", "chord", "finding", "repair", "verdict",
    }  # fmt: skip


@pytest.mark.parametrize("spoilt", [
    {"event": "key", "t": 1, "key": "L11", "result": "splendid"},
    {"event": "key", "t": -1, "key": "L11", "result": "good"},
    {"event": "key", "key": "L11", "result": "good"},
    {"event": "dance", "t": 1},
    {"event": "step", "t": 1, "step": "sweep", "keys": [], "more": 1},
])  # fmt: skip
def test_the_schema_refuses_what_is_no_line(spoilt):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(spoilt, schema())


def test_time_never_runs_back(told):
    times = [line["t"] for line in told[0]]
    assert times == sorted(times)


def test_first_and_last(told, capsys):
    lines, journal = told
    assert lines[0]["format"] == FORMAT and lines[0]["half"] == "Bramblewick left"
    assert lines[0]["journal"] == str(journal) and len(lines[0]["keys"]) == 41
    last = lines[-1]
    assert last["event"] == "verdict" and len(of(told, "verdict")) == 1
    assert main(["diagnose", str(journal), "--json"]) == 0
    assert last["diagnosis"] == json.loads(capsys.readouterr().out)
    assert last["signed_off"] and last["missing"] == []
    assert len(last["proven"]) == 3 and last["not_proven"]


def test_a_finding_is_opened_and_closed_under_one_number(told):
    life: dict[int, list[str]] = {}
    title: dict[int, str] = {}
    for line in of(told, "finding"):
        life.setdefault(line["number"], []).append(line["change"])
        title[line["number"]] = line["finding"]["title"]
    assert sorted(life) == list(range(1, len(life) + 1))
    for changes in life.values():
        assert changes[0] == "opened" and changes[-1] == "closed"
        assert set(changes[1:-1]) <= {"changed"}
    assert {"L23 diode reversed", "L41 diode reversed", FAULTS[-1]} <= set(title.values())
    confirmed = {r["title"] for r in of(told, "repair") if r["outcome"] == "confirmed"}
    assert confirmed == set(title.values())


def test_steps_keys_and_chords(told):
    steps = [line["step"] for line in of(told, "step")]
    assert steps[:3] == ["rest", "sweep", "findings"] and steps[-2:] == ["chords", "signed-off"]
    keys = [(line["key"], line["result"]) for line in of(told, "key")]
    assert ("L23", "odd") in keys and ("L16", "silent") in keys and ("L11", "good") in keys
    chords = of(told, "chord")
    assert any(not line["as_wired"] and {"L12", "L13"} <= set(line["keys"]) for line in chords)
    assert chords[-1]["as_wired"]
    asks = of(told, "ask")
    assert {"press": "L11", "hold": []}.items() <= asks[1].items()
    assert any(line["hold"] and line["press"] is None for line in asks)


def test_the_cable(told):
    up = [line["up"] for line in of(told, "link")]
    assert up[0] and up[-1] and False in up
    assert all(one != other for one, other in zip(up, up[1:], strict=False))
    (first, *_) = (line for line in of(told, "link") if not line["up"])
    assert first["reason"] == "unplugged for the iron"


def test_every_key_is_told_good_after_the_last_sweep_began(told):
    begins = [n for n, line in enumerate(told[0]) if line.get("step") == "sweep"]
    good = {
        line["key"]
        for line in told[0][begins[-1] :]
        if line["event"] == "key" and line["result"] == "good"
    }
    assert good == set(told[0][0]["keys"])


def test_an_alert_is_told_and_the_findings_with_it(capsys):
    args = ["demo", "--json-lines", "--fault", "row R3 shorted to ground"]
    assert main(args) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    alerts = [line["say"] for line in lines if line["event"] == "alert"]
    assert alerts == ["Unplug now! row R3 (PD4) is shorted to ground.", ""]
    opened = next(line for line in lines if line["event"] == "finding")
    assert "row R3" in opened["finding"]["title"]
    for line in lines:
        jsonschema.validate(line, schema())
