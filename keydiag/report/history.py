"""Every finding of a session with its history: found, worked on, confirmed or still there.

Here: `follow`, which replays a journal event by event and keeps each finding it meets, because
the session itself forgets those that are mended. Not here: how verdicts come about
(session/repairs.py), and wording for the reader (summary.py, html.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from keydiag.diagnosis import Finding
from keydiag.errors import JournalError
from keydiag.faults.priors import Table
from keydiag.journal import Journal
from keydiag.session import Session, replay
from keydiag.session.repairs import faults_of

__all__ = ["Account", "Entry", "MeterReading", "State", "Story", "follow"]

What = Literal[
    "found", "found again", "reads as", "worked on",
    "confirmed", "still there", "not retested", "new harm", "came to light",
]  # fmt: skip
State = Literal["open", "still there", "in repair", "not retested", "repaired", "gone"]
"""open: found, nothing done yet. still there: found again by the retest. in repair: worked on, the
retest is not over. not retested: worked on, but its keys were not all pressed. repaired: confirmed
by the retest. gone: later readings no longer show it, though no retest was about it."""

_OUTCOMES = ("confirmed", "still there", "not retested")


@dataclass(frozen=True, slots=True)
class Entry:
    """Something that happened to a finding, `t_us` after the probe's time began. words: the new
    title ("reads as"), or what was done ("worked on"), else empty."""

    t_us: int
    what: What
    words: str = ""


@dataclass(frozen=True, slots=True)
class Story:
    """One finding, as it was last known, and everything that happened to it, oldest first."""

    finding: Finding
    entries: tuple[Entry, ...]
    state: State


@dataclass(frozen=True, slots=True)
class MeterReading:
    """A meter reading that was typed in: the test in short, and what the meter said."""

    t_us: int
    code: str
    value: str


@dataclass(frozen=True, slots=True)
class Account:
    """A session as it stood at the end of its journal. stories: the findings of the present
    diagnosis first, in its order, then the others in the order they were found."""

    session: Session
    stories: tuple[Story, ...]
    readings: tuple[MeterReading, ...]


def follow(journal: Journal, table: Table | None = None) -> Account:
    """Replay a journal and keep what became of every finding; errors as of `replay`."""
    session = replay(replace(journal, events=(), torn=()), table)
    book = _Book()
    for event in journal.events:
        try:
            session.apply(event)
        except JournalError:
            replay(journal, table)  # the same error, with the file and the line in it
            raise
        book.look(session, event)
    return book.close(session)


@dataclass(slots=True, eq=False)  # each is itself, whatever it says
class _Open:
    """A story that is still being written."""

    finding: Finding
    entries: list[Entry] = field(default_factory=list)

    def is_about(self, finding: Finding) -> bool:
        return bool(faults_of(self.finding) & faults_of(finding))

    def outcome(self) -> str:
        """What the last retest said; empty if nothing was done since it was last found."""
        for entry in reversed(self.entries):
            if entry.what in _OUTCOMES:
                return entry.what
            if entry.what in ("found again", "new harm", "came to light"):
                return ""
        return ""


class _Book:
    def __init__(self) -> None:
        self._stories: list[_Open] = []
        self._readings: list[MeterReading] = []
        self._rework: tuple[Finding, ...] = ()
        self._in_work: list[_Open] = []  # the stories of what is, or was last, under the iron

    def look(self, session: Session, event: dict[str, Any]) -> None:
        """Note what this event, just applied, has brought about."""
        t_us, records = session.now_us, session.take_records()
        if event["kind"] == "answer":
            code, value = str(event.get("code", "")), str(event.get("value", ""))
            self._readings.append(MeterReading(t_us, code, value))
        fresh: dict[str, What] = {}
        for record in records:
            outcome = record.get("outcome")
            if outcome in ("new harm", "came to light"):
                fresh[record["of"]] = outcome
            elif outcome is not None:
                for story in self._in_work:
                    if story.finding.title == record["of"]:
                        story.entries.append(Entry(t_us, outcome))
        if session.diagnosis is not None and any("findings" in record for record in records):
            self._meet(session.diagnosis.findings, t_us, fresh)
        if session.rework is not self._rework and session.rework:
            unplugged = "the half was unplugged" if event["kind"] in ("link", "hello") else ""
            did = str(event.get("did", "")).strip() or unplugged
            self._in_work = self._meet(session.rework, t_us, {})
            for story in self._in_work:
                story.entries.append(Entry(t_us, "worked on", did))
        self._rework = session.rework

    def close(self, session: Session) -> Account:
        """The account of it all."""
        diagnosis = session.diagnose_now()
        present = self._meet(diagnosis.findings, session.now_us, {})
        others = [story for story in self._stories if story not in present]
        stories = [
            Story(story.finding, tuple(story.entries), self._state(session, story, here))
            for here, group in ((True, present), (False, others))
            for story in group
        ]
        return Account(session, tuple(stories), tuple(self._readings))

    def _state(self, session: Session, story: _Open, present: bool) -> State:
        if session.rework and story in self._in_work:
            return "in repair"
        outcome = story.outcome()
        if present:
            return "still there" if outcome == "still there" else "open"
        if outcome == "confirmed":
            return "repaired"
        return "not retested" if outcome == "not retested" else "gone"

    def _meet(self, findings: Iterable[Finding], t_us: int, fresh: dict[str, What]) -> list[_Open]:
        """The story of each finding, begun if there is none yet."""
        met: list[_Open] = []
        for finding in findings:
            story = self._known(finding, met)
            if story is None:
                what = fresh.get(finding.title, "found")
                story = _Open(finding, [Entry(t_us, what)])
                self._stories.append(story)
            else:
                if finding.title in fresh:
                    story.entries.append(Entry(t_us, fresh[finding.title]))
                elif story.outcome() == "confirmed":
                    story.entries.append(Entry(t_us, "found again"))
                if story.finding.title != finding.title:
                    story.entries.append(Entry(t_us, "reads as", finding.title))
                story.finding = finding
            met.append(story)
        return met

    def _known(self, finding: Finding, taken: list[_Open]) -> _Open | None:
        """The story this finding goes on with: that of the same title, or else the latest about
        one of the same faults."""
        free = [story for story in reversed(self._stories) if story not in taken]
        same = [story for story in free if story.finding.title == finding.title]
        return next(iter([*same, *(story for story in free if story.is_about(finding))]), None)
