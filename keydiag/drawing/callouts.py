"""Where to put the label of a mark so that it hides nothing that matters.

Pure geometry in picture coordinates (mm, y down, already mirrored if the picture is).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from keydiag.drawing.geometry import Point

Box = tuple[float, float, float, float]  # left, top, right, bottom

_RINGS_MM = (9.0, 13.0, 18.0, 24.0, 32.0, 42.0, 54.0)  # distances tried, nearest first
_WAYS = 16  # directions tried on each ring


def place_callout(
    anchor: Point, width: float, height: float, keep_clear: Sequence[Point], taken: Sequence[Box]
) -> Box:
    """A box of the given size near the anchor.

    Args:
        anchor: what the label belongs to.
        width, height: size of the label in mm.
        keep_clear: points that are better not covered (joints, names), each as bad as 4 mm of
            distance.
        taken: boxes that must not be covered (other labels, marks), each as bad as 100 mm.
    """
    best: Box | None = None
    least = math.inf
    for ring in _RINGS_MM:
        for step in range(_WAYS):
            angle = 2 * math.pi * step / _WAYS
            # The near edge of the box, not its centre, is put on the ring.
            x = anchor[0] + math.cos(angle) * (ring + width / 2)
            y = anchor[1] + math.sin(angle) * (ring + height / 2)
            box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
            cost = ring
            cost += 4.0 * sum(_holds(box, point) for point in keep_clear)
            cost += 100.0 * sum(_meets(box, other) for other in taken)
            if cost < least:
                best, least = box, cost
    assert best is not None
    return best


def edge_toward(box: Box, point: Point) -> Point:
    """The point of a box's edge nearest to a point outside it."""
    left, top, right, bottom = box
    return min(max(point[0], left), right), min(max(point[1], top), bottom)


def _holds(box: Box, point: Point, margin: float = 0.8) -> bool:
    left, top, right, bottom = box
    x, y = point
    return left - margin < x < right + margin and top - margin < y < bottom + margin


def _meets(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
