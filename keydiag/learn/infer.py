"""From keys and their answers to rows, columns, diodes and crossings: what is regular about a half.

What lives here: which pins are rows and which columns, which way the diodes point, and the
crossing of each key, also of those that a fault hides, where their neighbours leave no choice.
What does not: which fault that is (diagnosis, once there is a board to hold the readings against),
and the order along a line, which no reading tells (write.py proposes one).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from statistics import fmean

from keydiag.board import Key
from keydiag.learn.answers import Answer, Pair, Rest
from keydiag.learn.mend import BRIDGED, EXCHANGED, Spot, is_unusual, mend
from keydiag.learn.places import Beside, beside

# A line is one of those at the diodes' cathodes or one of those at their anodes; pressed keys vote.
SINK, SOURCE = 0, 1  # "sink": driven low, at the cathodes; "source": it senses, at the anodes


@dataclass(frozen=True)
class LearnedLine:
    """One row or column: its pin and its keys."""

    pin: int
    keys: tuple[str, ...]
    bridged: tuple[int, ...] = ()
    """Other pins of the same net: which pin is which line's cannot be told while they are one."""


@dataclass(frozen=True)
class Learned:
    """What was learned of a half."""

    cathode_at: str
    """``"row"`` or ``"column"``."""
    rows: tuple[LearnedLine, ...]
    columns: tuple[LearnedLine, ...]
    guessed: dict[str, str] = field(default_factory=dict)
    """Key -> why its crossing was taken from its neighbours and not from its own answer."""
    left_out: dict[str, str] = field(default_factory=dict)
    """Key -> why it is on no line."""
    unusual: tuple[str, ...] = ()
    """Keys that share no row with any key beside them, or no column with any above and below: meant
    so, or joined to a wrong line."""
    doubted: tuple[str, ...] = ()
    """Keys worth pressing alone once more: two that seem to have changed places."""

    def crossing(self, key: str) -> tuple[int, int] | None:
        """The places of a key's row and column among the lines, or None if it is on none."""
        row = next((n for n, line in enumerate(self.rows) if key in line.keys), None)
        column = next((n for n, line in enumerate(self.columns) if key in line.keys), None)
        return None if row is None or column is None else (row, column)


def infer(
    keys: Mapping[str, Key], answers: Mapping[str, Answer], rest: Rest, placed: bool = True
) -> Learned | None:
    """The regular half behind these answers; None if no key gave any.

    Args:
        keys: all keys with their places, in the order in which they were asked for.
        answers: what those said that gave an answer.
        rest: the rest reading.
        placed: the places are real ones; if not, nothing is concluded from them.
    """
    plain = {key: answer for key, answer in answers.items() if answer.ways}
    if not plain:
        return None
    near = beside(keys) if placed else Beside(dict.fromkeys(keys, ()), dict.fromkeys(keys, ()))
    side = _sides(plain.values(), rest)
    spots: dict[str, tuple[Spot, Spot]] = {}  # key -> (sink line, source line)
    for key, answer in plain.items():
        way = _likeliest(key, answer, plain, side, near, rest)
        if way is not None:
            spots[key] = way
    rows_sink = _sinks_are_rows(keys, spots) if placed else _sinks_come_in_runs(keys, spots)
    spots, alike = _split_bridges(spots, rest, near, rows_sink)
    crossings = {key: spot if rows_sink else spot[::-1] for key, spot in spots.items()}
    guessed, left_out = mend([key for key in keys if key not in alike], crossings, near)
    left_out |= dict.fromkeys(alike, BRIDGED)
    rows, columns = (_lines(keys, crossings, n, rest, placed) for n in (0, 1))
    unusual = tuple(key for key in keys if key in crossings and is_unusual(key, crossings, near))
    doubted = tuple(key for key, why in guessed.items() if why == EXCHANGED)
    side_of_band = "row" if rows_sink else "column"
    return Learned(side_of_band, rows, columns, guessed, left_out, unusual, doubted)


# --- sink or source -----------------------------------------------------------------------------


def _sides(answers: Iterable[Answer], rest: Rest) -> dict[int, int]:
    """Group -> SINK or SOURCE. Every key's own diode votes, so a few that are put in backwards are
    outvoted; then groups change sides as long as that lets more keys close a sink and a source."""
    votes: Counter[int] = Counter()
    edges: Counter[Pair] = Counter()
    for answer in answers:
        if len(answer.pairs) == 1:
            (pair,) = answer.pairs
            edges[pair] += 1
            for drive, sense in answer.ways:
                votes[drive] -= 1
                votes[sense] += 1
    groups = {group for answer in answers for pair in answer.pairs for group in pair}
    side = {group: SOURCE if votes[group] > 0 else SINK for group in sorted(groups)}

    def agreement(group: int, as_side: int) -> float:
        split = sum(
            count * (1 if side[two if group == one else one] != as_side else -1)
            for (one, two), count in edges.items()
            if group in (one, two)
        )
        own = votes[group] if as_side == SOURCE else -votes[group]
        return split + 0.5 * own

    for _ in range(2 * len(side)):
        changed = False
        for group in side:
            other = SINK + SOURCE - side[group]
            # A bridged net may be both a sink and a source: it stays where its votes put it.
            if len(rest.pins(group)) == 1 and agreement(group, other) > agreement(
                group, side[group]
            ):
                side[group], changed = other, True
        if not changed:
            break
    return side


def _likeliest(
    key: str,
    answer: Answer,
    answers: Mapping[str, Answer],
    side: Mapping[int, int],
    near: Beside,
    rest: Rest,
) -> tuple[Spot, Spot] | None:
    """The (sink, source) a key closes, of all pairs it answered: one that joins a sink and a
    source, and shares a line with its neighbours."""
    around = Counter(
        group
        for other in (*near.sides[key], *near.above[key])
        if other in answers
        for pair in answers[other].pairs
        for group in pair
    )
    best: tuple[tuple[int, int, Pair], tuple[Spot, Spot]] | None = None
    for one, two in sorted(answer.pairs):
        both_ways = (one, two) in answer.ways and (two, one) in answer.ways
        if side[one] != side[two]:
            sink, source = (one, two) if side[one] == SINK else (two, one)
        elif both_ways or len(rest.pins(one)) == len(rest.pins(two)) == 1:
            continue
        else:  # a bridged net in both roles: go by the diode
            sink, source = (one, two) if (one, two) in answer.ways else (two, one)
        rank = (int(side[one] != side[two]), around[one] + around[two], (-one, -two))
        if best is None or rank > best[0]:
            best = rank, ((sink, 0), (source, 0))
    return None if best is None else best[1]


# --- row or column ------------------------------------------------------------------------------


def _sinks_are_rows(keys: Mapping[str, Key], spots: Mapping[str, tuple[Spot, Spot]]) -> bool:
    """True if the lines at the cathodes run across. Lines that run across are wide and low."""

    def upright(which: int) -> float:
        """Mean height less mean width of the lines, in mm; a single key says nothing."""
        lines: dict[Spot, list[str]] = {}
        for key, spot in spots.items():
            lines.setdefault(spot[which], []).append(key)
        out = []
        for names in lines.values():
            if len(names) > 1:
                xs, ys = ([keys[name].at[axis] for name in names] for axis in (0, 1))
                out.append((max(ys) - min(ys)) - (max(xs) - min(xs)))
        return fmean(out) if out else 0.0

    return upright(0) <= upright(1)


def _sinks_come_in_runs(keys: Mapping[str, Key], spots: Mapping[str, tuple[Spot, Spot]]) -> bool:
    """The same where no places are known: keys are pressed row by row, so that keys one after the
    other are on one row more often than on one column."""
    order = [key for key in keys if key in spots]
    same = [
        sum(spots[a][which] == spots[b][which] for a, b in zip(order, order[1:], strict=False))
        for which in (0, 1)
    ]
    return same[0] >= same[1]


# --- bridged nets -------------------------------------------------------------------------------


def _split_bridges(
    spots: Mapping[str, tuple[Spot, Spot]], rest: Rest, near: Beside, rows_sink: bool
) -> tuple[dict[str, tuple[Spot, Spot]], list[str]]:
    """Nets of several pins taken apart into lines, by role and by who stands beside whom; and the
    keys on nets that cannot be."""
    out = dict(spots)
    alike: list[str] = []
    for pins in rest.bridged:
        group = pins[0]
        roles = [[key for key in out if out[key][which][0] == group] for which in (0, 1)]
        if all(roles):  # a sink and a source in one
            numbers: list[list[list[str]]] = [[roles[0]], [roles[1]]]
        else:
            which = 0 if len(roles[0]) > len(roles[1]) else 1
            along = near.sides if (which == 0) == rows_sink else near.above
            numbers = [[], []]
            numbers[which] = _strings(roles[which], along)
        if sum(map(len, numbers)) > len(pins):
            for key in {*roles[0], *roles[1]}:
                alike.append(key)
                del out[key]
            continue
        number = 0
        for which, lines in enumerate(numbers):
            for line in lines:
                for key in line:
                    spot = list(out[key])
                    spot[which] = (group, number)
                    out[key] = (spot[0], spot[1])
                number += 1
    return out, alike


def _strings(names: list[str], along: Mapping[str, tuple[str, ...]]) -> list[list[str]]:
    """Keys that stand in a string beside each other, in the order of their first keys."""
    left = list(names)
    out: list[list[str]] = []
    while left:
        string, todo = [], [left[0]]
        while todo:
            key = todo.pop()
            if key in left:
                left.remove(key)
                string.append(key)
                todo += along[key]
        out.append(string)
    return out


# --- lines --------------------------------------------------------------------------------------


def _lines(
    keys: Mapping[str, Key],
    crossings: Mapping[str, tuple[Spot, Spot]],
    which: int,
    rest: Rest,
    placed: bool,
) -> tuple[LearnedLine, ...]:
    """The rows from the top down (0), or the columns from the left (1); without places, in the
    order in which they were first met."""
    members: dict[Spot, list[str]] = {}
    for key in keys:
        if key in crossings:
            members.setdefault(crossings[key][which], []).append(key)

    def where(spot: Spot) -> float:
        return fmean(keys[key].at[1 - which] for key in members[spot]) if placed else 0.0

    out = []
    for spot in sorted(members, key=where):
        pins = rest.pins(spot[0])
        pin = pins[spot[1]]
        others = tuple(other for other in pins if other != pin)
        out.append(LearnedLine(pin, tuple(members[spot]), others))
    return tuple(out)
