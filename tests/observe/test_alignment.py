"""The hidden Markov model against a plain enumeration of everything the builder may have done.

`align` works with cumulative products and sums; the reference below walks every path of the model
as its docstring describes it, one weight after the other, and adds them up.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag.observe.alignment import ODDS, Step, align

N_KEYS = 3
FREE = -1


def weights(step: Step, silent: np.ndarray, asked: list[int], p: int, q: int) -> dict[str, float]:
    """The ways from place p to place q with this answer, by name."""
    n = len(asked)
    kept = 1.0 if step.steady else ODDS.unsteady
    like = step.like * kept
    anyone = float(like.mean())
    stray = (ODDS.stray if step.steady else ODDS.stray_unsteady) / len(like)
    if p == FREE and q == FREE:
        return {"free": ODDS.stay_free * anyone + stray}
    if p == FREE:
        return {"match": ODDS.back_in_order / n * like[asked[q - 1]]} if q > 0 else {}
    if q == FREE:
        return {"free": ODDS.leave_order * anyone}
    ways = {}
    if q > 0:
        ways["match"] = ODDS.jump / n * float(like[asked[q - 1]])
    if q > p:
        follow = 1 - ODDS.wrong - ODDS.double - ODDS.jump - ODDS.leave_order
        passing = float(np.prod(silent[p : q - 1]))
        ways["next"] = follow * passing * float(like[asked[q - 1]])
    if q == p:
        ways["wrong"] = ODDS.wrong * anyone
        ways["double"] = ODDS.double * kept if step.repeat else 0.0
        ways["stray"] = stray
    return ways


def ending(silent: np.ndarray, p: int, j: int) -> float:
    """From place p: pressed silently until place j, then stopped (or was through)."""
    n = len(silent)
    stop = 1.0 if j == n else ODDS.stop
    return float(np.prod(silent[p:j])) * stop


def enumerate_all(steps: list[Step], silent: np.ndarray, asked: list[int], finished: bool) -> dict:
    n, count = len(asked), len(steps)
    total = 0.0
    match, passed = np.zeros((count, n)), np.zeros(n)
    place = np.zeros(n + 2)
    kinds = {name: np.zeros(count) for name in ("wrong", "double", "stray", "free")}
    places = [*range(n + 1), FREE]
    for path in product(places, repeat=count):
        legs = [
            weights(step, silent[t], asked, p, q).items()
            for t, (step, p, q) in enumerate(zip(steps, (0, *path), path, strict=False))
        ]
        last = path[-1] if path else 0
        ends = [(last, 1.0)]
        if finished and last != FREE:
            ends = [(j, ending(silent[count], last, j)) for j in range(last, n + 1)]
        for ways in product(*legs):
            weight = float(np.prod([w for _, w in ways]))
            for end, end_weight in ends:
                w = weight * end_weight
                total += w
                for t, (name, _) in enumerate(ways):
                    before = path[t - 1] if t else 0
                    if name in kinds:
                        kinds[name][t] += w
                    else:
                        match[t, path[t] - 1] += w
                        if name == "next":
                            passed[before : path[t] - 1] += w
                if end != FREE:
                    passed[last:end] += w
                place[n + 1 if last == FREE else last] += w
    out = {name: value / total for name, value in kinds.items()}
    return out | {
        "match": match / total,
        "silent": passed / total,
        "place": place / total,
        "log_evidence": np.log(total),
    }


LIKES = st.lists(st.sampled_from([0.95, 0.01, 1e-4, 1e-6]), min_size=N_KEYS, max_size=N_KEYS)
STEPS = st.lists(st.builds(Step, LIKES.map(np.array), st.booleans(), st.booleans()), max_size=3)


@settings(deadline=None, max_examples=60)
@given(STEPS, st.data())
def test_align_equals_enumeration(steps: list[Step], data: st.DataObject) -> None:
    asked = data.draw(st.lists(st.integers(0, N_KEYS - 1), min_size=1, max_size=3))
    silent = np.array(
        data.draw(
            st.lists(
                st.lists(st.floats(0.001, 0.97), min_size=len(asked), max_size=len(asked)),
                min_size=len(steps) + 1,
                max_size=len(steps) + 1,
            )
        )
    )
    for finished in (False, True):
        got = align(steps, asked, silent, finished=finished)
        want = enumerate_all(steps, silent, asked, finished)
        for name, value in want.items():
            # A key that is passed twice (before a jump back, and after) may count twice: clipped.
            limit = np.minimum(value, 1.0) if name == "silent" else value
            np.testing.assert_allclose(getattr(got, name), limit, rtol=1e-6, atol=1e-9)


def test_of_128_keys_nothing_underflows() -> None:
    like = np.full((128, 128), 1e-6)
    np.fill_diagonal(like, 0.95)
    steps = [Step(row, False, True) for row in like[40:]]
    aligned = align(steps, range(128), np.full((89, 128), 0.015), finished=True)
    assert np.isfinite(aligned.log_evidence)
    assert aligned.match[-1, 127] == pytest.approx(1.0, abs=1e-3)


def test_nothing_asked_nothing_answered() -> None:
    aligned = align([], [], np.zeros((1, 0)), finished=True)
    assert aligned.place[0] == 1.0 and aligned.silent.shape == (0,)
