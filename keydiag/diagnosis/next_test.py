"""The next best test: presses, chords and meter readings, by information gained per effort.

Every hypothesis predicts every test exactly, so the information in a test's answer is the entropy
of the answers, weighted by the hypotheses' probabilities.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from itertools import combinations
from typing import Any

from keydiag.circuit import Circuit
from keydiag.diagnosis import meter
from keydiag.diagnosis.evidence import Evidence
from keydiag.diagnosis.model import NextTest, Outcome
from keydiag.diagnosis.posterior import Explained
from keydiag.diagnosis.words import list_words
from keydiag.faults import Fault, Predictor, describe
from keydiag.faults.predict import FaultSet

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

Weighted = list[tuple[FaultSet, float]]


class Tester:
    """Finds next tests on one circuit; remembers those of the last groups it was asked about."""

    def __init__(self, predictor: Predictor) -> None:
        self.predictor = predictor
        self._known: dict[object, tuple[NextTest, ...]] = {}

    def next_tests(
        self, evidence: Evidence, explained: Explained, context: FaultSet
    ) -> tuple[NextTest, ...]:
        """The best few tests for one symptom group, best first.

        context: the best explanations of the other groups, present in every prediction.
        """
        weighted = [
            (h.faults | context, h.probability)
            for h in explained.hypotheses
            if h.faults is not None and h.probability >= LEAST_WEIGHT
        ]
        if len(weighted) < 2:
            return ()
        own = {s: s - context for s, _ in weighted}
        keys = _keys_of(self.predictor.circuit, explained, evidence, own.values())
        question = (tuple(weighted), context, tuple(keys))
        known = self._known.get(question)
        if known is None:
            tests = list(_presses(self.predictor, keys, weighted, own))
            tests += _meters(self.predictor.circuit, weighted, own)
            tests = [t for t in tests if t.gain_bits >= LEAST_GAIN]
            tests.sort(key=lambda t: (-t.gain_bits / t.cost, t.cost, t.what))
            if len(self._known) >= MOST_KNOWN:
                self._known.clear()
            known = self._known[question] = _few(tests)
        return known


def _few(tests: list[NextTest]) -> tuple[NextTest, ...]:
    """The best tests, at most one of those that split the hypotheses alike."""
    chosen: list[NextTest] = []
    splits: set[frozenset[tuple[str, ...]]] = set()
    for test in tests:
        split = frozenset(outcome.means for outcome in test.outcomes)
        if split not in splits:
            splits.add(split)
            chosen.append(test)
        if len(chosen) == MOST_TESTS:
            break
    return tuple(chosen)


def _presses(
    predictor: Predictor, keys: list[str], weighted: Weighted, own: dict[FaultSet, FaultSet]
) -> Iterable[NextTest]:
    circuit = predictor.circuit
    sets = [faults for faults, _ in weighted]
    for key in keys:
        certain = _certain(predictor, sets, frozenset((key,)))
        test = _judge(weighted, own, certain.__getitem__, COST_PRESS)
        yield test(
            what=f"press {key} once more",
            kind="press",
            keys=(key,),
            code=key,
            words=lambda bits, k=key: _press_answer(circuit, k, bits),
        )
    if len(keys) > 12:
        return  # a whole line is in question: single presses and the meter say more
    for a, b in _chords(circuit, keys):
        certain = _certain(predictor, sets, frozenset((a, b)))
        test = _judge(weighted, own, certain.__getitem__, COST_CHORD)
        yield test(
            what=f"hold {a} and {b} together",
            kind="chord",
            keys=(a, b),
            code=f"{a}+{b}",
            words=lambda bits: f"{_conducting(circuit, bits)} crossings conduct",
        )


def _certain(
    predictor: Predictor, sets: list[FaultSet], held: frozenset[str]
) -> dict[FaultSet, int]:
    """Per fault set the bits predicted with these keys held, but for those that any of the sets
    leaves open: what nothing guarantees tells nothing."""
    predicted = {faults: predictor.packed(faults, held) for faults in sets}
    open_bits = 0
    for packed in predicted.values():
        open_bits |= packed.unknown
    return {faults: packed.bits & ~open_bits for faults, packed in predicted.items()}


def _meters(
    circuit: Circuit, weighted: Weighted, own: dict[FaultSet, FaultSet]
) -> Iterable[NextTest]:
    faults = sorted({fault for s in own.values() for fault in s})
    tests = meter.tests_for(circuit, faults)
    readings = {s: meter.read_all(circuit, s, tests) for s, _ in weighted}
    for number, test in enumerate(tests):
        shown = {faults: reading[number] for faults, reading in readings.items()}
        judge = _judge(weighted, own, shown.__getitem__, COST_METER)
        hold = f", holding {list_words(test.held)}" if test.held else ""
        red, black = (meter.point_words(circuit, p) for p in (test.red, test.black))
        yield judge(
            what=f"meter: red lead on {red}, black lead on {black}{hold}",
            kind="meter",
            keys=test.held,
            points=(red, black),
            code=test.code,
            words=meter.ANSWERS.__getitem__,
        )


def _judge(
    weighted: Weighted,
    own: dict[FaultSet, FaultSet],
    predict: Callable[[FaultSet], object],
    cost: float,
) -> Callable[..., NextTest]:
    """Group the hypotheses by predicted answer; returns the rest of the test's constructor."""
    answers: dict[object, list[tuple[FaultSet, float]]] = {}
    for faults, weight in weighted:
        answers.setdefault(predict(faults), []).append((faults, weight))
    total = sum(weight for _, weight in weighted)
    shares = [sum(w for _, w in group) / total for group in answers.values()]
    gain = max(0.0, -sum(p * math.log2(p) for p in shares if p > 0))

    def build(words: Callable[[object], str], **fields: Any) -> NextTest:
        outcomes = [
            Outcome(
                answer=words(answer),
                means=tuple(_set_words(own[s]) for s, _ in group),
                probability=min(1.0, share),
            )
            for (answer, group), share in zip(answers.items(), shares, strict=True)
        ]
        outcomes.sort(key=lambda o: -o.probability)
        return NextTest(gain_bits=gain, cost=cost, outcomes=tuple(outcomes), **fields)

    return build


def _set_words(faults: FaultSet) -> str:
    if not faults:
        return "no fault: the key was not pressed as asked"
    return list_words(sorted(describe(f) for f in faults))


def _keys_of(
    circuit: Circuit, explained: Explained, evidence: Evidence, sets: Iterable[FaultSet]
) -> list[str]:
    keys: set[str] = set()
    for number in explained.symptom.frames:
        if len(evidence.frames[number].held) == 1:
            keys |= evidence.frames[number].held
    for faults in sets:
        for fault in faults:
            keys |= _named_keys(circuit, fault)
    return [k for k in circuit.keys if k in keys]


def _named_keys(circuit: Circuit, fault: Fault) -> set[str]:
    return {w for place in fault.at for w in place.split() if w in circuit.parts}


def _chords(circuit: Circuit, keys: list[str]) -> Iterable[tuple[str, str]]:
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


def _conducting(circuit: Circuit, answer: object) -> int:
    return int(answer).bit_count() - len(circuit.pins)  # type: ignore[call-overload]
