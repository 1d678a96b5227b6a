"""Rise times of the lines -> which are clearly faster than the others. Pure.

A line rises by the pull-up of its pin, against the capacitance of all that hangs on it. A bare pad
takes some 0.2 us, a wired line one to five (shared/wire-v1.md). That proves nothing: pull-ups
differ by up to 2.5 times (20 to 50 kOhm, datasheet), and wires by their length.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from keydiag.circuit import Circuit
from keydiag.contacts.places import Notice

__all__ = ["FAST", "Rises", "judge_rises"]

# A line below this share of the median is told: pull-ups alone can make a line 2.5 times as fast,
# 0.4 of the others; a pad without wire is at 0.2 or less.
FAST = 0.3
# The probe's step must be finer than the median by this factor, or a bare pad would look the same.
FINE = 4
ENOUGH = 4  # lines, to speak of the others


@dataclass(frozen=True, slots=True)
class Rises:
    """What the rise times say. median_ns: 0 if no line rose. told: False if the probe's steps are
    too coarse, or the lines too few, to tell a bare pin from a wired one."""

    median_ns: int
    told: bool
    notices: tuple[Notice, ...]


def judge_rises(circuit: Circuit, ns: Sequence[int], *, fast: float = FAST) -> Rises:
    """Find lines that rise clearly faster than the others, and lines that do not rise.

    Args:
        circuit: the half.
        ns: rise time in nanoseconds by circuit pin; 0 = did not rise in time, or did not go low.
        fast: share of the median below which a line is told.
    """
    by_line = dict(zip(circuit.line_names, ns, strict=False))
    rose = [each for each in by_line.values() if each > 0]
    notices = [Notice("no rise", (name,), ()) for name, each in by_line.items() if each == 0]
    if not rose:
        return Rises(0, False, tuple(notices))
    middle = median(rose)
    # The step shows in the figures: all are multiples of it (or of a few steps, if few lines rose).
    told = len(rose) >= ENOUGH and middle >= FINE * math.gcd(*rose)
    if told:
        for name, each in by_line.items():
            if 0 < each < fast * middle:
                notices.append(Notice("fast rise", (circuit.leads[name],), ()))
    return Rises(round(middle), told, tuple(notices))
