"""What the probe says: each message with its layout, encoding and decoding."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import ClassVar, Self

from keydiag.wire.fields import (
    BUILD,
    CHIP,
    CODE,
    MAX_DIFF,
    MAX_EDGES,
    MAX_PINS,
    MAX_RISE_NS,
    MAX_WATCHED_US,
    PORT,
    TEXT,
    VERSION,
    parse_crc,
    parse_mask,
    parse_number,
    parse_token,
    say_mask,
    say_number,
)


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
            say_number(self.version), parse_token(CHIP, self.chip), parse_token(BUILD, self.build),
            say_number(self.pins, MAX_PINS), say_number(self.vcc_mv, 65535),
        ]  # fmt: skip

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        if f and parse_number(f[0]) != VERSION:
            # Only the first two fields are the same in every version; keep the number so that
            # the host can refuse it by name.
            return cls(parse_number(f[0]), "?", "?", 0, 0)
        version, chip, build, pins, vcc = f
        if pins == "0":
            raise ValueError("a probe has at least one pin")
        return cls(
            parse_number(version), parse_token(CHIP, chip), parse_token(BUILD, build),
            parse_number(pins, MAX_PINS), parse_number(vcc, 65535),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pin:
    """The port name, as in the datasheet, behind a probe pin index."""

    WORD: ClassVar[str] = "PIN"
    index: int
    port: str

    def fields(self) -> list[str]:
        return [say_number(self.index, MAX_PINS - 1), parse_token(PORT, self.port)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        index, port = f
        return cls(parse_number(index, MAX_PINS - 1), parse_token(PORT, port))


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
        masks = [say_mask(m) for m in (self.rest, *self.low)]
        return [say_number(self.seq), say_number(self.t_us), *masks]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        seq, t_us, rest, *low = f
        if not 1 <= len(low) <= MAX_PINS:
            raise ValueError("wrong number of masks")
        masks = tuple(parse_mask(m) for m in low)
        return cls(parse_number(seq), parse_number(t_us), parse_mask(rest), masks)


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
        rest = [] if self.rest is None else [f"r={say_mask(self.rest)}"]
        pairs = [f"{say_number(i, MAX_PINS - 1)}={say_mask(m)}" for i, m in self.changes]
        return [say_number(self.seq), say_number(self.t_us), *rest, *pairs]

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
            rest = parse_mask(rest_of.pop(0)[2:])
        changes = []
        for item in rest_of:
            index, equals, mask = item.partition("=")
            if not equals:
                raise ValueError("a change is <pin>=<mask>")
            changes.append((parse_number(index, MAX_PINS - 1), parse_mask(mask)))
        made = cls(parse_number(seq), parse_number(t_us), rest, tuple(changes))
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
        return [say_number(self.seq), say_number(self.t_us), f"{self.crc:04X}"]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        seq, t_us, crc = f
        return cls(parse_number(seq), parse_number(t_us), parse_crc(crc))


@dataclass(frozen=True, slots=True)
class Pace:
    """After GO: the settle time in use and the time one reading takes, both in microseconds."""

    WORD: ClassVar[str] = "PACE"
    settle_us: int
    reading_us: int

    def fields(self) -> list[str]:
        return [say_number(self.settle_us), say_number(self.reading_us)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        settle, reading = f
        return cls(parse_number(settle), parse_number(reading))


@dataclass(frozen=True, slots=True)
class Rise:
    """After GO: how long the k-th pin of the USE mask (ascending) took to read high by its pull-up
    after it was driven low, in nanoseconds, rounded up; 0 = it did not rise, or did not go low."""

    WORD: ClassVar[str] = "RISE"
    ns: tuple[int, ...]

    def fields(self) -> list[str]:
        if not 1 <= len(self.ns) <= MAX_PINS:
            raise ValueError(f"1 to {MAX_PINS} rise times, not {len(self.ns)}")
        return [say_number(n, MAX_RISE_NS) for n in self.ns]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        if not 1 <= len(f) <= MAX_PINS:
            raise ValueError("wrong number of rise times")
        return cls(tuple(parse_number(n, MAX_RISE_NS) for n in f))


@dataclass(frozen=True, slots=True)
class Volt:
    """Answer to LEVEL: the level at `sense` in millivolts while `drive` was driven low."""

    WORD: ClassVar[str] = "VOLT"
    drive: int
    sense: int
    millivolts: int

    def fields(self) -> list[str]:
        pins = [say_number(self.drive, MAX_PINS - 1), say_number(self.sense, MAX_PINS - 1)]
        return [*pins, say_number(self.millivolts, 65535)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        drive, sense, level = f
        return cls(
            parse_number(drive, MAX_PINS - 1),
            parse_number(sense, MAX_PINS - 1),
            parse_number(level, 65535),
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
        pins = [say_number(self.drive, MAX_PINS - 1), say_number(self.sense, MAX_PINS - 1)]
        spans = [say_number(us, MAX_WATCHED_US) for us in (self.watched_us, self.gap_us)]
        return [*pins, say_number(self.t_us), *spans, str(int(self.closed)), *map(str, self.at_us)]

    def _check(self) -> None:
        order = (0, *self.at_us, self.watched_us + 1)
        if any(a >= b for a, b in itertools.pairwise(order)) or len(self.at_us) > MAX_EDGES:
            raise ValueError(f"edges must be up to {MAX_EDGES} ascending times of the watch")

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        drive, sense, t_us, watched, gap, closed, *at = f
        made = cls(
            parse_number(drive, MAX_PINS - 1),
            parse_number(sense, MAX_PINS - 1),
            parse_number(t_us),
            parse_number(watched, MAX_WATCHED_US), parse_number(gap, MAX_WATCHED_US),
            bool(parse_number(closed, 1)), tuple(parse_number(x, MAX_WATCHED_US) for x in at),
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
        return [parse_token(CODE, self.code), parse_token(TEXT, self.text)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        code, *words = f
        return cls(parse_token(CODE, code), parse_token(TEXT, " ".join(words)))
