"""The app around the bench screen: its colours, and the way out in a hurry.

Not here: the screen itself (bench_screen.py).
"""

from __future__ import annotations

import os
from typing import Any, ClassVar

from textual.app import App
from textual.binding import Binding, BindingType

from keydiag.screen import themes
from keydiag.screen.bench_screen import BenchScreen
from keydiag.screen.desk import Desk
from keydiag.screen.look import Look, guess_mode
from keydiag.screen.palette import Mode

EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells have it


class BenchApp(App[None]):
    """One session at the bench. mode: how to colour; None = as the terminal seems to be."""

    CSS_PATH = "bench.tcss"
    TITLE = "keydiag"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "interrupt", "interrupt", show=False, priority=True),
    ]

    def __init__(self, desk: Desk, bell: bool = True, mode: Mode | None = None) -> None:
        # Without this Textual turns "no colour" into greys, and default colours into black.
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        guessed = guess_mode(os.environ, self.console.color_system)
        self.look = Look(mode or guessed, is_simple=os.environ.get("TERM") == "linux")
        self.bench = BenchScreen(desk, self.look, bell)
        for theme in themes.THEMES:
            self.register_theme(theme)
        self.theme = themes.NAMES[self.look.mode]

    def get_default_screen(self) -> BenchScreen:
        return self.bench

    def action_interrupt(self) -> None:
        self.exit(return_code=EXIT_INTERRUPTED)


def run(desk: Desk, **options: Any) -> int:
    """Show the screen until the builder leaves; 0, or 130 if interrupted."""
    app = BenchApp(desk, **options)
    app.run()
    return app.return_code or 0
