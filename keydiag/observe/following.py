"""Following the builder's hands: from press events to what each pressed key showed.

Here: `Follower`, which aligns the events of every round with the keys asked in it, weighs
exchanged lines and keys against slips of the hand, and attributes each event to a key. Not here:
what that means for the sweep as a whole, and what to ask for (sweep.py).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass, replace
from itertools import chain
from math import exp, log

import numpy as np

from keydiag.circuit import Circuit, Reading
from keydiag.observe import PressEvent
from keydiag.observe.alignment import ODDS, Alignment, Floats, Step, align, spread
from keydiag.observe.answers import Answer, Pair, compare, expect
from keydiag.observe.confirming import ALONE_ODDS, like_alone, on_their_own
from keydiag.observe.exchanges import Exchange, RoundView, candidates, matched
from keydiag.observe.signs import LIKELY, Followed, Round, Sign, Weighed

__all__ = ["Follower"]

HINT = 0.3  # posterior from which a silent key is worth mentioning
# If a silent key was not pressed as asked, how likely nothing at all was pressed instead; the same
# figure as SLIP_NOTHING of diagnosis, which multiplies it in once a key.
NOTHING = 0.4
# A key that has answered before gives no sign this time: an intermittent contact. Own judgement.
FICKLE = 0.001
# A key that was certainly mute when asked for alone gave an odd answer before. Own judgement.
MUTE_SPEAKS = 0.05
CERTAIN = 0.9  # posterior from which a later round teaches something about the earlier ones
# Answers that nobody but this key can give.
CLEAR = (Answer.EXACT, Answer.REVERSED, Answer.BOTH)
# What the order of one round can say for an exchange of lines, as a natural logarithm: five to
# one and no more, because a builder who takes the rows in another order leaves the same answers.
# Only a key that was asked for alone takes it further.
MOST_FROM_ORDER = log(5.0)

Layout = dict[str, Pair]


@dataclass(frozen=True, slots=True)
class _Row:
    """How one event compares with every key of the half, in board order. exact: the keys whose
    exact answer it is."""

    event: PressEvent
    answers: tuple[Answer, ...]
    exact: tuple[int, ...]
    like: Floats


@dataclass(frozen=True, slots=True)
class _Lesson:
    """What rounds have taught for certain: odd answers that keys give (key, bits) and keys that
    give no sign, of later rounds; `given`: the odd answers of all rounds after the first. Keys by
    number."""

    shown: frozenset[tuple[int, frozenset[Pair]]] = frozenset()
    mute: frozenset[int] = frozenset()
    given: frozenset[tuple[int, frozenset[Pair]]] = frozenset()


_NOTHING = _Lesson()


@dataclass(frozen=True, slots=True)
class _Trial:
    """All rounds aligned under one layout; `name` tells it from the others tried."""

    name: str
    layout: Layout
    rows: list[list[_Row]]
    silence: list[Floats]
    alignments: list[Alignment]

    def gain(self, exchange: Exchange, other: _Trial) -> float:
        """Natural logarithm of the odds for `other`, which makes the exchange, against this."""
        first, *later = (
            b.log_evidence - a.log_evidence
            for a, b in zip(self.alignments, other.alignments, strict=True)
        )
        gain = first + exchange.log_prior
        if exchange.of_lines:
            gain = min(gain, MOST_FROM_ORDER)
        return gain + sum(later)


class Follower:
    """Aligns rounds of one circuit. Keeps nothing but memos of comparisons."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.number = {key: k for k, key in enumerate(circuit.keys)}
        self._pins = len(circuit.pins)
        self._weight = [spread(answer, self._pins) for answer in Answer]
        self._weight_alone = [like_alone(answer, self._pins) for answer in Answer]
        self._rows: dict[tuple[int, str], _Row] = {}
        self._mutes: dict[tuple[Pair, Reading | None], float | None] = {}

    def follow(self, rounds: Sequence[Round], rest: Reading | None) -> Followed:
        """Make sense of all rounds; `rest` is the latest rest baseline, if there is one."""
        trial = self._try("", dict(self.circuit.forward), rounds, rest)
        weighed: list[Weighed] = []
        views = [
            RoundView(
                round_.asked,
                tuple(row.event.appeared for row in rows),
                tuple(tuple(self.circuit.keys[k] for k in row.exact) for row in rows),
                alignment,
            )
            for round_, rows, alignment in zip(rounds, trial.rows, trial.alignments, strict=True)
        ]
        for exchange in candidates(trial.layout, self.circuit.line_names, views):
            name = f"{trial.name}; {exchange.what}"
            other = self._try(name, exchange.apply(trial.layout), rounds, rest)
            gain = trial.gain(exchange, other)
            weighed.append(Weighed(exchange, gain > 0, 1.0 / (1.0 + exp(-abs(gain)))))
            if gain > 0:
                trial = other
        if len(rounds) > 1:
            trial = self._try(trial.name, trial.layout, rounds, rest, self._lessons(trial, rounds))
        signs, strays = self._attribute(trial, rounds)
        places = tuple(_place(alignment) for alignment in trial.alignments)
        followed = Followed(places, signs, strays, tuple(weighed))
        if followed.doubted:
            doubt = followed.doubted
            signs = tuple(
                replace(s, confidence=s.confidence * doubt.get(s.key, 1.0)) for s in signs
            )
        return replace(followed, signs=signs)

    # --- one layout ---

    def _try(
        self,
        name: str,
        layout: Layout,
        rounds: Sequence[Round],
        rest: Reading | None,
        lessons: Sequence[_Lesson] = (),
    ) -> _Trial:
        """Align all rounds; `lessons`: what later rounds have taught about each one's keys."""
        rows = [[self._row(name, layout, event) for event in r.answers()] for r in rounds]
        silence: list[Floats] = []
        alignments: list[Alignment] = []
        earlier: set[tuple[int, frozenset[Pair]]] = set()  # (key, answer) of earlier rounds
        for r, round_ in enumerate(rounds):
            lesson = lessons[r] if lessons else _NOTHING
            silence.append(self._silence(layout, rounds, rows, r, rest, lesson))
            asked = [self.number[key] for key in round_.asked]
            alone = [asked[n] for n in on_their_own(round_.asked, round_.good)] if r else []
            good = {self.number[key] for key in round_.good}
            for t, row in enumerate(rows[r]):
                if not good.intersection(row.exact):  # else a known key out of its turn
                    rows[r][t] = row = self._alone(row, alone)
                shown = [
                    k
                    for k in asked
                    if (k, row.event.bits) in earlier or (k, row.event.bits) in lesson.shown
                ]
                rows[r][t] = _taught(row, shown, [k for k in asked if k in lesson.mute])
            steps = [
                Step(
                    row.like,
                    t > 0 and row.event.bits == rows[r][t - 1].event.bits,
                    row.event.steady,
                )
                for t, row in enumerate(rows[r])
            ]
            odds = ALONE_ODDS if alone and {*alone, *good}.issuperset(asked) else ODDS
            alignment = align(steps, asked, silence[r], finished=round_.finished, odds=odds)
            alignments.append(alignment)
            if r < len(rounds) - 1:
                for t, n in zip(*np.nonzero(alignment.match >= HINT), strict=True):
                    earlier.add((asked[n], rows[r][t].event.bits))
        return _Trial(name, layout, rows, silence, alignments)

    def _row(self, name: str, layout: Layout, event: PressEvent) -> _Row:
        row = self._rows.get((event.number, name))
        if row is None or row.event is not event:
            appeared, gone = self._packed(event.appeared), self._packed(event.gone)
            answers = tuple(
                compare(expect(pair, event.rest), appeared, gone) for pair in layout.values()
            )
            exact = tuple(k for k, answer in enumerate(answers) if answer is Answer.EXACT)
            like = np.array([self._weight[answer] for answer in answers])
            row = self._rows[event.number, name] = _Row(event, answers, exact, like)
        return row

    def _alone(self, row: _Row, alone: Sequence[int]) -> _Row:
        """The row, knowing that these keys were asked for on their own, being in doubt."""
        if not alone:
            return row
        like = row.like.copy()
        for k in alone:
            like[k] = max(like[k], self._weight_alone[row.answers[k]])
        return replace(row, like=like)

    def _packed(self, bits: frozenset[Pair]) -> int:
        return sum(1 << (drive + 1) * self._pins + sense for drive, sense in bits)

    def _silence(
        self,
        layout: Layout,
        rounds: Sequence[Round],
        rows: Sequence[Sequence[_Row]],
        r: int,
        rest: Reading | None,
        lesson: _Lesson,
    ) -> Floats:
        """For `align`: how likely each asked key of round r gives no sign, before each answer."""
        asked = rounds[r].asked
        crossing = self.circuit.crossing
        told = [
            (k, answer)
            for row in chain(*rows)
            for k, answer in enumerate(row.answers)
            if len(row.exact) < 2  # else some other key may have given it
            and not any(bits == row.event.bits and other != k for other, bits in lesson.given)
        ]
        spoke = {k for k, answer in told if answer in CLEAR} | {k for k, _ in lesson.shown}
        perhaps = {k for k, answer in told if answer is Answer.MORE}
        before = {key for earlier in rounds[:r] for key in earlier.asked}
        mute_kin: Counter[int] = Counter()  # line -> keys on it that never answered
        base = np.zeros(len(asked))
        for n, key in enumerate(asked):
            masked = self._masked(layout[key], rest)
            if masked is not None:
                base[n] = masked
            elif self.number[key] in spoke:
                base[n] = FICKLE
            else:
                perhaps_spoke = self.number[key] in perhaps
                kin = 0 if perhaps_spoke else max(mute_kin[line] for line in crossing[key])
                base[n] = (ODDS.silent, ODDS.silent_kin, ODDS.silent_run)[min(kin, 2)]
                if key in before or self.number[key] in lesson.mute:
                    base[n] = ODDS.silent_again
                if not perhaps_spoke:
                    mute_kin.update(crossing[key])
        table = np.tile(np.minimum(base + ODDS.skipped, 1.0), (len(rows[r]) + 1, 1))
        place = {self.number[key]: n for n, key in enumerate(asked)}
        for t, row in enumerate(rows[r]):
            for k in row.exact if len(row.exact) == 1 else ():
                if k in place:  # it answered here, so it may be passed over from now on
                    later = table[t + 1 :, place[k]]
                    np.maximum(later, ODDS.skipped_seen, out=later)
        return table

    def _masked(self, pair: Pair, rest: Reading | None) -> float | None:
        """How likely nothing is seen of a sound key because of what conducts at rest; None if
        it must be seen."""
        try:
            return self._mutes[pair, rest]
        except KeyError:
            expected = expect(pair, rest) if rest is not None else None
            masked = None
            if expected is not None and not expected.must:
                masked = LIKELY if expected.may else ODDS.silent_masked
            self._mutes[pair, rest] = masked
            return masked

    def _lessons(self, trial: _Trial, rounds: Sequence[Round]) -> list[_Lesson]:
        """For each round, what the rounds after it teach about its keys."""
        lessons = []
        shown: set[tuple[int, frozenset[Pair]]] = set()
        mute: set[int] = set()
        for r in reversed(range(len(rounds))):
            lessons.append((frozenset(shown), frozenset(mute - {k for k, _ in shown})))
            if r:
                alignment, rows = trial.alignments[r], trial.rows[r]
                asked = [self.number[key] for key in rounds[r].asked]
                for t, n in zip(*np.nonzero(alignment.match >= CERTAIN), strict=True):
                    if asked[n] not in rows[t].exact:
                        shown.add((asked[n], rows[t].event.bits))
                last = max((matched(alignment, t) or 0 for t in range(len(rows))), default=0)
                mute.update(
                    k for k, p in zip(asked[:last], alignment.silent, strict=False) if p >= CERTAIN
                )
        return [_Lesson(*lesson, frozenset(shown)) for lesson in reversed(lessons)]

    # --- attribution ---

    def _attribute(
        self, trial: _Trial, rounds: Sequence[Round]
    ) -> tuple[tuple[Sign, ...], tuple[PressEvent, ...]]:
        signs: list[Sign] = []
        strays: list[PressEvent] = []
        all_whose = [self._whose(trial, r, round_) for r, round_ in enumerate(rounds)]
        spoke = {int(k) for whose in all_whose for k in np.nonzero(whose >= LIKELY)[1]}
        for r, round_ in enumerate(rounds):
            alignment = trial.alignments[r]
            due = [n for n, p in enumerate(alignment.silent) if p >= HINT]
            whose = all_whose[r]
            for t, row in enumerate(trial.rows[r]):
                event, k = row.event, int(whose[t].argmax())
                n = matched(alignment, t)
                while n is not None and due and due[0] < n:
                    signs.append(self._silent(trial, r, round_, due.pop(0), spoke))
                if whose[t, k] < LIKELY:
                    strays.append(event)
                    continue
                key, p = self.circuit.keys[k], float(whose[t, k])
                answer = row.answers[k]
                own = answer is Answer.EXACT and trial.layout[key] == self.circuit.forward[key]
                in_turn = n is not None or bool(alignment.free[t] >= LIKELY)
                signs.append(Sign(key, r, event, answer, own, in_turn, True, p, p))
            signs += self._tail(trial, r, round_, due, spoke)
        return tuple(signs), tuple(strays)

    def _whose(self, trial: _Trial, r: int, round_: Round) -> Floats:
        """whose[t, k]: how likely answer t of round r is key k's."""
        alignment = trial.alignments[r]
        whose = np.zeros((len(trial.rows[r]), len(self.circuit.keys)))
        asked = [self.number[key] for key in round_.asked]
        for t, row in enumerate(trial.rows[r]):
            np.add.at(whose[t], asked, alignment.match[t])
            whose[t] += (alignment.wrong[t] + alignment.free[t]) * row.like / row.like.sum()
            if t:
                whose[t] += alignment.double[t] * whose[t - 1]
        return whose

    def _silent(self, trial: _Trial, r: int, round_: Round, n: int, spoke: Set[int]) -> Sign:
        """An asked key that gave no sign; `spoke`: the keys that did at some time."""
        p, silence = float(trial.alignments[r].silent[n]), float(trial.silence[r][0, n])
        doubt = _unless_dead(p, silence) + ODDS.skipped
        if silence <= FICKLE + ODDS.skipped and self.number[round_.asked[n]] in spoke:
            doubt /= FICKLE  # it has answered: diagnosis has no fault for that
        return Sign(round_.asked[n], r, None, None, False, True, True, p, 1.0 / (1.0 + doubt))

    def _tail(
        self, trial: _Trial, r: int, round_: Round, due: Sequence[int], spoke: Set[int]
    ) -> Iterator[Sign]:
        """Silent keys after the last answer of a round. One thing explains them all: the builder
        has stopped. So they share that doubt, lest they seem to bear each other out."""
        if not due:
            return
        silence = trial.silence[r][0]
        p = float(trial.alignments[r].silent[due[-1]])
        stopped = _unless_dead(p, float(np.prod(silence[list(due)]))) + ODDS.skipped
        doubt = min(1.0, (stopped * NOTHING) ** (1 / len(due)) / NOTHING)
        for n in due:
            sign = self._silent(trial, r, round_, n, spoke)
            yield replace(sign, settled=False, confidence=1.0 / (1.0 + doubt))


def _unless_dead(p: float, silence: float) -> float:
    """The odds that something else happened than a pressed key being silent, leaving aside how
    likely it is that a key is dead: diagnosis brings in that prior itself."""
    return (1.0 - p) / max(p, 1e-9) * silence


def _taught(row: _Row, shown: Sequence[int], mute: Sequence[int]) -> _Row:
    """The row, knowing that some keys gave this answer at another time, or none at all."""
    odd_mute = [k for k in mute if k not in row.exact]
    if not shown and not odd_mute:
        return row
    like = row.like.copy()
    like[odd_mute] *= MUTE_SPEAKS
    like[list(shown)] = np.maximum(like[list(shown)], ODDS.same_again)
    return replace(row, like=like)


def _place(alignment: Alignment) -> int | None:
    place = int(alignment.place.argmax())
    return place if place < len(alignment.place) - 1 else None
