"""What a pressed key would answer on this half, and how a seen answer compares with that.

Here: `expect`, the bits that pressing a healthy key adds to what conducts at rest anyway, and
`compare`, which sorts an answer by what it would take for that key to give it. Not here: which
key was pressed (alignment.py), and exact fault simulation (faults); this is only good enough to
follow the builder's hands.

Masks are packed readings (faults.pack): field 0 the rest mask, field i + 1 the mask of pin i.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache

from keydiag.circuit import Reading
from keydiag.faults import pack
from keydiag.observe.bounce import ones

__all__ = ["Answer", "Expected", "compare", "expect"]

Pair = tuple[int, int]
"""(drive, sense), both circuit pin indices."""


class Answer(IntEnum):
    """How an answer compares with what a key should answer, from healthy to foreign."""

    EXACT = 0  # what it should answer
    REVERSED = 1  # its crossing, but only the other way
    BOTH = 2  # its crossing, both ways
    MORE = 3  # what it should answer, and something else besides
    PART = 4  # not all of what it should answer
    NEAR = 5  # another crossing on one of its two lines
    ELSEWHERE = 6  # nothing to do with its lines, or several others' crossings


@dataclass(frozen=True, slots=True)
class Expected:
    """What pressing a key adds to what reads low at rest (packed masks).

    must: surely, if the key is sound. may: perhaps (a path of two diode drops, which the input
    thresholds leave open). back, may_back: the same if its diode is the wrong way round.
    A key with no `must` cannot be seen at all: its line is grounded, or it is closed already.
    """

    drive: int
    sense: int
    pins: int
    must: int
    may: int
    back: int
    may_back: int
    rest: Reading


@lru_cache(maxsize=4096)
def expect(forward: Pair, rest: Reading) -> Expected:
    """What a healthy key adds to this rest reading; `forward`: its one directed bit."""
    drive, sense = forward
    base = pack(rest)
    must, may = _closure(drive, sense, rest)
    back, may_back = _closure(sense, drive, rest)
    return Expected(
        drive=drive,
        sense=sense,
        pins=len(rest.low),
        must=must & ~base,
        may=may & ~base,
        back=back & ~base,
        may_back=may_back & ~base,
        rest=rest,
    )


def _closure(drive: int, sense: int, rest: Reading) -> tuple[int, int]:
    """Bits that read low once current can pass from pin `sense` to pin `drive`.

    Bridged lines share the bit: if a conducts to `sense` and `drive` to b at rest, a reads low
    while b is driven. Both ways at rest = a wire, no diode drop; one way = a diode on top of the
    key's own, so perhaps. A drive line that is at ground by itself pulls `sense` low always.
    """
    pins = len(rest.low)
    low = rest.low
    before = {a for a in range(pins) if low[sense] >> a & 1 or a == sense}
    after = {b for b in range(pins) if low[b] >> drive & 1 or b == drive}
    wired_before = {a for a in before if a == sense or low[a] >> sense & 1}
    wired_after = {b for b in after if b == drive or low[drive] >> b & 1}
    must = sum(1 << (b + 1) * pins + a for b in wired_after for a in wired_before if a != b)
    may = sum(1 << (b + 1) * pins + a for b in after for a in before if a != b)
    if rest.rest >> drive & 1:
        may |= sum(1 << a for a in before)
        may |= sum(1 << (i + 1) * pins + a for i in range(pins) for a in before if a != i)
    return must, may & ~must


@lru_cache(maxsize=65536)
def compare(expected: Expected, appeared: int, gone: int = 0) -> Answer:
    """Sort an answer (the packed bits that newly read low, and those that no longer do) for this
    key. If nothing newly reads low, all that can be said is whether it is on the key's lines."""
    must, allowed = expected.must, expected.must | expected.may
    back, backward = expected.back, expected.back | expected.may_back
    if must and appeared & must == must:
        extra = appeared & ~allowed
        if not extra:
            return Answer.EXACT
        if not extra & ~backward and extra & back == back & ~allowed:
            return Answer.BOTH
        return Answer.MORE
    if not must and appeared & allowed and not appeared & ~allowed:
        return Answer.EXACT
    if back and appeared & back == back and not appeared & ~(backward | allowed):
        return Answer.REVERSED
    if appeared & allowed:
        return Answer.PART
    mine = expected.drive, expected.sense
    lines = [(drive - 1, sense) for drive, sense in _places(appeared or gone, expected.pins)]
    if not appeared:  # a line at the supply, say, holds the other one up through the key
        on_line = any(drive in mine or sense in mine for drive, sense in lines)
        return Answer.PART if on_line else Answer.ELSEWHERE
    if any(drive != mine[0] and sense != mine[1] for drive, sense in lines):
        return Answer.ELSEWHERE
    # More than one crossing and what follows from it is rather another key, and something else.
    follows = (_closure(drive, sense, expected.rest) for drive, sense in lines if drive >= 0)
    one = any(not appeared & ~(surely | perhaps) for surely, perhaps in follows)
    return Answer.NEAR if one else Answer.ELSEWHERE


def _places(packed: int, pins: int) -> Iterator[tuple[int, int]]:
    return (divmod(bit, pins) for bit in ones(packed))
