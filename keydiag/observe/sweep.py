"""The sweep: how every key stands, what to press next, and what to press once more.

Here: `Sweep`, fed with press events while the builder presses along. Not here: debouncing
(presses.py), attribution of events to keys (following.py), prompting (session), and any finding
(diagnosis).

A dead key gives no event, so it is only noticed when the next key answers, or when the builder
stops. Whatever a slip of the hand could explain as well is put on the `ask` list: keys to press
once more. In free order a key is ticked when its crossing is seen, so exchanged keys and lines
cannot be noticed there; following the order is what shows them.

Everything is worked out anew from the events, so the same events give the same result however
they came, and nothing depends on when one looked.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Literal

from keydiag.circuit import Circuit, Reading
from keydiag.observe import Observation, PressEvent, RestState
from keydiag.observe.answers import Answer, expect
from keydiag.observe.confirming import arranged
from keydiag.observe.following import CLEAR, Follower
from keydiag.observe.signs import LIKELY, Followed, Round, Sign

__all__ = ["Sign", "Status", "Sweep"]

Status = Literal["waiting", "seen", "passed", "odd", "unsure"]
"""waiting: not pressed yet. seen: gave its own crossing, as a sound key does. passed: was pressed
and gave no sign. odd: gave something else. unsure: a slip of the hand would explain it as well."""

SURE = 0.9  # posterior from which an attribution counts as certain
MOST_ASKS = 2  # how often one key is asked for again; after that, what was seen stands
RUN = 3  # so many silent neighbours on a line are no slip: one of them is asked for, not all


class Sweep:
    """Follows one sweep. `order` defaults to the board's order; `origin` goes into observations
    ("sweep", "retest"). Feed it every PressEvent of the Observer, each as often as it comes."""

    def __init__(
        self, circuit: Circuit, order: Sequence[str] | None = None, origin: str = "sweep"
    ) -> None:
        self.circuit = circuit
        self.order = circuit.keys if order is None else tuple(order)
        self._follower = Follower(circuit)
        self._rounds = [Round(self.order, origin)]
        self._rests: list[RestState] = []
        self._known: Followed | None = None

    # --- what happens ---

    def feed(self, event: PressEvent) -> None:
        """Take in an event; a later form of the same number replaces the earlier one."""
        # By its own time, not by when it is told: a replay may tell it later.
        home = next(r for r in reversed(self._rounds) if event.t_us >= r.from_us)
        home.events[event.number] = event
        self._known = None

    def note_rest(self, rest: RestState) -> None:
        """A rest baseline was learned (Observer.rests); saying so again does no harm."""
        if rest not in self._rests:
            self._rests.append(rest)
            self._known = None

    def finish(self) -> None:
        """The builder has stopped: the keys after the last answer were pressed in vain, or not
        pressed at all. Which of the two stays open until `ask` is followed."""
        self._rounds[-1].finished = True
        self._known = None

    def begin_round(self, keys: Iterable[str], t_us: int, *, cut: bool = False) -> None:
        """From probe time `t_us` on these keys are asked for, in this order (usually `ask()`).

        cut: the builder was told to turn off here, so the keys that were still to come in the
        present round were neither pressed nor passed.
        """
        if cut:
            self._cut_round()
        else:
            self.finish()
        asked = tuple(keys)
        good = frozenset(key for key in asked if self._is_known(key))
        self._rounds.append(Round(asked, "confirm", from_us=t_us, good=good))
        self._known = None

    def _cut_round(self) -> None:
        present, place = self._rounds[-1], self._followed.places[-1]
        if place is not None:
            present.asked = present.asked[:place]
        else:
            done = {s.key for s in self._followed.signs if s.round == len(self._rounds) - 1}
            present.asked = tuple(key for key in present.asked if key in done)
        self._known = None

    # --- how it stands ---

    @property
    def status(self) -> dict[str, Status]:
        """Every key of the order -> how it stands."""
        return {key: self.status_of(key) for key in self.order}

    @property
    def next_key(self) -> str | None:
        """The key to press now; None when the round is through."""
        asked, place = self._rounds[-1].asked, self._followed.places[-1]
        if place is not None:
            return asked[place] if place < len(asked) else None
        done = {s.key for s in self._followed.signs if s.round == len(self._rounds) - 1}
        return next((key for key in asked if key not in done), None)

    @property
    def asked(self) -> tuple[str, ...]:
        """The keys of the present round, in the order in which they are asked for."""
        return self._rounds[-1].asked

    @property
    def rounds(self) -> int:
        """How many rounds have been begun, the first included."""
        return len(self._rounds)

    @property
    def in_order(self) -> bool:
        """False if the builder has left the order, so that keys are merely ticked off."""
        return self._followed.places[-1] is not None

    def passed(self) -> tuple[str, ...]:
        """The keys that were passed without a sign, in order."""
        return tuple(key for key in self.order if self.status_of(key) == "passed")

    def signs(self, key: str) -> tuple[Sign, ...]:
        """Everything that is known of a key, oldest first."""
        return self._followed.of_key.get(key, ())

    @property
    def strays(self) -> tuple[PressEvent, ...]:
        """Events that are no key's."""
        return self._followed.strays

    @property
    def exchanges(self) -> tuple[str, ...]:
        """Exchanges of lines or keys that the alignment assumes, in words."""
        return tuple(w.exchange.what for w in self._followed.weighed if w.assumed)

    def observations(self, least: float = LIKELY) -> tuple[Observation, ...]:
        """The evidence for diagnosis, oldest first: rest, every answer, every key that gave no
        sign (the rest reading with that key held); those with at least this confidence."""
        found = [Observation((), rest.reading, (), rest.t_us, 1, "rest") for rest in self._rests]
        key_of = {s.event.number: s.key for s in self._followed.signs if s.event}
        rest = self._rests[0].reading if self._rests else self._rest()
        now = self._rests[0].t_us if self._rests else 0
        for sign in self._followed.signs:
            event = sign.event
            origin, confidence = self._rounds[sign.round].origin, sign.confidence
            if event is None:
                if rest is not None and min(sign.posterior, confidence) >= least:
                    found.append(Observation((sign.key,), rest, (), now, 1, origin, confidence))
                continue
            rest, now = event.rest, event.until_us
            others = [key_of.get(number) for number in event.over]
            if confidence < least or None in others:  # None: held together with no key
                continue
            found.append(
                Observation(
                    held=(sign.key, *(other for other in others if other is not None)),
                    reading=event.reading,
                    unsteady=event.unsteady,
                    t_us=event.t_us,
                    samples=event.samples,
                    origin=origin,
                    confidence=confidence,
                )
            )
        return tuple(found)

    # --- asking ---

    def ask(self) -> tuple[str, ...]:
        """The keys to press once more, in order, and behind them a key known to answer if the
        last might stay silent (else silence could not be told from stopping); () if none."""
        asked = [key for key in self.order if self._wants_asking(key)]
        told = self._told_by_another([key for key in asked if self._is_mute(key)])
        for weighed in self._followed.weighed:
            if weighed.exchange.of_lines:  # one key tells for all that it moves
                moved = [k for k, _ in weighed.exchange.moved if k in asked and k not in told]
                told.update(moved[1:])
        return self.closed([key for key in asked if key not in told])

    def closed(self, keys: Sequence[str]) -> tuple[str, ...]:
        """These keys, and behind them one known to answer if the last might stay silent; one
        between two of them as well if what one shows might be taken for the other's."""
        if not keys:
            return ()
        # Not the key pressed last: pressed again, that could be a double press.
        last = next((s.key for s in reversed(self._followed.signs) if s.event), None)
        sound = [key for key in self.order if self.status_of(key) == "seen" and key != last]
        sound = sound or [key for key in self.order if self._is_known(key) and key != last]
        shown = self.signs(keys[-1])
        answers = any(s.event and s.posterior >= SURE for s in shown)
        if answers and shown[-1].round:  # it was asked for on its own, and what then?
            answers = shown[-1].event is not None
        sound.sort(key=self._stands_out)  # the last one that fits is taken
        return arranged(self.circuit, keys, sound, self._apart, not answers)

    def _stands_out(self, key: str) -> bool:
        """True if no key beside this one, in the order or on a line, gave no sign: else what is
        taken for its answer may be that key's."""
        paths = [self.order, *(path for path in self.circuit.keys_on.values() if key in path)]
        places = [(path, path.index(key)) for path in paths]
        beside = {k for path, n in places for k in (*path[max(0, n - 1) : n], *path[n + 1 : n + 2])}
        return not any(self._is_mute(k) for k in beside if self.signs(k))

    def _apart(self, one: str, other: str) -> bool:
        """True if these two are not to be asked for one right after the other: both are in doubt,
        and the order would not tell whose an answer is."""
        if any(self._is_known(key) for key in (one, other)):
            return False
        was_asked = any(key in r.asked for key in (one, other) for r in self._rounds[1:])
        return was_asked or self._is_mute(one) != self._is_mute(other)

    def _wants_asking(self, key: str) -> bool:
        if sum(key in r.asked for r in self._rounds[1:]) >= MOST_ASKS or self._is_masked(key):
            return False
        match self.status_of(key):
            case "unsure":
                return True
            case "passed":
                return sum(sign.event is None for sign in self.signs(key)) < MOST_ASKS
            case "waiting":  # behind us already, or nothing more will come
                place = self._followed.places[0]
                behind = place is not None and self.order.index(key) < place
                return behind or self._rounds[0].finished
        return False

    def _told_by_another(self, silent: Sequence[str]) -> set[str]:
        """Of silent keys that stand side by side on a line, RUN or more, all but one."""
        told: set[str] = set()
        for run in self._silent_runs():
            asked = any(len(self.signs(key)) >= MOST_ASKS for key in run)
            here = [key for key in silent if key in run and key not in told]
            told.update(here if asked else here[1:])
        return told

    def _silent_runs(self) -> Iterator[set[str]]:
        """Keys without a sign that are neighbours on the path of a line, RUN or more of them."""
        for path in self.circuit.keys_on.values():
            for quiet, keys in groupby(path, lambda k: bool(self.signs(k)) and self._is_mute(k)):
                run = set(keys)
                if quiet and len(run) >= RUN:
                    yield run

    def _is_mute(self, key: str) -> bool:
        """True if nothing was ever heard of this key."""
        return not any(sign.event for sign in self.signs(key))

    def _is_known(self, key: str) -> bool:
        """True if it is certain what this key shows, and nobody else shows that."""
        status = self.status_of(key)
        told = (sign.answer in CLEAR for sign in self.signs(key))
        return status == "seen" or (status == "odd" and all(told))

    def _is_masked(self, key: str) -> bool:
        """True if pressing this key can show nothing, rest being what it is."""
        rest = self._rest()
        if rest is None:
            return False
        expected = expect(self.circuit.forward[key], rest)
        return not (expected.must or expected.may)

    # --- how one key stands ---

    def status_of(self, key: str) -> Status:
        """How one key of the half stands, whether this sweep's order names it or not."""
        signs = [s for s in self.signs(key) if s.confidence >= LIKELY or s.event is None]
        if not signs:
            return "waiting"
        # What it showed when it was asked for last counts most.
        latest = [s for s in signs if s.round == signs[-1].round]
        answers = [s for s in latest if s.event is not None]
        if not answers:
            sure = any(s.settled and s.posterior >= SURE for s in latest)
            return "passed" if sure else "unsure"
        if self._followed.doubted.get(key, 1.0) < SURE:
            return "unsure"
        own = [s for s in answers if s.own]
        if own:
            told = any(s.in_turn and s.confidence >= SURE for s in own)
            told = told or sum(s.own for s in signs) >= 2 or self._turn_is_to_come(key)
            return "seen" if told else "unsure"
        return "odd" if any(self._stands(s, signs) for s in answers) else "unsure"

    def _stands(self, sign: Sign, signs: Sequence[Sign]) -> bool:
        """True if no slip of the hand explains this odd answer: nothing but this key could have
        given it, or it was given twice."""
        if sign.confidence < SURE:
            return False
        if sign.answer in (Answer.EXACT, Answer.REVERSED, Answer.BOTH):
            return True
        assert sign.event is not None
        same = [s for s in signs if s.event and s.event.bits == sign.event.bits]
        return len(same) >= 2

    def _turn_is_to_come(self, key: str) -> bool:
        place = self._followed.places[-1]
        return place is not None and key in self._rounds[-1].asked[place:]

    @property
    def _followed(self) -> Followed:
        if self._known is None:
            self._known = self._follower.follow(self._rounds, self._rest())
        return self._known

    def _rest(self) -> Reading | None:
        """The rest baseline of the latest event, or the one last learned."""
        for round_ in reversed(self._rounds):
            if round_.events:
                return round_.events[max(round_.events)].rest
        return self._rests[-1].reading if self._rests else None
