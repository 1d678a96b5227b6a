"""Signs and colours: every state has its own sign, and every colour can be read and told apart.

Contrast: WCAG 2.1, success criterion 1.4.3 (at least 4.5 : 1 for text) with its definitions of
contrast ratio and relative luminance. Colour-blindness: the matrices of Machado, Oliveira and
Fernandes (2009), severity 1.0, in linear RGB; figures from memory.
"""

from __future__ import annotations

from itertools import combinations

import pytest

from keydiag.screen import palette
from keydiag.screen.palette import MEANINGS, SIGNS, SIMPLE_SIGNS, Paint

STATES = tuple(SIGNS)
MACHADO = {
    "full sight": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protanopia": (
        (0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}  # fmt: skip


def linear(colour: str) -> tuple[float, ...]:
    """Linear RGB of #rrggbb (IEC 61966-2-1, as WCAG quotes it)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    return tuple(p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)


def luminance(colour: str) -> float:
    red, green, blue = linear(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def lab(rgb: tuple[float, ...]) -> tuple[float, float, float]:
    """CIE L*a*b* (CIE 15:2004), white point D65, of linear RGB."""
    r, g, b = (min(1.0, max(0.0, v)) for v in rgb)
    x = (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.95047
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    z = (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.08883
    f = [v ** (1 / 3) if v > 216 / 24389 else (24389 / 27 * v + 16) / 116 for v in (x, y, z)]
    return 116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])


def difference(one: str, other: str, sight: str) -> float:
    """Colour difference (CIE 1976) as someone with this sight sees it; about 2.3 is just seen."""
    seen = []
    for colour in (one, other):
        rgb = linear(colour)
        seen.append(lab(tuple(sum(m * v for m, v in zip(row, rgb, strict=True))
                              for row in MACHADO[sight])))  # fmt: skip
    return sum((a - b) ** 2 for a, b in zip(*seen, strict=True)) ** 0.5


@pytest.mark.parametrize("signs", [SIGNS, SIMPLE_SIGNS])
def test_every_state_has_a_sign_of_its_own_and_a_meaning(signs):
    assert set(signs) == set(MEANINGS)
    assert len(set(signs.values())) == len(signs)
    assert all(len(sign) == 1 for sign in signs.values())


def test_simple_signs_are_in_every_font():
    assert all(sign.isascii() for sign in SIMPLE_SIGNS.values())


@pytest.mark.parametrize("mode", ["dark", "light"])
@pytest.mark.parametrize("state", [*STATES, "mark", "alarm", "red-lead", "black-lead"])
def test_labels_can_be_read(mode, state):
    ground, ink = palette.colour(state, mode), palette.colour(f"{state}-ink", mode)
    assert contrast(ground, ink) >= 4.5


@pytest.mark.parametrize("mode", ["dark", "light"])
@pytest.mark.parametrize("ink", ["text", "dim", "row", "column", "solder"])
def test_what_stands_on_paper_can_be_read(mode, ink):
    assert contrast(palette.colour("paper", mode), palette.colour(ink, mode)) >= 4.5


@pytest.mark.parametrize("sight", MACHADO)
@pytest.mark.parametrize("mode", ["dark", "light"])
def test_states_differ_for_every_kind_of_sight(mode, sight):
    close = [
        (one, other)
        for one, other in combinations(STATES, 2)
        if difference(palette.colour(one, mode), palette.colour(other, mode), sight) < 10
    ]
    # Waiting and hidden are both quiet on purpose; their signs and the hatching differ.
    assert [pair for pair in close if set(pair) != {"waiting", "hidden"}] == []


def test_without_colour_no_style_has_one():
    for state in STATES:
        style = palette.style("plain", Paint(f"{state}-ink", state))
        assert style.color is None and style.bgcolor is None


def test_in_sixteen_colours_states_differ():
    grounds = [palette.named(state) for state in STATES if state != "hidden"]
    assert len(set(grounds)) == len(grounds)
