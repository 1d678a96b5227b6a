"""The replay screen, driven by keys and mouse on a real journal."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from journals import SMALL, record
from test_app import seen
from textual.pilot import Pilot

from keydiag.journal import read
from keydiag.screen.app import KeydiagApp
from keydiag.screen.film import Film
from keydiag.screen.player import Player
from keydiag.screen.replay_desk import ReplayDesk
from keydiag.screen.replay_screen import ReplayScreen
from keydiag.screen.transport import PositionLine, TimeBar

SIZES = [(80, 24), (100, 30)]


@pytest.fixture(scope="module")
def journal(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("replay") / "two.jsonl"
    return record(path, SMALL, ["A1 diode reversed"], mend=True)


@pytest.fixture(params=SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def size(request):
    return request.param


@asynccontextmanager
async def opened(
    journal: Path, size: tuple[int, int] = (80, 24), note: str = ""
) -> AsyncIterator[tuple[KeydiagApp, ReplayScreen, Pilot[None]]]:
    """The replay of a journal, standing still at its start, with all findings worked out."""
    film = Film(read(journal))
    app = KeydiagApp()
    async with app.run_test(size=size) as pilot:
        desk = ReplayDesk(Player(film), "two.jsonl", note)
        screen = ReplayScreen(desk, app.look)
        await app.push_screen(screen)
        desk.open()
        for _ in range(2000):
            await pilot.pause(0.01)
            if film.thought == len(film.frames) and "play" in seen(app):
                break
        await pilot.pause(0.1)
        yield app, screen, pilot
    film.stop()
    assert film.failure is None


async def test_it_opens_on_the_bench_views_and_says_that_it_is_a_replay(journal, size):
    async with opened(journal, size) as (app, _, pilot):
        await pilot.press("end")
        await pilot.pause()
        shown = seen(app)
        assert " replay " in shown and "Two by three" in shown
        assert "It said: This half passes" in shown  # what was said then is no order now
        assert all(key in shown for key in ("A1", "A2", "A3", "B1", "B2", "B3"))
        assert "observation 19 of 19" in shown and "two.jsonl" in shown
        assert "quit" in shown.splitlines()[-1]


async def test_steps_forward_and_back_show_the_same(journal, size):
    async with opened(journal, size) as (app, screen, pilot):
        forth, back = [], []
        for _ in range(6):
            await pilot.press("right")
            await pilot.pause()
            forth.append((screen.snapshot, seen(app)))
        for _ in range(6):
            back.append((screen.snapshot, seen(app)))
            await pilot.press("left")
            await pilot.pause()
        assert back == forth[::-1]
        assert "observation 0 of 19" in seen(app)


async def test_changes_of_step_and_the_findings_then(journal):
    async with opened(journal) as (app, screen, pilot):
        for _ in range(3):
            await pilot.press("n")
        await pilot.pause()
        assert screen.snapshot.step == "findings" and "A1 diode reversed" in seen(app)
        assert "Solder side" in seen(app)
        await pilot.press("p")
        await pilot.pause()
        assert screen.snapshot.step == "sweep"
        await pilot.press("end")
        assert screen.snapshot.step == "signed-off"
        await pilot.press("home")
        assert screen.snapshot.step == "connect"


async def test_it_plays_and_pauses(journal):
    async with opened(journal) as (app, screen, pilot):
        await pilot.press("minus", "minus", "space")
        await pilot.pause()
        assert screen.player.playing and "pause" in seen(app) and "x1/4" in seen(app)
        await pilot.press("space")
        assert not screen.player.playing
        await pilot.press(*["plus"] * 9)
        assert screen.player.speed == float("inf")
        await pilot.press("minus")
        await pilot.pause()
        assert "x64" in seen(app)
        await pilot.press("space")
        for _ in range(1000):
            await pilot.pause(0.01)
            if screen.player.at_end:
                break
        await pilot.pause(0.1)
        assert screen.snapshot.step == "signed-off" and "|> play" in seen(app)


async def test_the_mouse_does_it_too(journal):
    async with opened(journal, (100, 30)) as (app, screen, pilot):
        line = str(screen.query_one(PositionLine).render())
        await pilot.click(PositionLine, offset=(line.index(">>"), 0))
        await pilot.pause()
        assert screen.snapshot.step == "rest"
        bar = screen.query_one(TimeBar)
        await pilot.click(TimeBar, offset=(bar.size.width // 2, 0))
        await pilot.pause()
        player = screen.player
        assert player.t_us == pytest.approx(player.length_us / 2, rel=0.05)
        await pilot.click(PositionLine, offset=(line.index("|<"), 0))
        await pilot.pause()
        assert player.at == 0
        await pilot.click(PositionLine, offset=(line.index("+"), 0))
        assert player.speed == 2.0


async def test_help_lists_its_keys(journal):
    async with opened(journal) as (app, _, pilot):
        await pilot.press("h")
        await pilot.pause()
        await pilot.press("pagedown")
        await pilot.pause(0.5)
        shown = seen(app)
        assert "to the next observation" in shown and "Home End" in shown


async def test_nothing_can_be_declared(journal):
    before = journal.read_bytes()
    async with opened(journal) as (app, screen, pilot):
        await pilot.press("n", "n", "n", "4", "tab", "tab")
        await pilot.pause()
        screen.query_one("#mend OptionList").focus()
        await pilot.press("down", "enter")
        await pilot.pause()
        assert "This is a replay" in seen(app)
    assert journal.read_bytes() == before


async def test_a_line_that_was_cut_short_is_told(journal):
    async with opened(journal, note="Line 99 was cut short.") as (app, screen, _):
        assert "Line 99 was cut short." in seen(app)


async def test_how_far_it_has_been_read_is_shown(journal):
    film = Film(read(journal))  # and nobody makes the rest of it
    app = KeydiagApp()
    async with app.run_test(size=(80, 24)) as pilot:
        await app.push_screen(ReplayScreen(ReplayDesk(Player(film), ""), app.look))
        await pilot.pause(0.2)
        assert "reading 0%" in seen(app)
