"""The help page: signs, keys, how to hold the half, cautions."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar, Literal

from rich.console import Group
from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from keydiag.diagnosis.words import CAUTIONS_METER, CAUTIONS_SOLDER
from keydiag.screen import palette
from keydiag.screen.look import Look
from keydiag.screen.palette import MEANINGS, Mode, Paint

PICTURE = (
    ("●", "a solder joint"),
    ("(1)", "a suspected place; the numbers are those of the list beside the picture"),
    ("▒█▒", "a diode; the dark band is the cathode"),
    ("<+> <−>", "where the meter's red and black leads go, once a reading is looked at (m)"),
    ("┄┄", "wires: rows and columns of the finding in colour, named where they leave the picture;"
     " an arrow points toward the controller pin"),
    ("[ ]", "on the map: a key the finding is about"),
    ("╳", "on the map: a piece of wire that may be broken"),
)  # fmt: skip
VIEW_KEYS = (
    ("↑ ↓", "choose a finding (or whatever has the focus); Tab goes to the next list or the map"),
    ("1 2 3 4 5", "panels: key, picture, why, mend, test"),
    ("f", "turn the half over: key side, solder side"),
    ("z", "the picture as large as the screen, and back"),
    ("c", "colours: dark, light, the terminal's own"),
    ("Escape", "out of a list of choices"),
)
BENCH_KEYS = (
    ("b  s  a", "one key back, skip this key or chord, ask for the last one again"),
    ("p", "pause: nothing that is pressed counts; p again goes on"),
    ("e", "end the sweep, retest or chord check here: show what is known"),
    ("r", "say what you have reworked"),
    ("m", "say what the meter showed"),
    ("t", "retest now; unplugging and plugging in again does the same"),
    ("n", "press the whole half once more, from the beginning (asks)"),
    *VIEW_KEYS,
    ("u", "bell on or off"),
    ("q", "leave (asks); the journal keeps everything, and keydiag resume goes on"),
)
REPLAY_KEYS = (
    ("Space", "play, pause; at the end: from the start once more"),
    ("→  .", "to the next observation"),
    ("←  ,", "to the observation before"),
    ("n  p", "to the next change of step, to the one before"),
    ("+  -", "faster, slower: from a quarter of the speed to 64 times, and all at once"),
    ("Home End", "to the start, to the end"),
    ("bar", "click or drag: to that time; a cross marks a change of step"),
    *VIEW_KEYS,
    ("q", "leave; a replay changes nothing"),
)
SIDES = (
    "The key side is the half as you type on it. The solder side is the half turned over like the"
    " page of a book: left and right are exchanged, the thumb keys stay below. Screen and half"
    " agree when the heading of the map names the side you see."
)


Keys = tuple[tuple[str, str], ...]


def page(mode: Mode, signs: dict[str, str], keys: Keys) -> Group:
    """The whole page; keys: (key, what it does)."""
    looks = {
        role: Text(f" {signs[role]} ", palette.style(mode, Paint(f"{role}-ink", role, bold=True)))
        for role in MEANINGS
    }
    return Group(
        Text("Signs on the map", "bold"),
        _table((looks[role], f"{role}: {meaning}") for role, meaning in MEANINGS.items()),
        Text("\nIn the picture", "bold"),
        _table((Text(sign, "bold"), meaning) for sign, meaning in PICTURE),
        Text("\nKeys", "bold"),
        _table((Text(key, "bold"), meaning) for key, meaning in keys),
        Text("The mouse works too: click a key, a finding, a panel's name, a number."),
        Text("\nWhich side", "bold"),
        Text(SIDES),
        Text("\nWith the iron", "bold"),
        _table((Text("!", "bold"), line) for line in (*CAUTIONS_SOLDER, *CAUTIONS_METER)),
    )


def _table(rows: Iterable[tuple[Text, str]]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(justify="right", no_wrap=True)
    table.add_column()
    for sign, meaning in rows:
        table.add_row(sign, meaning)
    return table


class HelpScreen(ModalScreen[None]):
    """The help page over the bench screen; Escape, h or q closes it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,h,q,question_mark", "dismiss", "close"),
    ]

    def __init__(self, look: Look, keys_of: Literal["bench", "replay"]) -> None:
        super().__init__()
        keys = REPLAY_KEYS if keys_of == "replay" else BENCH_KEYS
        self.page = page(look.mode, look.signs, keys)

    def compose(self) -> ComposeResult:
        with VerticalScroll(id="help"):
            yield Static(self.page)

    def on_mount(self) -> None:
        box = self.query_one("#help")
        box.border_title = "keydiag: help"
        box.border_subtitle = "Escape closes"
        box.focus()
