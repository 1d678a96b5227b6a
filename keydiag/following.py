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

from keydiag.alignment import ODDS, Alignment, Floats, Step, align, spread
from keydiag.answers import Answer, Pair, compare, expect
from keydiag.circuit import Circuit, Reading
from keydiag.exchanges import Exchange, exchanged_keys, exchanged_lines
from keydiag.observe import PressEvent

__all__ = ["Followed", "Follower", "Round", "Sign"]

LIKELY = 0.5  # posterior from which an attribution is the best guess, and is made
HINT = 0.3  # ... from which a silent key is worth mentioning
# A key that has answered before gives no sign this time: an intermittent contact. Own judgement.
FICKLE = 0.001
# What the order of one round can say for an exchange of lines, as a natural logarithm: five to
# one and no more, because a builder who takes the rows in another order leaves the same answers.
# Only a key that was asked for alone takes it further.
MOST_FROM_ORDER = log(5.0)
# So many answers out of place, or keys passed, before an exchange of lines is thought of: one
# slip makes one or two, and two exchanged rows make two, where the hands seem to jump.
ENOUGH_TROUBLE = 2

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
        """The events that can be somebody's answer, oldest first."""
        return [event for _, event in sorted(self.events.items()) if event.appeared]


@dataclass(frozen=True, slots=True)
class Sign:
    """What one pressing of a key showed.

    event, answer: None where it gave no sign. own: the key answered with a crossing that is its
    own in the board file. in_turn: it was the key's turn, or the builder follows no order.
    settled: false for silence with no answer after it, which may as well be no pressing at all.
    posterior: that the event is this key's, or that the key was passed. confidence: that it was
    pressed, and showed this.
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
    appeared: frozenset[Pair]
    answers: tuple[Answer, ...]
    exact: tuple[int, ...]
    like: Floats


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
        for exchange in self._candidates(trial, rounds):
            name = f"{trial.name}; {exchange.what}"
            other = self._try(name, exchange.apply(trial.layout), rounds, rest)
            gain = trial.gain(exchange, other)
            weighed.append(Weighed(exchange, gain > 0, 1.0 / (1.0 + exp(-abs(gain)))))
            if gain > 0:
                trial = other
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
        self, name: str, layout: Layout, rounds: Sequence[Round], rest: Reading | None
    ) -> _Trial:
        rows = [[self._row(name, layout, event) for event in r.answers()] for r in rounds]
        silence = [self._silence(layout, rounds, rows, r, rest) for r in range(len(rounds))]
        alignments: list[Alignment] = []
        shown: set[tuple[int, frozenset[Pair]]] = set()  # (key, odd answer) of earlier rounds
        for r, round_ in enumerate(rounds):
            asked = [self.number[key] for key in round_.asked]
            for t, row in enumerate(rows[r]):
                again = [k for k in asked if (k, row.appeared) in shown]
                if again:
                    rows[r][t] = _raise(row, again)
            steps = [
                Step(row.like, t > 0 and row.appeared == rows[r][t - 1].appeared, row.event.steady)
                for t, row in enumerate(rows[r])
            ]
            alignment = align(steps, asked, silence[r], finished=round_.finished)
            alignments.append(alignment)
            if r < len(rounds) - 1:
                for t, n in zip(*np.nonzero(alignment.match >= HINT), strict=True):
                    shown.add((asked[n], rows[r][t].appeared))
        return _Trial(name, layout, rows, silence, alignments)

    def _row(self, name: str, layout: Layout, event: PressEvent) -> _Row:
        row = self._rows.get((event.number, name))
        if row is None or row.event is not event:
            seen = event.appeared
            appeared = sum(1 << (d + 1) * self._pins + s for d, s in seen)
            answers = tuple(compare(expect(pair, event.rest), appeared) for pair in layout.values())
            exact = tuple(k for k, answer in enumerate(answers) if answer is Answer.EXACT)
            like = np.array([self._weight[answer] for answer in answers])
            row = self._rows[event.number, name] = _Row(event, seen, answers, exact, like)
        return row

    def _silence(
        self,
        layout: Layout,
        rounds: Sequence[Round],
        rows: Sequence[Sequence[_Row]],
        r: int,
        rest: Reading | None,
    ) -> Floats:
        """For `align`: how likely each asked key of round r gives no sign, before each answer."""
        asked = rounds[r].asked
        crossing = self.circuit.crossing
        spoke = {k for its in rows for row in its for k in row.exact}
        before = {key for earlier in rounds[:r] for key in earlier.asked}
        mute_kin: Counter[int] = Counter()  # line -> keys on it that never answered
        base = np.zeros(len(asked))
        for n, key in enumerate(asked):
            masked = self._masked(layout[key], rest)
            if masked is not None:
                base[n] = masked
            elif self.number[key] in spoke:
                base[n] = FICKLE
            elif key in before:
                base[n] = ODDS.silent_again
            else:
                kin = max(mute_kin[line] for line in crossing[key])
                base[n] = (ODDS.silent, ODDS.silent_kin, ODDS.silent_run)[min(kin, 2)]
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

    # --- exchanges ---

    def _candidates(self, trial: _Trial, rounds: Sequence[Round]) -> Iterator[Exchange]:
        """Exchanges worth weighing against `trial`, lines first."""
        if not self._troubles(trial, rounds, range(len(rounds))):
            return
        if self._troubles(trial, rounds, range(1)) >= ENOUGH_TROUBLE:
            lines = exchanged_lines(
                trial.layout,
                self.circuit.line_names,
                rounds[0].asked,
                [row.appeared for row in trial.rows[0]],
            )
            if lines is not None:
                yield lines
                return
        seen: set[str] = set()
        for r, round_ in enumerate(rounds):
            own = [
                self.circuit.keys[row.exact[0]] if len(row.exact) == 1 else None
                for row in trial.rows[r]
            ]
            matched = [_matched(trial.alignments[r], t) for t in range(len(own))]
            for exchange in exchanged_keys(trial.layout, round_.asked, own, matched):
                if exchange.what not in seen:
                    seen.add(exchange.what)
                    yield exchange

    def _troubles(self, trial: _Trial, rounds: Sequence[Round], which: range) -> int:
        """How many answers are not the exact answer of a key whose turn it was, or of a later
        one, and how many keys were passed."""
        count = 0
        for r in which:
            alignment, before = trial.alignments[r], -1
            count += int((alignment.silent >= LIKELY).sum())
            for t, row in enumerate(trial.rows[r]):
                n = _matched(alignment, t)
                fits = n is not None and n > before
                if n is None or not fits or self.number[rounds[r].asked[n]] not in row.exact:
                    count += 1
                before = before if n is None else n
        return count

    # --- attribution ---

    def _attribute(
        self, trial: _Trial, rounds: Sequence[Round]
    ) -> tuple[tuple[Sign, ...], tuple[PressEvent, ...]]:
        signs: list[Sign] = []
        strays: list[PressEvent] = []
        misses = self._misses(trial, rounds)
        for r, round_ in enumerate(rounds):
            alignment = trial.alignments[r]
            due = [n for n, p in enumerate(alignment.silent) if p >= HINT]
            whose = self._whose(trial, r, round_)
            for t, row in enumerate(trial.rows[r]):
                event, k = row.event, int(whose[t].argmax())
                n = _matched(alignment, t)
                while n is not None and due and due[0] < n:
                    signs.append(self._silent(trial, r, round_, due.pop(0), True, misses))
                if whose[t, k] < LIKELY:
                    strays.append(event)
                    continue
                key, p = self.circuit.keys[k], float(whose[t, k])
                answer = row.answers[k]
                own = answer is Answer.EXACT and trial.layout[key] == self.circuit.forward[key]
                in_turn = n is not None or bool(alignment.free[t] >= LIKELY)
                signs.append(Sign(key, r, event, answer, own, in_turn, True, p, p))
            signs += [self._silent(trial, r, round_, n, False, misses) for n in due]
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

    def _misses(self, trial: _Trial, rounds: Sequence[Round]) -> dict[str, float]:
        """Key -> how likely all its silences are the builder's, who never pressed it."""
        misses: dict[str, float] = {}
        for alignment, silence, round_ in zip(trial.alignments, trial.silence, rounds, strict=True):
            for n, key in enumerate(round_.asked):
                if alignment.silent[n] >= HINT:
                    miss = ODDS.skipped / float(silence[0, n])
                    misses[key] = misses.get(key, 1.0) * min(1.0, miss)
        return misses

    def _silent(
        self, trial: _Trial, r: int, round_: Round, n: int, settled: bool, misses: dict[str, float]
    ) -> Sign:
        p = float(trial.alignments[r].silent[n])
        key = round_.asked[n]
        return Sign(key, r, None, None, False, True, settled, p, p * (1.0 - misses[key]))


def _raise(row: _Row, keys: Sequence[int]) -> _Row:
    """These keys seem to have given this odd answer when last asked: no wonder this time."""
    like = row.like.copy()
    like[list(keys)] = np.maximum(like[list(keys)], ODDS.same_again)
    return replace(row, like=like)


def _matched(alignment: Alignment, t: int) -> int | None:
    """The asked key (its index) that answer t most likely belongs to in its turn, if any."""
    if alignment.match.shape[1] == 0:
        return None
    n = int(alignment.match[t].argmax())
    return n if alignment.match[t, n] >= LIKELY else None


def _place(alignment: Alignment) -> int | None:
    place = int(alignment.place.argmax())
    return place if place < len(alignment.place) - 1 else None
