"""Fault sets -> readings, with a memory.

`predict` is the plain function.  `Predictor` gives the same answers in packed form and remembers
them.  It simulates only what hangs together: faults whose lines do not meet, and do not meet the
lines of the keys held, know nothing of each other, and their readings are put together.

Packed form: one integer, pins+1 fields of `pins` bits: field 0 is the rest mask, field i+1 the mask
read while pin i is driven.  Comparing two readings is then one xor and one population count.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from keydiag.circuit import Circuit, Prediction, Reading, Wiring
from keydiag.faults.kinds import Fault, changes, conducts_at_rest, key_of, keys_that_show

FaultSet = frozenset[Fault]
NO_KEYS: frozenset[str] = frozenset()

# What is remembered before starting afresh: some 100 MB of readings, some 20 MB of wirings, some
# 10 MB of fault sets laid out.
MOST_KNOWN = 400_000
MOST_WIRINGS = 10_000
MOST_LAID_OUT = 20_000

# Kinds that let current pass between nets that are apart on the board.
CONNECTORS = frozenset(
    ("bridge", "stuck-switch", "swapped-leads", "misplaced-lead", "miswired-key", "swapped-keys",
     "line-to-ground", "line-to-supply")
)  # fmt: skip


class Packed(NamedTuple):
    """A prediction as two integers: the bits, and which of them nothing guarantees."""

    bits: int
    unknown: int

    def mismatch(self, seen: int, care: int) -> int:
        """How many guaranteed bits under the mask `care` differ from the packed reading `seen`."""
        return ((self.bits ^ seen) & care & ~self.unknown).bit_count()


class _Member(NamedTuple):
    """One fault of a set.

    shows: mask of the keys that show it, -1 for any; lines: mask of the pins whose lines it is on;
    conducts: mask of the keys it makes part of the circuit at rest.
    """

    fault: Fault
    shows: int
    lines: int
    conducts: int


class _Layout(NamedTuple):
    """A fault set made ready for questions.

    conducts: mask of the keys that are part of the circuit at rest; swaps: masks of the pairs of
    keys that are exchanged; connectors: per member that joins nets, the mask of its lines;
    everywhere: members on every line.
    """

    members: list[_Member]
    conducts: int
    swaps: list[int]
    connectors: list[int]
    everywhere: list[Fault]


def predict(circuit: Circuit, faults: Iterable[Fault], held: Iterable[str]) -> Prediction:
    """What the half reads with these faults while these keys are held (exact simulation)."""
    return wired(circuit, faults).predict(held)


def wired(circuit: Circuit, faults: Iterable[Fault], expand: Iterable[str] = ()) -> Wiring:
    """The circuit with these faults, ready to be asked; `expand` as in `Wiring`."""
    ordered = _in_order(circuit, faults)
    return Wiring(circuit, (c for fault in ordered for c in changes(circuit, fault)), expand)


def _in_order(circuit: Circuit, faults: Iterable[Fault]) -> list[Fault]:
    """By name, but exchanges of keys in the board's order: two exchanges that share a key give
    another result the other way round, and the names of keys must not decide that."""
    out = sorted(set(faults))
    swaps = [fault for fault in out if fault.kind == "swapped-keys"]
    if len(swaps) > 1:
        swaps.sort(key=lambda fault: [circuit.keys.index(key) for key in fault.at])
        out = [fault for fault in out if fault.kind != "swapped-keys"] + swaps
    return out


def pack(reading: Reading) -> int:
    """A reading in packed form."""
    return _pack(reading.rest, reading.low)


def unpack(bits: int, pins: int) -> Reading:
    """The reading a packed integer stands for, over `pins` pins."""
    mask = (1 << pins) - 1
    fields = [(bits >> (pins * i)) & mask for i in range(pins + 1)]
    return Reading(fields[0], tuple(fields[1:]))


def _pack(rest: int, low: tuple[int, ...]) -> int:
    width = len(low)
    bits = 0
    for mask in reversed(low):
        bits = (bits | mask) << width
    return bits | rest


def _grown(lines: int, connectors: list[int]) -> int:
    """These lines with all that these connectors (masks of lines) join to them."""
    grown = True
    while grown:
        grown = False
        for more in connectors:
            if more & lines and more & ~lines:
                lines |= more
                grown = True
    return lines


def _apart(members: list[_Member]) -> list[list[Fault]]:
    """These faults in groups whose lines do not meet."""
    groups: list[tuple[int, list[Fault]]] = []
    for fault, _, lines, _ in members:
        met = [group for group in groups if group[0] & lines]
        groups = [group for group in groups if not group[0] & lines]
        own = [fault]
        for more_lines, more in met:
            lines |= more_lines
            own += more
        groups.append((lines, own))
    return [faults for _, faults in groups]


class Predictor:
    """Exact simulation of fault sets, remembering what it has worked out.

    Memory grows with the number of distinct (relevant faults, keys held) pairs asked for; `forget`
    empties it.
    """

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self._lines_of_key = {
            key: 1 << row | 1 << column for key, (row, column) in circuit.crossing.items()
        }
        self._number = {key: number for number, key in enumerate(circuit.keys)}
        self._facts: dict[Fault, tuple[frozenset[str] | None, frozenset[str], int]] = {}
        self._members: dict[Fault, _Member] = {}
        self._known: dict[tuple[FaultSet, frozenset[str]], Packed] = {}
        self._parts: dict[tuple[FaultSet, frozenset[str]], Packed] = {}
        self._laid_out: dict[FaultSet, _Layout] = {}
        self._masks: dict[frozenset[str], tuple[int, int]] = {}
        self._wired: dict[FaultSet, Wiring] = {}
        self._healthy = self._simulated(frozenset(), NO_KEYS).bits

    def forget(self) -> None:
        """Drop everything remembered."""
        self._known.clear()
        self._parts.clear()
        self._laid_out.clear()
        self._wired.clear()

    def facts(self, fault: Fault) -> tuple[frozenset[str] | None, frozenset[str], int]:
        """(keys that show it or None, keys it makes conduct at rest, mask of its lines' pins)."""
        known = self._facts.get(fault)
        if known is None:
            known = self._facts[fault] = (
                keys_that_show(self.circuit, fault),
                conducts_at_rest(fault),
                self._lines(fault),
            )
        return known

    def lines_of(self, keys: Iterable[str]) -> int:
        """Mask of the pins whose lines these keys stand on."""
        mask = 0
        for key in keys:
            mask |= self._lines_of_key[key]
        return mask

    def lines_of_faults(self, faults: Iterable[Fault]) -> int:
        """Mask of the pins whose lines these faults are on; one bit more for the rails."""
        mask = 0
        for fault in faults:
            mask |= self.facts(fault)[2]
        return mask

    def joined(self, lines: int, faults: Iterable[Fault]) -> int:
        """These lines (mask of pins) with all that the connectors among these faults join to
        them."""
        return _grown(lines, [self.facts(f)[2] for f in faults if f.kind in CONNECTORS])

    def packed(self, faults: FaultSet, held: frozenset[str]) -> Packed:
        """`predict(circuit, faults, held)` in packed form."""
        known = self._known.get((faults, held))
        if known is None:
            if len(self._known) > MOST_KNOWN:
                self.forget()
            known = self._known[faults, held] = self._work_out(faults, held)
        return known

    def relevant(self, faults: FaultSet, held: frozenset[str]) -> FaultSet:
        """The members of the set that can change the reading of this frame."""
        active = held
        # Exchanges add up: three keys in a ring are two of them, with one key in both.
        swaps = [fault.at for fault in faults if fault.kind == "swapped-keys"]
        for _ in swaps:
            for pair in swaps:
                if not active.isdisjoint(pair):
                    active = active.union(pair)
        for fault in faults:
            conducts = self.facts(fault)[1]
            if conducts:
                active = active | conducts
        chosen = []
        for fault in faults:
            shows = self.facts(fault)[0]
            if shows is None or not shows.isdisjoint(active):
                chosen.append(fault)
        return frozenset(chosen)

    def _work_out(self, faults: FaultSet, held: frozenset[str]) -> Packed:
        if not faults:
            return self._simulated(faults, held)
        members, conducts, swaps, connectors, everywhere = self._layout(faults)
        active, joined = self._held(held)
        active |= conducts
        for _ in swaps:  # exchanges add up: three keys in a ring are two of them
            for pair in swaps:
                if pair & active:
                    active |= pair
        if connectors:
            joined = _grown(joined, connectors)
        near, far = [], []
        for member in members:
            _, shows, lines, _ = member
            if shows < 0 or shows & active:
                if lines & joined:
                    near.append(member[0])
                else:
                    far.append(member)
        if not far:
            return self._simulated(frozenset(near), held)
        bits, unknown = self._simulated(frozenset(near), held) if held else (self._healthy, 0)
        for part in _apart(far) if len(far) > 1 else [[far[0].fault]]:
            more_bits, more_unknown = self._simulated(frozenset(part + everywhere), NO_KEYS)
            bits ^= more_bits ^ self._healthy
            unknown |= more_unknown
        return Packed(bits, unknown)

    def _layout(self, faults: FaultSet) -> _Layout:
        known = self._laid_out.get(faults)
        if known is None:
            if len(self._laid_out) > MOST_LAID_OUT:
                self._laid_out.clear()
            members = [self._members.get(fault) or self._member(fault) for fault in faults]
            conducts = 0
            swaps, connectors, everywhere = [], [], []
            for fault, shows, lines, keys in members:
                kind = fault[0]
                if kind in CONNECTORS:
                    connectors.append(lines)
                    conducts |= keys
                    if kind == "swapped-keys":
                        swaps.append(shows)
                elif kind == "wrong-cathode-at":
                    everywhere.append(fault)
            known = self._laid_out[faults] = _Layout(
                members, conducts, swaps, connectors, everywhere
            )
        return known

    def _member(self, fault: Fault) -> _Member:
        shows, conducts, lines = self.facts(fault)
        mask = -1 if shows is None else self._mask(shows)
        known = self._members[fault] = _Member(fault, mask, lines, self._mask(conducts))
        return known

    def _held(self, held: frozenset[str]) -> tuple[int, int]:
        """(mask of these keys, mask of the pins whose lines they stand on)."""
        known = self._masks.get(held)
        if known is None:
            if len(self._masks) > MOST_LAID_OUT:
                self._masks.clear()
            known = self._masks[held] = self._mask(held), self.lines_of(held)
        return known

    def _mask(self, keys: Iterable[str]) -> int:
        mask = 0
        for key in keys:
            mask |= 1 << self._number[key]
        return mask

    def _simulated(self, faults: FaultSet, held: frozenset[str]) -> Packed:
        known = self._parts.get((faults, held))
        if known is None:
            if len(self._parts) > MOST_KNOWN:
                self._parts.clear()
            wiring = self._wired.get(faults)
            if wiring is None:
                if len(self._wired) > MOST_WIRINGS:
                    self._wired.clear()
                wiring = self._wired[faults] = self._wire(faults)
            known = self._parts[faults, held] = Packed(*wiring.packed(held))
        return known

    def _wire(self, faults: FaultSet) -> Wiring:
        """The circuit with these faults, from the one with all but one of them if there is one."""
        wired_before = self._wired.get
        for fault in faults:
            before = wired_before(faults - {fault})
            if before is not None:
                found = before.with_one_more(changes(self.circuit, fault))
                if found is not None:
                    return found
        return wired(self.circuit, faults)

    def _lines(self, fault: Fault) -> int:
        circuit = self.circuit
        kind, at = fault
        if kind == "wrong-cathode-at":
            return (1 << len(circuit.pins)) - 1
        # Faults to ground and to the supply meet on the rails, wherever they are.
        mask = 1 << len(circuit.pins) if kind.startswith("line-to-") else 0
        for place in at:
            if place.startswith("pin "):
                index = circuit.index_of_port.get(place.removeprefix("pin "))
                mask |= 0 if index is None else 1 << index
            elif place.startswith(("row ", "column ")):
                name = " ".join(place.split()[:2])
                mask |= 1 << circuit.pin_of_line[name]
            else:
                mask |= self._lines_of_key[key_of(place)]
        return mask
