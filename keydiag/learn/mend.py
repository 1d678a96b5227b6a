"""Keys that a fault hides, or that answer where they cannot be: what their neighbours leave them.

What lives here: who is exchanged, who answers on another's crossing, who stands out, and the one
free crossing of a row beside and a column above or below. What does not: rows, columns and diodes
(infer.py), who stands beside whom (places.py).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from itertools import combinations

from keydiag.learn.places import Beside

Spot = tuple[int, int]
"""(group of pins, number of the line within it): one line. The number is 0 but for bridged nets."""

Crossings = Mapping[str, tuple[Spot, Spot]]
"""Key -> its row and its column."""

# So many more neighbours must share a line with an exchanged pair than with the pair as it answers.
EXCHANGE_GAIN = 2
EXCHANGED = "seems to have changed places with a neighbour"
SILENT = "gave no sign"
SAME = "answers on the crossing of another key"
UNCLEAR = "was not pressed alone, so that it is not clear which answer is its"
BRIDGED = "answers on a bridged net that cannot be taken apart"
ODD = "answers on another line than its neighbours"


def mend(
    keys: Iterable[str], crossings: dict[str, tuple[Spot, Spot]], near: Beside
) -> tuple[dict[str, str], dict[str, str]]:
    """Give keys without an answer of their own, or with one that cannot be theirs, the crossing
    that their neighbours leave; changes `crossings`. Returns (guessed, left out) with reasons."""
    guessed: dict[str, str] = {}
    left_out: dict[str, str] = {}
    while pair := _exchanged(crossings, near, guessed):
        one, two = pair
        crossings[one], crossings[two] = crossings[two], crossings[one]
        guessed[one] = guessed[two] = EXCHANGED
    wanting = {key: SILENT for key in keys if key not in crossings}
    owner: dict[tuple[Spot, Spot], str] = {}
    for key in list(crossings):
        spot = crossings[key]
        rival = owner.setdefault(spot, key)
        if rival == key:
            continue
        # Of two keys on one crossing, the one that fits its neighbours less well is to move.
        worse = max((rival, key), key=lambda each: _misfit(each, crossings, near))
        owner[spot] = key if worse == rival else rival
        wanting[worse] = SAME
    for key in wanting:
        crossings.pop(key, None)
    for key in list(crossings):
        if _stands_out(key, crossings, near):
            wanting[key] = ODD
    placed = True
    while placed:  # a key that was placed helps to place its neighbour
        placed = False
        for key, why in list(wanting.items()):
            spot_or_none = _place_for(key, crossings, near)
            if spot_or_none is not None:
                crossings[key] = spot_or_none
                guessed[key] = why
                del wanting[key]
                placed = True
    for key, why in wanting.items():
        if why != ODD:  # one that only stands out is believed, if nothing better is free
            left_out[key] = why
    return guessed, left_out


def _votes(key: str, which: int, crossings: Crossings, near: Beside) -> Counter[Spot]:
    """The rows (0) of the keys beside a key, or the columns (1) of those above and below."""
    names = near.sides[key] if which == 0 else near.above[key]
    return Counter(crossings[other][which] for other in names if other in crossings)


def _fit(
    key: str,
    spot: tuple[Spot, Spot],
    crossings: Crossings,
    near: Beside,
) -> int:
    """How many neighbours share the row or column one would expect them to."""
    return sum(_votes(key, which, crossings, near)[spot[which]] for which in (0, 1))


def _misfit(key: str, crossings: Crossings, near: Beside) -> tuple[int, int]:
    """How many neighbours share no line with a key where one would expect it; then, less how many
    do."""
    around = [_votes(key, which, crossings, near) for which in (0, 1)]
    fit = _fit(key, crossings[key], crossings, near)
    return sum(map(Counter.total, around)) - fit, -fit


def _place_for(key: str, crossings: Crossings, near: Beside) -> tuple[Spot, Spot] | None:
    """The one free crossing of a row beside and a column above or below, if there is just one."""
    taken = {spot for other, spot in crossings.items() if other != key}
    rows, columns = (_votes(key, which, crossings, near) for which in (0, 1))
    free = [
        (rows[row] + columns[column], (row, column))
        for row in rows
        for column in columns
        if (row, column) not in taken
    ]
    free.sort(reverse=True)
    if not free or (len(free) > 1 and free[0][0] == free[1][0]):
        return None
    return free[0][1]


def _stands_out(key: str, crossings: Crossings, near: Beside) -> bool:
    """True if all keys around a key agree on another crossing for it, and it is free."""
    votes = [_votes(key, which, crossings, near) for which in (0, 1)]
    spot = crossings[key]
    off = [which for which in (0, 1) if votes[which] and not votes[which][spot[which]]]
    if len(off) != 1 or sum(votes[off[0]].values()) < 2 or len(votes[off[0]]) > 1:
        return False
    other = 1 - off[0]
    if not votes[other][spot[other]]:
        return False
    (line,) = votes[off[0]]
    wanted = (line, spot[1]) if off[0] == 0 else (spot[0], line)
    return wanted not in crossings.values()


def is_unusual(key: str, crossings: Crossings, near: Beside) -> bool:
    for which in (0, 1):
        votes = _votes(key, which, crossings, near)
        if votes and not votes[crossings[key][which]]:
            return True
    return False


def _exchanged(crossings: Crossings, near: Beside, done: Iterable[str]) -> tuple[str, str] | None:
    """The pair of keys that fits best with each other's crossing instead of its own, if one fits
    much better."""
    best: tuple[int, tuple[str, str]] | None = None
    strange = [k for k in crossings if k not in done and _misfit(k, crossings, near)[0]]
    for one, two in combinations(strange, 2):
        swapped = {**crossings, one: crossings[two], two: crossings[one]}
        gain = sum(
            _fit(key, swapped[key], swapped, near) - _fit(key, crossings[key], crossings, near)
            for key in (one, two)
        )
        if gain >= EXCHANGE_GAIN and (best is None or gain > best[0]):
            best = gain, (one, two)
    return None if best is None else best[1]
