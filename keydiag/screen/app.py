"""The app around the bench screen: colours, help, and the ways out.

Not here: the screen itself (bench_screen.py).
"""

from __future__ import annotations

import os
from typing import Any, ClassVar

from textual.app import App
from textual.binding import Binding, BindingType

from keydiag.screen import palette, themes
from keydiag.screen.bench_screen import BenchScreen
from keydiag.screen.desk import Desk

_MODES: tuple[palette.Mode, ...] = ("dark", "light", "named")
EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells have it


class BenchApp(App[None]):
    """One session at the bench. mode: how to colour; None = as the terminal seems to be."""

    CSS_PATH = "bench.tcss"
    TITLE = "keydiag"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "interrupt", "interrupt", show=False, priority=True),
    ]

    def __init__(self, desk: Desk, bell: bool = True, mode: palette.Mode | None = None) -> None:
        # Without this Textual turns "no colour" into greys, and default colours into black.
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        self.bench = BenchScreen(desk, bell)
        self.colours: palette.Mode = mode or self._guess_mode()
        self.is_simple = os.environ.get("TERM") == "linux"  # the bare console: 256 glyphs or so
        self.signs = palette.SIMPLE_SIGNS if self.is_simple else palette.SIGNS
        for theme in themes.THEMES:
            self.register_theme(theme)
        self.theme = themes.NAMES[self.colours]

    def get_default_screen(self) -> BenchScreen:
        return self.bench

    def _guess_mode(self) -> palette.Mode:
        if self.no_color:
            return "plain"
        if self.console.color_system == "standard":
            return "named"
        # "15;0" = light on dark; terminals that set it tell the ground last.
        ground = os.environ.get("COLORFGBG", "").rpartition(";")[2]
        return "light" if ground in ("7", "15") else "dark"

    def next_colours(self) -> None:
        """Dark, light, the terminal's own, and round again; without colour there is no other."""
        if self.colours != "plain":
            self.colours = _MODES[(_MODES.index(self.colours) + 1) % len(_MODES)]
            self.theme = themes.NAMES[self.colours]

    def action_interrupt(self) -> None:
        self.exit(return_code=EXIT_INTERRUPTED)


def run(desk: Desk, **options: Any) -> int:
    """Show the screen until the builder leaves; 0, or 130 if interrupted."""
    app = BenchApp(desk, **options)
    app.run()
    return app.return_code or 0
