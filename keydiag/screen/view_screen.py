"""The views of a session on one screen, and what only changes the view.

Here: `ViewScreen`, which part shows what of the last snapshot, what is chosen at the moment (panel,
side, key; the finding is choice.py's), and the keys for that. Not here: what the builder can do
about a session (bench_screen.py, replay_screen.py); any judgement about the half; drawing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar, Literal

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import OptionList, Static

from keydiag.diagnosis.model import Finding
from keydiag.drawing.pen import Side
from keydiag.screen import bars, messages, themes, words
from keydiag.screen.choice import Choice
from keydiag.screen.desk import Desk
from keydiag.screen.layout_view import LayoutView, Overlay
from keydiag.screen.look import Look
from keydiag.screen.panels import PANELS, Findings, KeyPanel, MendPanel, TestPanel, WhyPanel
from keydiag.screen.plan import easy_width
from keydiag.screen.suspects import lead_points
from keydiag.screen.zoom_view import ZoomView
from keydiag.session import Snapshot

# The panel and the side that go with a step, until the builder chooses otherwise.
_PANEL = {"findings": "picture", "rework": "picture"}
_SIDE: dict[str, Side] = {"findings": "solder", "rework": "solder"}
SWEEPING = ("sweep", "retest", "chords")
_LEAST_PANEL = 28  # columns that the panels need
_TALL = 38  # rows from which the picture and another panel are shown at once


class ViewScreen(Screen[None]):
    """One session, looked at."""

    CSS_PATH = "bench.tcss"
    HELP: ClassVar[Literal["bench", "replay"]] = "bench"  # which keys the help page lists
    BADGE: ClassVar[str] = ""  # a word in the head line for what kind of look it is
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (98, "-medium"), (126, "-broad")]
    VERTICAL_BREAKPOINTS = [(0, "-short"), (_TALL, "-tall")]
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f", "flip", "flip"),
        Binding("z", "zoom", "zoom"),
        *(Binding(str(i), f"panel('{p}')", p, show=False) for i, p in enumerate(PANELS, start=1)),
        Binding("c", "colours", "colours", show=False),
        Binding("h,question_mark", "help", "help"),
        Binding("q", "leave", "quit"),
        Binding("escape", "step_back", "back to the list", show=False),
    ]

    def __init__(self, desk: Desk, look: Look, bell: bool = True) -> None:
        super().__init__()
        self.desk, self.look = desk, look
        self.bell_on = bell
        self.snapshot = desk.snapshot()
        self.choice = Choice()
        self.side: Side = "key"
        self.panel = "key"
        self.picked_key: str | None = None
        self._notice = ""  # stands in the place of the one thing to do, for a moment
        self._lines: dict[str, Content] = {}
        self._filled: dict[Widget, tuple[Finding | None]] = {}  # what a panel shows
        # The parts that are spoken to often.
        self.map = LayoutView(self.snapshot.board, look, id="layout")
        self.list = Findings(compact=True)
        self.zoom = ZoomView(look, id="picture")
        self.key_panel = KeyPanel(id="key")

    # --- parts ---

    def compose(self) -> ComposeResult:
        yield Static(id="head")
        yield Static(id="alert")
        yield Static(id="say")
        with Horizontal(id="body"):
            with Vertical(id="half"):
                yield Static(id="side")
                yield self.map
                yield Static(id="legend")
            with Vertical(id="right"):
                yield Static(id="found")
                yield self.list
                yield bars.PanelTabs()
                with Container(id="panels"):
                    yield self.zoom
                    yield self.key_panel
                    yield WhyPanel(id="why")
                    yield MendPanel(id="mend")
                    yield TestPanel(id="test")
        yield from self.compose_below()
        yield Static(id="status")
        yield bars.KeyLine(id="keys")

    def compose_below(self) -> Iterable[Widget]:
        """More parts, between the body and the line of status."""
        return ()

    def on_mount(self) -> None:
        self._show_legend()
        self._take(None, self.desk.snapshot())
        self.list.focus()
        self.desk.wake(self._woken)
        self._woken()  # whatever has happened meanwhile

    def _woken(self) -> None:
        """There is a new snapshot (any thread)."""
        self.post_message(messages.SnapshotFetched(self.desk.snapshot()))

    def on_snapshot_fetched(self, message: messages.SnapshotFetched) -> None:
        if not self.map.is_attached:  # the screen is being taken down
            return
        self._take(self.snapshot, message.snapshot)
        if self.desk.failure() is not None:
            self.app.exit()

    # --- snapshots ---

    def _take(self, old: Snapshot | None, new: Snapshot) -> None:
        self.snapshot = new
        if old is None or old.step != new.step:
            self._new_step()
        self.map.show_keys(new.keys)
        self._show_bars(old)
        if old is None or old.diagnosis is not new.diagnosis:
            self._new_diagnosis(first=old is None)
        same = old is not None and (old.notes, old.next_key, old.chord) == (
            new.notes, new.next_key, new.chord
        )  # fmt: skip
        if self.picked_key or not same:
            self.key_panel.show(new, self.picked_key, self.desk.journal)

    def _new_step(self) -> None:
        # With nothing found there is nothing to see on the solder side.
        nothing = self.snapshot.diagnosis is not None and not self.snapshot.diagnosis.findings
        step = "" if nothing and self.snapshot.step == "findings" else self.snapshot.step
        self.side = _SIDE.get(step, "key")
        self.panel = _PANEL.get(step, "key")
        self.picked_key = None
        self.map.show_cursor(None)
        self.key_panel.show(self.snapshot, None, self.desk.journal)
        self._show_side()
        self._show_panels()
        self._show_keys()

    def _show_bars(self, old: Snapshot | None) -> None:
        new, width = self.snapshot, self.size.width
        self._show_line("#head", bars.head(new, width, self.BADGE))
        self._show_line("#status", bars.status(new, self.desk.journal, self.bell_on, width))
        say = self._notice or self.say_words()
        self._show_line("#say", Content(say))
        self.query_one("#say").set_class(len(say) > width - 2, "-long")
        if old is None or (old.alert, old.step) != (new.alert, new.step):
            self._show_alert(old)
        if old is None or old.paused != new.paused:
            self._show_keys()

    def say_words(self) -> str:
        """What stands in the line of the one thing to do."""
        return self.snapshot.say

    def found_words(self) -> Content:
        """The heading of the findings."""
        return words.found(self.snapshot)

    def notice(self, words: str, seconds: float) -> None:
        """Say something there for a moment; "" takes it away."""
        self._notice = words
        self._show_bars(self.snapshot)
        if words:
            self.set_timer(seconds, lambda: self._end_notice(words))

    def _end_notice(self, words: str) -> None:
        if self._notice == words:
            self.notice("", 0.0)

    def _show_line(self, where: str, text: Content) -> None:
        """Change a line of text; nothing is painted if it is as it was."""
        if self._lines.get(where) != text:
            self._lines[where] = text
            self.query_one(where, Static).update(text, layout=False)

    def _show_alert(self, old: Snapshot | None) -> None:
        """Loud for what needs the hands at once; a probe unplugged for the iron is none of that."""
        banner, new = self.query_one("#alert", Static), self.snapshot
        unplugged = new.link.state != "up"
        banner.update(f"!! {new.alert}" if new.alert else "")
        banner.set_class(new.alert is not None and not unplugged, "-loud")
        banner.set_class(new.alert is not None and unplugged and new.step != "rework", "-quiet")
        if new.alert and not unplugged and (old is None or old.alert != new.alert):
            self.ring()

    def ring(self) -> None:
        """Draw the ears to the screen."""
        if self.bell_on:
            self.app.bell()

    # --- findings and places ---

    def _new_diagnosis(self, first: bool) -> None:
        before = self.choice.finding
        self.choice.renew(self.snapshot)
        self.list.show(self.choice.findings, self.choice.index)
        self._show_line("#found", self.found_words())
        if first or self.choice.finding != before:
            self._show_finding()
        if (before is None) != (self.choice.finding is None):
            self._show_panels()
            self._show_keys()

    def _show_finding(self) -> None:
        """Bring everything that depends on the chosen finding up to date."""
        self.zoom.show_leads(())
        self._fill_panels()
        self._show_places()

    def _fill_panels(self) -> None:
        """Tell the panels on show about the finding; the others when they are shown. While keys
        are pressed findings come and go, and nothing that nobody sees is to cost time."""
        finding = self.choice.finding
        for panel in (
            self.query_one(WhyPanel),
            self.query_one(MendPanel),
            self.query_one(TestPanel),
        ):
            if panel.has_class("-shown") and self._filled.get(panel) != (finding,):
                self._filled[panel] = (finding,)
                panel.show(finding)

    def _show_places(self) -> None:
        layout, suspect = self.choice.layout, self.choice.suspect
        if layout is None or suspect is None:
            self.zoom.clear()
            self.map.show_overlay(None)
            return
        if self.zoom.has_class("-shown"):
            self.zoom.show(layout, self.choice.suspects, self.choice.member, self.side)
        # While keys are to be pressed the map shows keys and nothing else.
        pressing = self.snapshot.step in SWEEPING and self.panel == "key" and not self.picked_key
        self.map.show_overlay(None if pressing else Overlay(layout, suspect))

    def on_finding_picked(self, message: messages.FindingPicked) -> None:
        if message.index < len(self.choice.findings):
            self.choice.choose(message.index)
            self._show_finding()
            if self.panel == "key":
                self.action_panel("picture")

    def on_member_picked(self, message: messages.MemberPicked) -> None:
        if message.index < len(self.choice.suspects) and message.index != self.choice.member:
            self.choice.member = message.index
            self._show_places()

    def on_test_looked_at(self, message: messages.TestLookedAt) -> None:
        if self.choice.layout is not None:
            circuit = self.snapshot.circuit
            self.zoom.show_leads(lead_points(self.choice.layout, circuit, message.test))

    def on_key_picked(self, message: messages.KeyPicked) -> None:
        self.picked_key = message.key
        self.map.show_cursor(message.key)
        if self.choice.choose_key(message.key):
            self.list.show(self.choice.findings, self.choice.index)
            self._show_finding()
        self.key_panel.show(self.snapshot, message.key, self.desk.journal)
        self.action_panel("key")

    # --- panels and sides ---

    def _show_panels(self) -> None:
        both = self.size.height >= _TALL and self.choice.finding is not None
        other = "why" if self.panel == "picture" else self.panel
        shown = {"picture", other} if both else {self.panel}
        for name in PANELS:
            self.query_one(f"#{name}").set_class(name in shown, "-shown")
        right = self.query_one("#right")
        right.set_class(self.panel in ("why", "mend", "test"), "-reading")
        right.set_class(self.panel == "key", "-pressing")
        self.call_after_refresh(self.list.scroll_to_highlight)
        hidden = frozenset({"picture"}) if both else frozenset()
        self.query_one(bars.PanelTabs).show(other if both else self.panel, hidden)
        self._fill_panels()
        self._show_places()

    def _show_side(self) -> None:
        self.query_one("#side", Static).update(words.side(self.side), layout=False)
        self.map.show_side(self.side)
        self._show_places()

    def _show_legend(self) -> None:
        self.query_one("#legend", Static).update(words.legend(self.look.signs, self.look.mode))

    def _show_keys(self) -> None:
        """The keys there is a use for at the moment: those of the work, then those of the view."""
        offered = []
        for binding in dict.fromkeys((*self.BINDINGS, *ViewScreen.BINDINGS)):
            assert isinstance(binding, Binding)
            name, _, arguments = binding.action.rstrip(")").partition("(")
            if binding.show and self.check_action(name, (arguments.strip("'"),)):
                key = binding.key_display or binding.key.partition(",")[0]
                offered.append((key, binding.description, binding.action))
        self.query_one(bars.KeyLine).show(offered)

    def on_resize(self, event: events.Resize) -> None:
        # A half with many columns takes from the panels what it needs, as far as they can spare it.
        self.query_one("#half").styles.min_width = min(
            easy_width(self.snapshot.board), self.size.width - _LEAST_PANEL
        )
        self._show_bars(self.snapshot)
        self._show_panels()

    # --- looking ---

    def action_panel(self, name: str) -> None:
        if name != "key":
            self.picked_key = None
            self.map.show_cursor(None)
        self.panel = name
        self._show_panels()

    def action_choose(self, name: str) -> None:
        """Show a panel and go to what there is to choose in it."""
        self.action_panel(name)
        choices = self.query_one(f"#{name} OptionList", OptionList)
        if choices.display:
            self.set_focus(choices)  # at once: the next key may follow on its heels
            if choices.highlighted is None:
                choices.action_first()
            # In a short panel the text before them fills it: bring the choices into view.
            self.call_after_refresh(self._bring_into_view, choices)

    def _bring_into_view(self, choices: OptionList) -> None:
        panel = choices.parent
        assert isinstance(panel, VerticalScroll)
        panel.scroll_to(y=choices.virtual_region.y - 1, animate=False)

    def action_flip(self) -> None:
        self.side = "key" if self.side == "solder" else "solder"
        self._show_side()

    def action_zoom(self) -> None:
        if self.toggle_class("-zoomed").has_class("-zoomed"):
            self.action_panel("picture")

    def action_colours(self) -> None:
        self.look.turn()
        self.app.theme = themes.NAMES[self.look.mode]
        self._show_legend()
        self.map.repaint()
        self.zoom.repaint()

    def action_help(self) -> None:
        from keydiag.screen.help import HelpScreen  # not needed for the first picture

        self.app.push_screen(HelpScreen(self.look, self.HELP))

    def action_leave(self) -> None:
        self.app.exit()

    def action_step_back(self) -> None:
        """Out of a list of choices, back to the panel of the step."""
        self.list.focus()
        self.action_panel(_PANEL.get(self.snapshot.step, "key"))
