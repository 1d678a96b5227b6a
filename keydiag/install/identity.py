"""USB identities (vendor and product number) that tell what sits on a port.

Sources. ATmega32U4 boards: boards.txt of the AVR core for Arduino-style IDEs, version 1.8.7 (every
board with build.mcu=atmega32u4, its build.f_cpu, the pairs of its boot loader and its sketches).
Pairs marked "from memory" are not in that file. 1209:0001 is the pair that pid.codes sets aside for
private testing; the prebuilt image bears it. Controllers are called by their chip, whoever made the
board.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["PROBE_ID", "Identity", "Kind", "identify"]


class Kind(Enum):
    """What runs on the controller."""

    PROBE = "probe"  # by its identity; only HI is proof
    SKETCH = "sketch"  # something that a 1200-baud touch sends to the boot loader
    BOOT = "boot loader"  # ready to be written to through its serial port
    OTHER = "other"  # known, but not to be written to by `probe install`


@dataclass(frozen=True, slots=True)
class Identity:
    """chip: name as in chips.toml, "" if the pair does not tell. words: for people."""

    kind: Kind
    chip: str
    words: str


PROBE_ID = (0x1209, 0x0001)

# Vendor -> product of the boot loader; the sketch's is the same with the top bit set.
_CORE_BOOT = {
    0x2341: (0x0036, 0x0037, 0x0038, 0x0039, 0x003C, 0x0041, 0x0237),
    0x2A03: (0x0001, 0x0036, 0x0037, 0x0038, 0x0039, 0x003C, 0x0040, 0x0041, 0x0050, 0x0056),
}
# These run at 8 MHz, for which the prebuilt image is not made: it would not start its USB.
_SLOW = (
    (0x1B4F, 0x9207), (0x1B4F, 0x9208), (0x239A, 0x8011),
    (0x1B4F, 0x9203), (0x1B4F, 0x9204),  # from memory
)  # fmt: skip

_BOOT = Identity(Kind.BOOT, "atmega32u4", "an atmega32u4 in its boot loader")
_SKETCH = Identity(Kind.SKETCH, "atmega32u4", "an atmega32u4 with some sketch on it")

_SLOW_CLOCK = Identity(Kind.OTHER, "atmega32u4", "an atmega32u4 that runs at 8 MHz")

_KNOWN: dict[tuple[int, int], Identity] = {
    PROBE_ID: Identity(Kind.PROBE, "atmega32u4", "a keydiag probe, by its USB identity"),
    # From memory:
    (0x03EB, 0x2FF4): Identity(
        Kind.OTHER, "atmega32u4", "an atmega32u4 in its maker's boot loader (no serial port)"
    ),
    (0x2E8A, 0x000A): Identity(Kind.OTHER, "rp2040", "an rp2040 with some program on it"),
    (0x1A86, 0x7523): Identity(Kind.OTHER, "", "a serial converter; what is behind it is unknown"),
    (0x0403, 0x6001): Identity(Kind.OTHER, "", "a serial converter; what is behind it is unknown"),
    (0x10C4, 0xEA60): Identity(Kind.OTHER, "", "a serial converter; what is behind it is unknown"),
}
for _vendor, _products in _CORE_BOOT.items():
    for _product in _products:
        _KNOWN[_vendor, _product] = _BOOT
        _KNOWN[_vendor, _product | 0x8000] = _SKETCH
_KNOWN[0x1B4F, 0x9205], _KNOWN[0x1B4F, 0x9206] = _BOOT, _SKETCH  # from memory: 5 V, 16 MHz
for _pair in _SLOW:
    _KNOWN[_pair] = _SLOW_CLOCK


def identify(vendor: int, product: int) -> Identity | None:
    """What the pair tells; None if it is not known here."""
    return _KNOWN.get((vendor, product))
