"""Everything the parts of the screen tell each other, in one place.

Widgets post these; the app listens. A message says what happened, never what to do about it.
"""

from __future__ import annotations

from textual.message import Message

from keydiag.diagnosis.model import NextTest
from keydiag.session import Snapshot


class SnapshotFetched(Message):
    """The session has moved on. Of a burst only the latest counts."""

    def __init__(self, snapshot: Snapshot) -> None:
        super().__init__()
        self.snapshot = snapshot

    def can_replace(self, message: Message) -> bool:
        return isinstance(message, SnapshotFetched)


class KeyPicked(Message):
    """The builder wants to know about a key."""

    def __init__(self, key: str) -> None:
        super().__init__()
        self.key = key


class FindingPicked(Message):
    """A finding was chosen from the list."""

    def __init__(self, index: int) -> None:
        super().__init__()
        self.index = index


class MemberPicked(Message):
    """One of the places of a finding was chosen."""

    def __init__(self, index: int) -> None:
        super().__init__()
        self.index = index


class TestLookedAt(Message):
    """A reading of the meter is being considered: the picture shows where its leads go."""

    __test__ = False  # not a test case, whatever its name begins with

    def __init__(self, test: NextTest) -> None:
        super().__init__()
        self.test = test


class TestAnswered(Message):
    """What the meter showed: `code` names the test, `value` is one of its outcomes."""

    __test__ = False  # not a test case, whatever its name begins with

    def __init__(self, code: str, value: str) -> None:
        super().__init__()
        self.code, self.value = code, value


class ReworkDeclared(Message):
    """The builder says what was reworked: a finding's title or a member's words."""

    def __init__(self, did: str) -> None:
        super().__init__()
        self.did = did
