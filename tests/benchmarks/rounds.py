"""Repair and retest until the half passes: joints touched, rounds, and what was found.

The builder does what the tool proposes, in its order: presses and chords it suggests, with a meter
the readings it suggests, then the repair of every finding that is more likely than not (of the
first one, if none is), then the retest.  A half that passes is swept once more as a whole, and the
chord check follows.  Repairs succeed and harm nothing.  A repair of a place that was not at fault
counts with all its joints.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from keydiag.diagnosis import Diagnosis, Diagnostician, Finding, MeterAnswer, NextTest
from keydiag.diagnosis.repair import in_order
from keydiag.faults import Fault, describe
from keydiag.faults.predict import FaultSet
from keydiag.faults.priors import Priors
from keydiag.observe import Observation
from keydiag.session import answers as meter_answers
from keydiag.session.repairs import first_tried, judge, still_valid
from tests.benchmarks.builder import Builder
from tests.benchmarks.cases import Bench

Way = Literal["one by one", "together", "meter"]
"""one by one: of a finding's members the first is repaired, then comes the retest.  together: the
open joints of one key in one go, as the finding's repair says.  meter: readings first."""

MOST_ROUNDS = 30
MOST_TESTS = 20  # presses, chords and meter readings before one rework
SURE = 0.5


@dataclass(slots=True)
class Played:
    """What became of one half.  joints, extra: touched in all, and where nothing was wrong."""

    name: str
    bench: str
    way: Way
    faults: tuple[str, ...]
    rounds: int = 0
    joints: float = 0.0
    extra: float = 0.0
    presses: int = 0
    measured: int = 0
    passed: bool = False
    left: tuple[str, ...] = ()
    why: str = ""  # given up, and why
    by_chords: int = 0  # reworks that only the chord check led to


@dataclass
class Game:
    """One half, one builder, one engine, from the first sweep to the sign-off."""

    bench: Bench
    way: Way
    builder: Builder
    played: Played
    seen: tuple[Observation, ...] = ()
    answers: tuple[MeterAnswer, ...] = ()
    tried: Counter[Fault] = field(default_factory=Counter)
    swept: bool = False  # all that is seen comes from one sweep of the half as it is now
    checked: bool = False  # ... and the chord check too
    doubted: bool = False  # a whole sweep was made once more because of a doubtful key

    def __post_init__(self) -> None:
        self.engine = Diagnostician(self.bench.circuit)

    def play(self) -> Played:
        self._sweep()
        while self.played.rounds < MOST_ROUNDS:
            diagnosis = self._looked_into()
            if diagnosis.verdict == "pass":
                if not self.swept:
                    self._sweep()
                elif not self.checked:
                    self._check_chords()
                else:
                    return self._over("")
                continue
            work = self._work(diagnosis)
            if work:
                self._rework(diagnosis, work)
            elif not self.swept:
                self._sweep()
            elif diagnosis.press_again and not self.doubted:
                # A key that answered now so, now so: from nothing once more, and with more care.
                self.doubted = True
                self._sweep()
            else:
                return self._over("nothing to repair is named: " + _titles(diagnosis))
        return self._over("too many rounds: " + _titles(self._diagnosis()))

    def _over(self, why: str) -> Played:
        played, builder = self.played, self.builder
        played.passed, played.why = not why, why
        played.presses = builder.presses
        played.left = tuple(sorted(map(describe, builder.faults)))
        return played

    # --- evidence ---

    def _diagnosis(self) -> Diagnosis:
        return self.engine.diagnose(self.seen, tried=self.tried, answers=self.answers)

    def _sweep(self) -> None:
        """Press everything, unless a short to a rail forbids to go on."""
        self.answers, self.checked, self.swept = (), False, True
        self.tried.clear()
        if self._on_rail():
            self.seen = (self.builder.at_rest(),)
        else:
            self.seen = self.builder.course(self.engine)

    def _on_rail(self) -> bool:
        return self.builder.reading().at_rail

    def _check_chords(self) -> None:
        self.seen += tuple(map(self.builder.hold, self.bench.chords))
        self.checked = True

    def _looked_into(self) -> Diagnosis:
        """The diagnosis after all tests that are suggested and that the builder can make."""
        diagnosis = self._diagnosis()
        done: set[str] = set()
        while len(done) < MOST_TESTS and not self._on_rail():
            test = self._next_test(diagnosis, done)
            if test is None:
                break
            done.add(test.code)
            if test.kind == "meter":
                self.answers += (self.builder.measure(test.code),)
                self.played.measured += 1
            else:
                self.seen += (self.builder.hold(test.keys),)
            diagnosis = self._diagnosis()
        return diagnosis

    def _next_test(self, diagnosis: Diagnosis, done: set[str]) -> NextTest | None:
        kinds = ("press", "chord", "meter") if self.way == "meter" else ("press", "chord")
        return next(
            (
                test
                for finding in diagnosis.findings
                for test in finding.next_tests
                if test.kind in kinds and test.code not in done
            ),
            None,
        )

    # --- the iron ---

    @staticmethod
    def _work(diagnosis: Diagnosis) -> list[Finding]:
        known = [f for f in diagnosis.findings if f.members[0].kind != "unknown"]
        return [f for f in known if f.probability >= SURE] or known[:1]

    def _repairs_of(self, finding: Finding) -> tuple[Fault, ...]:
        if self.way == "together":
            return first_tried(finding)
        shares = {Fault(m.kind, m.at): m.probability for m in finding.members}
        return (in_order(self.engine.explainer.priors, shares)[0],)

    def _rework(self, before: Diagnosis, work: Sequence[Finding]) -> None:
        played, builder = self.played, self.builder
        played.rounds += 1
        played.by_chords += self.checked
        old_rest = builder.reading()
        on_rail = self._on_rail()
        tried = {finding.title: self._repairs_of(finding) for finding in work}
        every = frozenset(fault for faults in tried.values() for fault in faults)
        mended = builder.repair(every)
        cost = self.engine.explainer.priors.cost
        played.joints += sum(map(cost, every))
        played.extra += sum(map(cost, every - mended))
        if on_rail and not self._on_rail():
            self._sweep()
            return
        self._retest(work, old_rest)
        after = self._diagnosis()
        for outcome in judge(work, before, after):
            if outcome.outcome == "still there":
                self.tried.update(tried.get(outcome.title, ()))

    def _retest(self, work: Sequence[Finding], old_rest: object) -> None:
        circuit, builder = self.bench.circuit, self.builder
        if self._on_rail():
            self.seen, self.answers = (builder.at_rest(),), ()
            return
        wanted = {key for finding in work for key in finding.retest}
        keys = tuple(key for key in circuit.keys if key in wanted)
        kept = still_valid(self.seen, keys, old_rest, builder.reading())
        self.answers = meter_answers.still_valid(circuit, self.answers, work)
        chords = tuple(dict.fromkeys(o.held for o in self.seen if o.origin == "chord"))
        again = [c for c in chords if c not in {o.held for o in kept}]
        self.seen = builder.course(
            self.engine, keys, kept, "retest", tried=self.tried, answers=self.answers
        )
        self.seen += tuple(map(builder.hold, again))
        self.swept = self.checked = False


def play(bench: Bench, name: str, faults: FaultSet, way: Way) -> Played:
    """One half with these faults, from its name, which decides hands and contacts."""
    draw = Random(name)
    builder = Builder(bench.circuit, faults, draw, seed=draw.randrange(1 << 32))
    played = Played(name, bench.name, way, tuple(sorted(map(describe, faults))))
    return Game(bench, way, builder, played).play()


def least_extra(bench: Bench) -> float:
    """Joints that nobody can spare on average, with one fault drawn by the priors, no meter and
    repairs that always succeed: among faults that all presses show alike, the best order is by
    probability over cost, and what is touched before the right one is touched for nothing."""
    priors = Priors(bench.circuit)
    alike: dict[int, list[Fault]] = {}
    for fault in bench.faults:
        alike.setdefault(bench.sorter.group(fault), []).append(fault)
    wasted = 0.0
    for faults in alike.values():
        before = 0.0
        for fault in sorted(faults, key=lambda f: -priors.probability(f) / priors.cost(f)):
            wasted += priors.probability(fault) * before
            before += priors.cost(fault)
    return wasted / sum(bench.weights)


def _titles(diagnosis: Diagnosis) -> str:
    return "; ".join(f"{f.title} ({f.probability:.2f})" for f in diagnosis.findings) or (
        f"{diagnosis.verdict}, press again {diagnosis.press_again}, not pressed"
        f" {diagnosis.not_pressed}"
    )
