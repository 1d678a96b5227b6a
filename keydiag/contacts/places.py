"""Where the trouble of several keys may sit: a stretch or lead they share, or each key by itself.

Here: `Notice`, what stands out, and `by_place`, which sorts keys that show the same trouble by the
place that explains them. Pure. Not here: what counts as trouble (levels.py, steadiness.py).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from keydiag.circuit import Circuit

NoticeKind = Literal[
    "high", "all high", "no drop", "low", "drop-outs", "no rest", "bounce", "fast rise", "no rise",
    "silent", "at rest", "long opening",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing that stands out.

    kind: "high" (the level of these keys is above their neighbours'), "all high" (of the whole
    half), "no drop" (no diode in the path), "low" (less than a diode like the others), "drop-outs"
    (opened while held), "no rest" (never closed for good), "bounce" (took too long to close),
    "fast rise", "no rise" (a line's rise time), "silent" (asked for, no answer), "at rest" (closed
    with nothing held), "long opening" (while flexed: a joint or the finger).
    places: addresses where it may sit, the likeliest first. keys: those that show it.
    shared: one place is to blame for all of the keys.
    """

    kind: NoticeKind
    places: tuple[str, ...]
    keys: tuple[str, ...]
    shared: bool = False


@dataclass(frozen=True, slots=True)
class Spot:
    """Keys with the same trouble, and where it may sit."""

    places: tuple[str, ...]
    keys: tuple[str, ...]
    shared: bool


def by_place(circuit: Circuit, bad: Collection[str], good: Collection[str]) -> list[Spot]:
    """Sort the keys with some trouble by the places that explain it.

    Where two or more of them are all that lies beyond a stretch (or on a whole line), and no key
    beyond it is free of the trouble, the stretch (or the lead) is named instead of the keys: one
    bad joint is likelier than several. What explains most keys comes first. Places that the keys
    looked at cannot tell apart are named together.

    Args:
        circuit: the half.
        bad: keys that show the trouble.
        good: keys that were looked at and do not show it. Others say nothing.
    """
    left = [key for key in circuit.keys if key in bad]
    fine = set(good) - set(bad)
    reach = _reach(circuit)
    found: list[Spot] = []
    while left:
        members: dict[str, tuple[str, ...]] = {}
        for place, keys in reach.items():
            if not keys & fine:
                members[place] = tuple(key for key in left if key in keys)
        most = max(members.values(), key=len, default=())
        if len(most) < 2:
            break
        found.append(Spot(tuple(p for p, keys in members.items() if keys == most), most, True))
        left = [key for key in left if key not in most]
    for key in left:
        parts = circuit.parts[key]
        joints = parts.column_joint, parts.middle_joint, parts.row_joint
        last = [p for p, keys in reach.items() if keys == {key}]  # at the end of a wire
        found.append(Spot((*joints, *last, f"{key} switch", f"{key} diode"), (key,), False))
    return found


def _reach(circuit: Circuit) -> dict[str, frozenset[str]]:
    """Every lead and stretch, with the keys whose current passes it."""
    reach = {circuit.leads[name]: frozenset(keys) for name, keys in circuit.keys_on.items()}
    reach |= {address: stretch.beyond for address, stretch in circuit.stretches.items()}
    return reach
