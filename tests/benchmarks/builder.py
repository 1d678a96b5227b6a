"""A builder at a half with faults: fingers that slip, contacts that bounce, a meter, an iron.

The builder knows nothing: only the half does, and the meter.  Presses go the tool's own way: the
contacts of the virtual half, a reading each millisecond, `observe.Observer`, a session's `Course`
with its rounds of "press once more".  Left out are the probe's line and the time between the pins
of one reading (`tests/sources` and `tests/observe` play those).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from random import Random

from keydiag.circuit import Circuit, Reading
from keydiag.diagnosis import Diagnostician, MeterAnswer, meter
from keydiag.faults import Fault
from keydiag.faults.predict import FaultSet
from keydiag.observe import Observation, Observer
from keydiag.session.course import Course
from keydiag.sources.contacts import Contacts
from keydiag.sources.hands import HandScript, Slips

# Per press, own judgement, no source.
SLIPS = Slips(wrong=0.004, double=0.003, skip=0.003, exchange=0.001, rollover=0.02)
NO_SLIPS = Slips()
PERIOD_US = 1_000
REST_US = 300_000  # hands off until the tool has learned the rest reading
AFTER_US = 600_000  # ... and after the last press
CHORD_US = 60_000  # what must have stayed the same when a chord is read
MOST_ROUNDS = 8  # of "press once more"; the tool itself stops earlier


@dataclass
class Builder:
    """Presses, measures, repairs.  `faults` is the truth; `draw` moves the hands, `seed` decides
    how the contacts bounce and what this half's pins make of levels that no datasheet settles."""

    circuit: Circuit
    faults: FaultSet
    draw: Random
    slips: Slips = SLIPS
    seed: int = 0
    now_us: int = 0
    presses: int = 0

    def __post_init__(self) -> None:
        self._plug_in()

    def _plug_in(self) -> None:
        self._contacts = Contacts(self.circuit, self.faults, seed=self.seed)
        self._observer = Observer(PERIOD_US)
        self._told = 0
        self.now_us += REST_US
        self._observer.feed(self.now_us, self.reading())
        self._until(self.now_us + REST_US, [])

    # --- at the keys ---

    def reading(self) -> Reading:
        """What the pins of the half's own lines read now."""
        whole = self._contacts.reading()
        pins = len(self.circuit.pins)
        mask = (1 << pins) - 1
        return Reading(whole.rest & mask, tuple(low & mask for low in whole.low[:pins]))

    def at_rest(self) -> Observation:
        return Observation((), self.reading(), (), self.now_us, 1, "rest")

    def as_it_is(self) -> list[Observation]:
        """What a sweep without slips or bounce would show: rest, and every key on its own."""
        contacts = Contacts(self.circuit, self.faults, seed=self.seed)
        moving, self._contacts = self._contacts, contacts
        out = []
        for held in ((), *((key,) for key in self.circuit.keys)):
            contacts.closed = frozenset(held)
            origin = "sweep" if held else "rest"
            out.append(Observation(held, self.reading(), (), self.now_us, 1, origin))
        self._contacts = moving
        return out

    def course(
        self,
        engine: Diagnostician,
        keys: Sequence[str] | None = None,
        kept: Sequence[Observation] = (),
        origin: str = "sweep",
        **more: object,
    ) -> tuple[Observation, ...]:
        """Press these keys (None: all of them) and what is asked for once more: the evidence of
        that behind what was kept from before."""
        asked = self.circuit.keys if keys is None else tuple(keys)
        course = Course(self.circuit, asked, origin, None, self.now_us)
        self._told = max(0, len(self._observer.rests) - 1)
        self._play(course, asked)
        for _ in range(MOST_ROUNDS):
            again = course.unclear()
            if not again:
                seen = (*kept, *course.sweep.observations())
                again = course.doubted(engine.diagnose(seen, **more))
            if not again:
                break
            course.begin_round(again, self.now_us)
            self._play(course, again)
        return (*kept, *course.sweep.observations())

    def hold(self, keys: Sequence[str]) -> Observation:
        """A chord, read while it is steady; the tool sees to that, and to the right keys."""
        events: list = []
        for key in keys:
            self._contacts.press(key, self.now_us)
        self._until(self.now_us + 2 * CHORD_US, events)
        seen = Observation(
            tuple(keys), self.reading(), (), self.now_us, CHORD_US // PERIOD_US, "chord"
        )
        for key in keys:
            self._contacts.release(key, self.now_us)
        self._until(self.now_us + AFTER_US, events)
        return seen

    def _play(self, course: Course, keys: Sequence[str]) -> None:
        # A single key that is asked for is looked at: no other is pressed for it.
        slips = self.slips if len(keys) > 1 else replace(self.slips, wrong=0.0)
        script = HandScript.sweep(keys, self.draw.randrange(1 << 32), slips, REST_US)
        for act in script.acts:
            move = self._contacts.press if act.what == "press" else self._contacts.release
            move(act.key, self.now_us + act.t_us)
        self.presses += len(script.pressed)
        events: list = []
        self._until(self.now_us + script.length_us + AFTER_US, events)
        for rest in self._observer.rests[self._told :]:
            course.sweep.note_rest(rest)
        self._told = len(self._observer.rests)
        for event in events:
            course.feed(event)
        course.sweep.finish()

    def _until(self, end_us: int, events: list) -> None:
        """Let time pass; presses that the observer makes out are added to `events`."""
        contacts, observer = self._contacts, self._observer
        while contacts.next_us is not None and contacts.next_us <= end_us:
            now_us = -(-contacts.next_us // PERIOD_US) * PERIOD_US
            if contacts.advance(now_us):
                events += observer.feed(now_us, self.reading())
        self.now_us = end_us
        events += observer.feed(end_us, self.reading())

    # --- with the cable off ---

    def measure(self, code: str) -> MeterAnswer:
        """Put the leads where this test of the tool's says."""
        test = meter.parse_code(self.circuit, code)
        return MeterAnswer(test, meter.read(self.circuit, self.faults, test))

    def repair(self, faults: Iterable[Fault]) -> FaultSet:
        """Rework these places: what was wrong there is mended, nothing else is changed or harmed.
        Returns what was mended."""
        mended = self.faults & frozenset(faults)
        self.faults -= mended
        self._plug_in()
        return mended
