"""Which press was which key, on a half nobody has described.

The keys are pressed in a known order, but a dead key gives no answer, and no expected crossing
tells which one that was. So keys are counted: where as many answers came as keys were pressed, they
follow each other. Where fewer came, the key in the middle is asked for alone; its answer, found
again among the others, cuts the rest in two, and so on. One dead key among 41 costs some six
presses more, wherever it is and whatever else is wrong.

Pure; time and prompts are the learner's (learner.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from keydiag.learn.answers import Answer

# A run of this many keys without a sign is no slip of the hand: its ends are asked for, not all.
RUN = 3


@dataclass(frozen=True)
class Settled:
    """How far it is known which answer is whose."""

    answer: dict[str, Answer]
    """Key -> its answer."""
    silent: tuple[str, ...]
    """Keys that gave none."""
    open: tuple[tuple[str, ...], ...]
    """Runs of keys of which some have an answer, but not yet known which."""
    strays: int
    """Answers that are no key's."""
    ask: str | None
    """The key to press alone next; None if all is settled."""


def settle(
    order: Sequence[str],
    answers: Sequence[Answer],
    alone: dict[str, Answer | None],
    bridged: frozenset[int] = frozenset(),
) -> Settled:
    """Lay answers on keys.

    Args:
        order: the keys in the order in which they were pressed.
        answers: the answers of that sweep, oldest first.
        alone: what keys said that were asked for alone; None for no sign.
        bridged: groups of pins that are several lines in one, so that keys may answer alike.
    """
    answers = _without_repeats(answers, bridged)
    again = _found_again(order, answers, alone)
    anchors = _growing(again)
    # Answers of keys that were pressed out of turn: their keys are known, so they count nowhere.
    spent = {n for _, n in again} - {n for _, n in anchors}
    found: dict[str, Answer] = {}
    silent: list[str] = []
    runs: list[tuple[str, ...]] = []
    strays = 0
    edges = [(-1, -1), *anchors, (len(order), len(answers))]
    for (key_from, from_), (key_to, to) in zip(edges, edges[1:], strict=False):
        keys = [key for key in order[key_from + 1 : key_to] if key not in alone]
        between = [answers[n] for n in range(from_ + 1, to) if n not in spent]
        if len(keys) == len(between):
            found |= dict(zip(keys, between, strict=True))
        elif not between:
            silent += keys
        elif not keys:
            strays += len(between)
        else:
            runs.append(tuple(keys))
    for key, answer in alone.items():
        if answer is None:
            silent.append(key)
        else:
            found[key] = answer
    silent.sort(key=list(order).index)
    ask = runs[0][len(runs[0]) // 2] if runs else None
    if runs and len(order) == len(answers):
        # None is missing, so keys were pressed out of turn: who had the turn of one that was?
        others = (order[n] for place, n in again if n != place)
        ask = next((key for key in others if key not in alone), ask)
    if ask is None:
        ask = _to_confirm(order, found, silent, alone, bridged)
    return Settled(found, tuple(silent), tuple(runs), strays, ask)


def _without_repeats(answers: Sequence[Answer], bridged: frozenset[int]) -> list[Answer]:
    """The answers, less those of a key that was pressed twice in a row."""
    out: list[Answer] = []
    for answer in answers:
        alike = any(group in bridged for pair in answer.pairs for group in pair)
        if not out or alike or out[-1].pairs != answer.pairs:
            out.append(answer)
    return out


def _found_again(
    order: Sequence[str], answers: Sequence[Answer], alone: dict[str, Answer | None]
) -> list[tuple[int, int]]:
    """(place of a key in the order, place of its answer in the sweep) of the keys that were asked
    for alone and are found again, in order."""
    found: list[tuple[int, int]] = []
    for place, key in enumerate(order):
        answer = alone.get(key)
        if answer is None:
            continue
        taken = {n for _, n in found}
        same = [
            n for n in range(len(answers)) if answers[n].pairs == answer.pairs and n not in taken
        ]
        if same:  # of several that are alike the one nearest to where it would be by count
            found.append((place, min(same, key=lambda n: abs(n - place))))
    return found


def _growing(pairs: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """The longest part of the pairs in which the second numbers grow as the first ones do."""
    best: list[list[tuple[int, int]]] = []
    for pair in pairs:
        before = max((b for b in best if b[-1][1] < pair[1]), key=len, default=[])
        best.append([*before, pair])
    return max(best, key=len, default=[])


def _to_confirm(
    order: Sequence[str],
    found: dict[str, Answer],
    silent: Sequence[str],
    alone: dict[str, Answer | None],
    bridged: frozenset[int],
) -> str | None:
    """A key worth asking alone although the count is right: silent so far, or on a crossing that
    another key has as well."""
    run: list[str] = []
    for key in (*order, None):
        if key is not None and key in silent:
            run.append(key)
            continue
        wanted = run if len(run) < RUN else [run[0], run[-1]]
        for each in wanted:
            if each not in alone:
                return each
        run = []
    for key in order:
        answer = found.get(key)
        if answer is None or key in alone:
            continue
        if any(group in bridged for pair in answer.pairs for group in pair):
            continue
        if any(other != key and found[other].pairs & answer.pairs for other in found):
            return key
    return None
