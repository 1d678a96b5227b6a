"""Lines to messages and back; bad lines as values."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from keydiag.wire.fields import MAX_LINE, crc16
from keydiag.wire.host_says import Full, Go, Halt, Hello, Level, Use, Watch
from keydiag.wire.probe_says import Diff, Edges, Hi, Oops, Pace, Pin, Rise, Same, Scan, Volt

ProbeMessage = Hi | Pin | Scan | Diff | Same | Pace | Rise | Volt | Edges | Oops
HostMessage = Hello | Use | Go | Halt | Full | Level | Watch
Message = ProbeMessage | HostMessage

TYPES: dict[str, type[Message]] = {
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
    kind = TYPES.get(word)
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
