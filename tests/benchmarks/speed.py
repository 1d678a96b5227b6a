"""Time and memory: one update per press, a whole diagnosis at once, and the engine's memory.

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
from keydiag.faults.predict import FaultSet
from keydiag.observe import Observation
from tests.benchmarks.builder import NO_SLIPS, Builder
from tests.benchmarks.cases import Bench

# Each time is measured so often, and the least counts: what else a machine does only adds to it.
RUNS = 3


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
    of RUNS."""
    seen = readings(bench, name, faults)
    runs = [_updates(bench, seen) for _ in range(RUNS)]
    return [min(taken) for taken in zip(*runs, strict=True)]


def _updates(bench: Bench, seen: list[Observation]) -> list[float]:
    engine = _ready(bench)
    out = []
    for upto in range(1, len(seen) + 1):
        begun = time.process_time()
        engine.diagnose(seen[:upto])
        out.append(time.process_time() - begun)
    return out


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
