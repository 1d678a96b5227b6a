"""The panels beside the map: a key, why, mend, test; and the list of findings.

Here: the widgets, each showing what words.py says about the last snapshot. Not here: the picture
(zoom_view.py), and what happens when something is chosen (app.py).
"""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from keydiag.diagnosis.model import Finding, NextTest
from keydiag.screen import words
from keydiag.screen.chooser import Chooser
from keydiag.screen.messages import FindingPicked, ReworkDeclared, TestAnswered, TestLookedAt
from keydiag.session import Snapshot

PANELS = ("key", "picture", "why", "mend", "test")


class Findings(Chooser):
    """All findings, the most urgent first."""

    def show(self, findings: Sequence[Finding], current: int) -> None:
        prompts = [words.finding_line(finding) for finding in findings]
        with self.prevent(OptionList.OptionHighlighted):
            if [option.prompt for option in self.options] != prompts:
                self.clear_options()
                self.add_options([Option(prompt) for prompt in prompts])
            self.highlighted = current if findings else None

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        event.stop()
        self.post_message(FindingPicked(event.option_index))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.post_message(FindingPicked(event.option_index))


class KeyPanel(Vertical):
    """The key to press in large letters, a key that was asked about, and what happened last."""

    _shown: tuple[Snapshot, str | None, str] | None = None
    _shape: tuple[bool, bool, str | None] | None = None  # what the sizes of the parts depend on
    _large: str | None = None

    def compose(self) -> ComposeResult:
        yield Static(id="big")
        yield Static(id="about")
        yield Static(id="notes")

    def show(self, snapshot: Snapshot, picked: str | None, journal: str) -> None:
        """Show a key that was picked, or else the one to press."""
        self._shown = (snapshot, picked, journal)
        key, width = picked or snapshot.next_key, max(10, self.size.width - 2)
        big, about, notes = (self.query_one(each, Static) for each in ("#big", "#about", "#notes"))
        large = snapshot.next_key or "+".join(snapshot.chord) or None
        if snapshot.step == "signed-off":
            large = "pass"
        shape = (large is not None, key is not None, picked)
        if shape != self._shape:
            self._shape = shape
            big.display, about.display = large is not None, key is not None
            about.refresh(layout=True)
        # The parts keep their sizes from press to press, so nothing has to be laid out anew.
        if large != self._large:
            self._large = large
            big.update(words.big_key(large, width) if large else "", layout=False)
        if key is not None:
            about.update((words.key_info if picked else words.crossing)(snapshot, key),
                         layout=picked is not None)  # fmt: skip
        notes.update(words.notes(snapshot, journal), layout=False)

    def on_resize(self, event: events.Resize) -> None:
        if self._shown is not None:
            self._large = None
            self.show(*self._shown)


class WhyPanel(VerticalScroll):
    """Probability, evidence, explanation, members, other explanations."""

    def compose(self) -> ComposeResult:
        yield Static(id="why-text")

    def show(self, finding: Finding | None) -> None:
        text = words.why(finding) if finding else words.NO_FINDING
        self.query_one("#why-text", Static).update(text)
        self.scroll_home(animate=False)


class Choices(Chooser):
    """Something to choose from within a panel."""


class MendPanel(VerticalScroll):
    """Cautions, what to do, and declaring that it was done."""

    can_focus = False

    def compose(self) -> ComposeResult:
        yield Static(id="mend-text")
        yield Static("What have you reworked? Choose it:", id="mend-ask")
        yield Choices(compact=True)

    def show(self, finding: Finding | None) -> None:
        text = words.mend(finding) if finding else words.NO_FINDING
        self.query_one("#mend-text", Static).update(text)
        self._choices = words.rework_choices(finding) if finding else []
        choices = self.query_one(Choices)
        choices.clear_options()
        choices.add_options([Option(Content(shown)) for _, shown in self._choices])
        choices.display = self.query_one("#mend-ask").display = finding is not None
        self.scroll_home(animate=False)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.post_message(ReworkDeclared(self._choices[event.option_index][0]))


class TestPanel(VerticalScroll):
    """The next best tests; what the meter showed is chosen from the possible outcomes."""

    __test__ = False  # not a test case, whatever its name begins with
    can_focus = False

    def compose(self) -> ComposeResult:
        yield Static(id="test-text")
        yield Choices(compact=True)

    def show(self, finding: Finding | None) -> None:
        intro = words.tests_intro(finding) if finding else words.NO_FINDING
        self.query_one("#test-text", Static).update(intro)
        self._answers: dict[str, tuple[NextTest, str]] = {}
        options: list[Option] = []
        for test in finding.next_tests if finding else ():
            if test.kind != "meter" or finding is None:
                continue  # the probe sees presses by itself
            options.append(Option(words.test_line(test), disabled=True))
            for index, outcome in enumerate(test.outcomes):
                name = f"answer-{len(self._answers)}"
                self._answers[name] = (test, outcome.answer)
                options.append(Option(words.outcome_line(finding, test, index), id=name))
        choices = self.query_one(Choices)
        with choices.prevent(OptionList.OptionHighlighted):
            choices.clear_options()
            choices.add_options(options)
        choices.display = bool(options)
        self.scroll_home(animate=False)

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        event.stop()
        if event.option.id in self._answers:
            self.post_message(TestLookedAt(self._answers[event.option.id][0]))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        if event.option.id in self._answers:
            test, answer = self._answers[event.option.id]
            self.post_message(TestAnswered(test.code, answer))
