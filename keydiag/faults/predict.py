"""Fault sets -> readings, with a memory.

`predict` is the plain function.  `Predictor` gives the same answers in packed form and remembers
them, together with the circuits under each fault set.

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

# What is remembered before starting afresh: some 100 MB of readings, some 20 MB of wirings.
MOST_KNOWN = 400_000
MOST_WIRINGS = 10_000


class Packed(NamedTuple):
    """A prediction as two integers: the bits, and which of them nothing guarantees."""

    bits: int
    unknown: int

    def mismatch(self, seen: int, care: int) -> int:
        """How many guaranteed bits under the mask `care` differ from the packed reading `seen`."""
        return ((self.bits ^ seen) & care & ~self.unknown).bit_count()


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
        self._facts: dict[Fault, tuple[frozenset[str] | None, frozenset[str], int]] = {}
        self._known: dict[tuple[FaultSet, frozenset[str]], Packed] = {}
        self._wired: dict[FaultSet, Wiring] = {}

    def forget(self) -> None:
        """Drop everything remembered."""
        self._known.clear()
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
        wiring = self._wired.get(faults)
        if wiring is None:
            if len(self._wired) > MOST_WIRINGS:
                self._wired.clear()
            wiring = self._wired[faults] = wired(self.circuit, faults)
        return Packed(*wiring.packed(held))

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
