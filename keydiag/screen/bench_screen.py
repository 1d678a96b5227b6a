"""The bench screen: the views of a session at work, and the keys and clicks that steer it.

Here: what the builder can do at which step, as commands to the desk. Not here: the views
(view_screen.py); any judgement about the half.
"""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.content import Content

from keydiag.diagnosis.words import list_words
from keydiag.screen import messages, words
from keydiag.screen.desk import Busy
from keydiag.screen.view_screen import SWEEPING, ViewScreen
from keydiag.session import Snapshot

_LOOK_S = 0.5  # between two looks at what takes its time
_LONG_S = 1.0  # what takes longer is told
_TROUBLE_S = 3.0  # how long a key that went wrong stands before what is to do next
_SURE_S = 3.0  # how long the second press of a key that is asked for twice has time to come


class BenchScreen(ViewScreen):
    """One session at the bench."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("b", "tell('back')", "back"),
        Binding("s", "tell('skip')", "skip"),
        Binding("a", "tell('again')", "again"),
        Binding("p", "pause", "pause"),
        Binding("e", "tell('finish')", "end"),
        Binding("r", "choose('mend')", "reworked"),
        Binding("m", "choose('test')", "meter"),
        Binding("t", "tell('retest')", "retest"),
        Binding("n", "sure('sweep')", "new sweep"),
        Binding("u", "bell", "bell", show=False),
    ]

    _work = Busy()
    _trouble: tuple[str, ...] = ()  # keys that have just turned out silent or odd, with their sign

    def on_mount(self) -> None:
        self.set_interval(_LOOK_S, self._look_at_work)

    def _look_at_work(self) -> None:
        """Nobody shall wonder why nothing happens: long work is told, with its time so far."""
        self._work = self.desk.busy()
        if self.snapshot.step != "connect":
            self._show_line("#found", self.found_words())
            self._show_bars(self.snapshot)

    def _take(self, old: Snapshot | None, new: Snapshot) -> None:
        if old is not None and new.step in SWEEPING:
            was = {key.name: key.status for key in old.keys}
            fresh = tuple(
                f"{self.look.signs[key.status]} {key.name}"
                for key in new.keys
                if key.status in ("silent", "odd") and was[key.name] not in ("silent", "odd")
            )
            if fresh:
                self._trouble = fresh
                self.ring()
                self.set_timer(_TROUBLE_S, lambda: self._end_trouble(fresh))
        super()._take(old, new)

    def _end_trouble(self, keys: tuple[str, ...]) -> None:
        if self._trouble == keys:
            self._trouble = ()
            self._show_bars(self.snapshot)

    def found_words(self) -> Content:
        thinking = self._work.thinking
        told = f"working, {thinking:.0f} s" if thinking >= _LONG_S else ""
        return words.found(self.snapshot, told)

    def say_words(self) -> str:
        stuck = self._work.stuck
        if stuck < _LONG_S or self.snapshot.link.state != "up":
            trouble = f"{list_words(self._trouble, 3)}!  " if self._trouble else ""
            return trouble + super().say_words()
        return f"One moment: working out what the presses show, {stuck:.0f} s."

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what the step has a use for."""
        step = self.snapshot.step
        if action == "pause":
            return step not in ("findings", "rework", "signed-off")
        if action == "choose":
            return self.choice.finding is not None and step not in SWEEPING
        if action == "sure" and parameters[0] == "sweep":
            return step in ("findings", "rework", "signed-off")
        if action == "tell" and parameters[0] == "retest":
            return step in ("findings", "rework")
        if action == "tell":
            return step in SWEEPING and not self.snapshot.paused
        return True

    def action_tell(self, name: str) -> None:
        self.desk.command(name)

    def action_pause(self) -> None:
        self.desk.command("resume" if self.snapshot.paused else "pause")

    def action_bell(self) -> None:
        self.bell_on = not self.bell_on
        self._show_bars(self.snapshot)

    def action_leave(self) -> None:
        self.action_sure("leave")

    def action_sure(self, what: str) -> None:
        """Do what cannot be taken back at the second press within a few seconds."""
        if self._notice != words.SURE[what]:
            self.notice(words.SURE[what], _SURE_S)
        elif what == "leave":
            self.app.exit()
        else:
            self.desk.command(what)
            self.notice("", 0.0)

    def on_rework_declared(self, message: messages.ReworkDeclared) -> None:
        self.desk.repaired(message.did)

    def on_test_answered(self, message: messages.TestAnswered) -> None:
        self.desk.answer(message.code, message.value)
