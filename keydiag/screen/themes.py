"""The three themes of the screen: dark, light, and the terminal's own 16 colours."""

from __future__ import annotations

from textual.theme import Theme

from keydiag.screen.palette import Mode, colour, named

NAMES: dict[Mode, str] = {
    "dark": "bench-dark",
    "light": "bench-light",
    "named": "bench-named",
    "plain": "bench-named",
}


def _full(mode: str) -> Theme:
    dark = mode == "dark"

    def of(role: str) -> str:
        return colour(role, "dark" if dark else "light")

    return Theme(
        name=NAMES["dark" if dark else "light"],
        dark=dark,
        primary=of("column"),
        secondary=of("row"),
        accent="#f5d743" if dark else "#8a5a00",
        warning=of("row"),
        error=of("alarm"),
        success=of("good"),
        foreground=of("text"),
        background=of("paper"),
        surface="#1d2027" if dark else "#f2f0e9",
        panel="#272c35" if dark else "#e4e1d7",
        variables={
            "say-ground": of("next"),
            "say-ink": of("next-ink"),
            "alarm-ground": of("alarm"),
            "alarm-ink": of("alarm-ink"),
            "quiet": of("dim"),
            "block-cursor-background": "#33506b" if dark else "#c9def0",
            "block-cursor-foreground": of("text"),
            "block-cursor-text-style": "bold",
            "block-cursor-blurred-background": "#2a3038" if dark else "#dfddd5",
            "block-cursor-blurred-foreground": of("text"),
            "footer-key-foreground": "#f5d743" if dark else "#8a5a00",
        },
    )


def _named() -> Theme:
    plain = "ansi_default"
    return Theme(
        name=NAMES["named"],
        ansi=True,
        dark=True,
        primary="ansi_cyan",
        secondary="ansi_bright_red",
        accent="ansi_yellow",
        warning="ansi_yellow",
        error="ansi_red",
        success="ansi_blue",
        foreground=plain,
        background=plain,
        surface=plain,
        panel=plain,
        boost=plain,
        variables={
            "say-ground": named("next"),
            "say-ink": named("next-ink"),
            "alarm-ground": named("alarm"),
            "alarm-ink": named("alarm-ink"),
            "quiet": plain,
            "ansi-background": "ansi_black",
            "ansi-foreground": "ansi_white",
            "border": "ansi_blue",
            "border-blurred": "ansi_bright_black",
            "block-cursor-background": "ansi_blue",
            "block-cursor-foreground": "ansi_bright_white",
            "block-cursor-text-style": "bold",
            "block-cursor-blurred-background": plain,
            "block-cursor-blurred-foreground": plain,
            "block-cursor-blurred-text-style": "reverse",
            "block-hover-background": plain,
            "scrollbar": "ansi_bright_black",
            "scrollbar-background": plain,
            "footer-key-foreground": "ansi_yellow",
        },
    )


THEMES = (_full("dark"), _full("light"), _named())
