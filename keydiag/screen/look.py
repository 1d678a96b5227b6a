"""How the screen is to look on this terminal: which colours, which glyphs.

One object, shared by all parts of the screen; it changes only when the builder asks for other
colours. Not here: what a role is painted in (palette.py), themes of the style sheet (themes.py).
"""

from __future__ import annotations

from collections.abc import Mapping

from keydiag.screen.palette import SIGNS, SIMPLE_SIGNS, Mode

_ROUND: tuple[Mode, ...] = ("dark", "light", "named")


class Look:
    """mode: how to colour. is_simple: a bare console, with a font of some 256 glyphs."""

    def __init__(self, mode: Mode = "dark", is_simple: bool = False) -> None:
        self.mode = mode
        self.is_simple = is_simple

    @property
    def signs(self) -> dict[str, str]:
        """The sign of every state."""
        return SIMPLE_SIGNS if self.is_simple else SIGNS

    def turn(self) -> None:
        """Dark, light, the terminal's own, and round again; without colour there is no other."""
        if self.mode != "plain":
            self.mode = _ROUND[(_ROUND.index(self.mode) + 1) % len(_ROUND)]


def guess_mode(environ: Mapping[str, str], color_system: str | None) -> Mode:
    """The mode for a terminal with these variables and this many colours ("standard" = 16)."""
    if "NO_COLOR" in environ:
        return "plain"
    if color_system == "standard":
        return "named"
    # "15;0" = light on dark; terminals that set it tell the ground last.
    ground = environ.get("COLORFGBG", "").rpartition(";")[2]
    return "light" if ground in ("7", "15") else "dark"
