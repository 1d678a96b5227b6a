"""The half as a map of keys: every state at a glance, live presses at once.

Here: painting the plan of the half (plan.py) cell by cell, and what the mouse and the arrow keys
do on it. Only the cells of keys that changed are worked out and sent anew. Not here: where keys
lie (plan.py), what is suspected (suspects.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import ClassVar

from rich.segment import Segment
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from keydiag.board import Board
from keydiag.drawing.geometry import Point, along
from keydiag.drawing.pen import Side
from keydiag.drawing.places import Layout
from keydiag.screen import palette, plan
from keydiag.screen.canvas import Cell
from keydiag.screen.look import Look
from keydiag.screen.messages import KeyPicked
from keydiag.screen.palette import Paint
from keydiag.screen.suspects import Suspect
from keydiag.session import KeyView


@dataclass(frozen=True)
class Overlay:
    """What is shown of the chosen finding: wires along their whole path, keys, marked spots."""

    layout: Layout
    suspect: Suspect


class LayoutView(Widget, can_focus=True):
    """The keys of the half, as seen from one side."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1, 0)", "key to the left", show=False),
        Binding("right", "move(1, 0)", "key to the right", show=False),
        Binding("up", "move(0, -1)", "key above", show=False),
        Binding("down", "move(0, 1)", "key below", show=False),
    ]

    def __init__(self, board: Board, look: Look, id: str | None = None) -> None:
        super().__init__(id=id)
        self.board, self.look = board, look
        self.side: Side = "key"
        self.cursor: str | None = None
        self._views: tuple[KeyView, ...] = ()
        self._overlay: Overlay | None = None
        self._plan: plan.Plan | None = None
        self._roles = ["waiting"] * len(board.key)
        self._number = {key: number for number, key in enumerate(board.key)}
        self._labels: dict[str, list[tuple[int, int]]] = {}  # the cells each key has written on
        self._rows: dict[int, list[Cell]] = {}  # worked out and still valid
        self._strips: dict[int, Strip] = {}

    # --- what to show ---

    def show_keys(self, views: Sequence[KeyView]) -> None:
        """Take the keys' new states; repaint those that changed."""
        before, self._views = self._views, tuple(views)
        if self._plan is None:
            return
        if len(before) != len(self._views):
            self._paint_all()
            return
        for old, new in zip(before, self._views, strict=True):
            if old != new:
                self._repaint(new.name)

    def show_overlay(self, overlay: Overlay | None) -> None:
        """Show the lines and keys of another finding, or of none."""
        if overlay != self._overlay:
            self._overlay = overlay
            self._paint_all()

    def show_side(self, side: Side) -> None:
        if side != self.side:
            self.side = side
            self._lay_out()

    def show_cursor(self, key: str | None) -> None:
        before, self.cursor = self.cursor, key
        for each in {before, key}:
            if each is not None and self._plan is not None:
                self._repaint(each)

    def repaint(self) -> None:
        """The colours have changed."""
        self._rows.clear()
        self._strips.clear()
        self.refresh()

    # --- painting ---

    def on_resize(self, event: events.Resize) -> None:
        self._lay_out()

    def _lay_out(self) -> None:
        width, height = self.size
        if width and height:
            self._plan = plan.make(self.board, self.side, width, height)
            self._paint_all()

    def _paint_all(self) -> None:
        if self._plan is None:
            return
        canvas = self._plan.canvas
        canvas.text.clear()
        canvas.dots.clear()
        canvas.dot_ink.clear()
        self._labels.clear()
        for view in self._views:
            self._write(view)
        self._draw_wires()
        self._rows.clear()
        self._strips.clear()
        self.refresh()

    def _repaint(self, key: str) -> None:
        assert self._plan is not None
        for cell in self._labels.pop(key, ()):
            self._plan.canvas.text.pop(cell, None)
        self._write(self._views[self._number[key]])
        tile = self._plan.tile_of[key]
        # One cell more to the left and right: the brackets of a marked key.
        region = Region(tile.left - 1, tile.top, tile.width + 2, tile.height)
        canvas, mode = self._plan.canvas, self.look.mode
        for y in range(max(0, region.y), min(canvas.height, region.bottom)):
            self._strips.pop(y, None)
            if y in self._rows:
                for x in range(max(0, region.x), min(canvas.width, region.right)):
                    self._rows[y][x] = canvas.cell(x, y, self._roles, mode)
        self.refresh(region)

    def _write(self, view: KeyView) -> None:
        """The label of one key: its name and its sign."""
        assert self._plan is not None
        role = "held" if view.held else view.status
        self._roles[self._number[view.name]] = role
        tile = self._plan.tile_of[view.name]
        name = self._plan.short_names[view.name]
        sign = self.look.signs[role]
        rows = tile.label_rows
        paint = Paint(f"{role}-ink", role, bold=role not in ("waiting", "hidden"))
        if view.name == self.cursor:
            paint = paint._replace(underline=True)
        if len(rows) == 1:
            gap = " " * (tile.label_width > len(name) + 1)
            lines = {rows[0]: f"{name}{gap}{sign}"}
        else:
            first = (len(rows) - 2) // 2
            lines = {rows[first]: name, rows[first + 1]: sign}
        cells = self._labels.setdefault(view.name, [])
        for y, text in lines.items():
            x = tile.label_left + (tile.label_width - len(text) + 1) // 2
            self._put(cells, x, y, text, paint)
        if self._overlay is not None and view.name in self._overlay.suspect.keys:
            y = rows[len(rows) // 2 - (len(rows) % 2 == 0)]
            edge = Paint("mark-ink", "mark", bold=True)
            self._put(cells, tile.label_left - 1, y, "[", edge)
            self._put(cells, tile.label_left + tile.label_width, y, "]", edge)

    def _put(self, cells: list[tuple[int, int]], x: int, y: int, text: str, paint: Paint) -> None:
        assert self._plan is not None
        self._plan.canvas.write(x, y, text, paint)
        cells += [(x + offset, y) for offset in range(len(text))]

    def _draw_wires(self) -> None:
        """The lines of the chosen finding, named where they leave for their pins."""
        if self._overlay is None or self._plan is None:
            return
        layout, suspect = self._overlay.layout, self._overlay.suspect
        canvas, scale = self._plan.canvas, self._plan.scale
        for name in suspect.lines:
            kind, short = name.split()
            for run in (*layout.wires[name].values(), layout.leads[name].run):
                canvas.line([scale.cell(point) for point in run], kind)
            self._name_line(f"{short} {layout.leads[name].pin}", short, layout, name)
        for run in suspect.runs:
            canvas.line([scale.cell(point) for point in run], "mark")
        for spot in (along(run, 0.5) for run in suspect.runs if len(run) > 1):
            self._mark_break(spot)

    def _name_line(self, long: str, short: str, layout: Layout, name: str) -> None:
        assert self._plan is not None
        canvas = self._plan.canvas
        x, y = self._plan.scale.cell(layout.leads[name].run[-1])
        column, row = math.floor(x), min(max(0, math.floor(y)), canvas.height - 1)
        for text in (long, short):
            for down in (0, -1, 1, -2, 2):
                left = min(max(0, column - len(text) // 2), canvas.width - len(text))
                free = canvas.is_free(left, row + down, len(text))
                if free and all(self._is_bare(left + i, row + down) for i in range(len(text))):
                    canvas.write(left, row + down, text, Paint(name.split()[0], "paper", bold=True))
                    return

    def _is_bare(self, x: int, y: int) -> bool:
        """True if no key lies under a cell."""
        assert self._plan is not None
        return max(self._plan.canvas.owners_of(x, y)) < 0

    def _mark_break(self, spot: Point) -> None:
        """A sign on a suspected piece of wire, beside whatever is written there."""
        assert self._plan is not None
        x, y = (math.floor(v) for v in self._plan.scale.cell(spot))
        for dx, dy in ((0, 0), (0, 1), (0, -1), (-1, 0), (1, 0), (2, 0), (-2, 0)):
            if self._plan.canvas.is_free(x + dx, y + dy, 1):
                self._plan.canvas.write(x + dx, y + dy, "╳", Paint("mark-ink", "mark", bold=True))
                return

    def render_line(self, y: int) -> Strip:
        strip = self._strips.get(y)
        if strip is None:
            strip = self._strips[y] = self._strip(y)
        return strip

    def _strip(self, y: int) -> Strip:
        if self._plan is None or y >= self._plan.height:
            # Styled even if blank: a strip without a style cannot be turned colourless.
            return Strip.blank(self.size.width, palette.style(self.look.mode, Paint()))
        cells = self._rows.get(y)
        if cells is None:
            cells = self._rows[y] = self._plan.canvas.row(y, self._roles, self.look.mode)
        return strip_of(cells, self.look)

    # --- hands ---

    def on_click(self, event: events.Click) -> None:
        key = self._plan.key_at(event.x, event.y) if self._plan else None
        if key is not None:
            self.post_message(KeyPicked(key))

    def action_move(self, right: int, down: int) -> None:
        """Go to the nearest key in a direction, as seen from the present side."""
        if self._plan is None:
            return
        here = self.cursor or self._plan.tiles[0].key
        x, y = self._middle(here)

        def detour(key: str) -> float:
            dx, dy = self._middle(key)[0] - x, 2 * (self._middle(key)[1] - y)
            ahead, aside = dx * right + dy * down, abs(dx * down) + abs(dy * right)
            return ahead + 2 * aside if ahead > 0.5 else math.inf

        best = min((tile.key for tile in self._plan.tiles if tile.key != here), key=detour,
                   default=here)  # fmt: skip
        if self.cursor is None:
            best = here
        elif detour(best) == math.inf:
            return
        self.post_message(KeyPicked(best))

    def _middle(self, key: str) -> Point:
        assert self._plan is not None
        return self._plan.scale.cell(self.board.key[key].at)


def strip_of(cells: Sequence[Cell], look: Look) -> Strip:
    """A row of cells for the terminal, those of the same paint joined."""
    segments = []
    for paint, run in groupby(cells, key=lambda cell: cell[1]):
        text = "".join(char for char, _ in run)
        text = palette.simple(text) if look.is_simple else text
        segments.append(Segment(text, palette.style(look.mode, paint)))
    return Strip(segments, len(cells))
