"""The first picture comes before anything is imported or opened; what is opened then shows."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

from fake_desk import FakeDesk, snapshot
from test_app import seen

from keydiag.errors import PortMissing
from keydiag.screen.app import KeydiagApp
from keydiag.screen.bench_screen import BenchScreen
from keydiag.screen.curtain import Opening

ROOT = Path(__file__).parents[2]


def test_the_first_picture_needs_nothing_of_the_session():
    """Each of these takes longer to import than the picture takes to paint."""
    heavy = ["numpy", "pydantic", "keydiag.session", "keydiag.board", "keydiag.screen.view_screen"]
    code = (
        "import sys; import keydiag.cli, keydiag.screen.app, keydiag.screen.curtain;"
        "from textual.widgets import Static;"
        f"print([each for each in {heavy} if each in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout == "[]\n", done.stderr


async def test_the_curtain_tells_what_it_waits_for_and_gives_way():
    go_on = threading.Event()

    def prepare(say):
        say("Looking for the probe.")
        assert go_on.wait(20)
        return FakeDesk(snapshot()), lambda look, bell: BenchScreen(desk, look, bell)

    desk = FakeDesk(snapshot())
    opening = Opening(prepare)
    app = KeydiagApp(opening, "half.toml")
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(500):
            await pilot.pause(0.01)
            if "Looking for the probe." in seen(app):
                break
        assert "half.toml" in seen(app) and "Looking for the probe." in seen(app)
        go_on.set()
        for _ in range(500):
            await pilot.pause(0.01)
            if "help" in seen(app):
                break
        assert "Press L11." in seen(app)
        await pilot.pause()
        assert opening.desk.said == [("open",)]  # to work when the screen stands
    opening.join()


async def test_what_cannot_be_opened_ends_it():
    def prepare(say):
        raise PortMissing("no port")

    opening = Opening(prepare)
    app = KeydiagApp(opening)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(500):
            await pilot.pause(0.01)
            if app._exit:
                break
    opening.join()
    assert isinstance(opening.failure, PortMissing)


async def test_one_can_leave_while_waiting():
    go_on = threading.Event()

    def prepare(say):
        assert go_on.wait(20)
        return FakeDesk(snapshot()), lambda look, bell: None

    opening = Opening(prepare)
    app = KeydiagApp(opening)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.1)
        await pilot.press("ctrl+c")
    assert app.return_code == 130
    go_on.set()
    opening.join()
    assert opening.desk is not None  # whoever started it can still close it
