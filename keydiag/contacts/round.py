"""The round: asks for one key after the other, and measures each while it is held.

Here: `Round`, which drives an opened source and tells what to do and what was measured, line by
line. It knows no port and no clock: time is the probe's own, as its readings tell it, so none
passes while the probe is unplugged. Not here: what the figures mean (levels.py, rises.py,
steadiness.py), the words at the end (summary.py).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median_low
from typing import Literal

from keydiag.chips import Chip
from keydiag.circuit import Circuit, Reading
from keydiag.contacts.steadiness import Steadiness, steadiness
from keydiag.sources.base import (
    EdgesAt,
    Ended,
    LevelAt,
    LinkDown,
    LinkUp,
    ProbeSaid,
    ReadingAt,
    RiseAt,
    Source,
    SourceEvent,
)

__all__ = ["KeyFound", "Round", "Taken"]

LOOK_S = 0.05  # how long one look at the source may take
REST_US = 300_000  # unchanged for so long, with nothing held: this is rest
WATCH_MS = 200  # most of the 250 that the probe allows, with time to spare for a slow computer
LOST_US = 1_000_000  # an answer that has not come by then will not: ask again
LEVELS = 3  # taken of each key; the middle one counts
# A key that is held but does not read as low: its level is well below that of an open crossing.
HELD_SHARE = 0.75
# Keys in a row without any answer: nobody is pressing. If all are on one line, it may be cut.
GIVE_UP = 3
PASS_OVER = 5  # watches, a second in all: a later key that is held for so long is meant
GONE_US = 2_000_000  # open for so long while the half is flexed: the key was let go

State = Literal["held", "silent", "conducts at rest", "not asked"]


@dataclass(slots=True)
class KeyFound:
    """What was found of one key. mv: its level; None if it was not measured (`analog` is false
    where the sensing pin has no analogue input). weak: held, by its level, but not read as low.
    flexed: watched while the half was flexed; openings: how often it opened then for so long that
    it may have been the finger."""

    state: State = "not asked"
    mv: int | None = None
    analog: bool = True
    weak: bool = False
    watched: Steadiness | None = None
    flexed: bool = False
    openings: int = 0


@dataclass(slots=True)
class Taken:
    """All that was measured. rise_ns: by circuit pin, empty if the probe did not say."""

    keys: dict[str, KeyFound] = field(default_factory=dict)
    rise_ns: tuple[int, ...] = ()
    rest: Reading | None = None


@dataclass(slots=True)
class _Asked:
    """The key that is asked for, and what was watched of it so far."""

    key: str
    drive: int
    sense: int
    since_us: int
    watches: list[EdgesAt] = field(default_factory=list)
    told: str = ""  # another key, that was pressed instead
    told_at: int = 0  # watches made by then


class Round:
    """One round over a source that is reading the circuit's pins.

    Args:
        circuit: the half.
        chip: which of its pins can measure a level.
        source: open and started.
        supply_mv: what the controller runs at.
        keys: those to ask for, in order.
        say: takes one line of text at a time.
        record: takes every source event, for the journal.
        idle_us: a key without any answer for so long is given up.
        flex_us: how long each key is to be held while the half is flexed; 0: not at all.
    """

    def __init__(
        self,
        circuit: Circuit,
        chip: Chip,
        source: Source,
        supply_mv: int,
        keys: Sequence[str],
        *,
        say: Callable[[str], None],
        record: Callable[[SourceEvent, int], None] = lambda event, now_us: None,
        idle_us: int = 20_000_000,
        flex_us: int = 0,
    ) -> None:
        self.circuit, self.chip = circuit, chip
        self.supply_mv = supply_mv
        self.taken = Taken({key: KeyFound() for key in keys})
        self._source, self._say, self._record = source, say, record
        self._idle_us, self._flex_us = idle_us, flex_us
        self.now_us = 0
        self._reading: Reading | None = None
        self._down = False
        self.ended = False

    def run(self) -> Taken:
        """Take the whole round."""
        self._say("Leave every key alone for a moment.")
        self._learn_rest()
        passed_over = self._ask_for(list(self.taken.keys))
        self._ask_for(passed_over)
        return self.taken

    def _ask_for(self, todo: list[str]) -> list[str]:
        """Take these keys; those that were passed over are returned."""
        passed_over: list[str] = []
        waited: dict[str, State] = {}  # keys in a row that nobody pressed -> what they were before
        while todo and not self.ended:
            key = todo.pop(0)
            before = self.taken.keys[key].state
            went = self._take(key, todo)
            if went in todo:
                passed_over += [key, *todo[: todo.index(went)]]
                todo = todo[todo.index(went) :]
            waited = waited | {key: before} if went == "nowhere" else {}
            if len(waited) >= GIVE_UP and not self._one_line(waited):
                self._say("Nobody seems to press any key: this round ends here.")
                for each, state in waited.items():
                    self.taken.keys[each].state = state  # nobody was there to press it
                return []
        return passed_over

    def _one_line(self, keys: Iterable[str]) -> bool:
        circuit, keys = self.circuit, list(keys)
        return any(
            len({of[key] for key in keys}) == 1 for of in (circuit.row_of, circuit.column_of)
        )

    # --- the source ---

    def _hear(self) -> list[SourceEvent]:
        events = self._source.read(LOOK_S)
        for event in events:
            match event:
                case ReadingAt(t_us, reading):
                    self.now_us, self._reading = t_us, reading
                case RiseAt(ns):
                    self.taken.rise_ns = self.taken.rise_ns or ns
                case LinkDown(reason):
                    self._down = True
                    self._say(f"The probe is gone ({reason}); plug it in again.")
                case LinkUp(_):
                    self._down = False
                    self._say("The probe is back.")
                case ProbeSaid(code, text) if code != "analog":
                    self._say(f"The probe says: {text} ({code}).")
                case Ended():
                    self.ended = True
            self._record(event, self.now_us)
        return events

    def _ask(
        self, ask: Callable[[], None], fits: Callable[[SourceEvent], bool]
    ) -> SourceEvent | None:
        """Ask until an answer comes; None if the probe refuses, or there is no more to come."""
        while not self.ended:
            ask()
            asked_us = self.now_us
            while not self.ended and self.now_us - asked_us < LOST_US:
                for event in self._hear():
                    if fits(event):
                        return event
                    if isinstance(event, ProbeSaid) and event.code in ("analog", "supply"):
                        return None
                    if isinstance(event, LinkUp):
                        asked_us = self.now_us - LOST_US  # the question went down with the link
        return None

    def _watch(self, asked: _Asked) -> EdgesAt | None:
        drive, sense = asked.drive, asked.sense
        answer = self._ask(
            lambda: self._source.ask_watch(drive, sense, WATCH_MS),
            lambda e: isinstance(e, EdgesAt) and (e.drive, e.sense) == (drive, sense),
        )
        if not isinstance(answer, EdgesAt):
            return None
        asked.watches.append(answer)
        return answer

    def _level(self, asked: _Asked) -> int | None:
        drive, sense = asked.drive, asked.sense
        answer = self._ask(
            lambda: self._source.ask_level(drive, sense),
            lambda e: isinstance(e, LevelAt) and (e.drive, e.sense) == (drive, sense),
        )
        return answer.millivolts if isinstance(answer, LevelAt) else None

    def _learn_rest(self) -> None:
        since_us, last = 0, None
        while not self.ended and (last is None or self.now_us - since_us < REST_US):
            self._hear()
            if self._reading != last:
                since_us, last = self.now_us, self._reading
        self.taken.rest = last

    # --- keys ---

    def _take(self, key: str, later: Sequence[str]) -> str:
        """Ask for a key and measure it. Where it went: "on"; "nowhere" if nothing was pressed; or
        the key, of those that come later, to go on with."""
        found = self.taken.keys[key]
        drive, sense = self.circuit.forward[key]
        found.analog = self.circuit.pins[sense] in self.chip.analog
        rest = self.taken.rest
        if rest is not None and (rest.low[drive] | rest.rest) >> sense & 1:
            found.state = "conducts at rest"
            self._say(f"{key} conducts with nothing held and is left out.")
            return "on"
        legend = self.circuit.board.key[key].legend
        self._say(f"Hold {key} ({legend})." if legend else f"Hold {key}.")
        asked = _Asked(key, drive, sense, self.now_us)
        went = self._wait_for(asked, found, later)
        if went != "held":
            found.state = "silent"
            return went
        found.state = "held"
        self._measure(asked, found)
        if self._flex_us:
            self._flex(asked, found)
        found.watched = steadiness(asked.watches)
        self._say(f"{key}: {words(found)}.")
        return "on"

    def _wait_for(self, asked: _Asked, found: KeyFound, later: Sequence[str]) -> str:
        """Watch the crossing until it stays closed: "held"; or where it went, as `_take` has it."""
        before = self._conducting()  # the key before this one may not be up yet
        while not self.ended:
            edges = self._watch(asked)
            if edges is None:
                self._say(f"{asked.key} cannot be watched.")
                return "on"
            if closed_at_end(edges):
                return "held"
            if found.analog:
                level = self._level(asked)
                if level is not None and level < HELD_SHARE * self.supply_mv:
                    again = self._level(asked)
                    if again is not None and again < HELD_SHARE * self.supply_mv:
                        found.weak = not closed_at_end(self._watch(asked) or edges)
                        return "held"
            now = self._conducting()
            before &= now
            other = next(iter(self._keys(now - before)), "")
            if other and other == next(iter(later), None):
                self._say(
                    f"{asked.key} gives no answer, {other} does: on with it. {asked.key} is asked "
                    "for once more at the end."
                )
                return other
            if other and other not in (asked.key, asked.told):
                asked.told, asked.told_at = other, len(asked.watches)
                more = f"; or keep {other} down to go on from there" if other in later else ""
                self._say(f"That was {other}. Hold {asked.key}{more}.")
            elif other in later and len(asked.watches) - asked.told_at >= PASS_OVER:
                self._say(f"On with {other}; what was passed over is asked for at the end.")
                return other
            if not other:
                asked.told_at = len(asked.watches)
            if steadiness(asked.watches).closed_at_all and not asked.told:
                asked.told = asked.key
                self._say(f"Hold {asked.key} down a little longer.")
            if self.now_us - asked.since_us >= self._idle_us:
                self._say(f"{asked.key} gives no answer.")
                return "nowhere"
        return "on"

    def _conducting(self) -> set[tuple[int, int]]:
        """(driven, sensing) pairs that read low now and not at rest."""
        if self._reading is None or self.taken.rest is None:
            return set()
        return {
            (drive, sense)
            for drive, (now, rest) in enumerate(
                zip(self._reading.low, self.taken.rest.low, strict=True)
            )
            for sense in range(len(self._reading.low))
            if (now & ~rest) >> sense & 1
        }

    def _keys(self, pairs: Collection[tuple[int, int]]) -> Iterable[str]:
        return (key for key in self.circuit.keys if self.circuit.forward[key] in pairs)

    def _measure(self, asked: _Asked, found: KeyFound) -> None:
        """The level, then a watch more: so it is known that the key was held all the while."""
        levels = []
        for _ in range(LEVELS if found.analog else 0):
            level = self._level(asked)
            if level is None:
                found.analog = False
                break
            levels.append(level)
        edges = self._watch(asked)
        held = found.weak or edges is not None and closed_at_end(edges)
        # Let go meanwhile: the level may be that of an open crossing, which is near the supply.
        closed = [level for level in levels if level < HELD_SHARE * self.supply_mv]
        if closed and (held or len(closed) == len(levels)):
            found.mv = median_low(closed)

    def _flex(self, asked: _Asked, found: KeyFound) -> None:
        """Watch on while the case is flexed; what opens is told at once."""
        seconds = self._flex_us / 1e6
        self._say(
            f"Keep {asked.key} down for {seconds:g} s: flex the case, move the wires and the lead."
        )
        found.flexed = True
        told, held_from = steadiness(asked.watches).dropouts, len(asked.watches) - 1
        begun_us = closed_us = self.now_us
        while not self.ended and self.now_us - begun_us < self._flex_us:
            edges = self._watch(asked)
            if edges is None:
                return
            if edges.closed or edges.at_us:
                closed_us = self.now_us
            elif self.now_us - closed_us >= GONE_US:
                self._say(f"{asked.key} was let go.")
                return
            sum_ = steadiness(asked.watches)
            if sum_.dropouts > told:
                self._say(
                    f"  {asked.key} opened {times(sum_.dropouts - told)} just now "
                    f"(longest so far {milliseconds(sum_.longest_us)})."
                )
                told = sum_.dropouts
            openings = steadiness(asked.watches[held_from:]).let_go
            if openings > found.openings:
                found.openings = openings
                self._say(f"  {asked.key} was open for longer just now: a joint, or the finger?")


def closed_at_end(edges: EdgesAt) -> bool:
    """True if the last look of a watch found the crossing closed."""
    return edges.closed ^ bool(len(edges.at_us) & 1)


def times(count: int) -> str:
    """ "once", "3 times"."""
    return "once" if count == 1 else f"{count} times"


def milliseconds(us: int) -> str:
    """A time in words."""
    return f"{us / 1000:.1f} ms"


def words(found: KeyFound) -> str:
    """What was measured of a held key, in words."""
    said = []
    if found.mv is not None:
        said.append(f"{found.mv / 1000:.2f} V")
    elif not found.analog:
        said.append("level not measured, its sensing pin has no analogue input")
    else:
        said.append("let go before its level was measured")
    if found.weak:
        said.append("does not read as closed")
    seen = found.watched
    if seen is None or not seen.closed_at_all:
        return ", ".join(said)
    if seen.bounce_us is not None:
        bounced = seen.bounce_us > 0
        said.append(f"bounce {milliseconds(seen.bounce_us)}" if bounced else "no bounce")
    if not seen.settled:
        said.append("never closed for good")
    elif seen.dropouts:
        said.append(
            f"opened {times(seen.dropouts)} while held, {milliseconds(seen.longest_us)} at the most"
        )
    else:
        said.append(f"steady for {seen.closed_us / 1e6:.1f} s")
    return ", ".join(said)
