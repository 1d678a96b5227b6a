"""The two lines under a replay: how far it has run, and what the mouse can do about it.

Here: the bar of journal time and the line of position and buttons. Not here: the running itself
(player.py).
"""

from __future__ import annotations

from textual import events
from textual.content import Content
from textual.message import Message
from textual.widgets import Static

from keydiag.screen import words
from keydiag.screen.bars import progress_bar
from keydiag.screen.player import Player, clock, speed_words

# What the buttons look like and do: (words, action of the screen).
_BEFORE = (("|<", "to_start"), ("<<", "last_step"), ("<", "back"))
_AFTER = ((">", "on"), (">>", "next_step"), (">|", "to_end"))
TURN = "╋"  # on the bar: here begins a step of the job


class Sought(Message):
    """The mouse points at a share of the journal's time."""

    def __init__(self, share: float) -> None:
        super().__init__()
        self.share = share


class TimeBar(Static):
    """Journal time from left to right, with the changes of step marked; click or drag to go."""

    _left = _cells = 0  # where the bar itself lies

    def show(self, player: Player) -> None:
        here, whole = clock(player.t_us), clock(player.length_us)
        here = here.rjust(len(whole))
        self._left, self._cells = len(here) + 2, max(1, self.size.width - len(here + whole) - 4)
        length = player.length_us or 1
        done = progress_bar(round(1000 * player.t_us / length), 1000, self._cells)
        bar = list(done)
        for number in player.film.turns:
            bar[self._cell(player.film.times[number] / length)] = TURN
        at = self._cell(player.t_us / length) + 1
        parts = ("".join(bar[:at]), "bold $primary"), ("".join(bar[at:]), "$quiet")
        self.update(Content.assemble(f" {here} ", *parts, f" {whole} "), layout=False)

    def _cell(self, share: float) -> int:
        return min(self._cells - 1, int(share * self._cells))

    def _seek(self, event: events.MouseEvent) -> None:
        if self._cells:
            self.post_message(Sought((event.x - self._left + 0.5) / self._cells))

    def on_mouse_down(self, event: events.MouseDown) -> None:
        self.capture_mouse()
        self._seek(event)

    def on_mouse_move(self, event: events.MouseMove) -> None:
        if event.button and self.app.mouse_captured is self:
            self._seek(event)

    def on_mouse_up(self, event: events.MouseUp) -> None:
        self.release_mouse()


class PositionLine(Static):
    """Buttons for the mouse, then where in the journal this is."""

    def show(self, player: Player, width: int) -> None:
        film = player.film
        run = ("|| pause" if player.playing else "|> play ", "play")
        controls = "  ".join(_button(*each) for each in (*_BEFORE, run, *_AFTER))
        speed = f"{_button('-', 'slower')} {speed_words(player.speed):^7} "
        speed += _button("+", "faster")
        more = "" if film.complete else "+"
        place = f"{player.seen} of {len(film.marks)}{more}"
        work = ""
        if not film.complete:
            work = f" · {'to the end: ' if player.to_the_end else ''}reading {film.share:.0%}"
        elif film.thought <= player.at:
            work = f" · findings {film.thought / len(film.frames):.0%}"
        line = Content.from_markup(f" {controls}  {speed}  ")
        step = words.STEPS[player.frame.snapshot.step]
        # What matters least is left out first; the step stands in the head line, too.
        told = (f"observation {place} · {step}{work}", f"observation {place}{work}", place + work)
        fits = [each for each in told if len(line.plain) + len(each) <= width]
        self.update(Content.assemble(line, (fits or told[-1:])[0]), layout=False)


def _button(sign: str, action: str) -> str:
    return f"[bold $accent][@click=screen.{action}]{sign}[/][/]"
