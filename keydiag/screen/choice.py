"""What is chosen of a diagnosis: a finding, and one of the places it could mean.

Here: keeping to a choice while diagnoses come and go. Not here: widgets.
"""

from __future__ import annotations

from keydiag.diagnosis.model import Diagnosis, Finding
from keydiag.drawing.places import Layout, lay_out
from keydiag.screen.suspects import Suspect, suspects
from keydiag.screen.words import concerns
from keydiag.session import Snapshot


class Choice:
    """index: of the finding; member: of its places; suspects: those places on the half."""

    def __init__(self) -> None:
        self.findings: tuple[Finding, ...] = ()
        self.index = 0
        self.member = 0
        self.suspects: tuple[Suspect, ...] = ()
        self.layout: Layout | None = None
        self._snapshot: Snapshot | None = None

    @property
    def finding(self) -> Finding | None:
        """The chosen finding, None if there are none."""
        return self.findings[self.index] if self.findings else None

    @property
    def suspect(self) -> Suspect | None:
        """The chosen place of it."""
        return self.suspects[self.member] if self.suspects else None

    def renew(self, snapshot: Snapshot) -> None:
        """Take in a new diagnosis: the same finding stays chosen if it is still there, and the
        same place of it; else the first."""
        before = (self.finding, self.suspect)
        diagnosis: Diagnosis | None = snapshot.diagnosis
        self._snapshot = snapshot
        self.findings = diagnosis.findings if diagnosis else ()
        titles = [finding.title for finding in self.findings]
        same = before[0] is not None and before[0].title in titles
        self.choose(titles.index(before[0].title) if same and before[0] else 0)
        words = [each.member.words for each in self.suspects]
        if same and before[1] is not None and before[1].member.words in words:
            self.member = words.index(before[1].member.words)

    def choose(self, index: int) -> None:
        """Choose a finding, and its likeliest place."""
        self.index, self.member, self.suspects = index, 0, ()
        finding, snapshot = self.finding, self._snapshot
        if finding is not None and snapshot is not None:
            if self.layout is None:  # worked out when it is first needed: the start is to be quick
                self.layout = lay_out(snapshot.board)
            self.suspects = suspects(self.layout, snapshot.circuit, finding)

    def choose_key(self, key: str) -> bool:
        """Choose the first finding that concerns a key, unless the chosen one does; True if the
        choice has changed."""
        about = [i for i, finding in enumerate(self.findings) if concerns(finding, key)]
        if not about or self.index in about:
            return False
        self.choose(about[0])
        return True
