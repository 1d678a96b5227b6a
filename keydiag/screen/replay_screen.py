"""The replay screen: the views of a session that is over, moment by moment.

Here: the keys and clicks that move through the film, and the beat at which it is looked at. Not
here: the views (view_screen.py), the running (player.py), the lines for it (transport.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from time import monotonic
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widget import Widget

from keydiag.screen import messages, words
from keydiag.screen.look import Look
from keydiag.screen.replay_desk import ReplayDesk
from keydiag.screen.transport import PositionLine, Sought, TimeBar
from keydiag.screen.view_screen import ViewScreen

BEAT_S = 1 / 30  # between two looks at the player; faster is not seen
_NOTICE_S = 4.0
_ONLY_LOOKED_AT = "This is a replay, it changes nothing; keydiag resume goes on with a journal."


class ReplayScreen(ViewScreen):
    """One journal, played."""

    BADGE = "replay"
    HELP = "replay"
    # Two keys that belong together are offered as one. Home and End go before those of the lists,
    # which are short.
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "play", "play", key_display="Space"),
        Binding("left,comma", "back", "back", show=False),
        Binding("right,full_stop", "on", "press", key_display="← →"),
        Binding("p", "last_step", "last step", show=False),
        Binding("n", "next_step", "step", key_display="p n"),
        Binding("minus", "slower", "slower", show=False),
        Binding("plus,equals_sign", "faster", "speed", key_display="- +"),
        Binding("home", "to_start", "start", show=False, priority=True),
        Binding("end", "to_end", "end", show=False, priority=True),
    ]

    def __init__(self, desk: ReplayDesk, look: Look) -> None:
        super().__init__(desk, look)
        self.player = desk.player
        self.note = desk.note
        self.bar, self.position = TimeBar(id="time"), PositionLine(id="position")
        self._shown: tuple[object, ...] = ()

    def compose_below(self) -> Iterable[Widget]:
        yield self.bar
        yield self.position

    def on_mount(self) -> None:
        self.set_interval(BEAT_S, self._beat)
        if self.note:
            self.notice(self.note, _NOTICE_S)

    def say_words(self) -> str:
        """What was asked for then, so that nobody does it now."""
        return f"It said: {self.snapshot.say}"

    def found_words(self) -> Content:
        film = self.player.film
        if self.player.at < film.thought or self.snapshot.step in ("connect", "rest"):
            return super().found_words()
        share = f"{film.thought / len(film.frames):.0%}"
        return words.found(self.snapshot, f"being worked out, {share}" if film.complete else "")

    def ring(self) -> None:
        """What was alarming then is so no more."""

    def _beat(self) -> None:
        self.player.tick(monotonic())
        self._look()

    def _look(self) -> None:
        """Show what has changed since the last look."""
        player, film = self.player, self.player.film
        if film.failure is not None:
            self.app.exit()
            return
        shown = (
            player.at, player.t_us // 100_000, player.playing, player.speed, player.to_the_end,
            len(film.marks),
            film.complete, round(film.share, 2), film.thought * 100 // len(film.frames),
            self.size,
        )  # fmt: skip
        if shown != self._shown:
            self._shown = shown
            self.bar.show(player)
            self.position.show(player, self.size.width)
            self._show_line("#found", self.found_words())
        new = player.frame.snapshot
        if new is not self.snapshot:
            self._take(self.snapshot, new)

    def on_resize(self, event: events.Resize) -> None:
        self.call_after_refresh(self._look)

    # --- moving ---

    def action_play(self) -> None:
        if self.player.playing:
            self.player.pause()
        else:
            self.player.play()
        self._look()

    def action_back(self) -> None:
        self.player.step(-1)
        self._look()

    def action_on(self) -> None:
        self.player.step(1)
        self._look()

    def action_last_step(self) -> None:
        self.player.turn(-1)
        self._look()

    def action_next_step(self) -> None:
        self.player.turn(1)
        self._look()

    def action_slower(self) -> None:
        self.player.faster(-1)
        self._look()

    def action_faster(self) -> None:
        self.player.faster(1)
        self._look()

    def action_to_start(self) -> None:
        self.player.to_start()
        self._look()

    def action_to_end(self) -> None:
        self.player.to_end()
        self._look()

    def on_sought(self, message: Sought) -> None:
        self.player.seek(message.share)
        self._look()

    # --- what cannot be done ---

    def on_rework_declared(self, message: messages.ReworkDeclared) -> None:
        self.notice(_ONLY_LOOKED_AT, _NOTICE_S)

    def on_test_answered(self, message: messages.TestAnswered) -> None:
        self.notice(_ONLY_LOOKED_AT, _NOTICE_S)
