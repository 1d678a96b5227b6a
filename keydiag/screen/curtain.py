"""What stands on the screen while everything behind it is still being made ready.

Here: `Curtain`, painted before the rest of keydiag is even imported, because importing takes longer
than painting; and `Opening`, the making ready in a thread beside it. Keep the imports of this file
few: each costs time before the first picture.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Static

if TYPE_CHECKING:
    from keydiag.screen.desk import Desk
    from keydiag.screen.look import Look
    from keydiag.screen.view_screen import ViewScreen

    MakeScreen = Callable[[Look, bool], ViewScreen]

Say = Callable[[str], None]  # takes what is being done at the moment


class Opening:
    """Makes ready in a thread. prepare: gets a function to tell what it is at, returns the desk
    and what makes its screen; its imports belong inside it."""

    def __init__(self, prepare: Callable[[Say], tuple[Desk, MakeScreen]]) -> None:
        self._prepare = prepare
        self._thread = threading.Thread(target=self._work, name="opening", daemon=True)
        self.desk: Desk | None = None
        self.make_screen: MakeScreen | None = None
        self.failure: BaseException | None = None
        self._post: Callable[[Message], object] = lambda _: None

    def start(self, post: Callable[[Message], object]) -> None:
        """Begin; tell the app of it in messages."""
        self._post = post
        self._thread.start()

    def join(self) -> None:
        """Wait until nothing is being made any more."""
        self._post = lambda _: None
        if self._thread.ident is not None:
            self._thread.join()

    def _say(self, what: str) -> None:
        self._post(At(what))

    def _work(self) -> None:
        try:
            self.desk, self.make_screen = self._prepare(self._say)
        except BaseException as error:
            self.failure = error
        self._post(Opened())


class At(Message):
    """What is being made ready."""

    def __init__(self, what: str) -> None:
        super().__init__()
        self.what = what


class Opened(Message):
    """All is ready, or will not be."""


class Curtain(Screen[None]):
    """The head line and the line of what to do, where the bench screen has them."""

    def __init__(self, title: str) -> None:
        super().__init__()
        self.title_words = title

    def compose(self) -> ComposeResult:
        yield Static(f" {self.title_words}", id="head", markup=False)
        yield Static("Getting ready.", id="say", markup=False)
        yield Static(id="rest")
        yield Static(" Control-C leaves", id="foot", markup=False)

    def say(self, what: str) -> None:
        self.query_one("#say", Static).update(what)
