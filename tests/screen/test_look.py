"""Colours and glyphs by what the terminal says of itself."""

from __future__ import annotations

import pytest

from keydiag.screen.look import Look, guess_mode


@pytest.mark.parametrize(("environ", "colours", "mode"), [
    ({}, "truecolor", "dark"),
    ({}, "256", "dark"),
    ({}, "standard", "named"),
    ({"NO_COLOR": "1"}, "truecolor", "plain"),
    ({"NO_COLOR": ""}, "standard", "plain"),
    ({"COLORFGBG": "0;15"}, "truecolor", "light"),
    ({"COLORFGBG": "15;0"}, "truecolor", "dark"),
    ({"COLORFGBG": "12;default;7"}, "256", "light"),
])  # fmt: skip
def test_the_mode_is_guessed_from_the_terminal(environ, colours, mode):
    assert guess_mode(environ, colours) == mode


def test_without_colour_there_are_no_others():
    look = Look("plain")
    look.turn()
    assert look.mode == "plain"
