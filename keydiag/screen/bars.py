"""The lines above and below: where the job stands, what to do next, alarms, the link.

Here: one-line widgets and what they say of a snapshot. Not here: the panels.
"""

from __future__ import annotations

from collections.abc import Sequence

from textual.content import Content
from textual.widgets import Static

from keydiag.screen import words
from keydiag.screen.panels import PANELS
from keydiag.session import Snapshot

BAR_CELLS = 20  # width of the progress bar


def head(snapshot: Snapshot, width: int, badge: str = "") -> Content:
    """The half's name, the step of the job, and how far it has got; a badge before the step."""
    name = f" {snapshot.board.name} "
    steps = list(words.STEPS)
    place = steps.index(snapshot.step)
    trail = " › ".join(words.STEPS.values())
    progress = f"{snapshot.done}/{snapshot.total}"
    bar = progress_bar(snapshot.done, snapshot.total, BAR_CELLS)
    if width >= len(name) + len(trail) + BAR_CELLS + len(progress) + len(badge) + 8:
        parts: list[Content | tuple[str, str] | str] = []
        for index, step in enumerate(steps):
            style = "bold $accent" if index == place else "$quiet"
            parts += [(words.STEPS[step], style), (" › " if step != steps[-1] else "", "$quiet")]
        middle = Content.assemble(*parts)
    else:
        middle = Content.assemble(
            (f"step {place + 1} of {len(steps)}: ", "$quiet"),
            (words.STEPS[snapshot.step], "bold $accent"),
        )
    for sign in ("paused" if snapshot.paused else "", badge):
        if sign:
            middle = Content.assemble((f" {sign} ", "bold reverse"), " ", middle)
    right = Content.assemble((bar, "$primary"), f" {progress} ")
    gap = max(1, width - len(name) - len(middle.plain) - len(right.plain) - 2)
    return Content.assemble((name, "bold"), "  ", middle, " " * gap, right)


def progress_bar(done: int, total: int, cells: int) -> str:
    """A bar of so many cells, to half a cell."""
    halves = round(2 * cells * done / total) if total else 0
    full, half = divmod(halves, 2)
    return "━" * full + "╸" * half + "┄" * (cells - full - half)


def status(snapshot: Snapshot, journal: str, bell: bool, width: int) -> Content:
    """Port, chip, reading rate, damaged and lost lines, journal; what matters least is cut."""
    link = snapshot.link
    signs = {"none": ("○", "no probe"), "up": ("●", link.port), "down": ("✗", "probe gone")}
    sign, where = signs[link.state]
    parts: list[Content] = [Content.assemble((f" {sign} ", "bold"), where or "probe")]
    if link.state == "up":
        parts += [Content(link.chip), Content(f"{link.readings_per_s:.0f} readings/s")]
    trouble = "bold $warning" if link.corrupt or link.lost else ""
    parts.append(Content.styled(f"damaged {link.corrupt}, lost {link.lost}", trouble))
    if not bell:
        parts.append(Content("bell off"))
    out = Content("")
    for part in parts:
        if len(out.plain) + len(part.plain) + 3 > width:
            break
        out = Content.assemble(out, (" · ", "$quiet"), part) if out.plain else part
    room = width - len(out.plain) - len(" · ")
    if journal and room >= 6:
        name = f"journal {journal}" if len(journal) + 8 <= room else journal
        name = name if len(name) <= room else "…" + name[1 - room :]
        out = Content.assemble(out, (" · ", "$quiet"), name)
    return out


class PanelTabs(Static):
    """The names of the panels; a click shows one."""

    def show(self, current: str, hidden: frozenset[str]) -> None:
        parts = []
        for number, panel in enumerate(PANELS, start=1):
            if panel not in hidden:
                name = f"[@click=screen.panel('{panel}')]{number} {panel}[/]"
                parts.append(f"[reverse]{name}[/]" if panel == current else name)
        self.update(Content.from_markup(" ".join(parts)))


class KeyLine(Static):
    """What can be done now: keys and what they do; a click does it too."""

    def show(self, keys: Sequence[tuple[str, str, str]]) -> None:
        """keys: (key, what it does in a word, action of the screen)."""
        parts = [
            f"[bold $accent]{key}[/] [@click=screen.{action}]{word}[/]"
            for key, word, action in keys
        ]
        self.update(Content.from_markup("  ".join(parts)), layout=False)
