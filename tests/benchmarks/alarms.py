"""Clean halves, swept with bouncing contacts and slipping hands: is anything raised?

Not here: what is simulated and what not (`builder`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from random import Random

from keydiag.diagnosis import Diagnostician
from keydiag.sources.hands import Slips
from tests.benchmarks.builder import Builder
from tests.benchmarks.cases import Bench

SURE = 0.5


@dataclass(frozen=True, slots=True)
class Swept:
    """One sweep.  alarm: titles of findings more likely than not; hints: of the others.  asked:
    presses beyond one for each key."""

    name: str
    verdict: str
    alarm: tuple[str, ...]
    hints: tuple[str, ...]
    asked: int


def sweeps(benches: Iterable[Bench], seed: int, number: int, slips: Slips) -> Iterable[Swept]:
    """So many sweeps of halves without a fault, in turn on all of them, by hands that slip so."""
    benches = list(benches)
    engines = {bench.name: Diagnostician(bench.circuit) for bench in benches}
    for n in range(number):
        bench = benches[n % len(benches)]
        name = f"{seed}/{bench.name}/clean/{n}"
        draw = Random(name)
        engine = engines[bench.name]
        builder = Builder(bench.circuit, frozenset(), draw, slips, draw.randrange(1 << 32))
        diagnosis = engine.diagnose(builder.course(engine))
        yield Swept(
            name,
            diagnosis.verdict,
            tuple(f.title for f in diagnosis.findings if f.probability >= SURE),
            tuple(f.title for f in diagnosis.findings if f.probability < SURE),
            builder.presses - len(bench.circuit.keys),
        )


def at_most(count: int, of: int) -> float:
    """Upper limit of a share, at 95 % confidence (Wilson's interval; 3.8 / n if none was seen)."""
    z = 1.96
    share = count / of
    middle = share + z * z / (2 * of)
    half = z * (share * (1 - share) / of + z * z / (4 * of * of)) ** 0.5
    return (middle + half) / (1 + z * z / of)
