"""Wire protocol, version 1: lines to messages and back, without any input or output.

Follows shared/wire-v1.md (normative) and is held to shared/wire-v1-vectors.txt, as is the
probe's own C++ (firmware_probe/). Each message is one frozen type whose layout, encoding and
decoding stand together. A bad line is a value (`Corrupt`), never an exception; the only
exception here is ValueError, for a message that the caller filled with values no line can carry.

Not here: ports, clocks, time-outs (sources/), and what a reading means (circuit, diagnosis).
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import ClassVar, Self

__all__ = [
    "OOPS_CODES", "VERSION", "Corrupt", "Decoder", "Diff", "Edges", "Full", "Go", "Halt", "Hello",
    "Hi", "Level", "Message", "Oops", "Pace", "Pin", "Rise", "Same", "Scan", "TrackedReading",
    "Tracker", "Use", "Volt", "Watch", "check_of_reading", "crc16", "encode", "pins_of", "refusal",
]  # fmt: skip

VERSION = 1
MAX_PINS = 32  # a mask has 32 bits
MAX_DIFF = 16  # changes in one DIFF; more than that is sent as a SCAN
MAX_EDGES = 28  # in one EDGES line: wire-v1.md, section 3
MAX_WATCH_MS = 250  # longest that WATCH may keep the probe from reading
MAX_WATCHED_US = 262_140  # 16 bits of 4 us; the last look of 250 ms may come late
MAX_RISE_NS = 180_000  # a line that takes longer is leaky, and counts as not risen
MAX_LINE = 329  # bytes with the newline: a SCAN of 32 pins (worked out in wire-v1.md, section 3)
MAX_HOST_LINE = 40  # bytes with the newline that a probe must be able to take in
MAX_PERIOD_US = 1_000_000  # one reading a second is the slowest that GO may ask for
MAX_TEXT = 80  # characters of OOPS text
WORD_32 = 1 << 32

OOPS_CODES: dict[str, str] = {
    "check": "the line failed its checksum or is no line of this protocol",
    "long": "the line was longer than the probe takes in",
    "word": "the first word is no command",
    "field": "a field is missing, too many, not in plain form or out of range",
    "pin": "a pin index that the probe does not have or that USE does not name",
    "order": "the command needs USE or GO first",
    "analog": "the sensing pin has no analogue input",
    "supply": "the driven pin read high, so the probe let go of it (no level measured)",
    "silent": "nothing heard from the host for 2 s: stopped, all pins released, USE forgotten",
    "usb": "the bus was suspended: stopped, all pins released, USE forgotten",
}


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE of `data`: polynomial 1021, start FFFF, no reflection, no final xor.

    Its check value, crc16(b"123456789") == 0x29B1, is the one the CRC catalogues list.
    """
    crc = 0xFFFF
    for byte in data:
        x = ((crc >> 8) ^ byte) & 0xFF
        x ^= x >> 4
        crc = ((crc << 8) ^ (x << 12) ^ (x << 5) ^ x) & 0xFFFF
    return crc


# --- fields: one spelling for each value, so that a line and its message determine each other ---

_DECIMAL = re.compile(r"0|[1-9][0-9]{0,9}")
_HEX = re.compile(r"0|[1-9A-F][0-9A-F]{0,7}")
_CHIP = re.compile(r"[a-z0-9]{1,16}")
_BUILD = re.compile(r"[!-)+-~]{1,24}")  # printable, no space, no "*"
_PORT = re.compile(r"[A-Z][A-Z0-9]{0,7}")
_CODE = re.compile(r"[a-z][a-z-]{0,15}")
_TEXT = re.compile(r"[!-)+-~](?:[ -)+-~]{0,78}[!-)+-~])?")


def _number(text: str, limit: int = WORD_32 - 1) -> int:
    if not _DECIMAL.fullmatch(text) or int(text) > limit:
        raise ValueError(f"not a plain number up to {limit}: {text!r}")
    return int(text)


def _mask(text: str) -> int:
    if not _HEX.fullmatch(text):
        raise ValueError(f"not a plain mask: {text!r}")
    return int(text, 16)


def _crc(text: str) -> int:
    if not re.fullmatch(r"[0-9A-F]{4}", text):
        raise ValueError(f"not four hex digits: {text!r}")
    return int(text, 16)


def _token(pattern: re.Pattern[str], text: str) -> str:
    if not pattern.fullmatch(text):
        raise ValueError(f"not allowed here: {text!r}")
    return text


def _say(value: int, limit: int = WORD_32 - 1) -> str:
    if not 0 <= value <= limit:
        raise ValueError(f"{value} is outside 0..{limit}")
    return str(value)


def _say_mask(value: int) -> str:
    if not 0 <= value < WORD_32:
        raise ValueError(f"mask {value:#x} has more than 32 bits")
    return f"{value:X}"


# --- probe to host ---


@dataclass(frozen=True, slots=True)
class Hi:
    """Who the probe is. `pins` counts its PIN lines; `vcc_mv` is 0 where it cannot measure."""

    WORD: ClassVar[str] = "HI"
    version: int
    chip: str
    build: str
    pins: int
    vcc_mv: int

    def fields(self) -> list[str]:
        if self.pins < 1:
            raise ValueError("a probe has at least one pin")
        return [
            _say(self.version), _token(_CHIP, self.chip), _token(_BUILD, self.build),
            _say(self.pins, MAX_PINS), _say(self.vcc_mv, 65535),
        ]  # fmt: skip

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        if f and _number(f[0]) != VERSION:
            # Only the first two fields are the same in every version; keep the number so that
            # the host can refuse it by name.
            return cls(_number(f[0]), "?", "?", 0, 0)
        version, chip, build, pins, vcc = f
        if pins == "0":
            raise ValueError("a probe has at least one pin")
        return cls(
            _number(version), _token(_CHIP, chip), _token(_BUILD, build),
            _number(pins, MAX_PINS), _number(vcc, 65535),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pin:
    """The port name, as in the datasheet, behind a probe pin index."""

    WORD: ClassVar[str] = "PIN"
    index: int
    port: str

    def fields(self) -> list[str]:
        return [_say(self.index, MAX_PINS - 1), _token(_PORT, self.port)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        index, port = f
        return cls(_number(index, MAX_PINS - 1), _token(_PORT, port))


@dataclass(frozen=True, slots=True)
class Scan:
    """A full reading. `low[k]`: mask of the probe pins that read low while the k-th pin of the
    USE mask (ascending) is driven low, its own bit included; `rest`: with nothing driven."""

    WORD: ClassVar[str] = "SCAN"
    seq: int
    t_us: int
    rest: int
    low: tuple[int, ...]

    def fields(self) -> list[str]:
        if not 1 <= len(self.low) <= MAX_PINS:
            raise ValueError(f"a reading has 1 to {MAX_PINS} lines, not {len(self.low)}")
        masks = [_say_mask(m) for m in (self.rest, *self.low)]
        return [_say(self.seq), _say(self.t_us), *masks]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        seq, t_us, rest, *low = f
        if not 1 <= len(low) <= MAX_PINS:
            raise ValueError("wrong number of masks")
        return cls(_number(seq), _number(t_us), _mask(rest), tuple(_mask(m) for m in low))


@dataclass(frozen=True, slots=True)
class Diff:
    """What changed since reading seq-1: `rest` if it changed, and (probe pin index, new mask)
    pairs in ascending order of the pin."""

    WORD: ClassVar[str] = "DIFF"
    seq: int
    t_us: int
    rest: int | None
    changes: tuple[tuple[int, int], ...]

    def fields(self) -> list[str]:
        self._check([i for i, _ in self.changes])
        rest = [] if self.rest is None else [f"r={_say_mask(self.rest)}"]
        pairs = [f"{_say(i, MAX_PINS - 1)}={_say_mask(m)}" for i, m in self.changes]
        return [_say(self.seq), _say(self.t_us), *rest, *pairs]

    def _check(self, order: list[int]) -> None:
        if order != sorted(set(order)) or len(order) > MAX_DIFF:
            raise ValueError(f"changes must be up to {MAX_DIFF} pins in ascending order")
        if not order and self.rest is None:
            raise ValueError("a DIFF says at least one change")

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        seq, t_us, *rest_of = f
        rest = None
        if rest_of and rest_of[0].startswith("r="):
            rest = _mask(rest_of.pop(0)[2:])
        changes = []
        for item in rest_of:
            index, equals, mask = item.partition("=")
            if not equals:
                raise ValueError("a change is <pin>=<mask>")
            changes.append((_number(index, MAX_PINS - 1), _mask(mask)))
        made = cls(_number(seq), _number(t_us), rest, tuple(changes))
        made._check([i for i, _ in changes])
        return made


@dataclass(frozen=True, slots=True)
class Same:
    """The reading is still that of SCAN or DIFF `seq`; `crc` is `check_of_reading` of it."""

    WORD: ClassVar[str] = "SAME"
    seq: int
    t_us: int
    crc: int

    def fields(self) -> list[str]:
        if not 0 <= self.crc <= 0xFFFF:
            raise ValueError("a CRC has 16 bits")
        return [_say(self.seq), _say(self.t_us), f"{self.crc:04X}"]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        seq, t_us, crc = f
        return cls(_number(seq), _number(t_us), _crc(crc))


@dataclass(frozen=True, slots=True)
class Pace:
    """After GO: the settle time in use and the time one reading takes, both in microseconds."""

    WORD: ClassVar[str] = "PACE"
    settle_us: int
    reading_us: int

    def fields(self) -> list[str]:
        return [_say(self.settle_us), _say(self.reading_us)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        settle, reading = f
        return cls(_number(settle), _number(reading))


@dataclass(frozen=True, slots=True)
class Rise:
    """After GO: how long the k-th pin of the USE mask (ascending) took to read high by its pull-up
    after it was driven low, in nanoseconds, rounded up; 0 = it did not rise, or did not go low."""

    WORD: ClassVar[str] = "RISE"
    ns: tuple[int, ...]

    def fields(self) -> list[str]:
        if not 1 <= len(self.ns) <= MAX_PINS:
            raise ValueError(f"1 to {MAX_PINS} rise times, not {len(self.ns)}")
        return [_say(n, MAX_RISE_NS) for n in self.ns]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        if not 1 <= len(f) <= MAX_PINS:
            raise ValueError("wrong number of rise times")
        return cls(tuple(_number(n, MAX_RISE_NS) for n in f))


@dataclass(frozen=True, slots=True)
class Volt:
    """Answer to LEVEL: the level at `sense` in millivolts while `drive` was driven low."""

    WORD: ClassVar[str] = "VOLT"
    drive: int
    sense: int
    millivolts: int

    def fields(self) -> list[str]:
        pins = [_say(self.drive, MAX_PINS - 1), _say(self.sense, MAX_PINS - 1)]
        return [*pins, _say(self.millivolts, 65535)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        drive, sense, level = f
        return cls(
            _number(drive, MAX_PINS - 1), _number(sense, MAX_PINS - 1), _number(level, 65535)
        )


@dataclass(frozen=True, slots=True)
class Edges:
    """Answer to WATCH: when the crossing closed or opened. All times in microseconds, `t_us` by the
    probe's clock, the others after it. `watched_us`: until the last look. `gap_us`: longest time
    between two looks, in which anything may have happened unseen. `closed`: at the first look.
    `at_us`: the looks that found the opposite of the look before, ascending; MAX_EDGES of them
    means that the watch ended there."""

    WORD: ClassVar[str] = "EDGES"
    drive: int
    sense: int
    t_us: int
    watched_us: int
    gap_us: int
    closed: bool
    at_us: tuple[int, ...]

    def fields(self) -> list[str]:
        self._check()
        pins = [_say(self.drive, MAX_PINS - 1), _say(self.sense, MAX_PINS - 1)]
        spans = [_say(self.watched_us, MAX_WATCHED_US), _say(self.gap_us, MAX_WATCHED_US)]
        return [*pins, _say(self.t_us), *spans, str(int(self.closed)), *map(str, self.at_us)]

    def _check(self) -> None:
        order = (0, *self.at_us, self.watched_us + 1)
        if any(a >= b for a, b in itertools.pairwise(order)) or len(self.at_us) > MAX_EDGES:
            raise ValueError(f"edges must be up to {MAX_EDGES} ascending times of the watch")

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        drive, sense, t_us, watched, gap, closed, *at = f
        made = cls(
            _number(drive, MAX_PINS - 1), _number(sense, MAX_PINS - 1), _number(t_us),
            _number(watched, MAX_WATCHED_US), _number(gap, MAX_WATCHED_US),
            bool(_number(closed, 1)), tuple(_number(x, MAX_WATCHED_US) for x in at),
        )  # fmt: skip
        made._check()
        return made


@dataclass(frozen=True, slots=True)
class Oops:
    """The probe refused something or stopped; `code` is listed in OOPS_CODES, `text` for people."""

    WORD: ClassVar[str] = "OOPS"
    code: str
    text: str

    def fields(self) -> list[str]:
        return [_token(_CODE, self.code), _token(_TEXT, self.text)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        code, *words = f
        return cls(_token(_CODE, code), _token(_TEXT, " ".join(words)))


# --- host to probe ---


@dataclass(frozen=True, slots=True)
class _Bare:
    """A command of one word."""

    WORD: ClassVar[str] = ""

    def fields(self) -> list[str]:
        return []

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        if f:
            raise ValueError("takes no fields")
        return cls()


class Hello(_Bare):
    """Stop, forget USE, say HI and every PIN."""

    __slots__ = ()
    WORD: ClassVar[str] = "HELLO"


class Halt(_Bare):
    """Stop and release every pin; USE stays."""

    __slots__ = ()
    WORD: ClassVar[str] = "HALT"


class Full(_Bare):
    """Send the current reading as a SCAN."""

    __slots__ = ()
    WORD: ClassVar[str] = "FULL"


@dataclass(frozen=True, slots=True)
class Use:
    """Only the probe pins in `mask` may ever be driven or pulled."""

    WORD: ClassVar[str] = "USE"
    mask: int

    def fields(self) -> list[str]:
        return [_say_mask(self.mask)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        (mask,) = f
        return cls(_mask(mask))


@dataclass(frozen=True, slots=True)
class Go:
    """Start reading, one reading every `period_us` microseconds; 0 = as fast as the probe can."""

    WORD: ClassVar[str] = "GO"
    period_us: int

    def fields(self) -> list[str]:
        return [_say(self.period_us, MAX_PERIOD_US)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        (period,) = f
        return cls(_number(period, MAX_PERIOD_US))


@dataclass(frozen=True, slots=True)
class Level:
    """Measure the level at pin `sense` while pin `drive` is driven low; answered by VOLT."""

    WORD: ClassVar[str] = "LEVEL"
    drive: int
    sense: int

    def fields(self) -> list[str]:
        return [_say(self.drive, MAX_PINS - 1), _say(self.sense, MAX_PINS - 1)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        drive, sense = f
        return cls(_number(drive, MAX_PINS - 1), _number(sense, MAX_PINS - 1))


@dataclass(frozen=True, slots=True)
class Watch:
    """Look at one crossing as often as the probe can for `ms` milliseconds; answered by EDGES."""

    WORD: ClassVar[str] = "WATCH"
    drive: int
    sense: int
    ms: int

    def fields(self) -> list[str]:
        if self.ms < 1:
            raise ValueError("a watch takes at least a millisecond")
        pins = [_say(self.drive, MAX_PINS - 1), _say(self.sense, MAX_PINS - 1)]
        return [*pins, _say(self.ms, MAX_WATCH_MS)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        drive, sense, ms = f
        if ms == "0":
            raise ValueError("a watch takes at least a millisecond")
        pins = _number(drive, MAX_PINS - 1), _number(sense, MAX_PINS - 1)
        return cls(*pins, _number(ms, MAX_WATCH_MS))


ProbeMessage = Hi | Pin | Scan | Diff | Same | Pace | Rise | Volt | Edges | Oops
HostMessage = Hello | Use | Go | Halt | Full | Level | Watch
Message = ProbeMessage | HostMessage

_TYPES: dict[str, type[Message]] = {
    t.WORD: t
    for t in (
        Hi, Pin, Scan, Diff, Same, Pace, Rise, Volt, Edges, Oops,
        Hello, Use, Go, Halt, Full, Level, Watch,
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Corrupt:
    """A bad line, as a value. `raw` is the line without its newline (cut at MAX_LINE bytes).

    `why`: "bytes" (not printable ASCII), "check" (no or wrong checksum), "long" (over MAX_LINE),
    "word" (a good line whose first word is not known: a later minor addition, or nonsense),
    "field" (a good line whose fields are not those of its word).
    """

    raw: bytes
    why: str


def encode(msg: Message) -> bytes:
    """The whole line, `BODY*CRC\\n`. Raises ValueError if no line can carry these values."""
    body = " ".join((msg.WORD, *msg.fields())).encode("ascii")
    return b"%s*%04X\n" % (body, crc16(body))


def decode_line(line: bytes) -> Message | Corrupt:
    """One line, without its newline (one carriage return before it is forgiven)."""
    raw = line
    if line.endswith(b"\r"):
        line = line[:-1]
    if len(line) >= MAX_LINE:
        return Corrupt(raw[:MAX_LINE], "long")
    if not all(0x20 <= byte <= 0x7E for byte in line):
        return Corrupt(raw, "bytes")
    body, star, check = line[:-5], line[-5:-4], line[-4:]
    if star != b"*" or check != b"%04X" % crc16(body):
        return Corrupt(raw, "check")
    word, *fields = body.decode("ascii").split(" ")
    kind = _TYPES.get(word)
    if kind is None:
        return Corrupt(raw, "word")
    try:
        return kind.parse(fields)
    except ValueError:
        return Corrupt(raw, "field")


class Decoder:
    """Bytes in, messages out. Keeps at most one unfinished line; never raises on any bytes.

    `counts` has "good" and, for the bad lines, one entry per `Corrupt.why`.
    """

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self._partial = bytearray()

    def feed(self, data: bytes) -> list[Message | Corrupt]:
        """Everything completed by `data`, in order. Empty lines are passed over in silence."""
        found: list[Message | Corrupt] = []
        *ends, tail = data.split(b"\n")
        for end in ends:
            self._keep(end)
            line, self._partial = bytes(self._partial), bytearray()
            if line in (b"", b"\r"):
                continue
            item = decode_line(line)
            self.counts[item.why if isinstance(item, Corrupt) else "good"] += 1
            found.append(item)
        self._keep(tail)
        return found

    @property
    def corrupt(self) -> int:
        """How many bad lines so far."""
        return sum(n for why, n in self.counts.items() if why != "good")

    def _keep(self, piece: bytes) -> None:
        # One byte more than any good line with its carriage return: enough to know it is too long.
        self._partial += piece[: MAX_LINE + 1 - len(self._partial)]


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
    return crc16(" ".join(_say_mask(m) for m in (rest, *low)).encode("ascii"))


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
