"""The enlarged picture of a suspected place, with the list of the places it could be.

Here: the widgets around zoom.py. Not here: what is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from keydiag.drawing.geometry import Point
from keydiag.drawing.pen import Side
from keydiag.drawing.places import Layout
from keydiag.screen import palette, words, zoom
from keydiag.screen.chooser import Chooser
from keydiag.screen.layout_view import strip_of
from keydiag.screen.look import Look
from keydiag.screen.messages import MemberPicked
from keydiag.screen.palette import Paint
from keydiag.screen.suspects import Suspect


class Picture(Widget):
    """The drawn window itself; a click on a number chooses that place."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.look = look
        self._shown: tuple[Layout, Sequence[Suspect], int, Side] | None = None
        self._leads: tuple[Point, ...] = ()
        self._zoom: zoom.Zoom | None = None

    def show(self, layout: Layout, found: Sequence[Suspect], current: int, side: Side) -> None:
        self._shown = (layout, found, current, side)
        self._draw()

    def show_leads(self, leads: tuple[Point, ...]) -> None:
        """Show where the meter's leads go, red first; nothing if empty."""
        if leads != self._leads:
            self._leads = leads
            self._draw()

    def clear(self) -> None:
        self._shown = self._zoom = None
        self.refresh()

    def on_resize(self, event: events.Resize) -> None:
        self._draw()

    def _draw(self) -> None:
        if self._shown is not None and self.size.width and self.size.height:
            layout, found, current, side = self._shown
            self._zoom = zoom.draw(layout, found, current, side, *self.size, self._leads)
            self.refresh()

    def render_line(self, y: int) -> Strip:
        if self._zoom is None or y >= self._zoom.canvas.height:
            return Strip.blank(self.size.width, palette.style(self.look.mode, Paint()))
        return strip_of(self._zoom.canvas.row(y, zoom.ROLES, self.look.mode), self.look)

    def on_click(self, event: events.Click) -> None:
        if self._zoom is None:
            return
        for number, (x, y) in self._zoom.numbers.items():
            if event.y == y and abs(event.x - x) <= 1:
                self.post_message(MemberPicked(number))


class Places(Chooser):
    """The places a finding could mean, numbered as in the picture."""


class ZoomView(Vertical):
    """What is shown, in words; below it picture and places side by side."""

    def __init__(self, look: Look, id: str | None = None) -> None:
        super().__init__(id=id)
        self.look = look

    def compose(self) -> ComposeResult:
        yield Static(id="caption")
        with Horizontal(id="zoom"):
            yield Picture(self.look)
            yield Places(compact=True)

    def show(self, layout: Layout, found: Sequence[Suspect], current: int, side: Side) -> None:
        """Show the suspects of one finding, the current one in the middle."""
        self.query_one("#caption", Static).update(words.caption(current, found[current].member))
        self.query_one(Picture).show(layout, found, current, side)
        places = self.query_one(Places)
        prompts = [words.place_line(number, each.member) for number, each in enumerate(found)]
        if [option.prompt for option in places.options] != prompts:
            places.clear_options()
            places.add_options([Option(prompt) for prompt in prompts])
        places.display = len(found) > 1
        with self.prevent(OptionList.OptionHighlighted):
            places.highlighted = current

    def clear(self) -> None:
        self.query_one("#caption", Static).update(words.NO_FINDING)
        self.query_one(Picture).clear()
        self.query_one(Places).clear_options()

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        event.stop()
        self.post_message(MemberPicked(event.option_index))

    def show_leads(self, leads: tuple[Point, ...]) -> None:
        """Show where the meter's leads go, red first; nothing if empty."""
        self.query_one(Picture).show_leads(leads)

    def repaint(self) -> None:
        self.query_one(Picture).refresh()
