"""The contacts of a virtual half: fingers, bounce, cold joints, and what conducts because of them.

Time is given by whoever asks. Not here: the probe that reads all this (virtual.py), and conduction
(circuit).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping
from itertools import count
from random import Random

from keydiag.chips import chips
from keydiag.circuit import Change, Circuit, Point, Reading, Wiring
from keydiag.errors import UsageError
from keydiag.faults import Fault
from keydiag.faults.kinds import changes
from keydiag.sources.bounce_model import Character, chatter, holds_us, lets_go_us

__all__ = ["Contacts"]

# Levels of a closed crossing. One and two 1N4148 on the pull-up: 0.511 and 1.006 V at 5 V and
# 35 kOhm, 0.468 and 0.918 V at 3.3 V and 50 kOhm (ngspice, NXP's published model). A wire: some
# millivolts of a driven pin.
DIODE_MV = {5.0: (511, 1006, 35_000.0), 3.3: (468, 918, 50_000.0)}  # by supply in V; Ohm last
WIRE_MV = 20
COLD_OHM = 2_000.0  # what a resistive joint has here: made up, well inside what reads as low
NOISE_MV = 3  # about one step of a 10-bit converter at 5 V
# A bare pad has some 10 pF (ATmega32U4: from memory), which 35 kOhm brings to VIH min (1.9 V of
# 5 V) in 167 ns: R C ln(5 / 3.1). Wire for each key: made up, so that a row of seven has 200 pF.
PAD_PF, KEY_PF = 10.0, 27.0
RISE_NS_PER_PF = 16.7
STEP_NS = 125  # what the 32U4 tells apart

REST_DRIVE = -1


class Contacts:
    """A circuit whose keys are pressed and released, with its faults.

    cold: addresses of joints (or parts, stretches, leads) that let go now and then while a key is
    held. worn: keys whose contact bounces far too long. resistive: addresses of joints, stretches
    and leads -> their resistance in ohms; what a fault calls resistive has COLD_OHM.

    The circuit used inside has a pin for every port of the chip, so that a lead on any wrong pin is
    where it is.
    """

    def __init__(
        self,
        circuit: Circuit,
        faults: Iterable[Fault] = (),
        *,
        cold: Iterable[str] = (),
        worn: Iterable[str] = (),
        resistive: Mapping[str, float] | None = None,
        seed: int = 0,
    ) -> None:
        self.chip = chips()[circuit.board.chip]
        lines = {line.pin for line in circuit.line_file.values()}
        others = tuple(port for port in self.chip.ports if port not in lines)
        self.circuit = Circuit(circuit.board, extra_pins=others)
        self.faults = tuple(sorted(faults))
        self.cold = tuple(cold)
        self._ohm = {f.at[0]: COLD_OHM for f in self.faults if f.kind == "resistive-joint"}
        self._ohm |= resistive or {}
        self._rise_ns: tuple[int, ...] = ()
        self._changes = [c for fault in self.faults for c in changes(self.circuit, fault)]
        self._seed = seed
        self._random = Random(seed)
        worn = frozenset(worn)
        self._character = {
            key: Character(self._random, worn=key in worn) for key in self.circuit.keys
        }
        self._todo: list[tuple[int, int, str, str, bool, int]] = []
        self._count = count()
        self._turn = dict.fromkeys(self.circuit.keys, 0)  # outdates the chatter of earlier turns
        self.held: set[str] = set()  # by a finger
        self.closed: frozenset[str] = frozenset()  # contacts, at this moment
        self._open: frozenset[str] = frozenset()  # cold joints that have let go
        self._known: dict[tuple[frozenset[str], frozenset[str]], Reading] = {}

    # --- fingers and time ---

    def press(self, key: str, t_us: int) -> None:
        """A finger goes down at `t_us`. UsageError if there is no such key."""
        self._check(key)
        self._plan(t_us, "finger", key, True)

    def release(self, key: str, t_us: int) -> None:
        """The finger goes up again."""
        self._check(key)
        self._plan(t_us, "finger", key, False)

    @property
    def next_us(self) -> int | None:
        """When something will change next."""
        return self._todo[0][0] if self._todo else None

    def advance(self, t_us: int) -> bool:
        """Let everything happen that is due until `t_us`; true if a contact or joint changed."""
        changed = False
        while self._todo and self._todo[0][0] <= t_us:
            at_us, _, what, name, on, turn = heapq.heappop(self._todo)
            if what == "finger":
                self._move(name, at_us, on)
            elif what == "contact" and turn == self._turn[name]:
                self.closed = self.closed | {name} if on else self.closed - {name}
                changed = True
            elif what == "joint":
                self._flex(name, at_us, on)
                changed = True
        return changed

    def _move(self, key: str, t_us: int, down: bool) -> None:
        if down == (key in self.held):
            return
        self._turn[key] += 1
        character = self._character[key]
        if down:
            if not self.held:
                for address in self.cold:
                    self._plan(t_us + holds_us(self._random), "joint", address, False)
            self.held.add(key)
            length_us = character.closing_us(self._random)
        else:
            self.held.discard(key)
            length_us = character.opening_us(self._random)
        for at_us, on in chatter(self._random, t_us, length_us, down):
            self._plan(at_us, "contact", key, on, self._turn[key])

    def _flex(self, address: str, t_us: int, conducts: bool) -> None:
        if conducts:
            self._open = self._open - {address}
            if self.held:
                self._plan(t_us + holds_us(self._random), "joint", address, False)
        elif self.held:
            self._open = self._open | {address}
            self._plan(t_us + lets_go_us(self._random), "joint", address, True)

    def _plan(self, t_us: int, what: str, name: str, on: bool, turn: int = 0) -> None:
        heapq.heappush(self._todo, (t_us, next(self._count), what, name, on, turn))

    def _check(self, key: str) -> None:
        if key not in self._turn:
            raise UsageError(f"{key}: no such key on {self.circuit.board.name}")

    # --- what conducts ---

    def reading(self) -> Reading:
        """What all pins of the chip read at this moment, by index in `self.circuit.pins`."""
        state = self.closed, self._open
        reading = self._known.get(state)
        if reading is None:
            p = self._wiring().predict(self.closed)
            low = tuple(
                self._decide(i, mask, unknown)
                for i, (mask, unknown) in enumerate(zip(p.low, p.unknown, strict=True))
            )
            reading = Reading(self._decide(REST_DRIVE, p.rest, p.rest_unknown), low)
            self._known[state] = reading
        return reading

    def _wiring(self) -> Wiring:
        cuts = [Change("cut", address) for address in sorted(self._open)]
        return Wiring(self.circuit, [*self._changes, *cuts])

    def _decide(self, drive: int, mask: int, unknown: int) -> int:
        """This half's own answer where the datasheets leave a bit open; always the same one."""
        mask &= ~unknown
        for sense in range(unknown.bit_length()):
            if unknown >> sense & 1 and Random(f"{self._seed}/{drive}/{sense}").random() < 0.5:
                mask |= 1 << sense
        return mask

    def level_mv(self, drive: str, sense: str) -> int:
        """The level at port `sense` while `drive` is driven low, in millivolts, roughly: open, a
        wire, or one or two diodes; and what drops over resistive joints."""
        i, j = self.circuit.index_of_port[drive], self.circuit.index_of_port[sense]
        reading = self.reading()
        supply_mv = round(self.chip.supply_v * 1000)
        noise = self._random.randint(-NOISE_MV, NOISE_MV)
        if reading.rest >> j & 1:
            return max(0, WIRE_MV + noise)
        wiring = self._wiring()
        path = wiring.meter(Point("pin", sense), Point("pin", drive), self.closed)
        one_mv, two_mv, pull_up = DIODE_MV.get(self.chip.supply_v, DIODE_MV[5.0])
        if path == "closed":
            bare_mv = WIRE_MV
        elif path == "diode":
            bare_mv = one_mv
        elif wiring.predict(self.closed).unknown[i] >> j & 1:
            bare_mv = two_mv  # what nothing guarantees leads through two diodes
        else:
            return supply_mv + min(0, noise)
        ohm = self._ohm_between(i, j)
        level = bare_mv + (supply_mv - bare_mv) * ohm / (ohm + pull_up)
        return max(0, round(level) + noise)

    def rise_ns(self) -> tuple[int, ...]:
        """How long each pin of the circuit takes to rise with nothing held, in nanoseconds: longer
        the more keys its wire reaches; 0 where it is tied to ground or to the supply."""
        if not self._rise_ns:
            circuit, wiring = self.circuit, Wiring(self.circuit, self._changes)
            rest = wiring.predict(()).as_reading()
            spots = [Point("line", name, k) for name, keys in circuit.keys_on.items() for k in keys]
            found = []
            for n, port in enumerate(circuit.pins):
                pin = Point("pin", port)
                reached = sum(wiring.meter(pin, spot, ()) == "closed" for spot in spots)
                steps = -(-(PAD_PF + KEY_PF * reached) * RISE_NS_PER_PF // STEP_NS)
                stuck = rest.rest >> n & 1 or not rest.low[n] >> n & 1
                found.append(0 if stuck else round(steps) * STEP_NS)
            self._rise_ns = tuple(found)
        return self._rise_ns

    def _ohm_between(self, i: int, j: int) -> float:
        """The resistance of all joints that the current of a closed key between these pins
        passes, in ohms."""
        found = 0.0
        for key in self.closed:
            row, column = self.circuit.crossing[key]
            if {row, column} != {i, j}:
                continue
            lines = self.circuit.row_of[key], self.circuit.column_of[key]
            leads = [self.circuit.leads[line] for line in lines]
            for place, ohm in self._ohm.items():
                stretch = self.circuit.stretches.get(place)
                beyond = stretch.beyond if stretch is not None else ()
                if key in beyond or place in leads or place in self.circuit.parts[key].in_series:
                    found += ohm
        return found
