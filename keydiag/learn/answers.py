"""What a pressed key answers on a half nobody has described: pairs of pins, and which way.

What lives here: the rest reading as groups of pins that are one net, and the bits of a press as
pairs of such groups. What does not: which key it was (follow.py), and which lines there are
(infer.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from keydiag.circuit import Reading
from keydiag.observe import REST, Bit

Pair = tuple[int, int]
"""Two groups of pins, the lower number first."""


@dataclass(frozen=True)
class Rest:
    """What the pins say with no key held. Pins are indices into the ports that are read."""

    grounded: frozenset[int]
    """Pins that read low with nothing driven."""
    high: frozenset[int]
    """Pins that stay high while they are driven low: on the supply, or dead."""
    group: tuple[int, ...]
    """Pin -> the lowest pin of its net: pins that conduct both ways at rest are one net."""
    always: frozenset[Bit]
    """(drive, sense) of groups that conduct one way at rest: a switch that is closed for good."""

    def pins(self, group: int) -> tuple[int, ...]:
        """The pins of a net."""
        return tuple(pin for pin, its in enumerate(self.group) if its == group)

    @property
    def bridged(self) -> tuple[tuple[int, ...], ...]:
        """The nets of more than one pin."""
        groups = (self.pins(group) for group in dict.fromkeys(self.group))
        return tuple(pins for pins in groups if len(pins) > 1)


def rest_of(reading: Reading) -> Rest:
    """A rest reading, sorted out."""
    count = len(reading.low)
    grounded = frozenset(pin for pin in range(count) if reading.rest >> pin & 1)
    high = frozenset(pin for pin in range(count) if not reading.low[pin] >> pin & 1)
    live = [pin for pin in range(count) if pin not in grounded | high]
    group = list(range(count))
    for one in live:
        for two in live:
            if one < two and _low(reading, one, two) and _low(reading, two, one):
                old, new = group[two], group[one]
                group = [new if each == old else each for each in group]
    always = frozenset(
        (group[drive], group[sense])
        for drive in live
        for sense in live
        if _low(reading, drive, sense) and group[drive] != group[sense]
    )
    return Rest(grounded, high, tuple(group), always)


def _low(reading: Reading, drive: int, sense: int) -> bool:
    return bool(reading.low[drive] >> sense & 1)


@dataclass(frozen=True)
class Answer:
    """One press: which groups conducted, and which way."""

    ways: frozenset[Bit]
    """(drive, sense) of groups: current flowed from sense, the anode's side, to drive."""

    @property
    def pairs(self) -> frozenset[Pair]:
        """The pairs of groups, whichever way they conducted."""
        return frozenset((min(way), max(way)) for way in self.ways)


def answer_of(bits: Iterable[Bit], rest: Rest) -> Answer:
    """The bits that appeared with a press, as an answer.

    A pin that is pulled low with nothing driven is pressed onto a grounded line; if only one pin is
    grounded, that is the line.
    """
    ways: set[Bit] = set()
    for drive, sense in bits:
        if sense in rest.grounded | rest.high:
            continue
        if drive == REST:
            if len(rest.grounded) == 1:
                ways.add((rest.group[min(rest.grounded)], rest.group[sense]))
        elif drive not in rest.grounded | rest.high and rest.group[drive] != rest.group[sense]:
            ways.add((rest.group[drive], rest.group[sense]))
    if any(drive in rest.grounded for drive, _ in ways):
        # Everything the grounded line pulls down reads low whatever is driven.
        ways = {way for way in ways if way[0] in rest.grounded}
    return Answer(frozenset(_nearest(ways, rest)))


def _nearest(ways: set[Bit], rest: Rest) -> set[Bit]:
    """The ways, less those that only follow from what conducts at rest anyway: where current
    always flows from one net to the next, a key that reaches the one reaches the other, too."""
    implied = {
        way
        for drive, sense in rest.always
        for way in ways
        if (way[0] == drive and (sense, way[1]) in ways)
        or (way[1] == sense and (way[0], drive) in ways)
    }
    return ways - implied or ways
