"""What goes into a circuit and comes out of it: changes, points for a meter, readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

GROUND = "ground"
SUPPLY = "supply"


@dataclass(frozen=True, slots=True)
class Reading:
    """The directed line-to-line matrix at one moment, over a circuit's pin indices.

    rest: bit j set = pin j reads low with nothing driven.
    low: one mask per driven pin i; bit j set = pin j reads low while pin i is driven low.  Bit i of
    low[i] is the self read-back: clear means the driven pin stayed high (short to supply, or dead).
    """

    rest: int
    low: tuple[int, ...]

    @property
    def at_rail(self) -> bool:
        """True if a pin is low by itself, or stays high when it is driven low."""
        return bool(self.rest) or any(~mask >> pin & 1 for pin, mask in enumerate(self.low))


@dataclass(frozen=True, slots=True)
class Prediction:
    """What a circuit must read: like `Reading`, plus masks of the bits nothing guarantees."""

    rest: int
    low: tuple[int, ...]
    rest_unknown: int
    unknown: tuple[int, ...]

    def as_reading(self) -> Reading:
        """The certain part as a reading; unknown bits read high."""
        low = tuple(m & ~u for m, u in zip(self.low, self.unknown, strict=True))
        return Reading(self.rest & ~self.rest_unknown, low)

    def agrees(self, reading: Reading) -> bool:
        """True if every guaranteed bit of this prediction equals the reading's bit."""
        if (self.rest ^ reading.rest) & ~self.rest_unknown:
            return False
        return not any(
            (mine ^ theirs) & ~unknown
            for mine, theirs, unknown in zip(self.low, reading.low, self.unknown, strict=True)
        )


class Change(NamedTuple):
    """One elementary electrical change to the circuit as drawn in the board file.

    op and arguments:
    cut (address) the joint, part, stretch or lead never conducts; join (address) the switch or
    diode always conducts, both ways; flip (key or "*") the diode sits the other way round; link
    (net, net) two nets are bridged, a net being a line name, "KEY node", GROUND or SUPPLY; lead
    (line name, port) the lead is soldered to that pin; exchange (line name, line name) the two
    leads change places, from wherever earlier changes put them; rewire (joint address, line name)
    the joint at the end of a key sits on that line; press (key, key) pressing either closes what
    the other would have closed; dead (port) the pin neither senses nor sinks.
    """

    op: str
    a: str
    b: str = ""


class Point(NamedTuple):
    """A spot a builder can hold a meter's lead on.

    place: "pin" (name: the port), "line" (the wire of line `name` where `key` is soldered to it),
    or "0".."3", the four solder ends inside `key` from the column side: the two legs of its first
    part, the two legs of its second.
    """

    place: str
    name: str = ""
    key: str = ""
