"""Exchanges: what if two leads, or two keys, are not where the board file has them?

Then whole runs of keys answer with other keys' crossings, in order; aligning them with the board
file's crossings would make slips and silent keys of them. Here: finding candidate exchanges in
an alignment that went badly. Not here: weighing them (sweep.py compares the evidence).

A layout is the map key -> (drive, sense) that an alignment assumes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from keydiag.observe.alignment import ODDS, Alignment, Floats, Step, align
from keydiag.observe.answers import Pair

__all__ = ["Exchange", "RoundView", "candidates", "matched"]

# Prior probability of two given leads being exchanged: order of magnitude of faults/priors.toml
# (common practice, no source).
LEADS_PRIOR = 0.0005
# The same for two given keys; so that against hands that press two keys in the wrong order (own
# judgement, see Odds) it weighs about even, and only asking tells.
KEYS_PRIOR = 0.0001
# The same if a key that was asked for on its own answered as if they were. Own judgement.
ASKED_PRIOR = 0.02
# For the guess of moved lines: a key answers with its own crossing, with another one on one of
# its lines, with any. Only their order matters: following the order is made cheap, so that the
# answers pair up with the keys, and hands are assumed not to jump about.
GUESS_OWN, GUESS_NEAR, GUESS_ANY = 0.9, 0.3, 0.02
GUESS_ODDS = replace(ODDS, wrong=0.001, jump=1e-6, leave_order=1e-9)
# A line has moved if at least two keys, and three in five of those seen, say so.
LEAST_VOTES = 2
LEAST_SHARE = 0.6
# So many answers out of place, or keys passed, before an exchange of lines is thought of: one
# slip makes one or two, and two exchanged rows make two, where the hands seem to jump.
ENOUGH_TROUBLE = 2
LIKELY = 0.5  # posterior from which a match is made
MOST_PAIRS = 6  # candidate pairs of keys that are weighed; more than that is no exchange of two


@dataclass(frozen=True, slots=True)
class Exchange:
    """A candidate: the layout's changes, the natural logarithm of its prior odds, words, and
    whether it moves whole lines (else two keys)."""

    moved: tuple[tuple[str, Pair], ...]
    log_prior: float
    what: str
    of_lines: bool

    def apply(self, layout: Mapping[str, Pair]) -> dict[str, Pair]:
        """The layout with this exchange made in it."""
        return {**layout, **dict(self.moved)}


@dataclass(frozen=True, slots=True)
class RoundView:
    """One aligned round: the keys asked, and per answer its newly low bits and the keys whose
    exact answer it is."""

    asked: tuple[str, ...]
    appeared: tuple[frozenset[Pair], ...]
    exact: tuple[tuple[str, ...], ...]
    alignment: Alignment


def candidates(
    layout: Mapping[str, Pair], names: Sequence[str], rounds: Sequence[RoundView]
) -> Iterator[Exchange]:
    """Exchanges worth weighing against this layout; none if all went well. names: of the lines,
    by pin index (pins beyond them are free ones). The first round is the sweep itself."""
    if not any(_troubles(view) for view in rounds):
        return
    if _troubles(rounds[0]) >= ENOUGH_TROUBLE:
        lines = _exchanged_lines(layout, names, rounds[0])
        if lines is not None:
            yield lines
            return
    seen: set[str] = set()
    for view in rounds[1:]:
        for exchange in _lines_of_asked(layout, names, view):
            if exchange.what not in seen:
                seen.add(exchange.what)
                yield exchange
    for view in rounds:
        for exchange in _exchanged_keys(layout, view):
            if exchange.what not in seen:
                seen.add(exchange.what)
                yield exchange


def matched(alignment: Alignment, t: int) -> int | None:
    """The asked key (its index) that answer t most likely belongs to in its turn, if any."""
    if alignment.match.shape[1] == 0:
        return None
    n = int(alignment.match[t].argmax())
    return n if alignment.match[t, n] >= LIKELY else None


def _troubles(view: RoundView) -> int:
    """How many answers are not the exact answer of a key whose turn it was, or of a later one,
    and how many keys were passed, or left out before the latest answer."""
    turns = [matched(view.alignment, t) for t in range(len(view.exact))]
    done = {n for n in turns if n is not None}
    left_out = set(range(max(done, default=0))) - done
    left_out.update(n for n, p in enumerate(view.alignment.silent) if p >= LIKELY)
    count, before = len(left_out), -1
    for n, exact in zip(turns, view.exact, strict=True):
        if n is None or n <= before or view.asked[n] not in exact:
            count += 1
        before = before if n is None else n
    return count


def _exchanged_lines(
    layout: Mapping[str, Pair], names: Sequence[str], view: RoundView
) -> Exchange | None:
    """The exchange of whole lines that the answers of one round suggest, if they suggest any."""
    asked = view.asked
    answers = [_pair(layout, *answer) for answer in zip(view.appeared, view.exact, strict=True)]
    number = {key: k for k, key in enumerate(layout)}
    pairs = np.array(list(layout.values()))
    steps = [Step(_guess(pairs, answer), False, True) for answer in answers]
    silent = np.full((len(steps) + 1, len(asked)), ODDS.silent)
    aligned = align(steps, [number[k] for k in asked], silent, finished=False, odds=GUESS_ODDS)
    votes: dict[int, Counter[int]] = {}
    for t, answer in enumerate(answers):
        n = int(aligned.match[t].argmax())
        if aligned.match[t, n] < 0.5 or answer is None:
            continue
        for line, seen in zip(layout[asked[n]], answer, strict=True):
            votes.setdefault(line, Counter())[seen] += 1
    moved = dict(_winners(votes))
    # Half an exchange is none: the keys of the other line are not reached yet, or are dead.
    if any(pin < len(names) and pin not in moved for pin in moved.values()):
        return None
    return _move_lines(layout, names, moved) if moved else None


def _winners(votes: Mapping[int, Counter[int]]) -> Iterator[tuple[int, int]]:
    """(line, pin it is seen on) of the lines that have moved, strongest first."""
    found = []
    for line, seen in sorted(votes.items()):
        pin, count = min(seen.items(), key=lambda item: (-item[1], item[0]))
        if pin != line and count >= LEAST_VOTES and count >= LEAST_SHARE * seen.total():
            found.append((-count, line, pin))
    taken: set[int] = set()
    for _, line, pin in sorted(found):
        if pin not in taken:
            taken.add(pin)
            yield line, pin


def _move_lines(
    layout: Mapping[str, Pair],
    names: Sequence[str],
    moved: Mapping[int, int],
    prior: float = LEADS_PRIOR,
) -> Exchange:
    """The exchange in which each line index of `moved` is found on the pin it maps to."""
    changes = tuple(
        (key, (moved.get(drive, drive), moved.get(sense, sense)))
        for key, (drive, sense) in layout.items()
        if drive in moved or sense in moved
    )
    what = ", ".join(
        f"{names[line]} answers as {names[pin] if pin < len(names) else 'a free pin'}"
        for line, pin in sorted(moved.items())
    )
    return Exchange(changes, log(prior) * ((len(moved) + 1) // 2), what, True)


def _exchanged_keys(layout: Mapping[str, Pair], view: RoundView) -> list[Exchange]:
    """Pairs of keys that may have changed places, from one aligned round.

    A key that only ever answered out of turn is paired with the one that was being asked then.
    """
    asked = view.asked
    own = [exact[0] if len(exact) == 1 else None for exact in view.exact]
    turns = [matched(view.alignment, t) for t in range(len(own))]
    in_turn = {own[t] for t, n in enumerate(turns) if n is not None and own[t] == asked[n]}
    answered = set(own)
    place = 0
    found: dict[tuple[str, str], Exchange] = {}
    for key, n in zip(own, turns, strict=True):
        if n is None and key is not None and key not in in_turn and place < len(asked):
            other = asked[place]
            pair = (min(key, other), max(key, other))
            if other != key and other in answered and pair not in found:
                moved = ((key, layout[other]), (other, layout[key]))
                found[pair] = Exchange(
                    moved, log(KEYS_PRIOR), f"{other} and {key} exchanged", False
                )
        elif n is not None:
            place = n + 1
    return list(found.values())[:MOST_PAIRS]


def _lines_of_asked(
    layout: Mapping[str, Pair], names: Sequence[str], view: RoundView
) -> Iterator[Exchange]:
    """Exchanges of two lines that one answer to a key asked for once more suggests. One of them may
    be broken besides, so that it has no answers to compare."""
    for t, answer in enumerate(zip(view.appeared, view.exact, strict=True)):
        n, pair = matched(view.alignment, t), _pair(layout, *answer)
        if n is None or pair is None:
            continue
        moved = [(a, b) for a, b in zip(layout[view.asked[n]], pair, strict=True) if a != b]
        if len(moved) == 1 and max(moved[0]) < len(names):
            line, pin = moved[0]
            yield _move_lines(layout, names, {line: pin, pin: line}, ASKED_PRIOR)


def _pair(
    layout: Mapping[str, Pair], appeared: frozenset[Pair], exact: Sequence[str]
) -> Pair | None:
    """The one crossing that an answer shows; None if it shows several, or none."""
    if len(exact) == 1:
        return layout[exact[0]]
    return next(iter(appeared)) if len(appeared) == 1 else None


def _guess(pairs: NDArray[np.int_], answer: Pair | None) -> Floats:
    """How well an answer fits each (drive, sense): own, near or any."""
    if answer is None:
        return np.full(len(pairs), GUESS_ANY)
    return np.array([GUESS_ANY, GUESS_NEAR, GUESS_OWN])[(pairs == answer).sum(axis=1)]
