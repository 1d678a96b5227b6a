"""Full readings from the messages that say what changed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from keydiag.wire.fields import VERSION, WORD_32, crc16, say_mask
from keydiag.wire.lines import Corrupt, Message
from keydiag.wire.probe_says import Diff, Hi, Same, Scan


def pins_of(mask: int) -> Iterator[int]:
    """The pin indices in `mask`, ascending: the order of the masks in a SCAN."""
    index = 0
    while mask:
        if mask & 1:
            yield index
        mask >>= 1
        index += 1


def check_of_reading(rest: int, low: tuple[int, ...]) -> int:
    """The CRC that SAME carries: crc16 of the text `<rest> <m0> ... <mN-1>`, as SCAN writes it."""
    return crc16(" ".join(say_mask(m) for m in (rest, *low)).encode("ascii"))


def refusal(hi: Hi) -> str | None:
    """Why this probe cannot be used, in one line; None if it can."""
    if hi.version == VERSION:
        return None
    return (
        f"the probe speaks wire protocol version {hi.version}, this keydiag speaks version "
        f"{VERSION}; install the matching probe sketch"
    )


@dataclass(frozen=True, slots=True)
class TrackedReading:
    """A full reading. `t_us` grows for ever (the 32-bit wrap is undone); masks as in Scan."""

    seq: int
    t_us: int
    rest: int
    low: tuple[int, ...]


@dataclass(slots=True)
class Tracker:
    """Follows SCAN, DIFF and SAME of one USE mask into full readings.

    `lost` counts the readings that the sequence numbers show as missing; `wants_full` asks the
    caller to send FULL. While a reading is missing nothing is returned: better no reading than
    a guessed one. Make a new Tracker (or call `restart`) when the probe said HI again.
    """

    use: int
    lost: int = 0
    wants_full: bool = False
    _seq: int | None = None
    _t_us: int = 0
    _rest: int = 0
    _low: dict[int, int] = field(default_factory=dict)
    _whole: bool = False

    def restart(self) -> None:
        """The probe started over: the next SCAN counts from anew; `lost` is kept."""
        self._seq, self._whole, self.wants_full = None, False, False

    def feed(self, msg: Message | Corrupt) -> TrackedReading | None:
        """The full reading after `msg`, or None where there is none (yet, or for other messages).

        A matching SAME returns the unchanged reading at its own, later time.
        """
        match msg:
            case Scan():
                return self._scan(msg)
            case Diff():
                return self._diff(msg)
            case Same():
                return self._same(msg)
        return None

    def _scan(self, msg: Scan) -> TrackedReading | None:
        pins = tuple(pins_of(self.use))
        if len(msg.low) != len(pins):  # of another USE mask: not ours to read
            self._whole, self.wants_full = False, True
            return None
        if msg.seq != 0:  # 0 = the probe counts anew after USE
            self._count_gap(msg.seq)
        self._rest, self._low = msg.rest, dict(zip(pins, msg.low, strict=True))
        self._whole, self.wants_full = True, False
        return self._reading(msg.seq, msg.t_us)

    def _diff(self, msg: Diff) -> TrackedReading | None:
        gap = self._count_gap(msg.seq)
        self._seq = msg.seq
        if gap or not self._whole or not all(i in self._low for i, _ in msg.changes):
            self._whole, self.wants_full = False, True
            return None
        if msg.rest is not None:
            self._rest = msg.rest
        self._low.update(msg.changes)
        return self._reading(msg.seq, msg.t_us)

    def _same(self, msg: Same) -> TrackedReading | None:
        if self._seq is not None and msg.seq != self._seq:
            self._count_gap((msg.seq + 1) % WORD_32)  # the reading msg.seq itself is missing too
            self._seq = msg.seq
            self._whole = False
        if not self._whole or msg.crc != check_of_reading(self._rest, tuple(self._low.values())):
            self._whole, self.wants_full = False, True
            return None
        return self._reading(msg.seq, msg.t_us)

    def _count_gap(self, seq: int) -> int:
        """How many readings are missing before `seq`; counted unless the probe went backwards."""
        if self._seq is None:
            return 0
        gap = (seq - self._seq - 1) % WORD_32
        if gap < WORD_32 // 2:  # else the probe started over: nothing of this run is missing
            self.lost += gap
        return gap

    def _reading(self, seq: int, t_us: int) -> TrackedReading:
        if self._seq is None:
            self._t_us = t_us
        self._t_us += (t_us - self._t_us) % WORD_32
        self._seq = seq
        return TrackedReading(seq, self._t_us, self._rest, tuple(self._low.values()))
