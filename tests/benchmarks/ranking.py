"""Where the true group stands: the engine's order of explanations beside the exact one.

Not here: sorts of fault sets (`ranks`), all explanations (`exact`).
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass
from random import Random

from keydiag.diagnosis import Diagnostician
from keydiag.faults import describe, pack
from keydiag.faults.predict import FaultSet
from tests.benchmarks.builder import Builder
from tests.benchmarks.cases import Bench
from tests.benchmarks.exact import Exact
from tests.benchmarks.ranks import place

COUNTS = (1, 2, 3, 5)


@dataclass(frozen=True, slots=True)
class Ranked:
    """One case.

    Places of the true sort, 0 if it is not there: `engine`, from the readings as they are, each
    known to be of its key; `hands`, from what hands and contacts made of them and the sweep made
    of that; `exact`, from all explanations of the readings as they are, None if the enumeration
    was not complete or not asked for.  hidden: how many of the faults change no reading.
    relabelled: the sweep put a reading down to another key than the one held.  Shares are the
    probabilities given to the true sort.  engine_s, solver_s: process time of the engine's
    explanations, and of the MaxSAT solver's proof that there is none better (None: not asked)."""

    name: str
    bench: str
    count: int
    faults: tuple[str, ...]
    hidden: int
    relabelled: bool
    engine: int
    hands: int
    exact: int | None
    engine_share: float
    exact_share: float | None
    engine_s: float
    solver_s: float | None


def rank(
    bench: Bench, name: str, faults: FaultSet, exact: bool = True, solver: bool = False
) -> Ranked:
    """One case from its name, which decides hands and contacts, and its faults."""
    draw = Random(name)
    builder = Builder(bench.circuit, faults, draw, seed=draw.randrange(1 << 32))
    sorter = bench.sorter
    shown = sorter.shown(faults)
    truth = sorter.sort(shown)

    engine = Diagnostician(bench.circuit)
    seen = builder.course(engine)
    by_hand = sorter.ranked(engine.explain(seen)[1])

    as_it_is = builder.as_it_is()
    engine = Diagnostician(bench.circuit)  # knows nothing yet
    begun = time.process_time()
    groups = engine.explain(as_it_is)[1]
    engine_s = time.process_time() - begun
    order = sorter.ranked(groups)

    frames = [(frozenset(o.held), pack(o.reading)) for o in as_it_is]
    true = dict(frames)
    relabelled = any(o.held and true.get(frozenset(o.held)) != pack(o.reading) for o in seen)
    best = share = solver_s = None
    if exact:
        best, share = exact_place(bench, frames, shown)
    if solver:
        begun = time.process_time()
        cost = sum(map(bench.oracle.cost.__getitem__, shown))
        bench.oracle.prove(as_it_is, cost + 1e-3)
        solver_s = time.process_time() - begun
    bench.oracle.predictor.forget()
    return Ranked(
        name, bench.name, len(faults), tuple(sorted(map(describe, faults))),
        len(faults) - len(shown), relabelled, place(order, truth), place(by_hand, truth), best,
        dict(order).get(truth, 0.0), share, engine_s, solver_s,
    )  # fmt: skip


def exact_place(
    bench: Bench, frames: list[tuple[frozenset[str], int]], shown: FaultSet
) -> tuple[int | None, float | None]:
    """(place, share) of the truth among all explanations; None if not all were found."""
    frames = sorted(frames, key=lambda f: len(f[0]))
    sets, complete, _ = Exact(bench.oracle).explanations(frames, shown)
    if not complete:
        return None, None
    order = bench.sorter.weighed(sets)
    truth = bench.sorter.sort(shown)
    return place(order, truth), dict(order).get(truth, 0.0)


def cases(
    benches: Iterable[Bench], seed: int, number: int, counts: Iterable[int] = COUNTS
) -> Iterable[tuple[Bench, str, FaultSet]]:
    """`number` cases per number of faults, in turn on all halves."""
    benches = list(benches)
    for count in counts:
        for n in range(number):
            bench = benches[n % len(benches)]
            name = f"{seed}/{bench.name}/{count}/{n}"
            yield bench, name, bench.drawn(Random(f"faults {name}"), count)

