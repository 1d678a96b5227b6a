"""Whole screens as text, to be looked at: three pictures that must not change unnoticed.

`python -m pytest tests/screen/test_pictures.py` compares; `python tests/screen/test_pictures.py`
draws them anew, to be looked at before they are committed. The findings are made up, so that only
the screen can change them.
"""

from __future__ import annotations

import asyncio
import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from fake_desk import FakeDesk, snapshot, views

from keydiag.diagnosis.model import Diagnosis, Finding, Member
from keydiag.screen.app import BenchApp

HERE = Path(__file__).parent / "pictures"
FIVE = (
    ("open-joint", "diode-row joint", 0.3), ("open-joint", "switch-column joint", 0.3),
    ("open-joint", "switch-diode joint", 0.3), ("dead-switch", "switch", 0.06),
    ("open-diode", "diode", 0.04),
)  # fmt: skip


def finding(title: str, probability: float, *members: Member) -> Finding:
    return Finding(
        probability=probability, title=title, members=members, evidence=(), explanation="",
        repair="", cautions=(), what_else=(), next_tests=(), retest=(), expected_joints=1,
    )  # fmt: skip


def member(kind: str, place: str, probability: float, words: str) -> Member:
    return Member(
        kind=kind, at=(place,), probability=probability, words=words, repair="", cost=1
    )


OPEN = finding(
    "L23 open: 5 look-alikes",
    0.95,
    *(member(kind, f"L23 {part}", p, f"L23 {part} open") for kind, part, p in FIVE),
)
BREAK = finding(
    "row R5 broken between L54 and L53",
    0.98,
    member("broken-stretch", "row R5 between L54 and L53", 0.98, "row R5 broken"),
)


def diagnosis(*findings: Finding) -> Diagnosis:
    return Diagnosis(
        verdict="faults", findings=findings, cannot_judge=(), press_again=(), not_pressed=(),
        fickle=(),
    )  # fmt: skip


SILENT = views(L23="silent", L53="silent", L52="hidden", L51="hidden")
MIDDLE = tuple(
    replace(view, status="waiting" if index > 14 else "next" if index == 14 else view.status)
    for index, view in enumerate(views(L12="odd", L23="silent", L26="unsure", L27="good+held"))
)
SCENES = {
    "sweep-80x24": (
        (80, 24),
        snapshot(keys=MIDDLE, next_key="L31", say="Press L31.", done=14, diagnosis=None),
    ),
    "findings-80x24": (
        (80, 24),
        snapshot(step="findings", say="Unplug and mend.", keys=SILENT, next_key=None, done=41,
                 diagnosis=diagnosis(OPEN, BREAK)),
    ),
    "findings-100x30": (
        (100, 30),
        snapshot(step="findings", say="Unplug and mend.", keys=SILENT, next_key=None, done=41,
                 diagnosis=diagnosis(BREAK, OPEN)),
    ),
}  # fmt: skip


async def draw(scene: str) -> str:
    size, state = SCENES[scene]
    app = BenchApp(FakeDesk(state), mode="dark")
    async with app.run_test(size=size) as pilot:
        for _ in range(5):
            await pilot.pause()
        rows = app.screen._compositor.render_strips()
        lines = ["".join(segment.text for segment in row).rstrip() for row in rows]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("scene", SCENES)
async def test_the_screen_looks_as_it_did(scene):
    assert await draw(scene) == (HERE / f"{scene}.txt").read_text("utf-8")


if __name__ == "__main__":
    HERE.mkdir(exist_ok=True)
    for name in SCENES:
        picture = asyncio.run(draw(name))
        (HERE / f"{name}.txt").write_text(picture, "utf-8")
        print(picture)
