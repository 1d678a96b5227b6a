"""Signs and colours of the screen: what every state looks like, in three kinds of terminal.

Here: the sign of every key state, the roles things are painted in, and what a role is in a dark or
light theme of 24-bit colour, in 16 named colours (the terminal's own), and without any colour.
Not here: where anything is drawn.

No meaning hangs on a colour alone: every state has a sign of its own. The hues are chosen so that
blue against yellow and light against dark carry the difference, which survives the common kinds of
colour-blindness (after Okabe and Ito, "Color Universal Design", 2008; from memory).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal, NamedTuple

from rich.style import Style

Mode = Literal["dark", "light", "named", "plain"]
"""dark, light: 24 bits. named: the terminal's own 16 colours. plain: no colour at all."""

SIGNS = {
    "waiting": "·",
    "next": "►",
    "good": "✓",
    "silent": "✗",
    "odd": "≠",
    "unsure": "?",
    "hidden": "…",
    "held": "●",
}
# For consoles whose font has little more than the letters (the bare Linux console, 256 glyphs).
SIMPLE_SIGNS = {
    "waiting": ".",
    "next": ">",
    "good": "+",
    "silent": "x",
    "odd": "#",
    "unsure": "?",
    "hidden": "~",
    "held": "@",
}
# What such a console can show in place of what it has no glyph for.
_SIMPLE = str.maketrans("╳●◂▸▴▾−▘▝▖▗▛▜▙▟▞▚…", "Xo<>^v-▀▀▄▄██████~")
_BRAILLE = range(0x2800, 0x2900)
_ACROSS = 0x09, 0x12, 0x24, 0xC0  # the two dots of each of the four rows

MEANINGS = {
    "waiting": "not pressed yet",
    "next": "press this one now",
    "good": "answers as wired",
    "silent": "was pressed and gave no sign",
    "odd": "answers, but not as wired",
    "unsure": "press it once more: a slip of the hand would explain it too",
    "hidden": "cannot be judged before something else is mended",
    "held": "conducts at this moment",
}


class Paint(NamedTuple):
    """What a cell is painted in: roles, not colours."""

    ink: str = "text"
    ground: str = "paper"
    bold: bool = False
    underline: bool = False


# role: (dark, light, named). Roles ending in "-ink" are what is written on the role of that name.
_COLOURS: dict[str, tuple[str, str, str]] = {
    "paper": ("#16181d", "#fbfaf6", "default"),
    "text": ("#e3e5e8", "#1d1f23", "default"),
    "dim": ("#8b9099", "#6b6f76", "bright_black"),
    "waiting": ("#3b4049", "#d9d7d0", "bright_black"),
    "waiting-ink": ("#d4d7dc", "#35383d", "bright_white"),
    "next": ("#f5d743", "#f2c500", "yellow"),
    "next-ink": ("#111111", "#111111", "black"),
    "good": ("#2566a3", "#2f73b5", "blue"),
    "good-ink": ("#ffffff", "#ffffff", "bright_white"),
    "silent": ("#e0662d", "#e0662d", "red"),
    "silent-ink": ("#111111", "#111111", "bright_white"),
    "odd": ("#d68bb8", "#d68bb8", "magenta"),
    "odd-ink": ("#111111", "#111111", "bright_white"),
    "unsure": ("#9ed2f2", "#a9d8f5", "cyan"),
    "unsure-ink": ("#111111", "#111111", "black"),
    "hidden": ("#23262c", "#ecebe5", "default"),
    "hidden-ink": ("#8b9099", "#5f636a", "bright_black"),
    "held": ("#ffffff", "#111111", "bright_white"),
    "held-ink": ("#111111", "#ffffff", "black"),
    "row": ("#ff9d5c", "#c24e00", "bright_red"),
    "column": ("#6fc3ff", "#0067a8", "bright_cyan"),
    "other-wire": ("#5d636d", "#a9aaa9", "bright_black"),
    "cap": ("#20242b", "#efede6", "default"),
    "body": ("#2e343d", "#dfdcd2", "default"),
    "leg": ("#b7bcc4", "#6e6e6e", "default"),
    "solder": ("#e3e5e8", "#3c4046", "default"),
    "glass": ("#d98f4e", "#e0a468", "yellow"),
    "band": ("#0a0a0a", "#111111", "black"),
    "mark": ("#f5d743", "#f2c500", "yellow"),
    "mark-ink": ("#111111", "#111111", "black"),
    "red-lead": ("#c62828", "#c62828", "red"),
    "red-lead-ink": ("#ffffff", "#ffffff", "bright_white"),
    "black-lead": ("#000000", "#000000", "black"),
    "black-lead-ink": ("#ffffff", "#ffffff", "bright_white"),
    "alarm": ("#e0662d", "#e0662d", "red"),
    "alarm-ink": ("#111111", "#111111", "bright_white"),
}
# Without colour these stand out by being reversed; everything else is told by its sign alone.
LOUD = {"next", "held", "silent", "odd", "mark", "alarm", "band", "red-lead", "black-lead"}
# Without colour the parts of a key are told by their texture; the first that is in a cell shows.
TEXTURE = {"band": "█", "glass": "▒"}

_COLUMN: dict[Mode, int] = {"dark": 0, "light": 1, "named": 2}


@lru_cache(maxsize=2048)
def style(mode: Mode, paint: Paint) -> Style:
    """The terminal style of a paint in a mode."""
    if mode == "plain":
        reverse = paint.ground in LOUD
        return Style(bold=paint.bold or reverse, underline=paint.underline, reverse=reverse)
    column = _COLUMN[mode]
    return Style(
        color=_COLOURS[paint.ink][column],
        bgcolor=_COLOURS[paint.ground][column],
        bold=paint.bold,
        underline=paint.underline,
    )


def simple(text: str) -> str:
    """The text in glyphs of the bare console: fine lines become dashes and bars."""
    return "".join(
        char if ord(char) not in _BRAILLE else "─" if _runs_across(ord(char)) else "│"
        for char in text.translate(_SIMPLE)
    )


def _runs_across(braille: int) -> bool:
    return any(braille & pair == pair for pair in _ACROSS) and braille & 0x47 != 0x47


def has_colour(role: str, mode: Mode) -> bool:
    """True if an area of this role differs from the terminal's own ground in this mode."""
    return mode != "plain" and _COLOURS[role][_COLUMN[mode]] != "default"


def ink_on(role: str) -> str | None:
    """The role of what is written on an area of this role, if it has one of its own."""
    ink = f"{role}-ink"
    return ink if ink in _COLOURS else None


def colour(role: str, mode: Literal["dark", "light"]) -> str:
    """The colour of a role as #rrggbb, for the style sheet."""
    return _COLOURS[role][_COLUMN[mode]]


def named(role: str) -> str:
    """The colour of a role in the terminal's own 16, in the style sheet's spelling."""
    return f"ansi_{_COLOURS[role][_COLUMN['named']]}"
