"""Limits of the protocol, its checksum, and fields: one spelling for each value, so that a line and
its message determine each other."""

from __future__ import annotations

import re

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
CHIP = re.compile(r"[a-z0-9]{1,16}")
BUILD = re.compile(r"[!-)+-~]{1,24}")  # printable, no space, no "*"
PORT = re.compile(r"[A-Z][A-Z0-9]{0,7}")
CODE = re.compile(r"[a-z][a-z-]{0,15}")
TEXT = re.compile(r"[!-)+-~](?:[ -)+-~]{0,78}[!-)+-~])?")


def parse_number(text: str, limit: int = WORD_32 - 1) -> int:
    if not _DECIMAL.fullmatch(text) or int(text) > limit:
        raise ValueError(f"not a plain number up to {limit}: {text!r}")
    return int(text)


def parse_mask(text: str) -> int:
    if not _HEX.fullmatch(text):
        raise ValueError(f"not a plain mask: {text!r}")
    return int(text, 16)


def parse_crc(text: str) -> int:
    if not re.fullmatch(r"[0-9A-F]{4}", text):
        raise ValueError(f"not four hex digits: {text!r}")
    return int(text, 16)


def parse_token(pattern: re.Pattern[str], text: str) -> str:
    if not pattern.fullmatch(text):
        raise ValueError(f"not allowed here: {text!r}")
    return text


def say_number(value: int, limit: int = WORD_32 - 1) -> str:
    if not 0 <= value <= limit:
        raise ValueError(f"{value} is outside 0..{limit}")
    return str(value)


def say_mask(value: int) -> str:
    if not 0 <= value < WORD_32:
        raise ValueError(f"mask {value:#x} has more than 32 bits")
    return f"{value:X}"
