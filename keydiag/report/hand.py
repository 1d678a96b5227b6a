"""What signed-off halves say about the hand that wired them: which faults it made, how often.

Here: the repairs that a retest confirmed, as counts for the priors. Not here: how counts change
the priors (faults/priors.py).
"""

from __future__ import annotations

from collections.abc import Iterable

from keydiag.faults import Fault
from keydiag.faults.priors import Counts, add_counts, count_repairs
from keydiag.report.history import Account, Story

__all__ = ["count_hand", "confirmed"]


def confirmed(account: Account) -> dict[Fault, float]:
    """The faults whose repair the retest confirmed, each with the probability that it was this one.

    Where the builder said what was mended, it was that; where several places were possible and
    nobody said, each has its share.
    """
    out: dict[Fault, float] = {}
    for story in account.stories:
        if story.state == "repaired":
            for fault, share in _shares(story).items():
                out[fault] = max(share, out.get(fault, 0.0))
    return out


def count_hand(accounts: Iterable[Account]) -> Counts:
    """The counts of all these halves; each must have been signed off, or the places that were never
    proven would count as good."""
    counts: Counts = {}
    for account in accounts:
        if not account.session.signed_off:
            raise ValueError("a half that is not signed off says nothing about the hand")
        counts = add_counts(counts, count_repairs(account.session.circuit, confirmed(account)))
    return counts


def _shares(story: Story) -> dict[Fault, float]:
    members = [m for m in story.finding.members if m.kind != "unknown"]
    done = {entry.words for entry in story.entries if entry.what == "worked on"}
    named = [member for member in members if member.words in done]
    if named:
        return {Fault(m.kind, m.at): 1.0 / len(named) for m in named}
    total = sum(member.probability for member in members)
    return {Fault(m.kind, m.at): m.probability / total for m in members if total}
