"""Wire protocol, version 1: lines to messages and back, without any input or output.

Follows shared/wire-v1.md (normative) and is held to shared/wire-v1-vectors.txt, as is the
probe's own C++ (firmware_probe/). Each message is one frozen type whose layout, encoding and
decoding stand together. A bad line is a value (`Corrupt`), never an exception; the only
exception here is ValueError, for a message that the caller filled with values no line can carry.

Not here: ports, clocks, time-outs (sources/), and what a reading means (circuit, diagnosis).
"""

from __future__ import annotations

from keydiag.wire.fields import MAX_HOST_LINE, MAX_LINE, OOPS_CODES, VERSION, crc16
from keydiag.wire.host_says import Full, Go, Halt, Hello, Level, Use, Watch
from keydiag.wire.lines import (
    TYPES,
    Corrupt,
    Decoder,
    HostMessage,
    Message,
    ProbeMessage,
    decode_line,
    encode,
)
from keydiag.wire.probe_says import Diff, Edges, Hi, Oops, Pace, Pin, Rise, Same, Scan, Volt
from keydiag.wire.tracking import TrackedReading, Tracker, check_of_reading, pins_of, refusal

__all__ = [
    "Corrupt", "Decoder", "Diff", "Edges", "Full", "Go", "Halt", "Hello", "Hi", "HostMessage",
    "Level", "MAX_HOST_LINE", "MAX_LINE", "Message", "OOPS_CODES", "Oops", "Pace", "Pin",
    "ProbeMessage", "Rise", "Same", "Scan", "TYPES", "TrackedReading", "Tracker", "Use", "VERSION",
    "Volt", "Watch", "check_of_reading", "crc16", "decode_line", "encode", "pins_of", "refusal",
]  # fmt: skip
