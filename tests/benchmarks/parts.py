"""The parts of the benchmark: each runs its cases and returns its figures, as plain values for
JSON.  Not here: one case (the other modules), and how figures are printed (`tables`).
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple, TypeVar

from keydiag.faults import Fault, describe
from tests.benchmarks import alarms, claims, halves, ranking, rounds, speed
from tests.benchmarks.builder import NO_SLIPS, SLIPS
from tests.benchmarks.cases import Bench

Figures = dict[str, Any]
T = TypeVar("T")

WAYS: tuple[rounds.Way, ...] = ("one by one", "together", "meter")
# All explanations are only looked for up to so many faults: of more, hardly any case is complete.
MOST_EXACT = 3
EXACT_CASES = 15  # per number of faults, at most: seconds each
# The solver's proof takes seconds for two faults, minutes for more.
MOST_SOLVED = 2
SOLVED_CASES = 6


class Lot(NamedTuple):
    """What to play on and how much of it."""

    benches: list[Bench]
    seed: int
    cases: int  # per number of faults

    @property
    def some(self) -> int:
        """For what takes long."""
        return max(2, self.cases // 2)

    @property
    def few(self) -> int:
        return max(2, self.cases // 5)


def lot(tune: bool, seed: int, cases: int) -> Lot:
    chosen = halves.for_tuning() if tune else halves.for_reporting()
    return Lot([Bench(name, circuit) for name, circuit in chosen.items()], seed, cases)


def rank(lot: Lot) -> Figures:
    """Places of the truth, engine's and exact ones, per number of faults."""
    out: Figures = {}
    for count in ranking.COUNTS:
        made = ranking.cases(lot.benches, lot.seed, lot.cases, (count,))
        exact = min(lot.some, EXACT_CASES) if count <= MOST_EXACT else 0
        solved = min(lot.few, SOLVED_CASES) if count <= MOST_SOLVED else 0
        ranked = [
            ranking.rank(
                *case,
                exact=n < exact,
                solver=n < solved,
            )
            for n, case in enumerate(told(f"rank, {count} faults", made, lot.cases))
        ]
        out[str(count)] = _ranked(ranked, min(exact, lot.cases))
    return out


def _ranked(ranked: Sequence[ranking.Ranked], asked: int) -> Figures:
    complete = [r for r in ranked if r.exact is not None]
    solved = [r for r in ranked if r.solver_s is not None]
    return {
        "cases": len(ranked),
        **{f"top {n}": share(ranked, lambda r, n=n: 0 < r.engine <= n) for n in (1, 3, 5)},
        **{f"hands, top {n}": share(ranked, lambda r, n=n: 0 < r.hands <= n) for n in (1, 3, 5)},
        "relabelled": share(ranked, lambda r: r.relabelled),
        "first of those labelled right": share(
            [r for r in ranked if not r.relabelled], lambda r: r.hands == 1
        ),
        "some hidden": share(ranked, lambda r: r.hidden > 0),
        "whole set first": share(ranked, lambda r: r.engine == 1 and not r.hidden),
        "exact": {
            "asked": asked,
            "complete": len(complete),
            "ceiling": share(complete, lambda r: r.exact == 1),
            "engine": share(complete, lambda r: r.engine == 1),
            "ceiling, top 5": share(complete, lambda r: 0 < (r.exact or 0) <= 5),
            "engine, top 5": share(complete, lambda r: 0 < r.engine <= 5),
            "below": [_case(r) for r in complete if r.exact == 1 != r.engine],
            "share apart": mean([abs(r.engine_share - (r.exact_share or 0.0)) for r in complete]),
        },
        "solver": {
            "cases": len(solved),
            "engine_s": mean([r.engine_s for r in solved]),
            "solver_s": mean([r.solver_s or 0.0 for r in solved]),
        },
        "not first": [_case(r) for r in ranked if r.engine != 1],
        "not first by hand": [_case(r) for r in ranked if r.engine == 1 != r.hands],
    }


def _case(ranked: ranking.Ranked) -> Figures:
    return {
        "name": ranked.name, "faults": ranked.faults, "engine": ranked.engine,
        "hands": ranked.hands, "exact": ranked.exact, "hidden": ranked.hidden,
        "relabelled": ranked.relabelled,
    }  # fmt: skip


def repair(lot: Lot) -> Figures:
    """Rounds of repair and retest, per way to repair and number of faults."""
    out: Figures = {"least": mean([rounds.least_extra(bench) for bench in lot.benches])}
    for way in WAYS:
        number = lot.some if way == "together" else lot.cases
        for count in ranking.COUNTS:
            made = ranking.cases(lot.benches, lot.seed, number, (count,))
            played = [
                rounds.play(*case, way)
                for case in told(f"repair {way}, {count} faults", made, number)
            ]
            out.setdefault(way, {})[str(count)] = _played(played, count)
    return out


def _played(played: Sequence[rounds.Played], count: int) -> Figures:
    faults = count * len(played)
    left = sum(len(p.left) for p in played)
    return {
        "cases": len(played),
        "repaired": 1 - left / faults,
        "passed": share(played, lambda p: p.passed),
        "passed with faults left": [_half(p) for p in played if p.passed and p.left],
        "given up": [{**_half(p), "why": p.why} for p in played if not p.passed],
        "extra per half": mean([p.extra for p in played]),
        "extra per fault": sum(p.extra for p in played) / faults,
        "most extra": max(p.extra for p in played),
        "joints": mean([p.joints for p in played]),
        "rounds": mean([p.rounds for p in played]),
        "most rounds": max(p.rounds for p in played),
        "presses": mean([p.presses for p in played]),
        "measured": mean([p.measured for p in played]),
        "by chords": sum(p.by_chords > 0 for p in played),
        "worst": [
            {**_half(p), "extra": p.extra, "rounds": p.rounds}
            for p in sorted(played, key=lambda p: -p.extra)[:3]
        ],
    }


def _half(played: rounds.Played) -> Figures:
    return {"name": played.name, "faults": played.faults, "left": played.left}


def alarm(lot: Lot) -> Figures:
    """Sweeps of clean halves: by steady hands, and by hands that slip."""
    number = 10 * lot.cases
    return {
        how: _swept(
            list(
                told(
                    f"clean sweeps, {how}",
                    alarms.sweeps(lot.benches, lot.seed, number, slips),
                    number,
                )
            )
        )
        for how, slips in (("bounce", NO_SLIPS), ("bounce and slips", SLIPS))
    }


def _swept(swept: Sequence[alarms.Swept]) -> Figures:
    raised = [s for s in swept if s.alarm]
    return {
        "sweeps": len(swept),
        "alarms": len(raised),
        "at most": alarms.at_most(len(raised), len(swept)),
        "hints": sum(bool(s.hints) for s in swept),
        "not passed": sum(s.verdict != "pass" for s in swept),
        "asked": mean([s.asked for s in swept]),
        "which": [{"name": s.name, "alarm": s.alarm} for s in raised],
        "which not passed": [
            {"name": s.name, "verdict": s.verdict, "hints": s.hints}
            for s in swept
            if s.verdict != "pass" and not s.alarm
        ][:20],
    }


def claim(lot: Lot) -> Figures:
    """Claims on first builds, from the readings as they are and by hand."""
    number = 5 * lot.cases
    made = claims.first_builds(lot.benches, lot.seed, number)
    pairs = [claims.claims(*case) for case in told("claims", made, number)]
    return {
        "as they are": _claimed([plain for plain, _ in pairs]),
        "by hand": _claimed([by_hand for _, by_hand in pairs]),
    }


def _claimed(made: Sequence[claims.Claims]) -> Figures:
    brier, loss = claims.scores(made)
    bins = {
        what: [{**b._asdict(), "says": b.says} for b in claims.table(chosen)]
        for what, chosen in (
            ("findings", [c for half in made for c in half.findings]),
            ("members", [c for half in made for c in half.members]),
        )
    }
    missed = [{"name": h.name, "faults": h.faults, "missed": h.missed} for h in made if h.missed]
    return {
        "halves": len(made), **bins, "brier": brier, "log loss": loss,
        "unknown": sum(half.unknown for half in made), "missed": missed,
    }  # fmt: skip


def times(lot: Lot) -> Figures:
    """Seconds and bytes."""
    out: Figures = {"update": {}, "last press": {}, "whole": {}, "whole, 128 keys": {}}
    out["reference"], out["apart"] = speed.reference(), {}
    widest = max(lot.benches, key=lambda bench: len(bench.circuit.keys))
    large = Bench("block 8x16", halves.large())
    out["keys"] = len(widest.circuit.keys)
    for count in (0, *ranking.COUNTS):
        made = list(ranking.cases([widest], lot.seed, lot.some, (count,)))
        label = f"times, {count} faults"
        sweeps = [
            (speed.update_times(*case), f"{case[1]}: {_names(case[2])}")
            for case in told(label, made, len(made))
        ]
        taken = [(seconds, name) for swept, name in sweeps for seconds in swept]
        last = [(swept[-1], name) for swept, name in sweeps]
        out["update"][str(count)] = {
            **speed.summed_up(taken)._asdict(),
            "in time": share(taken, lambda t: t[0] <= speed.UPDATE_S),
        }
        out["last press"][str(count)] = speed.summed_up(last)._asdict()
        out["apart"][str(count)] = _apart(told(label + ", quick and full", made, len(made)))
        out["whole"][str(count)] = _whole(told(label, made, len(made)))
        many = list(ranking.cases([large], lot.seed, lot.some, (count,)))
        out["whole, 128 keys"][str(count)] = _whole(told(label + ", 128 keys", many, len(many)))
    for bench in (widest, large):
        taken = [
            speed.memory(*case) for case in ranking.cases([bench], lot.seed, 2, (5,))
        ]
        out[f"memory, {len(bench.circuit.keys)} keys"] = max(taken)
        out[f"prepare, {len(bench.circuit.keys)} keys"] = speed.prepare_time(bench)
    out["process"] = speed.process_peak()
    return out


def _whole(made: Iterable[tuple]) -> Figures:
    taken = [(speed.whole_time(*case), f"{case[1]}: {_names(case[2])}") for case in made]
    return speed.summed_up(taken)._asdict()


def _apart(made: Iterable[tuple]) -> Figures:
    pairs = [pair for case in made for pair in speed.apart(*case)]
    order = sorted(pair.probability for pair in pairs)
    return {
        "count": len(pairs),
        "worse": sum(pair.score > 0 for pair in pairs),
        "p95": order[round(0.95 * (len(order) - 1))],
        "most": order[-1],
    }


def _names(faults: Iterable[Fault]) -> str:
    return "; ".join(sorted(map(describe, faults)))


PARTS: dict[str, Callable[[Lot], Figures]] = {
    "rank": rank, "repair": repair, "alarms": alarm, "claims": claim, "times": times,
}  # fmt: skip


def share(items: Sequence[T], holds: Callable[[T], bool]) -> float | None:
    """Share of the items for which this holds; None of none."""
    return sum(map(holds, items)) / len(items) if items else None


def mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else 0.0


def told(what: str, items: Iterable[T], number: int) -> Iterator[T]:
    """The items, with a line on stderr that tells how far it has come."""
    begun = time.monotonic()
    for n, item in enumerate(items, 1):
        yield item
        if sys.stderr.isatty() or n == number:
            end = "\n" if n == number else "\r"
            took = time.monotonic() - begun
            print(f"  {what}: {n} of {number}, {took:.0f} s", file=sys.stderr, end=end, flush=True)
