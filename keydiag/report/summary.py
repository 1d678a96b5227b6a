"""What the report says, as plain values: what the page shows and what JSON holds.

Here: `gather`, which brings together how the session ended, what is missing for the sign-off, the
findings with their history, every key and every line; and `as_json`. Not here: how findings are
followed (history.py), layout (html.py).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from keydiag import __version__
from keydiag.board import Board
from keydiag.board.pins import pin_map
from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnosis, Finding
from keydiag.diagnosis.words import CUT_SHORT, list_words
from keydiag.faults import meeting_places, near_keys
from keydiag.report.history import Account, Entry, MeterReading, State, Story
from keydiag.report.text import verdict
from keydiag.session import KeyStatus, Session, missing, not_proven, proven

__all__ = ["KEY_WORDS", "KeyLine", "Report", "STATE_WORDS", "as_json", "gather", "marks"]

FORMAT = "keydiag report 1"
MOST_MARKS = 6  # places marked per finding: the best first, more would hide the half

STATE_WORDS: dict[State, str] = {
    "open": "open: not repaired yet",
    "still there": "still there after a repair",
    "in repair": "worked on, the retest is not over",
    "not retested": "worked on, not retested: its keys were not all pressed",
    "repaired": "repaired, confirmed by the retest",
    "gone": "later readings no longer show it",
}

KEY_WORDS: dict[KeyStatus, str] = {
    "good": "answers as wired",
    "odd": "answers, but not as wired",
    "silent": "gave no sign",
    "unsure": "not clear yet",
    "hidden": "cannot be judged before a repair",
    "waiting": "not pressed",
    "next": "not pressed",
}


@dataclass(frozen=True, slots=True)
class KeyLine:
    """One key: how it stands, what hides it, and the numbers of the findings that name it and
    are not repaired."""

    name: str
    legend: str
    row: str
    column: str
    anode_pin: str
    cathode_pin: str
    status: KeyStatus
    until: tuple[str, ...]
    findings: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """Everything the report says. begun and written_by are empty if the journal does not say.
    missing: what the sign-off lacks, one sentence each; empty once it is given. proven, not_proven:
    what the sign-off rests on and what it does not say; empty before it. noted: what else the
    reader should know. Findings are numbered from 1 in the order of `stories`."""

    board: Board
    circuit: Circuit
    journal: str
    begun: str
    written_by: str
    signed_off: bool
    in_words: str
    diagnosis: Diagnosis
    missing: tuple[str, ...]
    proven: tuple[str, ...]
    not_proven: tuple[str, ...]
    noted: tuple[str, ...]
    stories: tuple[Story, ...]
    keys: tuple[KeyLine, ...]
    readings: tuple[MeterReading, ...]


def gather(account: Account, header: Mapping[str, Any], source: str) -> Report:
    """The report on a session; `header` is its journal's, `source` that journal's name."""
    session = account.session
    diagnosis = session.diagnose_now()
    return Report(
        board=session.board,
        circuit=session.circuit,
        journal=source,
        begun=str(header.get("begun", "")),
        written_by=f"keydiag {header['keydiag']}" if "keydiag" in header else "",
        signed_off=session.signed_off,
        in_words=verdict(diagnosis),
        diagnosis=diagnosis,
        missing=() if session.signed_off else tuple(_missing(account, diagnosis)),
        proven=proven(session),
        not_proven=not_proven(session),
        noted=tuple(_noted(diagnosis)),
        stories=account.stories,
        keys=tuple(_keys(session, diagnosis, account.stories)),
        readings=account.readings,
    )


def _missing(account: Account, diagnosis: Diagnosis) -> list[str]:
    """What the sign-off lacks, and which reworked findings nobody has retested."""
    named = {finding.title for finding in (*diagnosis.findings, *account.session.rework)}
    out = [
        f"Finding not retested: {story.finding.title}."
        for story in account.stories
        if story.state == "not retested" and story.finding.title not in named
    ]
    return [*missing(account.session, diagnosis), *out]


def _noted(diagnosis: Diagnosis) -> list[str]:
    out = list(diagnosis.contradictions)
    if diagnosis.cut_short:
        out.append(CUT_SHORT)
    if diagnosis.fickle:
        out.append(f"Not the same on two presses: {list_words(diagnosis.fickle, 60)}.")
    return out


def _keys(session: Session, diagnosis: Diagnosis, stories: tuple[Story, ...]) -> list[KeyLine]:
    until = {each.key: each.until for each in diagnosis.cannot_judge}
    statuses = session.statuses()
    named = [
        _keys_named(story.finding) if story.state not in ("repaired", "gone") else set()
        for story in stories
    ]
    return [
        KeyLine(
            name=each["key"],
            legend=each["legend"],
            row=each["row"],
            column=each["column"],
            anode_pin=each["anode_pin"],
            cathode_pin=each["cathode_pin"],
            status=statuses[each["key"]],
            until=until.get(each["key"], ()),
            findings=tuple(n for n, keys in enumerate(named, start=1) if each["key"] in keys),
        )
        for each in pin_map(session.board)["keys"]
    ]


def _keys_named(finding: Finding) -> set[str]:
    return {word for member in finding.members for place in member.at for word in place.split()}


def marks(circuit: Circuit, finding: Finding) -> tuple[str, ...]:
    """The addresses to mark for a finding, the best first, at most MOST_MARKS. A bridge is
    marked at the key where its two nets come closest, before the nets themselves."""
    found: dict[str, None] = {}
    near = near_keys(circuit)
    for member in finding.members:
        if member.kind == "bridge" and len(member.at) == 2:
            meeting = meeting_places(circuit, member.at, near)
            found |= dict.fromkeys(meeting[0].split("/") if meeting else ())
        found |= dict.fromkeys(member.at)
    return tuple(found)[:MOST_MARKS]


def as_json(report: Report) -> str:
    """The report as one JSON object."""
    said = {
        "format": FORMAT,
        "half": report.board.name,
        "chip": report.board.chip,
        "journal": report.journal,
        "begun": report.begun,
        "written_by": report.written_by,
        "reported_by": f"keydiag {__version__}",
        "signed_off": report.signed_off,
        "verdict": report.diagnosis.verdict,
        "in_words": report.in_words,
        "missing": report.missing,
        "proven": report.proven,
        "not_proven": report.not_proven,
        "noted": report.noted,
        "findings": [
            {
                "number": number,
                "state": story.state,
                "history": [_entry(entry) for entry in story.entries],
                **story.finding.model_dump(mode="json"),
            }
            for number, story in enumerate(report.stories, start=1)
        ],
        "keys": [
            {
                "key": key.name,
                "legend": key.legend,
                "row": key.row,
                "column": key.column,
                "anode_pin": key.anode_pin,
                "cathode_pin": key.cathode_pin,
                "state": key.status,
                "until": key.until,
                "findings": key.findings,
            }
            for key in report.keys
        ],
        "lines": pin_map(report.board)["lines"],
        "meter": [
            {"t_us": each.t_us, "test": each.code, "reading": each.value}
            for each in report.readings
        ],
    }
    return json.dumps(said, indent=2, ensure_ascii=False) + "\n"


def _entry(entry: Entry) -> dict[str, Any]:
    return {"t_us": entry.t_us, "what": entry.what, "words": entry.words}
