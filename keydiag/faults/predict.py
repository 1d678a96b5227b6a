"""Fault sets -> readings, with a memory.

`predict` is the plain function.  `Predictor` gives the same answers faster for many fault sets and
many frames, in packed form, by two facts of the circuit:

- a fault that cannot show in a frame (its keys are not held) is left out of the set;
- faults and held keys that share no line do not touch each other, so the frame is the held keys'
  part as if the others were absent, laid over the others' part as if nothing were held.

Packed form: one integer, pins+1 fields of `pins` bits: field 0 is the rest mask, field i+1 the mask
read while pin i is driven.  Comparing two readings is then one xor and one population count.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from keydiag.circuit import Circuit, Prediction, Reading
from keydiag.faults.kinds import Fault, changes, conducts_at_rest, key_of, keys_that_show

FaultSet = frozenset[Fault]
NO_KEYS: frozenset[str] = frozenset()


class Packed(NamedTuple):
    """A prediction as two integers: the bits, and which of them nothing guarantees."""

    bits: int
    unknown: int

    def mismatch(self, seen: int, care: int) -> int:
        """How many guaranteed bits under the mask `care` differ from the packed reading `seen`."""
        return ((self.bits ^ seen) & care & ~self.unknown).bit_count()


def predict(circuit: Circuit, faults: Iterable[Fault], held: Iterable[str]) -> Prediction:
    """What the half reads with these faults while these keys are held (exact simulation)."""
    all_changes = [change for fault in sorted(set(faults)) for change in changes(circuit, fault)]
    return circuit.wired(all_changes).predict(held)


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
        pins = len(circuit.pins)
        self._column = [sum(1 << (pins * i + j) for i in range(pins + 1)) for j in range(pins)]
        self._lines_of_key = {
            key: 1 << row | 1 << column for key, (row, column) in circuit.crossing.items()
        }
        self._facts: dict[Fault, tuple[frozenset[str] | None, frozenset[str], int]] = {}
        self._known: dict[tuple[FaultSet, frozenset[str]], Packed] = {}
        self._wired: dict[tuple[FaultSet, frozenset[str]], Packed] = {}

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
            if len(self._known) > 400_000:  # entries, about 100 MB: start afresh
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
        wanted = self.relevant(faults, held) if faults else faults
        if not wanted or not held:
            return self._wire(wanted, held)
        near_lines = self.lines_of(held)
        far = set(wanted)
        grown = True
        while grown and far:
            grown = False
            for fault in tuple(far):
                lines = self.facts(fault)[2]
                if lines & near_lines:
                    near_lines |= lines
                    far.discard(fault)
                    grown = True
        if not far:
            return self._wire(wanted, held)
        near = self._wire(wanted - far, held)
        rest = self._wire(frozenset(far), NO_KEYS)
        mask = 0
        for fault in far:
            lines = self.facts(fault)[2]
            for pin, column in enumerate(self._column):
                if lines >> pin & 1:
                    mask |= column
        return Packed(
            near.bits & ~mask | rest.bits & mask, near.unknown & ~mask | rest.unknown & mask
        )

    def _wire(self, faults: FaultSet, held: frozenset[str]) -> Packed:
        known = self._wired.get((faults, held))
        if known is None:
            p = predict(self.circuit, faults, held)
            known = Packed(_pack(p.rest, p.low), _pack(p.rest_unknown, p.unknown))
            self._wired[faults, held] = known
        return known

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
