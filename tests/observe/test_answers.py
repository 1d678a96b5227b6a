"""How an answer compares with what a key should answer, by hand on three rows and three columns."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keydiag.circuit import Reading
from keydiag.observe.answers import Answer, compare, expect

PINS = 6  # rows 0 to 2, columns 3 to 5; a diode's ring looks to the row
HEALTHY = Reading(0, tuple(1 << pin for pin in range(PINS)))
# Rows 1 and 2 conduct both ways at rest.
BRIDGED = Reading(0, (1, 0b110, 0b110, 8, 16, 32))


def low(*places: tuple[int, int]) -> int:
    """Packed bits: (driven pin, pin that newly reads low); -1: with none driven."""
    return sum(1 << (drive + 1) * PINS + sense for drive, sense in places)


@pytest.mark.parametrize(
    ("places", "answer"),
    [
        ([(0, 3)], Answer.EXACT),
        ([(3, 0)], Answer.REVERSED),
        ([(0, 3), (3, 0)], Answer.BOTH),
        ([(0, 3), (0, 4)], Answer.MORE),
        ([(0, 4)], Answer.NEAR),
        ([(1, 3)], Answer.NEAR),
        ([(1, 4)], Answer.ELSEWHERE),
        # Held at ground while it is pressed, whatever is driven.
        ([(-1, 3), (0, 3), (1, 3), (2, 3)], Answer.MORE),
        ([(-1, 3), (1, 3), (2, 3)], Answer.ELSEWHERE),
        ([(-1, 3)], Answer.ELSEWHERE),
        # Two keys of its row joined inside answer so, whichever of them is pressed.
        ([(0, 4), (0, 5)], Answer.ELSEWHERE),
    ],
)
def test_answers_of_a_key_on_row_0_and_column_3(
    places: list[tuple[int, int]], answer: Answer
) -> None:
    assert compare(expect((0, 3), HEALTHY), low(*places)) is answer


def test_what_follows_from_a_bridge_is_no_second_crossing() -> None:
    key = expect((0, 3), BRIDGED)
    assert compare(key, low((1, 3), (2, 3))) is Answer.NEAR
    assert compare(key, low((1, 3))) is Answer.NEAR
    assert compare(expect((1, 3), BRIDGED), low((1, 3), (2, 3))) is Answer.EXACT
    assert compare(expect((1, 3), BRIDGED), low((1, 3))) is Answer.PART


masks = st.integers(0, (1 << PINS) - 1)
packed = st.integers(0, (1 << PINS * (PINS + 1)) - 1)


@given(rest=masks, low=st.tuples(*[masks] * PINS), appeared=packed, gone=packed)
def test_whatever_is_read_is_sorted(
    rest: int, low: tuple[int, ...], appeared: int, gone: int
) -> None:
    for forward in ((0, 3), (5, 2)):
        assert compare(expect(forward, Reading(rest, low)), appeared, gone) in Answer
