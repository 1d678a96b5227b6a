"""Hands for a virtual half: a script of presses and releases, with or without human slips.

Durations are own judgement, no source: an unhurried finger holds a key 60 to 120 ms and takes
100 to 250 ms to the next.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Literal, Self

__all__ = ["Act", "HandScript", "Slips"]

HOLD_US = (60_000, 120_000)
GAP_US = (100_000, 250_000)
LOOK_FIRST_US = 500_000  # before the first press: rest is learned meanwhile


@dataclass(frozen=True, slots=True)
class Act:
    """One movement of a finger, in microseconds since the hands began."""

    t_us: int
    what: Literal["press", "release"]
    key: str


@dataclass(frozen=True, slots=True)
class Slips:
    """How likely, per key: another key is pressed first; the key is pressed twice; it is passed
    over; its neighbour in the order is pressed before it; the next key is pressed before it is
    released (rollover)."""

    wrong: float = 0.0
    double: float = 0.0
    skip: float = 0.0
    exchange: float = 0.0
    rollover: float = 0.0


NO_SLIPS = Slips()


@dataclass(frozen=True, slots=True)
class HandScript:
    """Movements in the order of time."""

    acts: tuple[Act, ...]

    @property
    def length_us(self) -> int:
        """When the last movement is made."""
        return self.acts[-1].t_us if self.acts else 0

    @property
    def pressed(self) -> tuple[str, ...]:
        """The keys in the order in which they are really pressed, slips included."""
        return tuple(act.key for act in self.acts if act.what == "press")

    @classmethod
    def sweep(
        cls,
        keys: Sequence[str],
        seed: int = 0,
        slips: Slips = NO_SLIPS,
        start_us: int = LOOK_FIRST_US,
    ) -> Self:
        """Press these keys one after the other. The same seed gives the same script."""
        random = Random(seed)
        acts: list[Act] = []
        t_us = start_us
        for key in _with_slips(keys, random, slips):
            release_us = t_us + random.randint(*HOLD_US)
            acts += [Act(t_us, "press", key), Act(release_us, "release", key)]
            gap_us = random.randint(*GAP_US)
            if random.random() < slips.rollover:
                gap_us = -random.randint(15_000, 40_000)  # the next comes before this one is up
            t_us = release_us + gap_us
        return cls(_in_order(acts))


def _with_slips(keys: Sequence[str], random: Random, slips: Slips) -> Iterable[str]:
    todo = list(keys)
    while todo:
        if len(todo) > 1 and random.random() < slips.exchange:
            todo[0], todo[1] = todo[1], todo[0]
            yield todo.pop(0)
            yield todo.pop(0)
            continue
        key = todo.pop(0)
        if random.random() < slips.skip:
            continue
        others = [other for other in keys if other != key]
        if others and random.random() < slips.wrong:
            yield random.choice(others)
        yield key
        if random.random() < slips.double:
            yield key


def _in_order(acts: Iterable[Act]) -> tuple[Act, ...]:
    """By time; of one key the press before the release, should they ever meet."""
    return tuple(sorted(acts, key=lambda act: (act.t_us, act.what == "press")))
