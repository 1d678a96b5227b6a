"""The host's side of wire protocol version 1, without input or output.

Bytes and the time go in, source events and bytes to send come out; whoever owns the port or the
virtual half carries them. So every source speaks the real protocol, and the rules of
shared/wire-v1.md are followed in one place: HELLO until HI, USE and GO, a sign of life each
KEEP_ALIVE_S, FULL when a line was lost, USE and GO again when readings stay away.
"""

from __future__ import annotations

from collections.abc import Sequence

from keydiag.circuit import Reading
from keydiag.errors import ProbeRefused
from keydiag.sources.base import (
    Counted,
    EdgesAt,
    LevelAt,
    LinkDown,
    LinkUp,
    Paced,
    ProbeSaid,
    ReadingAt,
    RiseAt,
    SourceEvent,
)
from keydiag.wire import (
    Corrupt,
    Decoder,
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
    TrackedReading,
    Tracker,
    Use,
    Volt,
    Watch,
    encode,
    pins_of,
    refusal,
)
from keydiag.wire.fields import WORD_32

__all__ = ["HELLO_EVERY_S", "HELLO_WAIT_S", "Conversation"]

# A probe answers within 0.1 s; a board that resets on opening takes about 2 s.  With the time the
# program takes to start, the builder is told within 3 s that this is no probe.
HELLO_WAIT_S = 2.3
HELLO_EVERY_S = 0.5  # HELLO again: the first may have gone into a boot loader
KEEP_ALIVE_S = 0.7  # at least every 1 s, and the probe stops after 2 s (wire-v1.md, section 4)
FULL_EVERY_S = 0.1  # not more often: the answer takes up to 0.1 s
# A running probe says something every 100 ms. If no reading came for this long, USE or GO got
# lost, or the probe has forgotten them: say them again. A press may have gone by unseen.
AGAIN_AFTER_S = 0.5
# What it says when a line of ours came to it damaged. It has stopped and let go (wire-v1.md,
# section 5): say them again at once.
LET_GO = ("check", "long", "word", "field")


class Conversation:
    """One probe, from HELLO on. Call `feed` with what came (b"" is fine) and the host's time at
    least every 50 ms, and send what `take` returns."""

    def __init__(self) -> None:
        self.hi: Hi | None = None
        self._known: Hi | None = None  # the latest one, of earlier conversations too
        self.decoder = Decoder()
        self.heard = False  # anything at all
        self._outbox = bytearray()
        self._ports: dict[str, int] = {}
        self._wanted: tuple[tuple[str, ...], int] | None = None  # ports, period_us
        self._started = False
        self._greeting = False  # it said HI while it should be reading; its PINs are coming
        self._down = False
        self._tracker = Tracker(0)
        self._lost_before = 0
        self._counted = (0, 0)
        self._places: dict[int, int] = {}  # probe pin index -> circuit pin index
        self._masks: dict[int, int] = {}
        self._last: tuple[int, tuple[int, ...], Reading] | None = None
        self._t_us = 0  # of the latest reading given out
        self._raw_us = 0  # ... and by the probe's own clock
        self._offset_us: int | None = 0  # added to the probe's time; None: to be found anew
        self._now_s = 0.0
        self._said_s = 0.0
        self._full_s = 0.0
        self._reading_s = 0.0
        self._again_s = 0.0

    # --- what the owner does ---

    def hello(self, now_s: float) -> None:
        """Ask who is there; `ready` tells when the answer is complete."""
        # PIN lines of an earlier answer stay good if the same probe answers: on a bad line, what
        # one answer lacks another one brings.
        self.hi = None
        self._greeting = self._started
        self._now_s = self._again_s = now_s
        # The newline ends whatever half line an earlier program left in the probe's buffer.
        self._outbox += b"\n"
        self._say(Hello())

    @property
    def ready(self) -> bool:
        """True once HI and all its PIN lines have come."""
        return self.hi is not None and (
            refusal(self.hi) is not None or len(self._ports) == self.hi.pins
        )

    def start(self, ports: Sequence[str], period_us: int) -> None:
        """Read these ports from now on. ProbeRefused if it has not got them all, or speaks
        another version."""
        assert self.hi is not None, "start() before the probe said HI"
        why = refusal(self.hi)
        if why is not None:
            raise ProbeRefused(why)
        missing = [port for port in ports if port not in self._ports]
        if missing:
            raise ProbeRefused(
                f"the probe ({self.hi.chip}) has no pin {', '.join(missing)}; check that the "
                "chip and the pins in the board file are those of this controller"
            )
        if not self._started:
            self._reading_s = self._now_s
        self._wanted = tuple(ports), period_us
        self._places = {self._ports[port]: n for n, port in enumerate(ports)}
        self._masks.clear()
        self._last = None
        self._started = True
        self._greeting = False
        self._go()

    def link_down(self, reason: str) -> list[SourceEvent]:
        """The port is gone, or is another one now. Say `hello` when it is back; reading goes on
        by itself as soon as the probe has answered."""
        fresh = Decoder()  # without the half line that was cut off
        fresh.counts = self.decoder.counts
        self.decoder = fresh
        events: list[SourceEvent] = []
        self._go_down(reason, events)
        return events

    def ask_level(self, drive: int, sense: int) -> None:
        """Ask for the level between two circuit pins."""
        probe = {n: index for index, n in self._places.items()}
        self._say(Level(probe[drive], probe[sense]))

    def ask_watch(self, drive: int, sense: int, ms: int) -> None:
        """Ask to watch the crossing of two circuit pins."""
        probe = {n: index for index, n in self._places.items()}
        self._say(Watch(probe[drive], probe[sense], ms))

    def halt(self) -> None:
        """Stop reading and release the pins."""
        self._started = False
        self._say(Halt())

    def take(self) -> bytes:
        """The bytes to send, once."""
        data = bytes(self._outbox)
        self._outbox.clear()
        return data

    def feed(self, data: bytes, now_s: float) -> list[SourceEvent]:
        """Take in bytes from the probe (or none, as time goes by): what they say."""
        self._now_s = now_s
        self.heard = self.heard or bool(data)
        events: list[SourceEvent] = []
        for message in self.decoder.feed(data):
            self._hear(message, events)
        if self._started:
            self._mind(events)
        lost = self._lost_before + self._tracker.lost
        if (self.decoder.corrupt, lost) != self._counted:
            self._counted = (self.decoder.corrupt, lost)
            events.append(Counted(*self._counted))
        return events

    # --- what is heard ---

    def _hear(self, message: Message | Corrupt, events: list[SourceEvent]) -> None:
        match message:
            case Hi():
                self._greet(message, events)
            case Pin(index, port):
                self._ports[port] = index
                if self._greeting and self.ready:
                    self._go_on(events)
            case Scan() | Diff() | Same():
                tracked = self._tracker.feed(message)
                if self._started and tracked is not None:
                    self._read(tracked, events)
            case Pace(settle_us, reading_us):
                events.append(Paced(settle_us, reading_us))
            case Rise(ns):
                pins = sorted(self._places)  # USE names them all, and no others
                if len(ns) == len(pins):
                    by_place = {self._places[pin]: each for pin, each in zip(pins, ns, strict=True)}
                    events.append(RiseAt(tuple(by_place[n] for n in range(len(pins)))))
            case Edges():
                self._watched(message, events)
            case Volt(drive, sense, millivolts):
                if drive in self._places and sense in self._places:
                    drive, sense = self._places[drive], self._places[sense]
                    events.append(LevelAt(drive, sense, millivolts))
            case Oops(code, text):
                events.append(ProbeSaid(code, text))
                if code in LET_GO and self._started and not self._greeting:
                    self._go()
                if self._started and code in ("silent", "usb"):
                    self._go_down(f"the probe has stopped: {text}", events)
                    self._go()

    def _watched(self, edges: Edges, events: list[SourceEvent]) -> None:
        # Without a reading before it there is no telling when it was: as good as lost.
        if self._offset_us is None or not {edges.drive, edges.sense} <= self._places.keys():
            return
        drive, sense = self._places[edges.drive], self._places[edges.sense]
        t_us = self._t_us + (edges.t_us - self._raw_us) % WORD_32
        events.append(
            EdgesAt(
                drive, sense, t_us, edges.watched_us, edges.gap_us, edges.closed, edges.at_us
            )
        )

    def _greet(self, hi: Hi, events: list[SourceEvent]) -> None:
        if hi != self._known:
            self._ports.clear()
        self.hi = self._known = hi
        if self._started:  # it was reset, or asked once more, and has forgotten what to do
            self._go_down("the probe started anew", events)
            self._greeting = True
            if self.ready:
                self._go_on(events)

    def _go_on(self, events: list[SourceEvent]) -> None:
        """Read the same ports again, if this probe can."""
        assert self._wanted is not None
        try:
            self.start(*self._wanted)
        except ProbeRefused as error:
            events.append(LinkDown(str(error)))

    def _read(self, tracked: TrackedReading, events: list[SourceEvent]) -> None:
        if self._offset_us is None:
            # Its clock began anew. Go on from where we were, by the host's clock.
            gap_us = max(1, round((self._now_s - self._reading_s) * 1e6))
            self._offset_us = self._t_us + gap_us - tracked.t_us
        self._reading_s = self._again_s = self._now_s
        if self._down:
            self._down = False
            assert self.hi is not None
            events.append(LinkUp(self.hi))
        self._t_us = max(self._t_us, tracked.t_us + self._offset_us)
        self._raw_us = (self._t_us - self._offset_us) % WORD_32
        if self._last is None or self._last[:2] != (tracked.rest, tracked.low):
            low = dict(zip(pins_of(self._tracker.use), tracked.low, strict=True))
            ordered = sorted((n, index) for index, n in self._places.items())
            reading = Reading(
                self._map(tracked.rest), tuple(self._map(low[index]) for _, index in ordered)
            )
            self._last = (tracked.rest, tracked.low, reading)
        events.append(ReadingAt(self._t_us, self._last[2]))

    def _map(self, mask: int) -> int:
        """A mask of probe pins as one of circuit pins."""
        mapped = self._masks.get(mask)
        if mapped is None:
            mapped = 0
            for index in pins_of(mask):
                if index in self._places:
                    mapped |= 1 << self._places[index]
            self._masks[mask] = mapped
        return mapped

    # --- what is to be minded ---

    def _mind(self, events: list[SourceEvent]) -> None:
        """Keep a running probe running."""
        now_s = self._now_s
        if self._tracker.wants_full and now_s - self._full_s >= FULL_EVERY_S:
            self._full_s = now_s
            self._say(Full())
        if now_s - self._again_s >= AGAIN_AFTER_S:
            self._again_s = now_s
            self._go_down(f"no reading for {AGAIN_AFTER_S:g} s", events)
            if not self._greeting:
                self._go()
            elif not self.ready:
                self.hello(now_s)
        if now_s - self._said_s >= KEEP_ALIVE_S:
            self._say(Full())

    def _go(self) -> None:
        assert self._wanted is not None
        ports, period_us = self._wanted
        use = sum(1 << self._ports[port] for port in ports)
        self._lost_before += self._tracker.lost
        self._tracker = Tracker(use)
        self._offset_us = None
        self._again_s = self._now_s
        self._say(Use(use))
        self._say(Go(period_us))

    def _go_down(self, reason: str, events: list[SourceEvent]) -> None:
        if not self._down:
            self._down = True
            events.append(LinkDown(reason))

    def _say(self, message: Message) -> None:
        self._outbox += encode(message)
        self._said_s = self._now_s
