"""Watches of a held crossing -> how it closed, and how often it opened while held. Pure.

Figures: makers of key switches state at most 1 to 5 ms of bounce, of tact switches up to 10 ms;
Ganssle, "A Guide to Debouncing" (2008): 16 of 18 kinds of switch below 6.2 ms (from memory). What
lies beyond all of these stands out. A held contact that opens again, however shortly, does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from keydiag.circuit import Circuit
from keydiag.contacts.places import Notice, NoticeKind, by_place
from keydiag.sources.base import EdgesAt

__all__ = ["BOUNCE_US", "Steadiness", "judge_steadiness", "steadiness"]

BOUNCE_US = 10_000
# A contact has settled when it stays closed for so long: more than the longest bounce above.
SETTLED_US = 10_000
# After that a closed piece shorter than this belongs to the drop-out around it (own judgement).
CLOSED_US = 2_000
# An opening longer than this is taken for the finger, not for a joint: nobody lets go and presses
# again in less (own judgement, no source).
LET_GO_US = 100_000


@dataclass(frozen=True, slots=True)
class Steadiness:
    """What a crossing did while its key was to be held. Times in microseconds.

    settled: it was closed for SETTLED_US at least once. bounce_us: from the first closure until it
    had settled; None if that was not watched. dropouts, longest_us: how often it opened between
    settled closures, and for how long at the longest. let_go: openings too long to be a drop-out.
    closed_us: closed in all. gap_us: what is shorter may have gone unseen.
    """

    settled: bool
    bounce_us: int | None
    dropouts: int
    longest_us: int
    let_go: int
    closed_us: int
    gap_us: int

    @property
    def closed_at_all(self) -> bool:
        return self.closed_us > 0


@dataclass(slots=True)
class _Run:
    begun_us: int
    end_us: int
    closed: bool
    seen: bool  # how it began: not between two watches

    @property
    def length_us(self) -> int:
        return self.end_us - self.begun_us


def steadiness(watches: Sequence[EdgesAt]) -> Steadiness:
    """Sum up watches of one crossing, in the order of time. Between two of them it is taken to have
    stayed as it was, if both ends agree."""
    runs = _runs(watches)
    gap_us = max((watch.gap_us for watch in watches), default=0)
    closed_us = sum(run.length_us for run in runs if run.closed)
    settled = [n for n, run in enumerate(runs) if run.closed and run.length_us >= SETTLED_US]
    if not settled:
        return Steadiness(False, None, 0, 0, 0, closed_us, gap_us)
    first, last = settled[0], settled[-1]
    bounce_us = None
    touched = next(run for run in runs if run.closed)
    if touched.seen:
        bounce_us = runs[first].begun_us - touched.begun_us
    lengths = _openings(runs[first + 1 : last + 1])
    short = [length for length in lengths if length <= LET_GO_US]
    return Steadiness(
        True, bounce_us, len(short), max(short, default=0), len(lengths) - len(short), closed_us,
        gap_us,
    )  # fmt: skip


def _runs(watches: Sequence[EdgesAt]) -> list[_Run]:
    """The crossing open and closed by turns."""
    runs: list[_Run] = []
    for watch in watches:
        state, times = watch.closed, (0, *watch.at_us, watch.watched_us)
        for begun, end in zip(times[:-1], times[1:], strict=True):
            if runs and runs[-1].closed == state:
                runs[-1].end_us = watch.t_us + end
            else:
                if runs:
                    runs[-1].end_us = watch.t_us + begun
                runs.append(_Run(watch.t_us + begun, watch.t_us + end, state, begun > 0))
            state = not state
    return runs


def _openings(runs: Sequence[_Run]) -> list[int]:
    """How long each opening lasted; `runs` begin open and end closed for long, or are none."""
    found: list[int] = []
    begun_us: int | None = None
    for run in runs:
        if not run.closed and begun_us is None:
            begun_us = run.begun_us
        elif run.closed and run.length_us >= CLOSED_US and begun_us is not None:
            found.append(run.begun_us - begun_us)
            begun_us = None
    return found


def judge_steadiness(
    circuit: Circuit, watched: Mapping[str, Steadiness], *, bounce_us: int = BOUNCE_US
) -> tuple[Notice, ...]:
    """What stands out among held keys. bounce_us: longest bounce at closing that is not told."""
    seen = {key: each for key, each in watched.items() if each.closed_at_all}
    bad = [key for key, each in seen.items() if each.dropouts or not each.settled]
    good = [key for key in seen if key not in bad]
    notices = []
    for spot in by_place(circuit, bad, good):
        restless = not any(seen[key].settled for key in spot.keys)
        kind: NoticeKind = "no rest" if restless else "drop-outs"
        notices.append(Notice(kind, spot.places, spot.keys, spot.shared))
    for key in good:
        took = seen[key].bounce_us
        if took is not None and took > bounce_us:
            notices.append(Notice("bounce", (f"{key} switch",), (key,)))
    return tuple(notices)
