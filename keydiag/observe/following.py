"""Following the builder's hands: from press events to what each pressed key showed.

Here: `Follower`, which aligns the events of every round with the keys asked in it, weighs
exchanged lines and keys against slips of the hand, and attributes each event to a key. Not here:
what that means for the sweep as a whole, and what to ask for (sweep.py).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import exp, log

import numpy as np

from keydiag.observe.alignment import ODDS, Alignment, Floats, Step, align, spread
from keydiag.observe.answers import Answer, Pair, compare, expect
from keydiag.circuit import Circuit, Reading
from keydiag.observe.exchanges import Exchange, RoundView, candidates, matched
from keydiag.observe import PressEvent

__all__ = ["Followed", "Follower", "Round", "Sign"]

LIKELY = 0.5  # posterior from which an attribution is the best guess, and is made
HINT = 0.3  # ... from which a silent key is worth mentioning
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


@dataclass(slots=True)
class Round:
    """Keys asked for in this order from `from_us` on, and the events since then, by number.
    `origin` is that of its observations; `finished`: nothing more will come in this round."""

    asked: tuple[str, ...]
    origin: str
    from_us: int = 0
    finished: bool = False
    events: dict[int, PressEvent] = field(default_factory=dict)

    def answers(self) -> list[PressEvent]:
        """The events, oldest first."""
        return [event for _, event in sorted(self.events.items())]


@dataclass(frozen=True, slots=True)
class Sign:
    """What one pressing of a key showed.

    event, answer: None where it gave no sign. own: the key answered with a crossing that is its
    own in the board file. in_turn: it was the key's turn, or the builder follows no order.
    settled: false for silence with no answer after it, which may as well be no pressing at all.
    posterior: that the event is this key's, or that the key was passed. confidence: that it was
    pressed, and showed this; of silence, before it is asked how likely a dead key is.
    """

    key: str
    round: int
    event: PressEvent | None
    answer: Answer | None
    own: bool
    in_turn: bool
    settled: bool
    posterior: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Weighed:
    """An exchange that was weighed: is it assumed, and how sure is that decision (0.5 to 1)?"""

    exchange: Exchange
    assumed: bool
    sure: float


@dataclass(frozen=True)
class Followed:
    """All that was made of the events so far.

    places[r]: how many asked keys of round r are behind us, None if it is done in free order.
    signs: oldest first. strays: events that are no key's. weighed: exchanges that might be.
    """

    places: tuple[int | None, ...]
    signs: tuple[Sign, ...]
    strays: tuple[PressEvent, ...]
    weighed: tuple[Weighed, ...]

    @cached_property
    def doubted(self) -> dict[str, float]:
        """The keys of the exchanges that were weighed -> how sure the decision is."""
        found: dict[str, float] = {}
        for w in self.weighed:
            for key, _ in w.exchange.moved:
                found[key] = min(found.get(key, 1.0), w.sure)
        return found

    @cached_property
    def of_key(self) -> dict[str, tuple[Sign, ...]]:
        """The signs of each key that has any, oldest first."""
        found: dict[str, tuple[Sign, ...]] = {}
        for sign in self.signs:
            found[sign.key] = (*found.get(sign.key, ()), sign)
        return found


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
    """What later rounds have taught for certain: odd answers that keys give (key, bits), and keys
    that give no sign. Keys by number."""

    shown: frozenset[tuple[int, frozenset[Pair]]] = frozenset()
    mute: frozenset[int] = frozenset()


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
            lessons = [self._lesson(trial, rounds, r) for r in range(len(rounds))]
            trial = self._try(trial.name, trial.layout, rounds, rest, lessons)
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
            for t, row in enumerate(rows[r]):
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
            alignment = align(steps, asked, silence[r], finished=round_.finished)
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
        told = [(k, a) for its in rows for row in its for k, a in enumerate(row.answers)]
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
            for k in row.exact:
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

    def _lesson(self, trial: _Trial, rounds: Sequence[Round], r: int) -> _Lesson:
        """What the rounds after round r teach about its keys."""
        shown, mute = set(), set()
        for later in range(r + 1, len(rounds)):
            alignment, rows = trial.alignments[later], trial.rows[later]
            asked = [self.number[key] for key in rounds[later].asked]
            for t, n in zip(*np.nonzero(alignment.match >= CERTAIN), strict=True):
                if asked[n] not in rows[t].exact:
                    shown.add((asked[n], rows[t].event.bits))
            last = max((matched(alignment, t) or 0 for t in range(len(rows))), default=0)
            mute.update(
                k for k, p in zip(asked[:last], alignment.silent, strict=False) if p >= CERTAIN
            )
        return _Lesson(frozenset(shown), frozenset(mute - {k for k, _ in shown}))

    # --- attribution ---

    def _attribute(
        self, trial: _Trial, rounds: Sequence[Round]
    ) -> tuple[tuple[Sign, ...], tuple[PressEvent, ...]]:
        signs: list[Sign] = []
        strays: list[PressEvent] = []
        for r, round_ in enumerate(rounds):
            alignment = trial.alignments[r]
            due = [n for n, p in enumerate(alignment.silent) if p >= HINT]
            whose = self._whose(trial, r, round_)
            for t, row in enumerate(trial.rows[r]):
                event, k = row.event, int(whose[t].argmax())
                n = matched(alignment, t)
                while n is not None and due and due[0] < n:
                    signs.append(self._silent(trial, r, round_, due.pop(0), True))
                if whose[t, k] < LIKELY:
                    strays.append(event)
                    continue
                key, p = self.circuit.keys[k], float(whose[t, k])
                answer = row.answers[k]
                own = answer is Answer.EXACT and trial.layout[key] == self.circuit.forward[key]
                in_turn = n is not None or bool(alignment.free[t] >= LIKELY)
                signs.append(Sign(key, r, event, answer, own, in_turn, True, p, p))
            signs += self._tail(trial, r, round_, due)
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

    def _silent(self, trial: _Trial, r: int, round_: Round, n: int, settled: bool) -> Sign:
        p, silence = float(trial.alignments[r].silent[n]), float(trial.silence[r][0, n])
        doubt = _unless_dead(p, silence) + ODDS.skipped
        if silence <= FICKLE + ODDS.skipped:  # it has answered: diagnosis has no fault for that
            doubt /= FICKLE
        return Sign(round_.asked[n], r, None, None, False, True, settled, p, 1.0 / (1.0 + doubt))

    def _tail(self, trial: _Trial, r: int, round_: Round, due: Sequence[int]) -> Iterator[Sign]:
        """Silent keys after the last answer of a round. One thing explains them all: the builder
        has stopped. So they share that doubt, lest they seem to bear each other out."""
        if not due:
            return
        silence = trial.silence[r][0]
        p = float(trial.alignments[r].silent[due[-1]])
        stopped = _unless_dead(p, float(np.prod(silence[list(due)]))) + ODDS.skipped
        doubt = min(1.0, (stopped * NOTHING) ** (1 / len(due)) / NOTHING)
        for n in due:
            sign = self._silent(trial, r, round_, n, settled=False)
            yield replace(sign, confidence=1.0 / (1.0 + doubt))


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
