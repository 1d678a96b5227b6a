"""Alignment: which of the keys that were to be pressed gave which of the answers seen.

Here: a hidden Markov model of a builder who presses keys in a given order, worked out exactly
(forward-backward, numpy). Not here: what is made of it for the builder (sweep.py).

States: 0..N, how many of the N asked keys are behind us, and one state "free" for a builder who
follows no order. Each answer moves the state on:

    next    from p to q > p: key q answered, the keys between gave no sign
    stay    p to p: a wrong key by mistake, the key before once more, or a stray contact
    jump    p to any q: the builder went to another place and goes on from there
    free    to and within the free state: answers are ticked off as they come

This is the profile alignment of sequence analysis (Durbin, Eddy, Krogh & Mitchison, Biological
Sequence Analysis, 1998, chapter 5: from memory) with silent keys as its deletions and slips as
its insertions; runs of silent keys cost less after the first if they share a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keydiag.observe.answers import Answer

__all__ = ["ODDS", "Alignment", "Odds", "Step", "align"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Odds:
    """Every probability of the model. What fails, and how often: as faults/priors.toml (common
    practice, no source). What hands do: own judgement, no source; a factor of two in either
    direction changes no case in the tests."""

    # What a pressed key does. Answers are per answer of that sort; the sorts that leave open
    # *which* foreign crossing is seen are spread over the crossings there are (see `spread`).
    exact: float = 0.95
    reversed: float = 0.006
    both: float = 0.0015
    more: float = 0.01
    part: float = 0.005
    near: float = 0.01
    elsewhere: float = 0.001
    # The same odd answer as when this key was asked for the last time.
    same_again: float = 0.5
    # A pressed key that gives no sign: three joints of 0.004 each, and its parts.
    silent: float = 0.015
    # ... if another key on one of its lines gives none either: a broken stretch, a lead.
    silent_kin: float = 0.3
    # ... if at least two others on that line give none: then the line is broken there.
    silent_run: float = 0.95
    # ... if it never answered in an earlier round either.
    silent_again: float = 0.9
    # ... if nothing could be seen at rest as it is (its line is grounded).
    silent_masked: float = 0.97
    # The builder passes over a key without pressing it: by mistake; because he pressed it before.
    skipped: float = 0.003
    skipped_seen: float = 0.3
    # The builder presses a wrong key, and then the right one; presses a key twice; goes to
    # another place; stops following the order; stops altogether before the end.
    wrong: float = 0.01
    double: float = 0.01
    jump: float = 0.002
    leave_order: float = 0.001
    stop: float = 0.002
    # Out of order: stays so for one more key; comes back into line.
    stay_free: float = 0.95
    back_in_order: float = 0.05
    # A contact that is nobody's press: a clip lead brushing by. Steady, and unsteady.
    stray: float = 0.0002
    stray_unsteady: float = 0.02
    # A press whose contact never held still for STEADY_US.
    unsteady: float = 0.03


ODDS = Odds()


@dataclass(frozen=True, slots=True)
class Step:
    """One answer: `like[k]`, how likely key k (all keys of the half) would give it if pressed;
    `repeat`, whether it equals the answer before; `steady`."""

    like: Floats
    repeat: bool
    steady: bool


@dataclass(frozen=True, slots=True)
class Alignment:
    """The outcome, for T answers and N asked keys. All entries are posterior probabilities.

    match[t, n]: answer t is the answer of asked key n, in its turn or after a jump. Otherwise
    answer t is wrong[t]: some key's out of turn; double[t]: the key before once more; stray[t]:
    nobody's; free[t]: given by a builder who follows no order.
    silent[n]: key n was passed without a sign.
    place[p]: now, p asked keys are behind us; place[N + 1]: free.
    log_evidence: natural logarithm of the probability of all answers.
    """

    match: Floats
    wrong: Floats
    double: Floats
    stray: Floats
    free: Floats
    silent: Floats
    place: Floats
    log_evidence: float


def spread(answer: Answer, pins: int, odds: Odds = ODDS) -> float:
    """How likely a pressed key gives this one answer of that sort, on a half with `pins` pins."""
    match answer:
        case Answer.EXACT:
            return odds.exact
        case Answer.REVERSED:
            return odds.reversed
        case Answer.BOTH:
            return odds.both
        case Answer.MORE:
            return odds.more / pins  # a bridge adds a crossing on one of its lines
        case Answer.PART:
            return odds.part
        case Answer.NEAR:
            return odds.near / (2 * pins)  # one of its lines stays, the other is any
        case Answer.ELSEWHERE:
            return odds.elsewhere / (pins * pins)


def align(
    steps: Sequence[Step],
    asked: Sequence[int],
    silent: Floats,
    *,
    finished: bool,
    odds: Odds = ODDS,
) -> Alignment:
    """Align the answers with the asked keys (indices into `Step.like`).

    silent[t, n], shape (T + 1, N): how likely asked key n gives no sign between answer t - 1 and
    answer t; row T is for after the last answer. finished: the builder has stopped, so the keys
    after the last answer were pressed in vain or not at all. Cost: T times N.
    """
    count, n = len(steps), len(asked)
    # A product of silent keys from p to q is a quotient of two cumulative products, and an
    # exponential of at most 690 still is a float.
    logs = np.maximum(np.log(silent), -690.0 / max(1, n))
    behind = np.concatenate([np.zeros((count + 1, 1)), np.cumsum(logs, axis=1)], axis=1)

    follow = 1 - odds.wrong - odds.double - odds.jump - odds.leave_order
    jump, back = odds.jump / max(1, n), odds.back_in_order / max(1, n)
    every = (
        np.array([step.like for step in steps])
        if steps
        else np.zeros((0, max(asked, default=0) + 1))
    )
    steady = np.array([step.steady for step in steps], dtype=bool)
    every = every * np.where(steady, 1.0, odds.unsteady)[:, None]
    anyone = every.mean(axis=1)
    likes = every[:, np.asarray(asked, dtype=np.intp)]
    doubles = np.array([step.repeat for step in steps], dtype=float) * odds.double
    doubles *= np.where(steady, 1.0, odds.unsteady)
    strays = np.where(steady, odds.stray, odds.stray_unsteady) / every.shape[1]
    wrongs = odds.wrong * anyone
    stays = wrongs + doubles + strays
    leave, stay_free = odds.leave_order * anyone, odds.stay_free * anyone + strays
    # A step from p to q has the weight follow * likes[q] * silent[p] * ... * silent[q - 1].
    out_of = follow * np.exp(-behind[:-1, :-1])
    into = likes * np.exp(behind[:-1, :-1])

    # Forward: ahead[t] = state after t answers, scaled to sum 1; the scales make the evidence.
    ahead = np.zeros((count + 1, n + 2))
    ahead[0, 0] = 1.0
    scales = np.ones(count + 1)
    for t in range(count):
        now, after = ahead[t], ahead[t + 1]
        free = now[-1]
        after[:-1] = now[:-1] * stays[t]
        after[1:-1] += into[t] * _add_up(now[:-2] * out_of[t])
        after[1:-1] += likes[t] * (jump * (1.0 - free) + back * free)
        after[-1] = leave[t] * (1.0 - free) + stay_free[t] * free
        scales[t] = after.sum()
        after /= scales[t]

    # Backward: hence[t] = probability of what follows, given the state after t answers, scaled
    # so that with `ahead` it sums to 1.
    hence = np.ones((count + 1, n + 2))
    if finished:
        hence[count, :-1] = _ending(behind[count], odds)
    scales[count] = ahead[count] @ hence[count]
    hence[count] /= scales[count]
    for t in range(count - 1, -1, -1):
        then, before = hence[t + 1], hence[t]
        somewhere = float(likes[t] @ then[1:-1])
        before[:-1] = then[:-1] * stays[t] + (jump * somewhere + leave[t] * then[-1])
        before[:-2] += out_of[t] * _add_up((into[t] * then[1:-1])[::-1])[::-1]
        before[-1] = stay_free[t] * then[-1] + back * somewhere
        before /= ahead[t] @ before

    # Posteriors. gain[t]: what turns products of ahead and hence into probabilities.
    now, then = ahead[:-1], hence[1:]
    free = now[:, -1]
    upto = np.cumsum(now[:, :-2] * out_of, axis=1)
    came = into * then[:, 1:-1]
    match = came * upto
    match += likes * then[:, 1:-1] * (jump * (1.0 - free) + back * free)[:, None]
    kept_place = (now[:, :-1] * then[:, :-1]).sum(axis=1)
    freed = then[:, -1] * (leave * (1.0 - free) + stay_free * free)
    gain = 1.0 / (match.sum(axis=1) + kept_place * stays + freed)

    # Key r is silent where the state goes from p <= r to q > r + 1 in one step.
    passed = np.zeros(n)
    if n:
        beyond = np.cumsum(came[:, ::-1], axis=1)[:, ::-1]
        passed[:-1] = (gain[:, None] * upto[:, :-1] * beyond[:, 1:]).sum(axis=0)
    if finished and n:
        upto_end = np.cumsum(ahead[count, :-2] * np.exp(-behind[count, :-1]))
        passed += upto_end * _pressed_until(behind[count], odds)[1:] / scales[count]
    place = ahead[count] * hence[count]
    return Alignment(
        match=match * gain[:, None],
        wrong=kept_place * wrongs * gain,
        double=kept_place * doubles * gain,
        stray=kept_place * strays * gain,
        free=freed * gain,
        silent=np.clip(passed, 0.0, 1.0),
        place=place / place.sum(),
        log_evidence=float(np.log(scales).sum()),
    )


_add_up = np.add.accumulate


def _pressed_until(behind: Floats, odds: Odds) -> Floats:
    """Entry j: the builder pressed on silently through key j or further, and then stopped."""
    stops = np.full(len(behind), odds.stop)
    stops[-1] = 1.0
    return np.cumsum((np.exp(behind) * stops)[::-1])[::-1]


def _ending(behind: Floats, odds: Odds) -> Floats:
    """How likely nothing more is seen, for each number of keys behind us."""
    return np.exp(-behind) * _pressed_until(behind, odds)
