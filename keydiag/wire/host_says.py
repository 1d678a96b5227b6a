"""What the host says: each message with its layout, encoding and decoding."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Self

from keydiag.wire.fields import (
    MAX_PERIOD_US,
    MAX_PINS,
    MAX_WATCH_MS,
    parse_mask,
    parse_number,
    say_mask,
    say_number,
)


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
        return [say_mask(self.mask)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        (mask,) = f
        return cls(parse_mask(mask))


@dataclass(frozen=True, slots=True)
class Go:
    """Start reading, one reading every `period_us` microseconds; 0 = as fast as the probe can."""

    WORD: ClassVar[str] = "GO"
    period_us: int

    def fields(self) -> list[str]:
        return [say_number(self.period_us, MAX_PERIOD_US)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        (period,) = f
        return cls(parse_number(period, MAX_PERIOD_US))


@dataclass(frozen=True, slots=True)
class Level:
    """Measure the level at pin `sense` while pin `drive` is driven low; answered by VOLT."""

    WORD: ClassVar[str] = "LEVEL"
    drive: int
    sense: int

    def fields(self) -> list[str]:
        return [say_number(self.drive, MAX_PINS - 1), say_number(self.sense, MAX_PINS - 1)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        drive, sense = f
        return cls(parse_number(drive, MAX_PINS - 1), parse_number(sense, MAX_PINS - 1))


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
        pins = [say_number(self.drive, MAX_PINS - 1), say_number(self.sense, MAX_PINS - 1)]
        return [*pins, say_number(self.ms, MAX_WATCH_MS)]

    @classmethod
    def parse(cls, f: list[str]) -> Self:
        drive, sense, ms = f
        if ms == "0":
            raise ValueError("a watch takes at least a millisecond")
        pins = parse_number(drive, MAX_PINS - 1), parse_number(sense, MAX_PINS - 1)
        return cls(*pins, parse_number(ms, MAX_WATCH_MS))
