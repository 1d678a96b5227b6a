"""The next best test: presses, chords and meter readings, by information gained per effort.

Every hypothesis predicts every test exactly, so the information in a test's answer is the entropy
of the answers, weighted by the hypotheses' probabilities.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import combinations
from typing import Any, NamedTuple

from keydiag.circuit import Circuit
from keydiag.diagnosis import meter
from keydiag.diagnosis.evidence import Evidence, stopped_by_rail
from keydiag.diagnosis.model import NextTest, Outcome
from keydiag.diagnosis.posterior import Explained
from keydiag.diagnosis.space import special_keys
from keydiag.diagnosis.words import list_words
from keydiag.faults import Fault, Predictor, describe
from keydiag.faults.kinds import OPEN_IN_KEY, key_of
from keydiag.faults.predict import NO_KEYS, FaultSet

# Effort, in presses of one key: hands stay on the half for presses; a chord needs a second look;
# for the meter the cable comes off and two leads are placed.  Common practice, no source.
COST_PRESS = 1.0
COST_CHORD = 2.0
COST_METER = 5.0

# Gains below this are not worth a test; hypotheses below this do not count in one.
LEAST_GAIN = 0.05
LEAST_WEIGHT = 0.003
MOST_TESTS = 3
MOST_KNOWN = 64  # groups whose tests are remembered

Weighted = tuple[tuple[FaultSet, float], ...]  # hypotheses, each with its probability


class Tester:
    """Finds next tests on one circuit; remembers those of the last groups it was asked about."""

    def __init__(self, predictor: Predictor) -> None:
        self.predictor = predictor
        self._known: dict[tuple, _Best] = {}

    def next_tests(
        self,
        evidence: Evidence,
        explained: Explained,
        context: FaultSet,
        about: FaultSet | None = None,
    ) -> tuple[NextTest, ...]:
        """The best few tests for one symptom group, best first.

        context: the best explanations of the other groups, present in every prediction.  about: the
        faults that are asked about, if not all: which of these there are is what counts.
        """
        own = tuple(
            (h.faults - context, h.probability)
            for h in explained.hypotheses
            if h.faults is not None and h.probability >= LEAST_WEIGHT
        )
        if len(own) < 2:
            return ()
        keys = tuple(_keys_of(self.predictor.circuit, explained, evidence, own))
        near = _that_meet(self.predictor, context, own, keys)
        if stopped_by_rail(self.predictor.circuit, evidence):
            return self._remembered((own, near, about), self._by_meter).tests
        not_yet = frozenset(keys) - evidence.pressed
        best = self._remembered((own, near, about, keys, not_yet), self._without_chords)
        if best.chords:
            return self._remembered((own, context, about, keys, near), self._with_chords).tests
        return best.tests

    def _remembered(self, question: tuple, answer: Callable[..., _Best]) -> _Best:
        asked = (answer.__name__, *question)
        known = self._known.get(asked)
        if known is None:
            if len(self._known) >= MOST_KNOWN:
                self._known.clear()
            known = self._known[asked] = answer(*question)
        return known

    def _without_chords(
        self,
        own: Weighted,
        context: FaultSet,
        about: FaultSet | None,
        keys: tuple[str, ...],
        not_yet: frozenset[str],
    ) -> _Best:
        """not_yet: keys in question that were not pressed yet; chords can wait for them."""
        tests = _Tests(self.predictor, own, context, about)
        found = _few(tests.presses(keys, not_yet))
        if _room(found, tests.most() / COST_METER):
            found = _few([*found, *tests.meters()])
        if not not_yet and _room(found, tests.most_by_pressing() / COST_CHORD):
            return _Best(found, (), chords=True)
        return _Best(found, tuple(test.worded() for test in found))

    def _by_meter(self, own: Weighted, context: FaultSet, about: FaultSet | None) -> _Best:
        found = _few(_Tests(self.predictor, own, context, about).meters())
        return _Best(found, tuple(test.worded() for test in found))

    def _with_chords(
        self,
        own: Weighted,
        context: FaultSet,
        about: FaultSet | None,
        keys: tuple[str, ...],
        near: FaultSet,
    ) -> _Best:
        without = self._remembered((own, near, about, keys, frozenset()), self._without_chords)
        chords = _Tests(self.predictor, own, context, about).chords(keys)
        found = _few([*without.found, *chords])
        return _Best(found, tuple(test.worded() for test in found))


def _that_meet(
    predictor: Predictor, context: FaultSet, own: Weighted, keys: Iterable[str]
) -> FaultSet:
    """Those of the faults taken for granted that change rest, or that a press of these keys can
    meet: the others make no difference to it, nor to the meter."""
    facts, packed = predictor.facts, predictor.packed
    lines = predictor.lines_of(keys)
    for faults, _ in own:
        for fault in faults:
            lines |= facts(fault)[2]
    lines = predictor.joined(lines, context)
    return frozenset(
        fault
        for fault in context
        if facts(fault)[2] & lines
        or packed(frozenset((fault,)), NO_KEYS) != packed(frozenset(), NO_KEYS)
    )


class _Best(NamedTuple):
    """The best tests found, in words too; chords: chords could be among them."""

    found: list[_Judged]
    tests: tuple[NextTest, ...]
    chords: bool = False


class _Judged(NamedTuple):
    """A test and what it tells, before it is put into words."""

    gain: float  # bits
    cost: float
    what: str
    split: frozenset[frozenset[FaultSet]]  # the hypotheses by the answers they predict
    worded: Callable[[], NextTest]

    @property
    def rate(self) -> float:
        return self.gain / self.cost


def _room(found: list[_Judged], rate: float) -> bool:
    """True if a test of this rate could be among the best."""
    return len(found) < MOST_TESTS or found[-1].rate <= rate + 1e-9


def _few(tests: Iterable[_Judged]) -> list[_Judged]:
    """The best tests, best first, at most one of those that split the hypotheses alike."""
    chosen: dict[frozenset[frozenset[FaultSet]], _Judged] = {}
    for test in sorted(tests, key=lambda t: (-t.rate, t.cost, t.what)):
        if test.gain >= LEAST_GAIN:
            chosen.setdefault(test.split, test)
        if len(chosen) == MOST_TESTS:
            break
    return list(chosen.values())


class _Tests:
    """The tests that may tell weighted fault sets apart."""

    def __init__(
        self,
        predictor: Predictor,
        own: Weighted,
        context: FaultSet,
        about: FaultSet | None = None,
    ) -> None:
        """context: faults taken for granted, part of every prediction.  about: which of these
        faults there are is asked for; None: which set it is."""
        self._predictor, self._circuit, self._own = predictor, predictor.circuit, own
        self._asked = {faults: faults if about is None else faults & about for faults, _ in own}
        self._all_asked = len(own) == len(set(self._asked.values()))
        self._whole = {faults: faults | context for faults, _ in own}
        self._alike = {
            faults: _stand_in(self._circuit, whole) for faults, whole in self._whole.items()
        }

    def most(self) -> float:
        """Bits that any test can tell at most."""
        return self._judge(self._whole, 1.0, "", str).gain

    def most_by_pressing(self) -> float:
        """Bits that presses and chords can tell at most: sets that are alike stay so."""
        return self._judge(self._alike, 1.0, "", str).gain

    def presses(self, keys: Iterable[str], not_yet: frozenset[str]) -> Iterator[_Judged]:
        for key in keys:
            again = "" if key in not_yet else " once more"
            yield self._judge(
                self._certain(frozenset((key,))),
                COST_PRESS,
                f"press {key}{again}",
                partial(_press_answer, self._circuit, key),
                kind="press",
                keys=(key,),
                code=key,
            )

    def chords(self, keys: Sequence[str]) -> Iterator[_Judged]:
        if len(keys) > 12:
            return  # a whole line is in question: single presses and the meter say more
        for a, b in _chords(self._circuit, keys):
            yield self._judge(
                self._certain(frozenset((a, b))),
                COST_CHORD,
                f"hold {a} and {b} together",
                partial(_chord_answer, self._circuit),
                kind="chord",
                keys=(a, b),
                code=f"{a}+{b}",
            )

    def meters(self) -> Iterator[_Judged]:
        circuit = self._circuit
        tests = meter.tests_for(circuit, sorted({f for faults, _ in self._own for f in faults}))
        readings = {
            faults: meter.read_all(circuit, whole, tests) for faults, whole in self._whole.items()
        }
        for number, test in enumerate(tests):
            hold = f", holding {list_words(test.held)}" if test.held else ""
            red, black = (meter.point_words(circuit, p) for p in (test.red, test.black))
            yield self._judge(
                {faults: reading[number] for faults, reading in readings.items()},
                COST_METER,
                f"meter: red lead on {red}, black lead on {black}{hold}",
                _meter_answer,
                kind="meter",
                keys=test.held,
                points=(red, black),
                code=test.code,
            )

    def _certain(self, held: frozenset[str]) -> dict[FaultSet, int]:
        """Per fault set the bits predicted with these keys held, but for those that any of the sets
        leaves open: what nothing guarantees tells nothing."""
        packed = self._predictor.packed
        predicted = {faults: packed(faults, held) for faults in set(self._alike.values())}
        open_bits = 0
        for _, unknown in predicted.values():
            open_bits |= unknown
        return {faults: predicted[same].bits & ~open_bits for faults, same in self._alike.items()}

    def _judge(
        self,
        predicted: Mapping[FaultSet, object],
        cost: float,
        what: str,
        words: Callable[[object], str],
        **fields: Any,
    ) -> _Judged:
        """Group the hypotheses by predicted answer."""
        answers: dict[object, list[tuple[FaultSet, float]]] = {}
        for faults, weight in self._own:
            answers.setdefault(predicted[faults], []).append((faults, weight))
        total = sum(weight for _, weight in self._own)
        shares = [sum(w for _, w in group) / total for group in answers.values()]
        gain = max(0.0, _bits(shares) - self._bits_not_asked_for(answers, total))

        def worded() -> NextTest:
            outcomes = [
                Outcome(
                    answer=words(answer),
                    means=tuple(_set_words(faults) for faults, _ in group),
                    probability=min(1.0, share),
                )
                for (answer, group), share in zip(answers.items(), shares, strict=True)
            ]
            outcomes.sort(key=lambda o: -o.probability)
            return NextTest(
                what=what, gain_bits=gain, cost=cost, outcomes=tuple(outcomes), **fields
            )

        split = frozenset(frozenset(faults for faults, _ in group) for group in answers.values())
        return _Judged(gain, cost, what, split, worded)

    def _bits_not_asked_for(
        self, answers: Mapping[object, list[tuple[FaultSet, float]]], total: float
    ) -> float:
        """What the answers tell beyond that which is asked for."""
        if self._all_asked:
            return 0.0
        beyond: dict[FaultSet, list[float]] = {}
        for group in answers.values():
            by_asked: dict[FaultSet, float] = {}
            for faults, weight in group:
                asked = self._asked[faults]
                by_asked[asked] = by_asked.get(asked, 0.0) + weight
            for asked, weight in by_asked.items():
                beyond.setdefault(asked, []).append(weight)
        bits = 0.0
        for weights in beyond.values():
            among = sum(weights)
            bits += among / total * _bits([weight / among for weight in weights])
        return bits


def _bits(shares: Iterable[float]) -> float:
    """Entropy, in bits."""
    return -sum(p * math.log2(p) for p in shares if p > 0)


def _stand_in(circuit: Circuit, faults: FaultSet) -> FaultSet:
    """A set that predicts the same for every press: the open places of a key are alike if nothing
    else is wrong inside it."""
    special = special_keys(faults, faults)
    return frozenset(
        Fault("open-joint", (circuit.parts[key].row_joint,))
        if fault.kind in OPEN_IN_KEY and (key := key_of(fault.at[0])) not in special
        else fault
        for fault in faults
    )


def _set_words(faults: FaultSet) -> str:
    if not faults:
        return "no fault: the key was not pressed as asked"
    return list_words(sorted(describe(f) for f in faults))


def _keys_of(
    circuit: Circuit, explained: Explained, evidence: Evidence, own: Weighted
) -> list[str]:
    keys: set[str] = set()
    for number in explained.symptom.frames:
        if len(evidence.frames[number].held) == 1:
            keys |= evidence.frames[number].held
    for faults, _ in own:
        for fault in faults:
            keys |= _named_keys(circuit, fault)
    return [k for k in circuit.keys if k in keys]


def _named_keys(circuit: Circuit, fault: Fault) -> set[str]:
    return {w for place in fault.at for w in place.split() if w in circuit.parts}


def _chords(circuit: Circuit, keys: Sequence[str]) -> Iterable[tuple[str, str]]:
    """Pairs of keys in question, and each of them with a key of its own row or column."""
    pairs: dict[tuple[str, str], None] = dict.fromkeys(combinations(keys, 2))
    order = {k: i for i, k in enumerate(circuit.keys)}
    for key in keys[:4]:
        for other in circuit.keys:
            shares = circuit.row_of[other] == circuit.row_of[key]
            shares = shares or circuit.column_of[other] == circuit.column_of[key]
            if other != key and shares:
                a, b = sorted((key, other), key=order.__getitem__)
                pairs[a, b] = None
    return pairs


def _press_answer(circuit: Circuit, key: str, answer: object) -> str:
    drive, sense = circuit.forward[key]
    pins = len(circuit.pins)
    bits = int(answer)  # type: ignore[call-overload]
    forward = bits >> (pins * (drive + 1) + sense) & 1
    reverse = bits >> (pins * (sense + 1) + drive) & 1
    return {
        (1, 0): "it answers as wired",
        (0, 1): "it conducts only in reverse",
        (1, 1): "it conducts both ways",
    }.get((forward, reverse), "its own crossing stays open")


def _chord_answer(circuit: Circuit, answer: object) -> str:
    count = int(answer).bit_count() - len(circuit.pins)  # type: ignore[call-overload]
    return f"{count} crossings conduct"


def _meter_answer(answer: object) -> str:
    return meter.ANSWERS[str(answer)]
