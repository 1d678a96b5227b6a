"""Replaying a journal: the session as it stood at its end."""

from __future__ import annotations

from keydiag.board import loads
from keydiag.chips import chips
from keydiag.errors import JournalError, UsageError
from keydiag.faults.priors import Table, laid_over
from keydiag.journal import Journal
from keydiag.session.fold import Session

__all__ = ["replay"]


def replay(journal: Journal, table: Table | None = None) -> Session:
    """The session as it stood at the end of a journal. table: priors other than those it was begun
    with; JournalError or BoardError if the journal
    does not say what it must."""
    board = loads(journal.board_text, f"{journal.path} (the board in its header)")
    session = Session(board, _extra_pins(journal, board.chip), table or _priors(journal))
    torn = {line.line for line in journal.torn}
    number = 1  # of the line, the header's being 1
    for event in journal.events:
        number += 1
        while number in torn:
            number += 1
        try:
            session.apply(event)
        except JournalError as error:
            raise JournalError(
                f"{journal.path}: line {number}: {error}; restore the file from a copy"
            ) from error
    session.take_records()
    return session


def _priors(journal: Journal) -> Table | None:
    """The figures the session was begun with, if they were other than the built-in ones."""
    own = journal.header.get("priors")
    if own is None:
        return None
    place = f"{journal.path}: line 1: priors"
    if not isinstance(own, dict):
        raise JournalError(f"{place}: must be a table; restore the file from a copy")
    try:
        return laid_over(own, place)
    except UsageError as error:
        raise JournalError(f"{error}; restore the file from a copy") from error


def _extra_pins(journal: Journal, chip: str) -> tuple[str, ...]:
    extra = journal.header.get("extra_pins", [])
    known = chips()[chip].ports
    if not isinstance(extra, list) or not all(port in known for port in extra):
        raise JournalError(
            f"{journal.path}: line 1: extra_pins names what is no pin of the {chip}; "
            "restore the file from a copy"
        )
    return tuple(extra)
