"""Time and memory: one update per press, a whole diagnosis at once, and the engine's memory; and
what the quick updates leave out.

Process time, so that other programs on the machine count little.  Not here: the MaxSAT solver's
time for the same cases (`ranking`).
"""

from __future__ import annotations

import resource
import time
import tracemalloc
from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from keydiag.diagnosis import Diagnostician
from keydiag.diagnosis.nodes import ROUNDING
from keydiag.diagnosis.posterior import best_of
from keydiag.faults.predict import FaultSet
from keydiag.observe import Observation
from tests.benchmarks.builder import NO_SLIPS, Builder
from tests.benchmarks.cases import Bench
from tests.diagnosis.halves import marginals

# Each time is measured so often, and the least counts: what else a machine does only adds to it.
RUNS = 3
# One picture of a screen at 60 Hz.
UPDATE_S = 0.016


class Times(NamedTuple):
    """Seconds; worst: what took longest."""

    count: int
    median: float
    p95: float
    most: float
    worst: str


def readings(bench: Bench, name: str, faults: FaultSet) -> list[Observation]:
    """A sweep of this half: rest and every key."""
    return Builder(bench.circuit, faults, Random(name), NO_SLIPS, seed=7).as_it_is()


def prepare_time(bench: Bench) -> float:
    """Seconds from the circuit to an engine that is ready for the first press."""
    begun = time.process_time()
    _ready(bench)
    return time.process_time() - begun


def _ready(bench: Bench) -> Diagnostician:
    """As the bench makes it ready while the builder's hands are still off the half."""
    engine = Diagnostician(bench.circuit)
    for key in bench.circuit.keys:
        engine.prepare(key)
    return engine


def update_times(bench: Bench, name: str, faults: FaultSet) -> list[float]:
    """Seconds that each press's new diagnosis takes, findings and next tests included; the least
    of RUNS.  The press that ends the sweep, the last one, is diagnosed in full."""
    seen = readings(bench, name, faults)
    runs = [_updates(bench, seen) for _ in range(RUNS)]
    return [min(taken) for taken in zip(*runs, strict=True)]


def _updates(bench: Bench, seen: list[Observation]) -> list[float]:
    engine = _ready(bench)
    out = []
    for upto in range(1, len(seen) + 1):
        look = engine.update if upto < len(seen) else engine.diagnose
        begun = time.process_time()
        look(seen[:upto])
        out.append(time.process_time() - begun)
    return out


class Apart(NamedTuple):
    """An update beside the full diagnosis of the same readings: the largest difference between the
    probabilities given to one fault, and by how much (natural log) the best explanation is less
    probable, 0 if it is as good."""

    probability: float
    score: float


def apart(bench: Bench, name: str, faults: FaultSet) -> list[Apart]:
    """For each press but the last."""
    seen = readings(bench, name, faults)
    quick, full = _ready(bench), Diagnostician(bench.circuit)
    out = []
    for upto in range(1, len(seen)):
        _, one = quick.explain(seen[:upto], quickly=True)
        evidence, two = full.explain(seen[:upto])
        score = full.explainer.whole(evidence).score
        shares = marginals(one), marginals(two)
        differ = (abs(shares[0].get(f, 0) - shares[1].get(f, 0)) for f in shares[0] | shares[1])
        worse = score(best_of(two)) - score(best_of(one))
        out.append(Apart(max(differ, default=0.0), worse if worse > ROUNDING else 0.0))
    return out


def reference() -> float:
    """Seconds that a fixed piece of plain Python takes, a million look-ups: how fast the machine
    is, for figures from another one; the least of RUNS."""
    table = dict.fromkeys(range(1_000))
    return min(_looked_up(table) for _ in range(RUNS))


def _looked_up(table: dict[int, None]) -> float:
    begun = time.process_time()
    for _ in range(1_000):
        for key in range(1_000):
            table[key]
    return time.process_time() - begun


def whole_time(bench: Bench, name: str, faults: FaultSet) -> float:
    """Seconds from all the readings to the findings, nothing remembered from before; the least of
    RUNS."""
    seen = readings(bench, name, faults)
    return min(_whole(bench, seen) for _ in range(RUNS))


def _whole(bench: Bench, seen: list[Observation]) -> float:
    engine = Diagnostician(bench.circuit)
    begun = time.process_time()
    engine.diagnose(seen)
    return time.process_time() - begun


def memory(bench: Bench, name: str, faults: FaultSet) -> int:
    """Bytes that one diagnosis allocates at its peak, the engine's indexes included."""
    seen = readings(bench, name, faults)
    tracemalloc.start()
    Diagnostician(bench.circuit).diagnose(seen)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def process_peak() -> int:
    """Bytes the whole process had in memory at most so far, interpreter and benchmark included."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024  # Linux: in KiB


def summed_up(taken: Sequence[tuple[float, str]]) -> Times:
    """Times with what each was for."""
    order = sorted(taken)
    last = len(order) - 1
    return Times(
        len(order),
        order[last // 2][0],
        order[min(last, round(0.95 * last))][0],
        order[last][0],
        order[last][1],
    )
