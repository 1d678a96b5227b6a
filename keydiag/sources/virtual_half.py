"""A virtual half: the probe and the half under it, in Python, on a clock of its own.

`VirtualHalf` speaks the probe's side of wire protocol version 1 byte for byte (shared/wire-v1.md)
and reads bouncing contacts (contacts.py). Not here: the half behind the Source interface
(virtual.py), or on a pseudo-terminal (served.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from keydiag.circuit import Circuit
from keydiag.faults import Fault
from keydiag.sources.contacts import Contacts
from keydiag.sources.hands import HandScript
from keydiag.wire import (
    MAX_HOST_LINE,
    OOPS_CODES,
    VERSION,
    Corrupt,
    Diff,
    Edges,
    Full,
    Go,
    Halt,
    Hello,
    Hi,
    Level,
    Message,
    Oops,
    Pace,
    Pin,
    Rise,
    Same,
    Scan,
    Use,
    Volt,
    Watch,
    check_of_reading,
    decode_line,
    encode,
    pins_of,
)
from keydiag.wire.fields import MAX_DIFF, MAX_EDGES, WORD_32

__all__ = ["VirtualHalf"]

BUILD = "virtual-1"
SETTLE_US = 15  # enough for rise times of up to 10 us, which none exceeds; wire-v1.md, section 4
LOOK_US = 52  # between two looks of a watch: 43 to 60 us on the 32U4 (wire-v1.md, section 4)
SAME_EVERY_US = 80_000  # as the sketch does
SILENCE_US = 2_000_000  # host silent for this long: stop (P6)
OOPS_FOR = {"bytes": "check", "check": "check", "long": "long", "word": "word", "field": "field"}


@dataclass(slots=True)
class _Watching:
    """A WATCH that runs. closed: at the first look, None before it."""

    drive: int
    sense: int
    begun_us: int
    last_us: int
    closed: bool | None = None
    at_us: list[int] = field(default_factory=list)

    def due_us(self, change_us: int | None) -> int:
        """The next look that can see anything new, if the contacts change next at `change_us`."""
        if self.closed is None:
            return self.begun_us
        if change_us is None:
            return self.last_us
        looks = max(0, -(-(change_us - self.begun_us) // LOOK_US))
        return min(self.last_us, self.begun_us + looks * LOOK_US)


class VirtualHalf:
    """The probe on a half. Its clock `now_us` moves only when `run` is called.

    `hear` takes the host's bytes, `run` lets time pass, `take` gives what the probe has said;
    `press` and `release` are the fingers, at once or at a later time.
    """

    def __init__(
        self,
        circuit: Circuit,
        faults: Iterable[Fault] = (),
        *,
        cold: Iterable[str] = (),
        worn: Iterable[str] = (),
        resistive: Mapping[str, float] | None = None,
        seed: int = 0,
        start_us: int = 0,
    ) -> None:
        self.contacts = Contacts(
            circuit, faults, cold=cold, worn=worn, resistive=resistive, seed=seed
        )
        self.now_us = start_us
        self._booted_us = 0  # the probe's own clock counts from here
        chip = self.contacts.chip
        self._ports = chip.ports
        # Circuit pin index by probe pin index. A board may not use a pin the chip does not have.
        self._index = [self.contacts.circuit.index_of_port[port] for port in chip.ports]
        self._hi = Hi(VERSION, chip.name, BUILD, len(chip.ports), round(chip.supply_v * 1000))
        self._analog = {chip.index(port) for port in chip.analog}
        self._partial = bytearray()
        self._outbox = bytearray()
        self._use = 0
        self._period_us: int | None = None  # None: not running
        self._heard_us = start_us
        self._next_scan_us = start_us
        self._spoke_us = start_us
        self._seq = 0
        self._latest: tuple[int, dict[int, int]] | None = None  # as the host knows it
        self._full = False
        self._unsettled = False
        self._watch: _Watching | None = None  # no readings meanwhile
        self._maps: dict[int, int] = {}

    # --- fingers ---

    def press(self, key: str, at_us: int | None = None) -> None:
        """Press a key now, or at a later time of this half's clock."""
        self.contacts.press(key, self.now_us if at_us is None else at_us)

    def release(self, key: str, at_us: int | None = None) -> None:
        """Release it."""
        self.contacts.release(key, self.now_us if at_us is None else at_us)

    def play(self, script: HandScript) -> None:
        """Let the hands begin now."""
        for act in script.acts:
            finger = self.press if act.what == "press" else self.release
            finger(act.key, self.now_us + act.t_us)

    # --- the line ---

    @property
    def running(self) -> bool:
        return self._period_us is not None

    def hear(self, data: bytes) -> None:
        """Take in bytes from the host."""
        *ends, tail = data.split(b"\n")
        for end in ends:
            self._partial += end[: MAX_HOST_LINE + 1]
            line, self._partial = bytes(self._partial), bytearray()
            if line.strip(b"\r"):
                self._obey(line)
        self._partial += tail[: MAX_HOST_LINE + 1]

    def take(self) -> bytes:
        """What the probe has said since the last call."""
        data = bytes(self._outbox)
        self._outbox.clear()
        return data

    def reset(self) -> None:
        """Power off and on again: everything is forgotten, and the probe's clock begins at 0."""
        self._stop()
        self._use = self._seq = 0
        self._booted_us = self.now_us
        self._partial.clear()
        self._outbox.clear()

    @property
    def next_us(self) -> int | None:
        """The latest time until which `run` may wait without missing anything; None: for ever."""
        if self._period_us is None:
            return self.contacts.next_us
        return self._next_event_us()

    def run(self, until_us: int) -> None:
        """Let time pass."""
        while self._period_us is not None:
            due_us = self._next_event_us()
            if due_us > until_us:
                break
            self.now_us = max(self.now_us, due_us)
            if due_us >= self._heard_us + SILENCE_US:
                self._stop()
                self._use = 0
                self._oops("silent")
            elif self._watch is not None:
                self._look(self._watch, due_us)
            else:
                self._scan(due_us)
        if self._period_us is None:  # else a reading takes in what changes, in its own time
            self.contacts.advance(until_us)
        self.now_us = max(self.now_us, until_us)

    # --- what the host says ---

    def _obey(self, line: bytes) -> None:
        message = Corrupt(line, "long") if len(line) >= MAX_HOST_LINE else decode_line(line)
        if not isinstance(message, Corrupt):
            self._heard_us = self.now_us
        match message:
            case Hello():
                self._stop()
                self._use = 0
                self._say(self._hi)
                for index, port in enumerate(self._ports):
                    self._say(Pin(index, port))
            case Use(mask):
                self._stop()
                self._use = self._seq = 0
                if mask >> len(self._ports):
                    self._oops("pin")
                else:
                    self._use = mask
            case Go(period_us):
                self._go(period_us)
            case Halt():
                self._stop()
            case Full():
                if self.running:
                    self._full = True
                    self._next_scan_us = max(self.now_us, self._next_scan_us)
                else:
                    self._oops("order")
            case Level(drive, sense):
                self._measure(drive, sense)
            case Watch(drive, sense, ms):
                self._begin_watch(drive, sense, ms)
            case Corrupt(raw, why):
                self._stop()
                if raw.startswith((b"USE", b"GO")):
                    self._use = 0
                self._oops(OOPS_FOR[why])
            case _:  # a word of the probe's own
                self._stop()
                self._oops("word")

    def _go(self, period_us: int) -> None:
        if not self._use:
            self._oops("order")
            return
        reading_us = (len(list(pins_of(self._use))) + 1) * SETTLE_US
        self._watch = None
        rise_ns = self.contacts.rise_ns()
        self._say(Rise(tuple(rise_ns[self._index[pin]] for pin in pins_of(self._use))))
        self._say(Pace(SETTLE_US, reading_us))
        self._period_us = max(period_us, reading_us)
        self._next_scan_us = self.now_us
        self._full = True

    def _measure(self, drive: int, sense: int) -> None:
        if not self._crossing_fits(drive, sense):
            return
        if sense not in self._analog:
            self._oops("analog")
        elif self._held_up(drive):
            self._oops("supply")
        else:
            level = self.contacts.level_mv(self._ports[drive], self._ports[sense])
            self._say(Volt(drive, sense, level))

    def _crossing_fits(self, drive: int, sense: int) -> bool:
        """What LEVEL and WATCH have in common; says so when it is not so."""
        if not self.running:
            self._oops("order")
        elif drive == sense or not (self._use >> drive & 1 and self._use >> sense & 1):
            self._oops("pin")
        else:
            return True
        return False

    def _held_up(self, drive: int) -> bool:
        index = self._index[drive]
        return not self.contacts.reading().low[index] >> index & 1

    def _begin_watch(self, drive: int, sense: int, ms: int) -> None:
        if self._crossing_fits(drive, sense):
            looks = -(-ms * 1000 // LOOK_US)
            self._watch = _Watching(drive, sense, self.now_us, self.now_us + looks * LOOK_US)

    def _look(self, watch: _Watching, at_us: int) -> None:
        """One look at the watched crossing; the last one, or the last edge, ends the watch."""
        self.contacts.advance(at_us)
        if self._held_up(watch.drive):
            self._end_watch(at_us)
            self._oops("supply")
            return
        low = self.contacts.reading().low[self._index[watch.drive]]
        now = bool(low >> self._index[watch.sense] & 1)
        if watch.closed is None:
            watch.closed = now
        elif now != (watch.closed ^ bool(len(watch.at_us) & 1)):
            watch.at_us.append(at_us - watch.begun_us)
        if at_us >= watch.last_us or len(watch.at_us) == MAX_EDGES:
            stamp = (watch.begun_us - self._booted_us) % WORD_32
            watched_us = at_us - watch.begun_us
            self._end_watch(at_us)
            at = tuple(watch.at_us)
            self._say(
                Edges(watch.drive, watch.sense, stamp, watched_us, LOOK_US, watch.closed, at)
            )

    def _end_watch(self, at_us: int) -> None:
        """Go on reading, with a SCAN."""
        self._watch, self._full, self._next_scan_us = None, True, at_us

    def _stop(self) -> None:
        self._period_us = None
        self._watch = None
        self._latest = None
        self._unsettled = False

    def _oops(self, code: str) -> None:
        self._say(Oops(code, OOPS_CODES[code].split(":")[0][:80]))

    def _say(self, message: Message) -> None:
        self._outbox += encode(message)

    # --- reading ---

    def _next_event_us(self) -> int:
        """The start of the next reading that can say something, or the end of patience."""
        assert self._period_us is not None
        if self._watch is not None:
            due_us = self._watch.due_us(self.contacts.next_us)
            return min(due_us, self._heard_us + SILENCE_US)
        start_us, period_us = self._next_scan_us, self._period_us
        if not (self._full or self._unsettled):
            # Readings in which nothing can change are passed over, not made.
            wanted_us = self._spoke_us + SAME_EVERY_US
            change_us = self.contacts.next_us
            if change_us is not None:
                wanted_us = min(wanted_us, change_us - self._reading_us())
            if wanted_us > start_us:
                start_us += -(-(wanted_us - start_us) // period_us) * period_us
        return min(start_us, self._heard_us + SILENCE_US)

    def _reading_us(self) -> int:
        return (len(list(pins_of(self._use))) + 1) * SETTLE_US

    def _scan(self, start_us: int) -> None:
        """One reading, pin by pin; contacts may change while it is made."""
        assert self._period_us is not None
        self.contacts.advance(start_us)
        rest = self._masked(self.contacts.reading().rest)
        low: dict[int, int] = {}
        moved = False
        for n, index in enumerate(pins_of(self._use), start=1):
            moved = self.contacts.advance(start_us + n * SETTLE_US) or moved
            low[index] = self._masked(self.contacts.reading().low[self._index[index]])
        self._unsettled = moved  # the next reading may differ without any further change
        self._next_scan_us = start_us + self._period_us
        self._report(start_us, rest, low)

    def _masked(self, mask: int) -> int:
        """A mask of circuit pins as one of probe pins, of those in use."""
        found = self._maps.get(mask)
        if found is None:
            found = sum(1 << n for n, index in enumerate(self._index) if mask >> index & 1)
            self._maps[mask] = found
        return found & self._use

    def _report(self, t_us: int, rest: int, low: dict[int, int]) -> None:
        latest, stamp = self._latest, (t_us - self._booted_us) % WORD_32
        changed: list[tuple[int, int]] = []
        if latest is not None:
            changed = [(i, mask) for i, mask in low.items() if latest[1][i] != mask]
        if latest is None or self._full or len(changed) > MAX_DIFF:
            self._say(Scan(self._seq, stamp, rest, tuple(low.values())))
        elif changed or rest != latest[0]:
            new_rest = rest if rest != latest[0] else None
            self._say(Diff(self._seq, stamp, new_rest, tuple(changed)))
        elif t_us >= self._spoke_us + SAME_EVERY_US:
            check = check_of_reading(rest, tuple(low.values()))
            self._say(Same((self._seq - 1) % WORD_32, stamp, check))
            self._spoke_us = t_us
            return
        else:
            return
        self._seq = (self._seq + 1) % WORD_32
        self._latest, self._full, self._spoke_us = (rest, low), False, t_us
