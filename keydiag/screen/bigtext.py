"""Large letters, readable from an arm's length with an iron in the hand.

A 3 x 5 alphabet drawn for keydiag, shown with half blocks at two cells a dot: five rows high.
"""

from __future__ import annotations

# Five rows of three dots each, from the top.
_GLYPHS = {
    "A": "010 101 111 101 101", "B": "110 101 110 101 110", "C": "011 100 100 100 011",
    "D": "110 101 101 101 110", "E": "111 100 110 100 111", "F": "111 100 110 100 100",
    "G": "011 100 101 101 011", "H": "101 101 111 101 101", "I": "111 010 010 010 111",
    "J": "001 001 001 101 010", "K": "101 101 110 101 101", "L": "100 100 100 100 111",
    "M": "101 111 111 101 101", "N": "110 101 101 101 101", "O": "010 101 101 101 010",
    "P": "110 101 110 100 100", "Q": "010 101 101 110 011", "R": "110 101 110 101 101",
    "S": "011 100 010 001 110", "T": "111 010 010 010 010", "U": "101 101 101 101 111",
    "V": "101 101 101 101 010", "W": "101 101 111 111 101", "X": "101 101 010 101 101",
    "Y": "101 101 010 010 010", "Z": "111 001 010 100 111",
    "0": "111 101 101 101 111", "1": "010 110 010 010 111", "2": "110 001 010 100 111",
    "3": "110 001 010 001 110", "4": "101 101 111 001 001", "5": "111 100 110 001 110",
    "6": "011 100 111 101 111", "7": "111 001 010 010 010", "8": "111 101 111 101 111",
    "9": "111 101 111 001 110",
    "-": "000 000 111 000 000", "_": "000 000 000 000 111", "+": "000 010 111 010 000",
    ".": "000 000 000 000 010", "/": "001 001 010 100 100", " ": "000 000 000 000 000",
    "✓": "000 001 001 101 010",
}  # fmt: skip
ROWS = 5


def can_draw(text: str) -> bool:
    """True if every character has a large letter."""
    return all(char.upper() in _GLYPHS for char in text)


def width(text: str) -> int:
    """Cells that the text takes."""
    return max(0, 8 * len(text) - 2)


def lines(text: str) -> list[str]:
    """The text as five rows of cells; characters without a large letter are left out."""
    glyphs = [_GLYPHS[c.upper()].split() for c in text if c.upper() in _GLYPHS]
    return [
        "  ".join("".join("██" if dot == "1" else "  " for dot in glyph[row]) for glyph in glyphs)
        for row in range(ROWS)
    ]
