"""How the contacts of a virtual half close and open: made-up chatter with published bounds.

Figures: makers of key switches state at most 1 to 5 ms of bounce, of tact switches up to 3 ms
closing and 8 ms opening; Ganssle, "A Guide to Debouncing" (2008): mean 1.6 ms over 18 types of
switch, and all but two of them below 6.2 ms (from memory). The shape of the distribution, and all
of worn contacts and cold joints, is invented.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from random import Random

__all__ = ["Character", "chatter", "holds_us", "lets_go_us"]

MEAN_US = 1_600
MOST_CLOSING_US = 6_200
MOST_OPENING_US = 8_000
SPREAD = 0.7  # sigma of the log-normal: one key in six bounces twice as long as the median
SHORTEST_US, LONGEST_US = 60, 700  # one closed or open piece of the chatter
WORN_US = (15_000, 60_000)  # a worn or dirty contact: far beyond every maker's limit
HOLDS_US = (8_000, 40_000)  # a cold joint under a finger: how long it conducts
LETS_GO_US = (1_000, 12_000)  # ... and for how long it lets go


class Character:
    """How one key of the half bounces; drawn once, so that each key stays true to itself."""

    def __init__(self, random: Random, worn: bool = False) -> None:
        # The mean of a log-normal is exp(mu + sigma^2 / 2).
        self._mu = math.log(MEAN_US) - SPREAD**2 / 2 + random.gauss(0.0, 0.3)
        self._worn = worn

    def closing_us(self, random: Random) -> int:
        """How long this press takes to settle."""
        if self._worn:
            return random.randint(*WORN_US)
        return min(MOST_CLOSING_US, round(random.lognormvariate(self._mu, SPREAD)))

    def opening_us(self, random: Random) -> int:
        """How long this release takes to settle."""
        if self._worn:
            return random.randint(*WORN_US)
        return min(MOST_OPENING_US, round(random.lognormvariate(self._mu, SPREAD)))


def chatter(random: Random, t_us: int, length_us: int, closed: bool) -> Iterator[tuple[int, bool]]:
    """(time, closed) from the first touch or parting at `t_us` until it is settled as `closed`
    at most `length_us` later. The first and the last entry have the settled state."""
    yield t_us, closed
    end_us = t_us + length_us
    state = closed
    while True:
        t_us += random.randint(SHORTEST_US, LONGEST_US)
        if t_us >= end_us:
            break
        state = not state
        yield t_us, state
    if state != closed:
        yield end_us, closed


def holds_us(random: Random) -> int:
    """How long a cold joint conducts until it lets go, while a finger flexes it."""
    return random.randint(*HOLDS_US)


def lets_go_us(random: Random) -> int:
    """... and for how long it lets go then."""
    return random.randint(*LETS_GO_US)
