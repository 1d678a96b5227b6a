"""Which faults could explain a deviating frame: the catalogue, indexed by key and by line."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import chain
from typing import NamedTuple

from keydiag.circuit import Circuit
from keydiag.faults import Fault, Predictor, enumerate_faults
from keydiag.faults.kinds import OPEN_IN_KEY, key_of
from keydiag.faults.priors import Priors

# Kinds that only ever add conduction, and kinds that only ever take it away (a line tied to the
# supply can turn either into the other).
ADDING = frozenset(("bridge", "stuck-switch", "shorted-diode", "line-to-ground"))
TAKING = frozenset((*OPEN_IN_KEY, "open-lead", "broken-stretch", "dead-pin", "line-to-supply"))
EITHER, ADDS, TAKES = 0, 1, 2

# Questions whose answers are remembered before starting afresh: some 20 MB.
MOST_ASKED = 10_000


class Entry(NamedTuple):
    """A fault of the catalogue; does: ADDS, TAKES or EITHER; of_key: the key, if another open place
    of this key stands for it."""

    fault: Fault
    does: int
    of_key: str


class Candidates:
    """The catalogue of one circuit, asked by the keys held and the pins whose bits deviate."""

    def __init__(
        self, circuit: Circuit, predictor: Predictor, priors: Priors, reach: str = "near"
    ) -> None:
        self.reach = reach
        self._circuit = circuit
        self._by_key: dict[str, list[Fault]] = {key: [] for key in circuit.keys}
        self._by_pin: list[list[Fault]] = [[] for _ in circuit.pins]
        self._order: dict[Fault, int] = {}
        self._entries: dict[Fault, Entry] = {}
        self._asked: dict[tuple[frozenset[str], frozenset[int]], list[Entry]] = {}
        # Open places in one key's series path are alike in every press: the first stands for all.
        self.stands_for: dict[Fault, Fault] = {}
        self.alike: dict[Fault, list[Fault]] = {}
        first: dict[str, Fault] = {}
        for number, fault in enumerate(enumerate_faults(circuit, reach)):
            self._order[fault] = number
            if fault.kind in OPEN_IN_KEY:
                stand_in = first.setdefault(key_of(fault.at[0]), fault)
                self.stands_for[fault] = stand_in
                if fault != stand_in:
                    self.alike.setdefault(stand_in, []).append(fault)
            does = ADDS if fault.kind in ADDING else TAKES if fault.kind in TAKING else EITHER
            alone = self.stands_for.get(fault, fault) == fault
            self._entries[fault] = Entry(fault, does, "" if alone else key_of(fault.at[0]))
            shows, _, lines = predictor.facts(fault)
            if shows is None:
                for pin in range(len(circuit.pins)):
                    if lines >> pin & 1:
                        self._by_pin[pin].append(fault)
            else:
                for key in shows:
                    self._by_key[key].append(fault)

        self.weigh(priors)

    def weigh(self, priors: Priors) -> None:
        """Work out the log odds of every fault, as the priors are now; a stand-in has those of all
        it stands for."""
        self.weight = {fault: priors.log_odds(fault) for fault in self._order}
        for stand_in, others in self.alike.items():
            odds = [self.weight[fault] for fault in (stand_in, *others)]
            self.weight[stand_in] = math.log(sum(map(math.exp, odds)))
        self.highest = max(priors.highest, *self.weight.values())

    def order(self, fault: Fault) -> int:
        """Place of a fault in the catalogue: the tie-break that keeps every answer repeatable."""
        return self._order.get(fault, len(self._order))

    def of_kinds(self, kinds: Iterable[str]) -> list[Fault]:
        """All faults of these kinds, in catalogue order."""
        wanted = set(kinds)
        return [fault for fault in self._order if fault.kind in wanted]

    def that_show_with(self, key: str) -> list[Fault]:
        """Faults that can change a reading with this key held, whatever else they change."""
        lines = [self._by_pin[pin] for pin in self._circuit.crossing[key]]
        return list(dict.fromkeys(chain(self._by_key[key], *lines)))

    def touching(self, keys: Iterable[str], deviating: int) -> list[Entry]:
        """Faults that can change a frame in which these keys conduct and the bits of this packed
        mask deviate, in catalogue order."""
        asked = frozenset(keys), frozenset(pins_of(deviating, len(self._circuit.pins)))
        known = self._asked.get(asked)
        if known is None:
            found: set[Fault] = set()
            for key in asked[0]:
                found.update(self._by_key[key])
            for pin in asked[1]:
                found.update(self._by_pin[pin])
            if len(self._asked) > MOST_ASKED:
                self._asked.clear()
            in_order = sorted(found, key=self._order.__getitem__)
            known = self._asked[asked] = [self._entries[fault] for fault in in_order]
        return known


def pins_of(packed: int, count: int) -> set[int]:
    """Pin indices that a packed mask's bits belong to, as driven pin or as sensing pin."""
    pins: set[int] = set()
    mask = (1 << count) - 1
    for field in range(count + 1):
        bits = packed >> (field * count) & mask
        if not bits:
            continue
        if field:
            pins.add(field - 1)
        while bits:
            pins.add((bits & -bits).bit_length() - 1)
            bits &= bits - 1
    return pins
