"""The app around the screens: its colours, the way in, and the way out in a hurry.

Not here: the screens themselves (bench_screen.py, replay_screen.py), nor what is made ready before
there is one (curtain.py). They are imported when they are shown: the first picture is to come soon.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, ClassVar

from textual.app import App
from textual.binding import Binding, BindingType
from textual.screen import Screen

from keydiag.screen import themes
from keydiag.screen.curtain import At, Curtain, Opened, Opening
from keydiag.screen.look import Look, guess_mode
from keydiag.screen.palette import Mode

if TYPE_CHECKING:
    from keydiag.screen.desk import Desk
    from keydiag.screen.view_screen import ViewScreen

EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells have it


class KeydiagApp(App[None]):
    """A curtain, and the screen of what was opened behind it. mode: how to colour; None = as the
    terminal seems to be."""

    TITLE = "keydiag"
    # Of the curtain only: the style sheet of the other screens (view_screen.py) is read with them.
    CSS = """
    Curtain #head, Curtain #foot { height: 1; background: $panel; }
    Curtain #head { text-style: bold; }
    Curtain #say { height: 1; padding: 0 1; background: $say-ground; color: $say-ink;
        text-style: bold; }
    Curtain #rest { height: 1fr; }
    """
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "interrupt", "interrupt", show=False, priority=True),
    ]

    def __init__(
        self,
        opening: Opening | None = None,
        title: str = "",
        bell: bool = True,
        mode: Mode | None = None,
    ) -> None:
        # Without this Textual turns "no colour" into greys, and default colours into black.
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        guessed = guess_mode(os.environ, self.console.color_system)
        self.look = Look(mode or guessed, is_simple=os.environ.get("TERM") == "linux")
        self.bell_on = bell
        self._opening, self._title = opening, title
        for theme in themes.THEMES:
            self.register_theme(theme)
        self.theme = themes.NAMES[self.look.mode]

    def get_default_screen(self) -> Screen[None]:
        return Curtain(self._title)

    def on_ready(self) -> None:
        """The first picture is painted."""
        if self._opening is not None:
            self._opening.start(self.post_message)

    def on_at(self, message: At) -> None:
        if isinstance(self.screen, Curtain):
            self.screen.say(message.what)

    def on_opened(self, message: Opened) -> None:
        opening = self._opening
        if opening is None or opening.desk is None or opening.make_screen is None:
            self.exit()
            return
        screen = opening.make_screen(self.look, self.bell_on)
        self.push_screen(screen)
        # Not before the screen stands, or the two would hold each other up.
        screen.call_after_refresh(opening.desk.open)

    def action_interrupt(self) -> None:
        self.exit(return_code=EXIT_INTERRUPTED)


class BenchApp(KeydiagApp):
    """The bench screen on a desk that is there already."""

    CSS_PATH = "bench.tcss"

    def __init__(self, desk: Desk, bell: bool = True, mode: Mode | None = None) -> None:
        super().__init__(bell=bell, mode=mode)
        from keydiag.screen.bench_screen import BenchScreen

        self.bench: ViewScreen = BenchScreen(desk, self.look, bell)

    def get_default_screen(self) -> Screen[None]:
        return self.bench
