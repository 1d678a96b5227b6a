"""The bench as lines of text: what happens, and the one thing to do next, as it happens.

Here: `Plain`, which prints a session's notes, alerts and prompts; every line is a sentence, with
no screen codes, so it can be read aloud, logged or piped. Nothing is ever asked of the other
keyboard. Not here: the findings in words (report.py).
"""

from __future__ import annotations

from collections.abc import Callable

from keydiag.report import diagnosis_lines, signoff_lines
from keydiag.session import Session
from keydiag.session.say import LET_GO, NOT_PROVEN, PROVEN

__all__ = ["Plain", "over"]


def over(session: Session) -> bool:
    """True when there is nothing more to press: the findings are there, and no test by hand would
    tell more about them; or the half passes."""
    return session.step in ("findings", "signed-off") and session.test is None


class Plain:
    """Prints with `say`, one line a call. Give `watch` to a Bench.

    bell: called when something goes wrong: an alert, a key that gave no sign or an odd one.
    """

    def __init__(self, say: Callable[[str], None], bell: Callable[[], None] | None = None) -> None:
        self.say = say
        self._bell = bell
        self._troubled: set[str] = set()  # keys that the bell was rung for
        self._told = 0  # notes
        self._prompt = ""
        self._alert: str | None = None

    def begin(self, session: Session, journal: str | None) -> None:
        """The opening lines."""
        circuit = session.circuit
        self.say(
            f"{session.board.name}: {len(circuit.keys)} keys, {len(circuit.rows)} rows and "
            f"{len(circuit.columns)} columns on an {session.board.chip}."
        )
        if journal is not None:
            self.say(f"Journal: {journal}")
        self._told = len(session.notes)
        self.say(
            "When asked, press the keys one after the other. If a key gives no answer, go on "
            "with the next: that is noticed. Control-C ends the work; nothing is lost."
        )

    def watch(self, session: Session) -> None:
        """Print what is new."""
        view = session.snapshot()
        if view.alert != self._alert:
            self._alert = view.alert
            if view.alert is not None and session.link.state == "up":
                self.say(f"ATTENTION. {view.alert}")
                self._ring()
        troubled = {key for key, how in session.statuses().items() if how in ("silent", "odd")}
        if troubled - self._troubled:
            self._ring()
        self._troubled = troubled
        # What a sign-off proves is said at the end.
        later = (PROVEN, NOT_PROVEN)
        notes = [note for note in session.notes[self._told :] if not note.startswith(later)]
        self._told = len(session.notes)
        prompt = "" if over(session) or view.say == LET_GO else view.say
        if prompt != self._prompt:
            self._prompt = prompt
            if prompt and notes:
                # A press and what to do next are one line: half as many to listen to.
                notes = [*notes[:-1], f"{notes[-1]} {prompt}"]
            elif prompt:
                notes = [prompt]
        for note in notes:
            self.say(note)

    def end(self, session: Session) -> None:
        """The findings, and how far it is to the sign-off."""
        for line in ("", *diagnosis_lines(session.diagnose_now()), "", *signoff_lines(session)):
            self.say(line)

    def _ring(self) -> None:
        if self._bell is not None:
            self._bell()
