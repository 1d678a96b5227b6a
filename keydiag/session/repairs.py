"""After the iron: which old evidence still stands, and what became of each finding.

Here: pure functions on observations and diagnoses, and `Repair`, the verdict on one repaired
finding. Not here: which keys to press again (the finding says so), and the steps (steps.py).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from keydiag.circuit import Reading
from keydiag.diagnosis.model import Diagnosis, Finding
from keydiag.faults import Fault
from keydiag.faults.kinds import OPEN_IN_KEY
from keydiag.observe import Observation

__all__ = ["Outcome", "Repair", "faults_of", "first_tried", "judge", "still_valid"]

Outcome = Literal["confirmed", "still there", "not retested", "new harm", "came to light"]

# A fault that is still this probable after the retest is not mended.
STILL_THERE = 0.05


@dataclass(frozen=True, slots=True)
class Repair:
    """What became of one finding: confirmed (gone), still there, not retested (its keys were not
    all pressed); or a finding that was not there before: new harm, or one that came to light
    because what hid it is mended."""

    title: str
    outcome: Outcome

    def __str__(self) -> str:
        return {
            "confirmed": f"Repair confirmed: {self.title} is gone.",
            "still there": f"Still there: {self.title}.",
            "not retested": f"Not retested: {self.title}; press its keys to confirm the repair.",
            "new harm": f"New since the repair: {self.title}.",
            "came to light": f"Hidden until now: {self.title}.",
        }[self.outcome]


def still_valid(
    observations: Iterable[Observation], retested: Collection[str], old: Reading, new: Reading
) -> tuple[Observation, ...]:
    """The presses from before a repair that still say something after it, in terms of the new
    rest reading.

    Dropped: the old rest itself, every press of a retested key, and all presses if the rest
    reading shows new conduction, or a short to a rail that is gone (it was in every reading).
    A bridge that is gone is taken out of the readings: a key whose own answer it changed would
    be among the retested ones.
    """
    if old.at_rail or new.at_rail or _minus(new, old) != _nothing(new):
        return ()
    gone = _minus(old, new)
    return tuple(
        replace(seen, reading=_minus(seen.reading, gone))
        for seen in observations
        if seen.held and not set(seen.held) & set(retested)
    )


def judge(
    repaired: Sequence[Finding], before: Diagnosis, after: Diagnosis, unheld: Collection[str] = ()
) -> tuple[Repair, ...]:
    """The verdict on each repaired finding, and on each finding that is new. unheld: keys of chords
    that showed something before, and were not held again."""
    out = []
    missing = {*after.not_pressed, *unheld}
    for finding in repaired:
        mine = faults_of(finding)
        # What reads as before is as before, even where a meter had named the place and says so no
        # more.
        if any(
            _same(mine, other) or not set(finding.evidence).isdisjoint(other.evidence)
            for other in after.findings
        ):
            out.append(Repair(finding.title, "still there"))
        elif missing & set(finding.retest):
            out.append(Repair(finding.title, "not retested"))
        else:
            out.append(Repair(finding.title, "confirmed"))
    known = [faults_of(finding) for finding in before.findings]
    hidden = {masked.key for masked in before.cannot_judge} | _dead_keys(repaired)
    for finding in after.findings:
        if any(_same(mine, finding) for mine in known):
            continue
        was_hidden = bool(hidden & _keys_named(finding))
        out.append(Repair(finding.title, "came to light" if was_hidden else "new harm"))
    return tuple(out)


def first_tried(finding: Finding, did: str = "") -> tuple[Fault, ...]:
    """The faults that were repaired: the member that `did` names, or else what a builder does who
    follows the finding. That is its most worthwhile member, and the open joints of the same key
    with it, because the iron is there already."""
    named = [member for member in finding.members if member.words == did]
    if named:
        return tuple(Fault(member.kind, member.at) for member in named)
    first = finding.members[0]
    members = [first]
    if first.kind == "open-joint":
        key = first.at[0].split(" ")[0]
        members += [
            member
            for member in finding.members[1:]
            if member.kind == "open-joint" and member.at[0].split(" ")[0] == key
        ]
    return tuple(Fault(member.kind, member.at) for member in members)


def faults_of(finding: Finding) -> frozenset[tuple[str, tuple[str, ...]]]:
    """(kind, places) of every member."""
    return frozenset((member.kind, member.at) for member in finding.members)


def _same(mine: frozenset[tuple[str, tuple[str, ...]]], other: Finding) -> bool:
    return any(
        (member.kind, member.at) in mine and member.probability >= STILL_THERE
        for member in other.members
    )


def _keys_named(finding: Finding) -> set[str]:
    return {word for member in finding.members for place in member.at for word in place.split()}


def _dead_keys(repaired: Iterable[Finding]) -> set[str]:
    """Keys that did not answer at all: whatever else is wrong inside them was not to be seen."""
    return {
        member.at[0].split()[0]
        for finding in repaired
        for member in finding.members
        if member.kind in OPEN_IN_KEY
    }


def _minus(one: Reading, two: Reading) -> Reading:
    """The bits of `one` that are not in `two`."""
    low = tuple(a & ~b for a, b in zip(one.low, two.low, strict=True))
    return Reading(one.rest & ~two.rest, low)


def _nothing(reading: Reading) -> Reading:
    return Reading(0, (0,) * len(reading.low))
