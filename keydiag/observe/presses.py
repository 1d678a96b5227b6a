"""Readings -> presses: debouncing, the rest baseline, steady states and the unsteady evidence.

Here: `Observer`, which turns the stream of (time, reading) into `PressEvent`s, and `Observation`,
what diagnosis is given. Not here: which key was meant (sweep.py, alignment.py), and any clock:
time is the probe's own, as it stands in the readings.

The result depends only on when the reading changed, not on how often an unchanged one was
reported, so a journal that keeps only the changes replays to the same events.

Departure: the set of directed bits that differ from the rest baseline. A run of readings with
one and the same departure is steady once it has lasted STEADY_US; what lies between two steady
runs is bounce, or evidence of a bad contact, and is kept as `Unsteady`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import IntEnum

from keydiag.circuit import Reading
from keydiag.faults import pack, unpack
from keydiag.observe.bounce import Piece, Trace, Unsteady, ones

__all__ = ["REST", "Bit", "Observation", "Observer", "PressEvent", "RestState", "Unsteady"]

# A run this long is steady. Makers of key switches state at most 1 to 5 ms of bounce, of tact
# switches up to 10 ms (3 ms closing, 8 ms opening); Ganssle, "A Guide to Debouncing" (2008):
# mean 1.6 ms, all but two of 18 switch types below 6.2 ms. It is the longest *undisturbed* piece
# within the bounce that matters here, which is shorter; and a press holds for 50 ms or more.
STEADY_US = 8_000
# The same bits back within this time belong to the same press (a drop-out while held); later they
# are a new press. Quick repeated tapping with one finger is 5 to 7 strokes a second, half of each
# cycle released (from memory), so a finger needs more than 50 ms.
REJOIN_US = 30_000
# Rest is learned from a reading that did not change for this long: longer than any bounce and
# than a short tap, short enough not to make the builder wait.
REST_US = 200_000
# Never quiet (a bridge that flickers at rest)? Then the reading that had most of this time is it.
REST_GIVE_UP_US = 2_000_000
# A contact that chatters without ever being steady is reported in pieces of this length.
CHATTER_US = 500_000

REST = -1  # stands for the driven pin in a Bit of the rest mask, where no pin is driven

Bit = tuple[int, int]
"""(drive, sense): pin `sense` against pin `drive`, both circuit pin indices; drive may be REST."""


@dataclass(frozen=True, slots=True)
class PressEvent:
    """Something departed from rest. The same `number` comes again with fuller evidence: once when
    it became steady (done=False), once when it was over (done=True).

    t_us, until_us: first and last sign of it, probe time. steady: false if it never held still
    for STEADY_US; then `reading` is the one that had most of the time.
    reading: the steady reading that had most of the time, of those with the fewest other presses
    still on; `over`: the numbers of these others. rest: the baseline it departs from.
    bits: the bits that departed with this press; those that read low now are `appeared`, those
    that read low at rest and no longer do are `gone`.
    steady_us, samples: how long `reading` was seen, in time and in readings of the probe.
    """

    number: int
    t_us: int
    until_us: int
    done: bool
    steady: bool
    reading: Reading
    rest: Reading
    bits: frozenset[Bit]
    gone: frozenset[Bit]
    over: tuple[int, ...]
    steady_us: int
    samples: int
    unsteady: tuple[Unsteady, ...]

    @property
    def appeared(self) -> frozenset[Bit]:
        """The bits of this press that read low now and not at rest."""
        return self.bits - self.gone


@dataclass(frozen=True, slots=True)
class RestState:
    """A rest baseline: since when, what it reads, and whether it was steady or only the most
    frequent reading of an unquiet half."""

    t_us: int
    reading: Reading
    steady: bool


@dataclass(frozen=True, slots=True)
class Observation:
    """What was read while these keys were held: the evidence that diagnosis explains.

    held: empty for rest. reading: steady. unsteady: evidence of bad contacts. samples: how many
    readings of the probe it stands for. origin: "rest", "sweep", "confirm", "chord" or "retest".
    confidence: probability that it really was these keys that were held.
    """

    held: tuple[str, ...]
    reading: Reading
    unsteady: tuple[Unsteady, ...]
    t_us: int
    samples: int
    origin: str
    confidence: float = 1.0


class _Due(IntEnum):
    """What may fall due; of two at the same time, the lower comes first."""

    REST_LEARNED = 0
    REST_UNQUIET = 1
    STEADY = 2
    OVER = 3
    CHATTER = 4
    NEW_REST = 5


@dataclass(slots=True)
class _Press:
    """A press that is still on, or that has just let go. Masks are packed departures."""

    number: int
    bits: int
    start_us: int
    lost_us: int | None = None  # start of the steady run in which it was gone
    last_us: int = 0
    traces: dict[int, Trace] = field(default_factory=dict)
    seen_us: Counter[tuple[tuple[int, ...], int]] = field(default_factory=Counter)


class Observer:
    """Feeds on readings, gives press events; see the module's docstring.

    `period_us` is the probe's reading period, used only to count samples.
    """

    def __init__(self, period_us: int = 1_000) -> None:
        self.period_us = max(1, period_us)
        self.rests: list[RestState] = []
        self._pins = 0
        self._numbers = 0
        self._now = 0
        self._forget()

    def _forget(self) -> None:
        self._last: Reading | None = None
        self._packed = 0
        self._since = 0  # since when the reading has been this one
        self._base: int | None = None
        self._learn_from = 0
        self._learned: Counter[int] = Counter()
        self._steady = 0  # departure of the latest steady run
        self._fired = False  # the present run has been found steady
        self._loose_from = 0  # end of the latest steady run
        self._loose: list[Piece] = []
        self._presses: list[_Press] = []

    # --- what is known ---

    @property
    def rest(self) -> Reading | None:
        """The rest baseline, or None while it is being learned."""
        return self.rests[-1].reading if self._base is not None else None

    @property
    def now_us(self) -> int:
        """The time up to which readings have been taken in."""
        return self._now

    @property
    def holding(self) -> tuple[int, ...]:
        """Numbers of the presses that are on now (steady ones)."""
        return tuple(p.number for p in self._presses if p.lost_us is None)

    @property
    def departed(self) -> frozenset[Bit]:
        """Bits that differ from rest at this moment, bounce included: for a live picture only."""
        if self._base is None:
            return frozenset()
        return frozenset(self._unpack_bits(self._departure))

    # --- feeding ---

    def feed(self, t_us: int, reading: Reading) -> list[PressEvent]:
        """Take in one reading at its probe time (non-decreasing); the events it completes."""
        out: list[PressEvent] = []
        if self._last is None:
            self._pins = len(reading.low)
            self._last, self._packed = reading, pack(reading)
            self._now = max(self._now, t_us)
            self._since = self._learn_from = self._now
            return out
        t_us = max(t_us, self._now)
        self._advance(t_us, out)
        if reading is not self._last and reading != self._last:
            self._change(t_us, pack(reading))
            self._last = reading
        return out

    def finish(self) -> list[PressEvent]:
        """Nothing more will come: close whatever is still open at the time known so far."""
        out: list[PressEvent] = []
        if self._base is not None:
            if self._fired:
                self._end_run(self._now)
            elif self._packed == self._base:
                self._settle(0, self._since, out)
            else:
                self._loose.append(Piece(self._since, self._now, self._departure))
                self._settle(self._steady, self._now, out)
            out += [self._event(press, done=True) for press in self._presses]
        self._forget()
        return out

    def restart(self) -> list[PressEvent]:
        """The link broke: close what is open, and learn the rest baseline anew (something may
        have been reworked meanwhile)."""
        return self.finish()

    # --- time passes ---

    def _advance(self, t_us: int, out: list[PressEvent]) -> None:
        """Let everything happen that falls due until `t_us`, in the order of the due times."""
        while True:
            due = min(self._dues(), default=None)
            if due is None or due[0] > t_us:
                break
            due_us, what, which = due
            self._now = max(self._now, due_us)
            match what:
                case _Due.REST_LEARNED:
                    self._learn(self._packed, due_us, steady=True)
                case _Due.REST_UNQUIET:
                    self._learned[self._packed] += due_us - self._since
                    self._learn(self._learned.most_common(1)[0][0], due_us, steady=False)
                case _Due.STEADY:
                    self._fired = True
                    self._settle(self._departure, self._since, out)
                case _Due.OVER:
                    out.append(self._event(self._presses.pop(which), done=True))
                case _Due.CHATTER:
                    self._loose.append(Piece(self._since, due_us, self._departure))
                    self._settle(self._steady, due_us, out)
                    self._since = self._loose_from = due_us
                case _Due.NEW_REST:
                    self._rebase(due_us)
        self._now = max(self._now, t_us)

    def _dues(self) -> Iterator[tuple[int, _Due, int]]:
        """(when, what, which press) of all that will happen if the reading stays as it is."""
        if self._base is None:
            yield self._since + REST_US, _Due.REST_LEARNED, 0
            yield self._learn_from + REST_GIVE_UP_US, _Due.REST_UNQUIET, 0
            return
        if not self._fired:
            yield self._since + STEADY_US, _Due.STEADY, 0
            yield self._loose_from + CHATTER_US, _Due.CHATTER, 0
        elif self._steady and not self._steady & ~self._base:
            yield self._since + REST_US, _Due.NEW_REST, 0
        for which, press in enumerate(self._presses):
            if press.lost_us is not None:
                yield press.lost_us + REJOIN_US, _Due.OVER, which

    @property
    def _departure(self) -> int:
        assert self._base is not None
        return self._packed ^ self._base

    def _change(self, t_us: int, packed: int) -> None:
        """The reading is another one from `t_us` on."""
        if self._base is None:
            self._learned[self._packed] += t_us - self._since
        elif self._fired:
            self._end_run(t_us)
            self._loose_from = t_us
        elif t_us > self._since:
            self._loose.append(Piece(self._since, t_us, self._departure))
        self._fired = False
        self._packed, self._since = packed, t_us

    def _learn(self, packed: int, t_us: int, *, steady: bool) -> None:
        self._base = packed
        self._learned.clear()
        self.rests.append(RestState(t_us, unpack(packed, self._pins), steady))
        self._steady = 0
        if steady:
            self._fired = True
        else:
            self._since = self._loose_from = t_us

    def _rebase(self, t_us: int) -> None:
        """Only things that conducted at rest have stopped, for good: a key was held while rest
        was learned, or a bridge has gone. What is left is the new rest."""
        self._presses = [p for p in self._presses if self._shown(p)]
        self._base = self._packed
        self._steady = 0
        self.rests.append(RestState(t_us, unpack(self._packed, self._pins), True))

    # --- from one steady run to the next ---

    def _end_run(self, t_us: int) -> None:
        """A steady run ends: book its time with every press that is on."""
        length = t_us - self._since
        on = [p for p in self._presses if p.lost_us is None]
        for press in on:
            press.seen_us[self._over(press), self._steady] += length
            press.last_us = t_us
            for bit in ones(press.bits):
                press.traces[bit].run(self._steady, length, t_us)

    def _over(self, press: _Press) -> tuple[int, ...]:
        """The numbers of the other presses that are on in the present steady run."""
        return tuple(
            p.number
            for p in self._presses
            if p is not press and p.lost_us is None and self._shown(p)
        )

    def _settle(self, after: int, t_us: int, out: list[PressEvent]) -> None:
        """From steady departure `self._steady` over the loose pieces to `after`, which has lasted
        since `t_us`: what has come, gone, dropped out or flickered?"""
        before, pieces = self._steady, self._loose
        self._steady, self._loose = after, []
        known = 0
        for press in self._presses:
            known |= press.bits
            was, is_on = press.lost_us is None, bool(after & press.bits)
            for trace in press.traces.values():
                trace.book(pieces, before, after, t_us)
            press.last_us = max(press.traces[bit].last_us for bit in ones(press.bits))
            if was and not is_on:
                press.lost_us = t_us
            elif is_on:
                press.lost_us = None
        new = after & ~known
        flicker = 0
        for piece in pieces:
            flicker |= piece.departed
        flicker &= ~(known | before | after)
        if new:
            press = self._begin(new, new | flicker, pieces, t_us)
            self._presses.append(press)
            if self._shown(press):
                out.append(self._event(press, done=False))
        elif flicker and before == after:
            out.append(self._brief(flicker, known, pieces, t_us))
        elif flicker and self._presses:
            self._watch(self._presses[-1], flicker, pieces, t_us)

    def _begin(self, bits: int, watched: int, pieces: list[Piece], t_us: int) -> _Press:
        self._numbers += 1
        press = _Press(self._numbers, bits, t_us)
        self._watch(press, watched, pieces, t_us)
        press.start_us = min(press.traces[bit].first_us for bit in ones(bits))
        press.last_us = t_us
        return press

    def _watch(self, press: _Press, bits: int, pieces: list[Piece], t_us: int) -> None:
        for bit in ones(bits & ~_mask(press.traces)):
            press.traces[bit] = Trace.begin(bit, pieces, self._steady, t_us)

    def _brief(self, flicker: int, known: int, pieces: list[Piece], t_us: int) -> PressEvent:
        """Something flickered between two equal steady runs: an event that was never steady."""
        seen: Counter[int] = Counter()
        for piece in pieces:
            if piece.departed & flicker:
                seen[piece.departed & ~known] += piece.end_us - piece.start_us
        bits = seen.most_common(1)[0][0] & flicker
        press = self._begin(bits, flicker, pieces, t_us)
        press.last_us = max(trace.last_us for trace in press.traces.values())
        press.seen_us[self._over(press), self._steady | bits] = seen[bits]
        return self._event(press, done=True, steady=False)

    def _shown(self, press: _Press) -> bool:
        """False for a mere loss of what conducted at rest: if it lasts, `_rebase` takes it for the
        new rest; if not, its end makes an event of it (with nothing in `appeared`)."""
        assert self._base is not None
        return bool(press.bits & ~self._base)

    def _event(self, press: _Press, *, done: bool, steady: bool = True) -> PressEvent:
        assert self._base is not None
        if press.seen_us:
            # Fewest other presses on; then the longest; then the lowest, so that it is certain.
            (over, departed), length = min(
                press.seen_us.items(), key=lambda item: (len(item[0][0]), -item[1], item[0])
            )
        else:
            over, departed, length = self._over(press), self._steady, STEADY_US
        until = press.last_us if done else self._now
        return PressEvent(
            number=press.number,
            t_us=press.start_us,
            until_us=max(until, press.start_us),
            done=done,
            steady=steady,
            reading=unpack(self._base ^ departed, self._pins),
            rest=unpack(self._base, self._pins),
            bits=frozenset(self._unpack_bits(press.bits)),
            gone=frozenset(self._unpack_bits(press.bits & self._base)),
            over=over,
            steady_us=length if steady else 0,
            samples=max(1, length // self.period_us),
            unsteady=tuple(trace.sum(self._pins) for _, trace in sorted(press.traces.items())),
        )

    def _unpack_bits(self, packed: int) -> Iterator[Bit]:
        for bit in ones(packed):
            drive, sense = divmod(bit, self._pins)
            yield drive - 1, sense


def _mask(bits: Iterable[int]) -> int:
    mask = 0
    for bit in bits:
        mask |= 1 << bit
    return mask
