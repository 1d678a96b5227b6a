"""Which keys stand beside and above each other: what geometry hints about rows and columns.

Pure geometry. Along a row keys stand side by side, along a column one above the other, each in the
turned frame of the two; how wires really run no picture tells, so this is only ever a hint.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median

from keydiag.board import PITCH_MM, Key
from keydiag.drawing.geometry import turned

# Beyond this many usual distances two keys are no neighbours: a diagonal one is at 1.41, one in a
# column shifted by half a pitch at 1.12.
REACH = 1.6


_OPPOSITE = {"left": "right", "right": "left", "up": "down", "down": "up"}


@dataclass(frozen=True)
class Beside:
    """The nearest neighbours of every key that find it nearest as well; a key may lack any."""

    sides: dict[str, tuple[str, ...]]
    """Key -> those to its left and right: mostly on its row."""
    above: dict[str, tuple[str, ...]]
    """Key -> those above and below it: mostly on its column."""


def beside(keys: Mapping[str, Key]) -> Beside:
    """Who stands beside whom."""
    reach = REACH * _usual_distance(keys)
    nearest: dict[tuple[str, str], tuple[float, str]] = {}
    for name, key in keys.items():
        for other, there in keys.items():
            far = math.dist(key.at, there.at)
            if other == name or far > reach:
                continue
            way = there.at[0] - key.at[0], there.at[1] - key.at[1]
            dx, dy = turned(way, -(key.turn + there.turn) / 2)
            if abs(dx) >= abs(dy):
                direction = "right" if dx > 0 else "left"
            else:
                direction = "down" if dy > 0 else "up"
            best = nearest.get((name, direction), (math.inf, ""))
            nearest[name, direction] = min(best, (far, other))

    def mutual(name: str, *directions: str) -> tuple[str, ...]:
        found = (nearest.get((name, direction)) for direction in directions)
        return tuple(
            each[1]
            for each, direction in zip(found, directions, strict=True)
            if each is not None and nearest[each[1], _OPPOSITE[direction]][1] == name
        )

    return Beside(
        {name: mutual(name, "left", "right") for name in keys},
        {name: mutual(name, "up", "down") for name in keys},
    )


def _usual_distance(keys: Mapping[str, Key]) -> float:
    """The middle one of all distances from a key to its nearest neighbour, in mm."""
    nearest = [
        min(math.dist(key.at, other.at) for name, other in keys.items() if name != mine)
        for mine, key in keys.items()
        if len(keys) > 1
    ]
    return median(nearest) if nearest else PITCH_MM
