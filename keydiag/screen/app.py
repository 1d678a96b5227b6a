"""The bench screen: puts the parts together, and turns keys and clicks into commands.

Here: which part shows what of the last snapshot, what is chosen at the moment (finding, place,
panel, side), and the key bindings. Not here: any judgement about the half; drawing.
"""

from __future__ import annotations

import os
from typing import Any, ClassVar

from textual import events
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.reactive import var
from textual.widgets import Footer, OptionList, Static

from keydiag.diagnosis.model import Finding
from keydiag.pen import Side
from keydiag.places import Layout, lay_out
from keydiag.screen import bars, messages, palette, themes, words
from keydiag.screen.desk import Desk
from keydiag.screen.layout_view import LayoutView, Overlay
from keydiag.screen.panels import PANELS, Findings, KeyPanel, MendPanel, TestPanel, WhyPanel
from keydiag.screen.suspects import Suspect, lead_points, suspects
from keydiag.screen.zoom_view import Picture, ZoomView
from keydiag.session import Snapshot

# The panel and the side that go with a step, until the builder chooses otherwise.
_PANEL = {"findings": "picture", "rework": "picture"}
_SIDE: dict[str, Side] = {"findings": "solder", "rework": "solder"}
_SWEEPING = ("sweep", "retest")
_QUIT_AGAIN_S = 3.0  # how long a second q has time to come
_MODES: tuple[palette.Mode, ...] = ("dark", "light", "named")


class BenchApp(App[int]):
    """The screen of one session at the bench."""

    CSS_PATH = "bench.tcss"
    ENABLE_COMMAND_PALETTE = False
    HORIZONTAL_BREAKPOINTS: ClassVar[list[tuple[int, str]] | None] = [
        (0, "-narrow"), (98, "-medium"), (126, "-broad"),
    ]  # fmt: skip
    VERTICAL_BREAKPOINTS: ClassVar[list[tuple[int, str]] | None] = [(0, "-short"), (38, "-tall")]
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("b", "tell('back')", "back"),
        Binding("s", "tell('skip')", "skip"),
        Binding("a", "tell('again')", "again"),
        Binding("p", "pause", "pause"),
        Binding("e", "tell('finish')", "end"),
        Binding("r", "choose('mend')", "reworked"),
        Binding("m", "choose('test')", "meter"),
        Binding("t", "tell('retest')", "retest"),
        Binding("n", "tell('sweep')", "new sweep"),
        Binding("f", "flip", "flip"),
        Binding("z", "zoom", "zoom"),
        *(Binding(str(i), f"panel('{p}')", p, show=False) for i, p in enumerate(PANELS, start=1)),
        Binding("c", "colours", "colours", show=False),
        Binding("u", "bell", "bell", show=False),
        Binding("h,question_mark", "help", "help"),
        Binding("q", "leave", "quit"),
        Binding("ctrl+c", "interrupt", "interrupt", show=False, priority=True),
    ]

    snapshot: var[Snapshot | None] = var(None, init=False)

    def __init__(self, desk: Desk, bell: bool = True, mode: palette.Mode | None = None) -> None:
        # Without this Textual turns "no colour" into greys, and default colours into black.
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        self.desk = desk
        self.bell_on = bell
        self.colours: palette.Mode = mode or self._guess_mode()
        simple = os.environ.get("TERM") == "linux"
        self.signs = palette.SIMPLE_SIGNS if simple else palette.SIGNS
        for theme in themes.THEMES:
            self.register_theme(theme)
        self.theme = themes.NAMES[self.colours]
        self.side: Side = "key"
        self.panel = "key"
        self.picked_key: str | None = None
        self.chosen = 0  # finding
        self.member = 0
        self._suspects: tuple[Suspect, ...] = ()
        self._layout: Layout | None = None
        self._leaving = False
        self._lines: dict[str, Content] = {}

    def _guess_mode(self) -> palette.Mode:
        if self.no_color:
            return "plain"
        if self.console.color_system == "standard":
            return "named"
        # "15;0" = light on dark; terminals that set it tell the ground last.
        ground = os.environ.get("COLORFGBG", "").rpartition(";")[2]
        return "light" if ground in ("7", "15") else "dark"

    # --- parts ---

    def compose(self) -> ComposeResult:
        board = self.desk.snapshot().board
        yield Static(id="head")
        yield Static(id="alert")
        yield Static(id="say")
        with Horizontal(id="body"):
            with Vertical(id="half"):
                yield Static(id="side")
                yield LayoutView(board, id="layout")
                yield Static(id="legend")
            with Vertical(id="right"):
                yield Static(id="found")
                yield Findings(compact=True)
                yield bars.PanelTabs()
                with Container(id="panels"):
                    yield ZoomView(id="picture")
                    yield KeyPanel(id="key")
                    yield WhyPanel(id="why")
                    yield MendPanel(id="mend")
                    yield TestPanel(id="test")
        yield Static(id="status")
        yield Footer(compact=True, show_command_palette=False)

    def on_mount(self) -> None:
        self.desk.wake(self._woken)
        self.query_one("#legend", Static).update(words.legend(self.signs, self.colours))
        self._take(self.desk.snapshot())
        self.query_one(Findings).focus()

    def _woken(self) -> None:
        """There is a new snapshot (any thread)."""
        self.post_message(messages.SnapshotFetched(self.desk.snapshot()))

    def on_snapshot_fetched(self, message: messages.SnapshotFetched) -> None:
        self._take(message.snapshot)

    # --- snapshots ---

    def _take(self, new: Snapshot) -> None:
        old, self.snapshot = self.snapshot, new
        if old is None or old.step != new.step:
            self._new_step(new)
        self.query_one(LayoutView).show_keys(new.keys)
        self._show_bars(old, new)
        if old is None or old.diagnosis is not new.diagnosis:
            self._new_diagnosis(old, new)
        changed = old is None or old.notes != new.notes or old.next_key != new.next_key
        if changed or self.picked_key is not None or old.step != new.step:
            self.query_one(KeyPanel).show(new, self.picked_key)
        failure = self.desk.failure()
        if failure is not None:
            self.exit(return_code=failure.exit_status)

    def _new_step(self, new: Snapshot) -> None:
        self.side = _SIDE.get(new.step, "key")
        self.panel = _PANEL.get(new.step, "key")
        self.picked_key = None
        self._show_side()
        self._show_panels()
        self.refresh_bindings()

    def _show_bars(self, old: Snapshot | None, new: Snapshot) -> None:
        width = self.size.width
        self._show_line("#head", bars.head(new, width))
        self._show_line("#say", Content(new.say))
        self.query_one("#say").set_class(len(new.say) > width - 2, "-long")
        self._show_line("#status", bars.status(new, self.desk.journal, self.bell_on, width))
        if old is None or old.alert != new.alert or old.step != new.step:
            self._show_alert(old, new)
        if old is None or old.paused != new.paused:
            self.refresh_bindings()

    def _show_line(self, where: str, text: Content) -> None:
        """Change a line of text; nothing is painted if it is as it was."""
        if self._lines.get(where) != text:
            self._lines[where] = text
            self.query_one(where, Static).update(text, layout=False)

    def _show_alert(self, old: Snapshot | None, new: Snapshot) -> None:
        """Loud for what needs the hands at once; a probe unplugged for the iron is none of that."""
        banner = self.query_one("#alert", Static)
        unplugged = new.link.state != "up"
        banner.update(f"!! {new.alert}" if new.alert else "")
        banner.set_class(new.alert is not None and not unplugged, "-loud")
        banner.set_class(new.alert is not None and unplugged and new.step != "rework", "-quiet")
        if new.alert and not unplugged and self.bell_on and (old is None or old.alert != new.alert):
            self.bell()

    # --- findings ---

    @property
    def findings(self) -> tuple[Finding, ...]:
        diagnosis = self.snapshot.diagnosis if self.snapshot else None
        return diagnosis.findings if diagnosis else ()

    @property
    def finding(self) -> Finding | None:
        return self.findings[self.chosen] if self.chosen < len(self.findings) else None

    def _new_diagnosis(self, old: Snapshot | None, new: Snapshot) -> None:
        """Keep to the same finding if it is still there, else to the first."""
        before = old.diagnosis.findings if old and old.diagnosis else ()
        title = before[self.chosen].title if self.chosen < len(before) else ""
        titles = [finding.title for finding in self.findings]
        self.chosen = titles.index(title) if title in titles else 0
        self.query_one(Findings).show(self.findings, self.chosen)
        self.query_one("#found", Static).update(words.found(new))
        self.member = 0
        self._show_finding()
        self.refresh_bindings()

    def _show_finding(self) -> None:
        """Bring everything that depends on the chosen finding up to date."""
        finding, snapshot = self.finding, self.snapshot
        assert snapshot is not None
        self._suspects = ()
        if finding is not None:
            if self._layout is None:
                self._layout = lay_out(snapshot.board)
            self._suspects = suspects(self._layout, snapshot.circuit, finding)
        self.query_one(WhyPanel).show(finding)
        self.query_one(MendPanel).show(finding)
        self.query_one(TestPanel).show(finding)
        self.query_one(Picture).show_leads(())
        self._show_places()

    def _show_places(self) -> None:
        zoom, view = self.query_one(ZoomView), self.query_one(LayoutView)
        if not self._suspects or self._layout is None:
            zoom.clear()
            view.show_overlay(None)
            return
        zoom.show(self._layout, self._suspects, self.member, self.side)
        # While keys are to be pressed the map shows keys and nothing else.
        assert self.snapshot is not None
        pressing = self.panel == "key" and self.snapshot.step in _SWEEPING and not self.picked_key
        suspect = self._suspects[self.member]
        view.show_overlay(None if pressing else Overlay(self._layout, suspect))

    def on_finding_picked(self, message: messages.FindingPicked) -> None:
        if message.index < len(self.findings):
            self.chosen, self.member = message.index, 0
            if self.panel == "key":
                self.action_panel("picture")
            self._show_finding()

    def on_member_picked(self, message: messages.MemberPicked) -> None:
        if message.index < len(self._suspects) and message.index != self.member:
            self.member = message.index
            self._show_places()

    def on_test_looked_at(self, message: messages.TestLookedAt) -> None:
        if self._layout is not None and self.snapshot is not None:
            points = lead_points(self._layout, self.snapshot.circuit, message.test)
            self.query_one(Picture).show_leads(points)

    def on_key_picked(self, message: messages.KeyPicked) -> None:
        assert self.snapshot is not None
        self.picked_key = message.key
        self.query_one(LayoutView).show_cursor(message.key)
        concerned = [i for i, f in enumerate(self.findings) if words.concerns(f, message.key)]
        if concerned and self.chosen not in concerned:
            self.chosen, self.member = concerned[0], 0
            self.query_one(Findings).show(self.findings, self.chosen)
            self._show_finding()
        self.query_one(KeyPanel).show(self.snapshot, message.key)
        self.action_panel("key")

    # --- panels and sides ---

    @property
    def _is_tall(self) -> bool:
        """Room for the picture and another panel at once."""
        return self.size.height >= 38

    def _show_panels(self) -> None:
        both = self._is_tall and bool(self.findings)
        other = "why" if self.panel == "picture" else self.panel
        shown = {"picture", other} if both else {self.panel}
        for name in PANELS:
            self.query_one(f"#{name}").set_class(name in shown, "-shown")
        right = self.query_one("#right")
        right.set_class(self.panel in ("why", "mend", "test"), "-reading")
        right.set_class(self.panel == "key", "-pressing")
        self.call_after_refresh(self.query_one(Findings).scroll_to_highlight)
        hidden = frozenset({"picture"}) if both else frozenset()
        self.query_one(bars.PanelTabs).show(other if both else self.panel, hidden)

    def _show_side(self) -> None:
        self.query_one("#side", Static).update(words.side(self.side))
        self.query_one(LayoutView).show_side(self.side)
        self._show_places()

    def on_resize(self, event: events.Resize) -> None:
        if self.snapshot is not None:
            self._show_bars(self.snapshot, self.snapshot)
            self._show_panels()

    # --- what the builder does ---

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        snapshot = self.snapshot
        step = snapshot.step if snapshot else "connect"
        if action == "pause":
            return step not in ("findings", "rework", "signed-off")
        if action == "choose":
            return bool(self.findings) and step not in _SWEEPING
        if action == "tell":
            match parameters[0]:
                case "retest":
                    return step in ("findings", "rework")
                case "sweep":
                    return step in ("findings", "rework", "signed-off")
                case _:
                    return step in _SWEEPING and not (snapshot and snapshot.paused)
        return True

    def action_tell(self, name: str) -> None:
        self.desk.command(name)

    def action_pause(self) -> None:
        self.desk.command("resume" if self.snapshot and self.snapshot.paused else "pause")

    def action_panel(self, name: str) -> None:
        if name != "key":
            self.picked_key = None
            self.query_one(LayoutView).show_cursor(None)
        self.panel = name
        self._show_panels()
        self._show_places()

    def action_choose(self, name: str) -> None:
        """Show a panel and go to what there is to choose in it."""
        self.action_panel(name)
        choices = self.query_one(f"#{name} OptionList", OptionList)
        if choices.display:
            choices.focus()
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
        zoomed = self.screen.toggle_class("-zoomed").has_class("-zoomed")
        if zoomed:
            self.action_panel("picture")

    def action_colours(self) -> None:
        if self.colours == "plain":
            return
        self.colours = _MODES[(_MODES.index(self.colours) + 1) % len(_MODES)]
        self.theme = themes.NAMES[self.colours]
        self.query_one("#legend", Static).update(words.legend(self.signs, self.colours))
        self.query_one(LayoutView).repaint()
        self.query_one(ZoomView).repaint()

    def action_bell(self) -> None:
        self.bell_on = not self.bell_on
        if self.snapshot is not None:
            self._show_bars(self.snapshot, self.snapshot)

    def action_help(self) -> None:
        from keydiag.screen.help import HelpScreen

        self.push_screen(HelpScreen(self.colours, self.signs))

    def action_leave(self) -> None:
        """Twice within a few seconds, so that a slip does not end the session."""
        if self._leaving:
            self.exit(0)
            return
        self._leaving = True
        self._show_line("#say", Content(words.LEAVE))
        self.set_timer(_QUIT_AGAIN_S, self._stay)

    def _stay(self) -> None:
        self._leaving = False
        if self.snapshot is not None:
            self._show_bars(self.snapshot, self.snapshot)

    def action_interrupt(self) -> None:
        self.exit(return_code=130)

    def on_rework_declared(self, message: messages.ReworkDeclared) -> None:
        self.desk.repaired(message.did)

    def on_test_answered(self, message: messages.TestAnswered) -> None:
        self.desk.answer(message.code, message.value)


def run(desk: Desk, **options: Any) -> int:
    """Show the screen until the builder leaves; the return code of the app."""
    app = BenchApp(desk, **options)
    app.run()
    return app.return_code or 0
