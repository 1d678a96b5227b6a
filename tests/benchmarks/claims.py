"""Claims and facts: is what the engine calls 90 % probable so in nine of ten cases?

Halves are drawn as first builds, each fault on its own by its prior, because that is what the
engine's probabilities are about.  A claim is a finding ("one of these is present") or a member of
one ("this is present").  Claims of the unknown are counted apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from random import Random
from typing import NamedTuple

from keydiag.diagnosis import Diagnosis, Diagnostician
from keydiag.faults import Fault, describe
from keydiag.faults.predict import FaultSet
from tests.benchmarks.builder import Builder
from tests.benchmarks.cases import Bench

BINS = 10
WITHIN = 0.03  # claimed and actual may differ by so much
# A fault that shows and is not named at all was given, for the scores, this probability: members
# below it are not listed.
NOT_NAMED = 0.001


class Claim(NamedTuple):
    probability: float
    true: bool


@dataclass(slots=True)
class Claims:
    """All claims on one half.  missed: faults that show and that no finding names."""

    name: str
    faults: tuple[str, ...]
    findings: list[Claim]
    members: list[Claim]
    unknown: int
    missed: tuple[str, ...]


class Bin(NamedTuple):
    """Claims between two probabilities; error: standard error of `actual`, were the claims
    independent."""

    low: float
    count: int
    claimed: float
    actual: float
    error: float

    @property
    def says(self) -> str:
        """"met", "missed", or "too few to say" if the gap is within two standard errors."""
        gap = abs(self.claimed - self.actual)
        if gap <= WITHIN:
            return "met"
        return "missed" if gap > WITHIN + 2 * self.error else "too few to say"


def claims(bench: Bench, name: str, faults: FaultSet) -> tuple[Claims, Claims]:
    """What is claimed from the readings as they are, and through hands, contacts and sweep."""
    draw = Random(name)
    builder = Builder(bench.circuit, faults, draw, seed=draw.randrange(1 << 32))
    engine = Diagnostician(bench.circuit)
    shown = bench.sorter.shown(faults)
    plain = engine.diagnose(builder.as_it_is())
    by_hand = engine.diagnose(builder.course(engine))
    return _claims(name, plain, faults, shown), _claims(name, by_hand, faults, shown)


def _claims(name: str, diagnosis: Diagnosis, faults: FaultSet, shown: FaultSet) -> Claims:
    out = Claims(name, tuple(sorted(map(describe, faults))), [], [], 0, ())
    named: set[Fault] = set()
    for finding in diagnosis.findings:
        if finding.members[0].kind == "unknown":
            out.unknown += 1
            continue
        here = {Fault(m.kind, m.at) for m in finding.members}
        named |= here
        out.findings.append(Claim(finding.probability, not here.isdisjoint(faults)))
        for member in finding.members:
            true = Fault(member.kind, member.at) in faults
            out.members.append(Claim(member.probability, true))
    out.missed = tuple(sorted(map(describe, shown - named)))
    return out


def first_builds(benches: Iterable[Bench], seed: int, number: int) -> Iterable[tuple]:
    """So many first builds with at least one fault, in turn on all halves."""
    benches = list(benches)
    for n in range(number):
        bench = benches[n % len(benches)]
        name = f"{seed}/{bench.name}/built/{n}"
        draw = Random(f"faults {name}")
        faults: FaultSet = frozenset()
        while not faults:
            faults = bench.built(draw)
        yield bench, name, faults


def table(made: Iterable[Claim]) -> list[Bin]:
    """Claims by tenths; the bins that have any."""
    bins: list[list[Claim]] = [[] for _ in range(BINS)]
    for claim in made:
        bins[min(BINS - 1, int(claim.probability * BINS))].append(claim)
    out = []
    for number, inside in enumerate(bins):
        if inside:
            count = len(inside)
            claimed = math.fsum(c.probability for c in inside) / count
            actual = sum(c.true for c in inside) / count
            expected = math.fsum(c.probability * (1 - c.probability) for c in inside)
            out.append(Bin(number / BINS, count, claimed, actual, math.sqrt(expected) / count))
    return out


def scores(halves: Sequence[Claims]) -> tuple[float, float]:
    """(Brier score, log loss in nats) of the members' claims, faults not named included; means."""
    made = [claim for half in halves for claim in half.members]
    made += [Claim(NOT_NAMED, True) for half in halves for _ in half.missed]
    if not made:
        return 0.0, 0.0
    brier = math.fsum((c.probability - c.true) ** 2 for c in made) / len(made)
    return brier, math.fsum(map(_loss, made)) / len(made)


def _loss(claim: Claim) -> float:
    p = min(1 - 1e-6, max(1e-6, claim.probability))
    return -math.log(p if claim.true else 1 - p)
