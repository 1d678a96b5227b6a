"""Finds the line number of every place in a TOML text, so that a problem can say where it is.

tomllib tells no line numbers. This scanner reads text that tomllib has already accepted, so it
only follows table headers, keys, strings, brackets and comments; it judges nothing.
"""

from __future__ import annotations

import re

_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""+|\'\'\'.*?\'\'\'+|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL
)
_KEY_PART = re.compile(r"""\s*("(?:[^"\\\n]|\\.)*"|'[^'\n]*'|[A-Za-z0-9_-]+)\s*""")


def find_places(text: str) -> dict[str, int]:
    """Map places such as ``row.R2.path[3]`` to their line, counted from 1.

    Tables, their fields and the elements of arrays are found; inside inline tables nothing is.
    """
    places: dict[str, int] = {}
    table: list[str] = []
    pos = 0
    while pos < len(text):
        char = text[pos]
        if char.isspace():
            pos += 1
        elif char == "#":
            pos = _line_end(text, pos)
        elif char == "[":
            names, end = _names(text, pos + (2 if text.startswith("[[", pos) else 1))
            table = names
            for depth in range(1, len(names) + 1):
                places.setdefault(".".join(names[:depth]), _line(text, pos))
            pos = _line_end(text, end)
        else:
            names, end = _names(text, pos)
            place = ".".join(table + names)
            places[place] = _line(text, pos)
            after = text.find("=", end)
            if not names or after < 0:  # nothing we can follow: give up, keep what was found
                break
            pos = _value(text, after + 1, place, places)
    return places


def _names(text: str, pos: int) -> tuple[list[str], int]:
    """The dotted names starting at pos, and where they end."""
    names: list[str] = []
    while match := _KEY_PART.match(text, pos):
        part = match.group(1)
        names.append(part[1:-1] if part[0] in "\"'" else part)
        pos = match.end()
        if not text.startswith(".", pos):
            break
        pos += 1
    return names, pos


def _value(text: str, pos: int, place: str, places: dict[str, int]) -> int:
    """Skip one value, noting the line of each element of an array; the position after it."""
    counts: list[int] = []  # index of the next element, per open array; -1 for an inline table
    fresh = True  # the next thing that is no bracket, comma or comment starts an element
    while pos < len(text):
        char = text[pos]
        if char == "\n" and not counts:
            return pos
        if char == "#":
            pos = _line_end(text, pos)
            continue
        if char in "]}" and counts:
            counts.pop()
            fresh = False
        elif char == "," and counts:
            counts[-1] += counts[-1] >= 0
            fresh = True
        elif not char.isspace():
            if fresh and counts and -1 not in counts:
                where = place + "".join(f"[{index}]" for index in counts)
                places.setdefault(where, _line(text, pos))
            fresh = char in "[{"
            if char in "[{":
                counts.append(0 if char == "[" else -1)
            elif match := _STRING.match(text, pos):
                pos = match.end()
                continue
        pos += 1
    return pos


def _line(text: str, pos: int) -> int:
    return text.count("\n", 0, pos) + 1


def _line_end(text: str, pos: int) -> int:
    end = text.find("\n", pos)
    return len(text) if end < 0 else end
