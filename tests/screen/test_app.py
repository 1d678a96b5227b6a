"""The bench screen, driven by a made-up session: what it shows, and what it asks for."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from fake_desk import BOARD, LINK, THREE, FakeDesk, diagnosis, only, snapshot, views
from textual.pilot import Pilot
from textual.widgets import OptionList, Static

from keydiag.screen.app import BenchApp
from keydiag.screen.desk import Busy
from keydiag.screen.layout_view import LayoutView
from keydiag.screen.panels import Findings
from keydiag.screen.zoom_view import Picture

SIZES = [(80, 24), (140, 45)]


def found(*parts: str, **changes: object):
    """The findings step, with those of three findings whose titles contain these words."""
    plain = snapshot(
        step="findings", say="Unplug and mend.", next_key=None, done=41, keys=views(),
        diagnosis=only(*parts) if parts else diagnosis(*THREE),
    )  # fmt: skip
    return replace(plain, **changes)


@asynccontextmanager
async def opened(app: BenchApp, size: tuple[int, int]) -> AsyncIterator[Pilot[None]]:
    """Run the app, and wait until all of the screen is there: the line of keys comes last."""
    async with app.run_test(size=size) as pilot:
        for _ in range(200):
            await pilot.pause()
            if "help" in seen(app) or size[0] < 80:
                break
        yield pilot


def seen(app: BenchApp) -> str:
    """Everything on the screen, as text."""
    return "\n".join(
        "".join(segment.text for segment in strip)
        for strip in app.screen._compositor.render_strips()
    )


def chosen(app: BenchApp) -> str | None:
    """The title of the chosen finding."""
    finding = app.bench.choice.finding
    return finding.title if finding else None


def text(app: BenchApp, where: str) -> str:
    return str(app.screen.query_one(where, Static).render())


@pytest.fixture(params=SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def size(request):
    return request.param


async def test_the_sweep_says_what_to_press_and_shows_every_key(size):
    app = BenchApp(FakeDesk(snapshot()))
    async with opened(app, size):
        shown = seen(app)
        assert "Press L11." in shown and "0/41" in shown
        assert all(key in shown for key in BOARD.key)
        assert "/dev/ttyACM0" in shown and "quit" in shown


async def test_a_press_reaches_the_map():
    desk = FakeDesk(snapshot())
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        assert seen(app).count("●") == 2  # legend, link
        desk.show(snapshot(keys=views(L11="next+held")))
        await pilot.pause()
        assert seen(app).count("●") == 3
        desk.show(snapshot(keys=views(L11="good", L12="next"), next_key="L12", say="Press L12."))
        await pilot.pause()
        assert seen(app).count("●") == 2 and "Press L12." in seen(app)


async def test_only_what_changed_on_the_map_is_painted_anew(monkeypatch):
    desk = FakeDesk(snapshot(keys=views()))
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        painted = []
        view = app.query_one(LayoutView)
        monkeypatch.setattr(view, "refresh", lambda *regions, **_: painted.extend(regions))
        desk.show(snapshot(keys=views(L34="good+held")))
        await pilot.pause()
        (region,) = painted
        assert region.area <= 14


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (140, 45)])
async def test_findings_are_ranked_and_the_first_is_shown(size):
    app = BenchApp(FakeDesk(found()))
    async with opened(app, size):
        shown = seen(app)
        assert "3 findings" in shown and "L45 diode reversed" in shown
        assert "Solder side" in shown and "(1)" in shown
        assert "R5" in shown  # the wire of the finding, named on the map


async def test_choosing_a_finding_moves_picture_and_map():
    app = BenchApp(FakeDesk(found()))
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("down", "down")
        await pilot.pause()
        assert chosen(app) == "L23 open: 5 look-alikes"
        shown = seen(app)
        assert "[L23" in shown and "C3 PF6" in shown
        assert all(f"({number})" in shown for number in range(1, 6))


async def test_a_click_on_a_finding_chooses_it():
    app = BenchApp(FakeDesk(found()))
    async with opened(app, (80, 24)) as pilot:
        await pilot.click(Findings, offset=(6, 1))
        await pilot.pause()
        assert chosen(app) == "L45 diode reversed"


async def test_a_click_on_a_key_tells_about_it_and_its_finding():
    app = BenchApp(FakeDesk(found(keys=views(L45="odd"))))
    async with opened(app, (80, 24)) as pilot:
        tile = app.query_one(LayoutView)._plan.tile_of["L45"]
        await pilot.click(LayoutView, offset=(tile.left + 2, tile.label_rows[0]))
        await pilot.pause()
        about = text(app, "#about")
        assert "row R4 (PC6), column C5 (PB4)" in about
        assert "odd: answers, but not as wired" in about and "L45 diode reversed" in about
        assert chosen(app) == "L45 diode reversed"


async def test_arrow_keys_walk_over_the_map_as_it_is_seen():
    app = BenchApp(FakeDesk(snapshot()))
    async with opened(app, (80, 24)) as pilot:
        app.query_one(LayoutView).focus()
        await pilot.press("right", "right", "down")
        await pilot.pause()
        assert app.bench.picked_key == "L22"
        await pilot.press("f", "left")
        await pilot.pause()
        assert app.bench.picked_key == "L23"


async def test_a_click_on_a_number_chooses_that_place():
    app = BenchApp(FakeDesk(found("L23")))
    async with opened(app, (80, 24)) as pilot:
        x, y = app.query_one(Picture)._zoom.numbers[1]
        await pilot.click(Picture, offset=(x, y))
        await pilot.pause()
        assert app.bench.choice.member == 1
        assert "(2) L23 switch-column joint open" in seen(app)


@pytest.mark.parametrize(("key", "command"), [
    ("b", "back"), ("s", "skip"), ("a", "again"), ("e", "finish"), ("p", "pause"),
])  # fmt: skip
async def test_keys_of_the_sweep(key, command):
    desk = FakeDesk(snapshot())
    async with opened(BenchApp(desk), (80, 24)) as pilot:
        await pilot.press(key)
        assert desk.said == [(command,)]


async def test_while_paused_only_going_on_is_offered():
    desk = FakeDesk(snapshot(paused=True, say="Paused."))
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        assert "paused" in seen(app)
        await pilot.press("s", "b", "p")
        assert desk.said == [("resume",)]


async def test_keys_of_the_findings():
    desk = FakeDesk(found())
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("e", "s", "t")  # the sweep is over: e and s are not for now
        assert desk.said == [("retest",)]
        await pilot.press("n")
        await pilot.pause()
        assert "Press n once more" in seen(app) and len(desk.said) == 1
        await pilot.press("n")
        assert desk.said == [("retest",), ("sweep",)]


async def test_escape_leaves_a_list_of_choices():
    app = BenchApp(FakeDesk(found("L23")))
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("r")
        assert app.focused is not app.bench.list
        await pilot.press("escape")
        assert app.focused is app.bench.list and app.bench.panel == "picture"


async def test_the_bare_console_gets_only_glyphs_it_has(monkeypatch):
    """Those of code page 437, which its usual fonts cover."""
    monkeypatch.setenv("TERM", "linux")
    app = BenchApp(FakeDesk(found("L23")))
    async with opened(app, (100, 30)):
        for widget in (app.bench.map, app.query_one(Picture)):
            for strip in widget.render_lines(widget.size.region):
                assert all(segment.text.encode("cp437") for segment in strip)


async def test_a_rework_is_declared_under_its_cautions():
    desk = FakeDesk(found("L23"))
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("4")
        await pilot.pause()
        assert "Unplug the cable" in seen(app)
        await pilot.press("r", "down", "enter")
        await pilot.pause()
        assert desk.said == [("repaired", "L23 diode-row joint open")]


async def test_the_meter_is_answered_in_place():
    desk = FakeDesk(found("L23"))
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("m")
        await pilot.pause()
        assert "Red lead on L23's switch leg" in " ".join(seen(app).split())
        await pilot.press("enter")
        await pilot.pause()
        assert desk.said == [("answer", "L23.1 to row-R2@L23", "open (OL)")]


async def test_the_picture_shows_where_the_meters_leads_go():
    app = BenchApp(FakeDesk(found("L23")))
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("m", "2")
        await pilot.pause()
        assert "<+>" in seen(app) and "<−>" in seen(app)


async def test_a_short_raises_the_alarm_once_and_rings(monkeypatch):
    rung = []
    monkeypatch.setattr(BenchApp, "bell", lambda self: rung.append(1))
    desk = FakeDesk(snapshot())
    app = BenchApp(desk)
    alert = "Unplug now! row R3 (PD4) stays high when pulled low: a short to the supply?"
    async with opened(app, (80, 24)) as pilot:
        assert not app.query_one("#alert").display
        desk.show(found("R5", alert=alert))
        await pilot.pause()
        assert "!! Unplug now!" in seen(app) and rung == [1]
        desk.show(found("R5", alert=alert, done=1))
        await pilot.pause()
        assert rung == [1]


async def test_a_key_that_gives_no_sign_rings_and_stands_before_what_is_next(monkeypatch):
    rung = []
    monkeypatch.setattr(BenchApp, "bell", lambda self: rung.append(1))
    desk = FakeDesk(snapshot())
    app = BenchApp(desk)
    first, second, *rest = snapshot().keys
    dead = (replace(first, status="silent"), replace(second, status="good"), *rest)
    async with opened(app, (80, 24)) as pilot:
        desk.show(snapshot(keys=dead, say=f"Press {rest[0].name}."))
        await pilot.pause()
        assert f"✗ {first.name}!  Press {rest[0].name}." in seen(app) and rung == [1]
        desk.show(snapshot(keys=dead, done=2))
        await pilot.pause()
        assert rung == [1]


async def test_a_chord_has_no_crossing_of_the_key_before_it_beside_it():
    desk = FakeDesk(snapshot())
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        assert "row R1 (PD1), column C1 (PF4)" in seen(app)
        desk.show(snapshot(step="chords", next_key=None, chord=("L11", "L12")))
        await pilot.pause()
        assert "L11+L12" in seen(app) and "row R1 (PD1)" not in seen(app)


async def test_the_bell_can_be_switched_off(monkeypatch):
    rung = []
    monkeypatch.setattr(BenchApp, "bell", lambda self: rung.append(1))
    desk = FakeDesk(snapshot())
    app = BenchApp(desk)
    async with opened(app, (100, 30)) as pilot:
        await pilot.press("u")
        assert "bell off" in seen(app)
        desk.show(snapshot(alert="Unplug now!"))
        await pilot.pause()
        assert "Unplug now!" in seen(app) and rung == []


async def test_unplugging_for_the_iron_is_no_alarm(monkeypatch):
    rung = []
    monkeypatch.setattr(BenchApp, "bell", lambda self: rung.append(1))
    gone = replace(LINK, state="down")
    desk = FakeDesk(found(step="rework", link=gone, alert="The probe is gone: unplugged."))
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        assert "The probe is gone" not in seen(app) and "probe gone" in seen(app)
        desk.show(snapshot(link=gone, alert="The probe is gone: unplugged."))
        await pilot.pause()
        assert "The probe is gone" in seen(app) and rung == []


async def test_damaged_and_lost_lines_are_told():
    app = BenchApp(FakeDesk(snapshot(link=replace(LINK, corrupt=3, lost=17))))
    async with opened(app, (80, 24)):
        assert "damaged 3, lost 17" in seen(app)


async def test_the_side_follows_the_step_and_the_hand():
    desk = FakeDesk(snapshot())
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        assert app.bench.side == "key"
        desk.show(found())
        await pilot.pause()
        assert app.bench.side == "solder"
        await pilot.press("f")
        assert app.bench.side == "key" and "Key side" in seen(app)
        desk.show(found(done=40))  # news of the same step change nothing
        await pilot.pause()
        assert app.bench.side == "key"


async def test_a_chosen_finding_stays_chosen_when_others_come_and_go():
    desk = FakeDesk(found())
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("down")
        assert chosen(app) == "L45 diode reversed"
        desk.show(found("L23", "L45"))
        await pilot.pause()
        assert chosen(app) == "L45 diode reversed"
        desk.show(found("L23"))
        await pilot.pause()
        assert chosen(app) == "L23 open: 5 look-alikes"


async def test_the_picture_takes_the_whole_screen_and_gives_it_back():
    app = BenchApp(FakeDesk(found()))
    async with opened(app, (80, 24)) as pilot:
        small = app.query_one(Picture).size
        await pilot.press("z")
        await pilot.pause()
        assert app.query_one(Picture).size.width > 1.8 * small.width
        await pilot.press("z")
        await pilot.pause()
        assert app.query_one(Picture).size == small


async def test_help_explains_every_sign_and_closes():
    app = BenchApp(FakeDesk(snapshot()))
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("h")
        await pilot.pause()
        assert "Signs on the map" in seen(app)
        await pilot.press("escape")
        await pilot.pause()
        assert "Press L11." in seen(app)


async def test_leaving_takes_two():
    app = BenchApp(FakeDesk(snapshot()))
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("q")
        await pilot.pause()
        assert app.is_running and "Press q once more" in seen(app)
        await pilot.press("q")
    assert app.return_code in (0, None)


async def test_an_interrupt_leaves_at_once_and_says_so():
    app = BenchApp(FakeDesk(snapshot()))
    async with opened(app, (80, 24)) as pilot:
        await pilot.press("ctrl+c")
    assert app.return_code == 130


async def test_colours_go_round_and_without_colour_there_are_none(monkeypatch):
    app = BenchApp(FakeDesk(found()), mode="dark")
    async with opened(app, (80, 24)) as pilot:
        seen_modes = []
        for _ in range(3):
            await pilot.press("c")
            await pilot.pause()
            seen_modes.append(app.look.mode)
        assert seen_modes == ["light", "named", "dark"]


async def test_without_colour_nothing_on_the_screen_has_one(monkeypatch, size):
    monkeypatch.setenv("NO_COLOR", "1")
    app = BenchApp(FakeDesk(found()))
    async with opened(app, size):
        assert app.look.mode == "plain"
        for widget in (LayoutView, Picture):
            for strip in app.query_one(widget).render_lines(app.query_one(widget).size.region):
                for segment in strip:
                    assert segment.style is not None
                    assert segment.style.color is None or segment.style.color.is_default
        assert "▌" in seen(app)  # the cursor of the list


async def test_a_passed_half_says_so_large():
    state = snapshot(step="signed-off", say="This half passes.", next_key=None, done=41,
                     keys=views(), diagnosis=only())  # fmt: skip
    app = BenchApp(FakeDesk(state))
    async with opened(app, (80, 24)):
        shown = seen(app)
        assert "This half passes." in shown and "██" in shown and "No findings" in shown


async def test_without_a_finding_every_panel_says_so():
    app = BenchApp(FakeDesk(snapshot()))
    async with opened(app, (80, 24)) as pilot:
        for key in "12345":
            await pilot.press(key)
            await pilot.pause()
        assert "No finding is chosen." in seen(app)
        assert app.query_one("#test OptionList", OptionList).option_count == 0


@pytest.mark.parametrize("tiny", [(20, 6), (40, 12)])
async def test_a_window_too_small_does_not_break_it(tiny):
    app = BenchApp(FakeDesk(found()))
    async with opened(app, tiny) as pilot:
        await pilot.resize_terminal(100, 30)
        await pilot.pause()
        assert "3 findings" in seen(app)


async def test_long_work_is_told_and_short_work_is_not():
    desk = FakeDesk(found("L23"))
    app = BenchApp(desk)
    async with opened(app, (80, 24)) as pilot:
        desk.work = Busy(thinking=0.4, stuck=0.4)
        app.bench._look_at_work()
        await pilot.pause()
        assert "work" not in text(app, "#found") and "Unplug and mend." in seen(app)
        desk.work = Busy(thinking=3.2, stuck=2.1)
        app.bench._look_at_work()
        await pilot.pause()
        assert "1 finding: working, 3 s" in seen(app)
        assert "One moment: working out what the presses show, 2 s." in seen(app)
        desk.work = Busy()
        app.bench._look_at_work()
        await pilot.pause()
        assert "Unplug and mend." in seen(app) and "working" not in seen(app)
