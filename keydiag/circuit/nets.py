"""Nodes joined into nets, and what pins read low through nets and diodes."""

from __future__ import annotations


class Fields(dict[int, int]):
    """Factors that spread a mask of sensing pins over a packed reading (see `Wiring.packed`):
    mask * fields[driven] has these pins low while any of the pins in `driven` is driven;
    fields[-1] stands for every field, the rest mask too.  `own`: each pin reads itself."""

    def __init__(self, width: int) -> None:
        self.width = width
        self.every_pin = (1 << width) - 1
        self[-1] = sum(1 << width * field for field in range(width + 1))
        self.own = sum(1 << width * (pin + 1) + pin for pin in range(width))

    def __missing__(self, driven: int) -> int:
        width = self.width
        factor = sum(1 << width * (pin + 1) for pin in range(width) if driven >> pin & 1)
        if len(self) < 1 << 16:
            self[driven] = factor
        return factor


class Nets:
    """Nodes joined into nets, each with the mask of its pins and what all of them read."""

    __slots__ = ("_fields", "_name", "members", "bits")

    def __init__(self, fields: Fields) -> None:
        self._fields = fields
        self._name: dict[int, int] = {}
        self.members = {pin: 1 << pin for pin in range(fields.width)}
        # Packed reading of the wires alone: pins of one net read low while any of them is driven.
        self.bits = fields.own

    def copy(self) -> Nets:
        other = object.__new__(Nets)
        other._fields = self._fields
        other._name = self._name.copy()
        other.members = self.members.copy()
        other.bits = self.bits
        return other

    def find(self, node: int) -> int:
        """The node that names the net of this one."""
        name = self._name
        while node in name:
            node = name[node]
        return node

    def unite(self, a: int, b: int) -> None:
        a, b = self.find(a), self.find(b)
        if a == b:
            return
        if a > b:
            a, b = b, a
        # The smaller number stays the name, so pins name the nets they sit on.
        self._name[b] = a
        gained = self.members.pop(b, 0)
        if gained:
            had = self.members[a]
            self.members[a] = had | gained
            self.bits |= had * self._fields[gained] | gained * self._fields[had]


def chained(diodes: set[tuple[int, int]]) -> bool:
    """True if one diode's cathode is another's anode."""
    if len(diodes) < 2:
        return False
    cathodes = {cathode for anode, cathode in diodes if anode != cathode}
    return any(anode in cathodes for anode, cathode in diodes if anode != cathode)


def fed_from(supply: int, diodes: list[tuple[int, int]]) -> set[int]:
    """The nets into which the supply drives current through one or more diodes."""
    fed: set[int] = set()
    edge = {supply}
    while edge:
        edge = {cathode for anode, cathode in diodes if anode in edge} - fed - {supply}
        fed |= edge
    return fed


def sensing(
    members: dict[int, int], diodes: list[tuple[int, int]]
) -> tuple[dict[int, int], dict[int, int]]:
    """For each net: the pins that reach it through exactly one diode, and through more than one."""
    if not diodes:
        return {}, {}
    after: dict[int, set[int]] = {}
    for anode, cathode in diodes:
        if anode != cathode:
            after.setdefault(anode, set()).add(cathode)
    one: dict[int, int] = {}
    more: dict[int, int] = {}
    for start in after:
        pins = members.get(start, 0)
        if not pins:
            continue
        seen = {start} | after[start]
        for node in after[start]:
            one[node] = one.get(node, 0) | pins
        edge = after[start]
        while edge:
            edge = {n for node in edge for n in after.get(node, ())} - seen
            seen |= edge
            for node in edge:
                more[node] = more.get(node, 0) | pins
    return one, more
