"""Rise times of the lines, on halves of five and thirteen lines."""

from __future__ import annotations

from pathlib import Path

import pytest

from keydiag import board
from keydiag.circuit import Circuit
from keydiag.contacts.rises import judge_rises

CIRCUIT = Circuit(board.load(Path(__file__).parents[1] / "board" / "two-by-three.toml"))


def told(*ns: int) -> list[tuple[str, tuple[str, ...]]]:
    return [(notice.kind, notice.places) for notice in judge_rises(CIRCUIT, ns).notices]


def test_lines_alike_say_nothing():
    found = judge_rises(CIRCUIT, (2000, 2500, 3000, 2500, 2000))
    assert found.told and found.median_ns == 2500 and found.notices == ()


@pytest.mark.parametrize(("ns", "wanted"), [
    (250, [("fast rise", ("column C2 lead",))]),
    (625, [("fast rise", ("column C2 lead",))]),
    (750, []),  # 0.3 of the median, which other pull-ups and a shorter wire can do
    (1250, []),
    (9000, []),
    (0, [("no rise", ("column C2",))]),
])  # fmt: skip
def test_one_line_on_both_sides_of_the_limit(ns, wanted):
    assert told(2500, 2500, 3000, ns, 2500) == wanted


def test_steps_too_coarse_to_tell_a_bare_pin_say_so():
    # A generic board's clock: 4 us on an AVR (shared/wire-v1.md).
    found = judge_rises(CIRCUIT, (4000, 4000, 8000, 4000, 4000))
    assert not found.told and found.notices == ()


def test_equal_lines_and_no_figures_tell_nothing():
    assert not judge_rises(CIRCUIT, (10_000,) * 5).told
    assert not judge_rises(CIRCUIT, ()).told
    assert not judge_rises(CIRCUIT, (0,) * 5).told


def test_two_lines_are_too_few():
    assert not judge_rises(CIRCUIT, (250, 2500, 0, 0, 0)).told
