"""Levels of closed crossings -> which are too high, too low, or show no diode. Pure.

A good crossing is one diode on the pull-up of the sensing pin. Figures for a 1N4148, by ngspice
with the model that NXP publishes: 0.492 to 0.540 V at 5 V and 50 to 20 kOhm, 0.445 to 0.468 V at
3.3 V and 80 to 50 kOhm; two in series about twice that; at 5 V and 35 kOhm a joint of 1 kOhm adds
0.12 V, one of 2 kOhm 0.24 V. Pull-ups differ from pin to pin and diodes from maker to maker, so
each crossing is held against the others of its own half first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from keydiag.board.odd import one_diode_v
from keydiag.chips import Chip
from keydiag.circuit import Circuit
from keydiag.contacts.places import Notice, by_place

__all__ = ["HIGH_MV", "Levels", "judge_levels", "ohms"]

# Above this much over the others: pull-ups at both ends of the datasheet's range make 48 mV of
# difference at 5 V, published models of the 1N4148 up to 66 mV (0.447 to 0.513 V at 40 uA).
HIGH_MV = 100
# ... and as many times the spread of the half's own levels, where that is more: the usual limit of
# a modified z-score (Iglewicz and Hoaglin, 1993; from memory).
SPREADS = 3.5
# Below this no diode is in the path: a wire reads some 20 mV, and the diodes with the least drop
# (Schottky) some 0.15 V at these currents (from memory).
NO_DROP_MV = 100
# With fewer levels than this there are no others to hold one against.
ENOUGH = 4


@dataclass(frozen=True, slots=True)
class Levels:
    """What the levels of a half say.

    reference_mv: what the levels are held against; own: it is the median of this half, not a
    figure for one 1N4148. limit_mv: so far above or below it nothing stands out.
    notices: what does.
    """

    reference_mv: int
    own: bool
    limit_mv: int
    notices: tuple[Notice, ...]


def judge_levels(
    circuit: Circuit,
    mv: Mapping[str, int],
    chip: Chip,
    supply_mv: int,
    *,
    high_mv: int = HIGH_MV,
) -> Levels:
    """Hold every level against the others of the half.

    The reference is the median of all levels that show a diode at all; the limit is `high_mv`, or
    SPREADS times the median absolute deviation (times 1.4826, which makes it the standard deviation
    of a normal distribution) if that is more. Both are taken again without the levels that are too
    high, until none is: bad joints only ever raise a level.

    Args:
        circuit: the half.
        mv: key -> millivolts at its sensing pin while its other pin was driven low and it was held.
        chip: its pull-ups give the figure for one 1N4148.
        supply_mv: what the controller runs at.
        high_mv: smallest excess that is told.
    """
    low, high = chip.pull_up_ohm
    diode_mv = [1000 * one_diode_v(supply_mv / 1000, ohm) for ohm in (high, low)]
    with_diode = [level for level in mv.values() if level >= NO_DROP_MV]
    own = len(with_diode) >= ENOUGH
    reference, limit = sum(diode_mv) / 2, float(high_mv)
    if own:
        reference, limit = _centre(with_diode, high_mv)
    bypassed = [key for key, level in mv.items() if level < NO_DROP_MV]
    too_high = [key for key, level in mv.items() if level - reference >= limit]
    too_low = [k for k, level in mv.items() if reference - level >= limit and k not in bypassed]
    good = [key for key in mv if key not in too_high]
    notices = [
        Notice("high", spot.places, spot.keys, spot.shared)
        for spot in by_place(circuit, too_high, good)
    ]
    for key in bypassed:
        notices.append(Notice("no drop", (f"{key} diode",), (key,)))
    for key in too_low:
        notices.append(Notice("low", (f"{key} diode",), (key,)))
    if own and reference - diode_mv[1] >= high_mv:
        notices.append(Notice("all high", (), tuple(mv)))
    return Levels(round(reference), own, round(limit), tuple(notices))


def _centre(levels: Sequence[int], high_mv: int) -> tuple[float, float]:
    """(median, limit) of the levels that are not too high themselves."""
    kept = list(levels)
    while True:
        middle = median(kept)
        spread = 1.4826 * median(abs(level - middle) for level in kept)
        limit = max(float(high_mv), SPREADS * spread)
        fewer = [level for level in kept if level - middle < limit]
        if len(fewer) == len(kept):
            return middle, limit
        kept = fewer


def ohms(mv: float, reference_mv: float, chip: Chip, supply_mv: int) -> tuple[float, float]:
    """The resistance that would raise a level from `reference_mv` to `mv`, in ohms: lowest and
    highest, for the pull-ups that the chip's datasheet allows.

    The pull-up and what is in the path share the supply; the diode's drop is taken to stay as it
    is, which at these currents is wrong by some 20 mV for each halving of the current.
    """
    share = (mv - reference_mv) / max(1.0, supply_mv - mv)
    return chip.pull_up_ohm[0] * share, chip.pull_up_ohm[1] * share


def two_drops(mv: float, reference_mv: float) -> bool:
    """True if this may be two diodes in series: within HIGH_MV of twice one diode's level."""
    return abs(mv - 2 * reference_mv) <= HIGH_MV
