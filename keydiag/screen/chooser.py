"""A list to choose from whose cursor can be seen without colour."""

from __future__ import annotations

from rich.segment import Segment
from textual.strip import Strip
from textual.widgets import OptionList

CURSOR = "▌"


class Chooser(OptionList):
    """A list of options; a bar at the left marks the one the cursor is on."""

    def _get_left_gutter_width(self) -> int:
        """Cells kept free at the left of every line, as Textual's own lists with boxes do."""
        return 1

    def render_line(self, y: int) -> Strip:
        strip = super().render_line(y)
        first = next(iter(strip), None)
        style = first.style if first is not None else None
        option = style.meta.get("option") if style is not None else None
        here = option is not None and option == self.highlighted
        return Strip([Segment(CURSOR if here else " ", style), *strip])
