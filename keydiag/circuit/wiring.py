"""A circuit under a fixed set of changes, and its readings with any keys held."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from keydiag.circuit.half import Circuit
from keydiag.circuit.nets import Nets, chained, fed_from, sensing
from keydiag.circuit.values import GROUND, SUPPLY, Change, Point, Prediction


class Wiring:
    """A circuit under a fixed set of changes; `predict` and `packed` answer for any keys held.
    `expand` names keys whose inner points a meter is to touch.

    Nodes are integers: 0..P-1 the pins, then pieces of line cut off from their pin, then four nodes
    per touched key, ground and supply.  Only keys that a change touches are expanded into their
    joints; any other closed key is one diode between its two lines.

    Joining nets only ever adds, so what conducts at rest is worked out once and each question
    starts from it.
    """

    __slots__ = (
        "circuit", "_cut", "_join", "_flip", "_press", "_rewired", "_dead", "_tap", "_touched",
        "_always", "_nodes", "_ground", "_supply", "_root", "_inner", "_rails", "_nets", "_diodes",
    )  # fmt: skip

    def __init__(
        self, circuit: Circuit, changes: Iterable[Change], expand: Iterable[str] = ()
    ) -> None:
        self.circuit = circuit
        self._cut: set[str] = set()
        self._join: set[str] = set()
        self._flip: set[str] = set()
        self._press: dict[str, str] = {}
        self._rewired: dict[str, str] = {}
        self._dead = 0
        links: list[tuple[str, str]] = []
        moved: dict[str, str] = {}
        for op, a, b in changes:
            if op == "cut":
                self._cut.add(a)
            elif op == "join":
                self._join.add(a)
            elif op == "flip":
                # Two reversals put the band right again.
                self._flip ^= set(circuit.keys) if a == "*" else {a}
            elif op == "link":
                links.append((a, b))
            elif op == "lead":
                moved[a] = b
            elif op == "exchange":
                at_a = moved.get(a, circuit.line_file[a].pin)
                moved[a], moved[b] = moved.get(b, circuit.line_file[b].pin), at_a
            elif op == "rewire":
                self._rewired[a] = b
            elif op == "press":
                self._press[a], self._press[b] = self._press.get(b, b), self._press.get(a, a)
            elif op == "dead":
                self._dead |= 1 << circuit.index_of_port[a]
            else:
                raise ValueError(f"unknown change {op!r}")
        pins = len(circuit.pins)
        self._ground, self._supply = pins, pins + 1
        self._nodes = pins + 2
        self._tap: dict[str, dict[str, int]] = {}
        self._root = list(range(len(circuit.line_names)))
        self._touched: set[str] = set(expand)
        changed = set(moved)
        for address in self._cut | self._join:
            line = circuit.line_of_piece.get(address)
            if line is None:
                self._touched.add(address.split(" ", 1)[0])
            else:
                changed.add(line)
        for name in changed:
            self._lay_line(name, moved)
        # Only a switch that is closed for good conducts unheld; a bypassed diode waits for its key.
        self._always = {address[:-7] for address in self._join if address.endswith(" switch")}
        for pair in links:
            for net in pair:
                if net.endswith(" node"):
                    self._touched.add(net[:-5])
                    self._always.add(net[:-5])
        self._inner: dict[str, int] = {}
        for key in self._touched:
            self._inner[key] = self._nodes
            self._nodes += 4
        self._rails = False
        self._nets = Nets(circuit.fields)
        for a, b in links:
            self._rails |= a in (GROUND, SUPPLY) or b in (GROUND, SUPPLY)
            self._nets.unite(self._net(a), self._net(b))
        self._diodes: list[tuple[int, int]] = []
        for key in self._always:
            diode = self._conduct(key, False, self._nets)
            if diode is not None:
                self._diodes.append(diode)

    def with_one_more(self, changes: Sequence[Change]) -> Wiring | None:
        """The wiring with one more change, sharing what stays the same: much cheaper than from the
        beginning.  None where it cannot be had so: a line to be laid anew, or a key that conducts
        already."""
        if len(changes) != 1:
            return None
        op, a, b = changes[0]
        keys: list[str] = []
        if op == "link":
            keys = [net[:-5] for net in (a, b) if net.endswith(" node")]
        elif op in ("cut", "join") and a not in self.circuit.line_of_piece:
            keys = [a.split(" ", 1)[0]]
            if keys[0] in self._always:
                return None
        elif op != "flip" or a == "*" or a in self._always:
            return None
        other = self._shared()
        if not self._touched.issuperset(keys):
            other._touched = self._touched.union(keys)
            other._inner = self._inner.copy()
            for key in keys:
                if key not in other._inner:
                    other._inner[key] = other._nodes
                    other._nodes += 4
        if op == "flip":
            other._flip = self._flip ^ {a}
            return other
        if op == "cut":
            other._cut = self._cut | {a}
            return other
        if op == "join":
            other._join = self._join | {a}
            if not a.endswith(" switch"):
                return other
        other._nets = self._nets.copy()
        if op == "link":
            other._rails = self._rails or a in (GROUND, SUPPLY) or b in (GROUND, SUPPLY)
            other._nets.unite(other._net(a), other._net(b))
        conducting = [key for key in dict.fromkeys(keys) if key not in self._always]
        if conducting:
            other._always = self._always.union(conducting)
            diodes = [other._conduct(key, False, other._nets) for key in conducting]
            other._diodes = self._diodes + [diode for diode in diodes if diode is not None]
        return other

    def _shared(self) -> Wiring:
        """Another wiring that has everything in common with this one."""
        other: Wiring = object.__new__(Wiring)
        other.circuit = self.circuit
        other._cut, other._join, other._flip = self._cut, self._join, self._flip
        other._press, other._rewired, other._dead = self._press, self._rewired, self._dead
        other._tap, other._root, other._inner = self._tap, self._root, self._inner
        other._touched, other._always, other._diodes = self._touched, self._always, self._diodes
        other._ground, other._supply, other._rails = self._ground, self._supply, self._rails
        other._nodes, other._nets = self._nodes, self._nets
        return other

    def _fresh(self) -> int:
        self._nodes += 1
        return self._nodes - 1

    def _lay_line(self, name: str, moved: dict[str, str]) -> None:
        """Give this line's root (the piece its lead reaches) and every key's tap on it a node."""
        circuit = self.circuit
        pin: int | None = circuit.pin_of_line[name]
        if name in moved:
            pin = circuit.index_of_port.get(moved[name])  # a pin nobody watches: None
        if pin is None or circuit.leads[name] in self._cut:
            pin = self._fresh()
        steps = circuit.steps[name]
        if not self._cut.isdisjoint(step[2] for step in steps[1:]):
            tap = {}
            for parent, key, address in steps:
                if parent is None:
                    tap[key] = pin
                else:
                    tap[key] = self._fresh() if address in self._cut else tap[parent]
            self._tap[name] = tap
        self._root[circuit.pin_of_line[name]] = pin

    def _line_end(self, line: str, key: str) -> int:
        """The node of a line where this key is soldered to it."""
        tap = self._tap.get(line)
        if tap is not None and key in tap:
            return tap[key]
        return self._root[self.circuit.pin_of_line[line]]

    def _net(self, net: str) -> int:
        if net == GROUND:
            return self._ground
        if net == SUPPLY:
            return self._supply
        if net.endswith(" node"):
            # With the middle joint open the node is two wires; the bridge is taken to sit on the
            # switch's leg, whichever side that is.
            key = net[:-5]
            switch_first = self.circuit.parts[key].first.endswith(" switch")
            return self._inner[key] + (1 if switch_first else 2)
        # A bridge between lines is taken to sit on the piece that reaches the pin.
        return self._root[self.circuit.pin_of_line[net]]

    def _conduct(self, key: str, held: bool, nets: Nets) -> tuple[int, int] | None:
        """Unite this touched key's wires; return its diode as (anode, cathode), if it has one."""
        circuit, parts = self.circuit, self.circuit.parts[key]
        base = self._inner[key]
        column, row = self._ends(key)
        cut, join = self._cut, self._join
        if parts.column_joint not in cut:
            nets.unite(column, base)
        if parts.middle_joint not in cut:
            nets.unite(base + 1, base + 2)
        if parts.row_joint not in cut:
            nets.unite(base + 3, row)
        diode: tuple[int, int] | None = None
        forward_down = circuit.cathode_at_row != (key in self._flip)
        for address, above, below in (
            (parts.first, base, base + 1),
            (parts.second, base + 2, base + 3),
        ):
            if address in cut:
                continue
            if address in join:
                nets.unite(above, below)
            elif address.endswith(" diode"):
                diode = (above, below) if forward_down else (below, above)
            elif held:
                nets.unite(above, below)
        return diode

    def _ends(self, key: str) -> tuple[int, int]:
        circuit, parts = self.circuit, self.circuit.parts[key]
        column_line = self._rewired.get(parts.column_joint, circuit.column_of[key])
        row_line = self._rewired.get(parts.row_joint, circuit.row_of[key])
        return self._line_end(column_line, key), self._line_end(row_line, key)

    def predict(self, held: Iterable[str]) -> Prediction:
        """The guaranteed reading with these keys held, and which of its bits are unknown."""
        bits, doubt = self.packed(held)
        width = len(self.circuit.pins)
        mask = (1 << width) - 1
        sure = [bits >> at & mask for at in range(0, width * (width + 1), width)]
        open_ = [doubt >> at & mask for at in range(0, width * (width + 1), width)]
        return Prediction(sure[0], tuple(sure[1:]), open_[0], tuple(open_[1:]))

    def packed(self, held: Iterable[str]) -> tuple[int, int]:
        """`predict` as two integers, the bits and the unknown bits: pins + 1 fields of `pins` bits,
        field 0 the rest mask, field i + 1 the mask read while pin i is driven."""
        closed = {self._press.get(key, key) for key in held} if self._press else held
        nets = self._nets
        diodes = self._diodes
        if not self._touched.isdisjoint(closed):
            nets, diodes = nets.copy(), diodes[:]
        elif closed:
            diodes = diodes[:]
        down = self.circuit.cathode_at_row
        for key in closed:
            if key in self._touched:
                diode = self._conduct(key, True, nets)
                if diode is not None and key not in self._always:
                    diodes.append(diode)
            else:
                column, row = self._ends(key)
                diodes.append((column, row) if down != (key in self._flip) else (row, column))
        find = nets.find
        return self._read(nets, {(find(anode), find(cathode)) for anode, cathode in diodes})

    def meter(self, red: Point, black: Point, held: Iterable[str]) -> str:
        """What a meter shows between two points of the unpowered half with these keys held:
        "closed" (a wire path), "diode" (one diode, red lead on its anode side) or "open".

        Points inside a key need that key in `expand`.
        """
        return self.meters([(red, black)], held)[0]

    def meters(self, leads: Iterable[tuple[Point, Point]], held: Iterable[str]) -> list[str]:
        """`meter` for several pairs of points (red, black), the same keys being held."""
        closed = {self._press.get(key, key) for key in held}
        nets = self._nets.copy()
        diodes = []
        for key in closed | self._always | self._touched:
            if key in self._touched:
                diode = self._conduct(key, key in closed, nets)
            else:
                column, row = self._ends(key)
                down = self.circuit.cathode_at_row != (key in self._flip)
                diode = (column, row) if down else (row, column)
            if diode is not None:
                diodes.append(diode)
        pairs = {(nets.find(anode), nets.find(cathode)) for anode, cathode in diodes}
        out = []
        for red, black in leads:
            start, end = nets.find(self._point(red)), nets.find(self._point(black))
            shown = "diode" if (start, end) in pairs else "open"
            out.append("closed" if start == end else shown)
        return out

    def _point(self, point: Point) -> int:
        if point.place == "pin":
            return self.circuit.index_of_port[point.name]
        if point.place == "line":
            return self._line_end(point.name, point.key)
        return self._inner[point.key] + int(point.place)

    def _read(self, nets: Nets, diodes: set[tuple[int, int]]) -> tuple[int, int]:
        """The packed reading of these nets, joined by these diodes (anode, cathode)."""
        members, fields = nets.members, self.circuit.fields
        supply = nets.find(self._supply)
        doubt = 0
        if chained(diodes) or self._rails and any(supply in diode for diode in diodes):
            bits, doubt = self._read_in_full(nets, diodes)
        else:
            # Every path is a wire or one diode: each diode lets the pins of its anode's net read
            # low while a pin of its cathode's net is driven.
            bits = nets.bits
            for anode, cathode in diodes:
                if anode in members and cathode in members:
                    bits |= members[anode] * fields[members[cathode]]
            idle = self._dead | members.get(supply, 0)  # pins that pull nothing low when driven
            if idle:
                bits &= ~(fields.every_pin * fields[idle])
            if self._rails:
                ground = nets.find(self._ground)
                rest = members.get(ground, 0)
                for anode, cathode in diodes:
                    if cathode == ground:
                        rest |= members.get(anode, 0)
                bits |= rest * fields[-1]
                bits &= ~(members.get(supply, 0) * fields[-1])
        if self._dead:
            # A dead pin's read-back: the trouble may be on either side of its driver.
            hidden = self._dead * fields[-1]
            own = fields.own & hidden
            bits, doubt = bits & ~hidden, doubt & ~hidden | own
        return bits, doubt

    def _read_in_full(self, nets: Nets, pairs: set[tuple[int, int]]) -> tuple[int, int]:
        """Like `_read`, for diodes from the supply and paths of several diodes."""
        members, fields = nets.members, self.circuit.fields
        ground, supply = nets.find(self._ground), nets.find(self._supply)
        diodes = list(pairs)
        fed: set[int] = set()
        if any(supply in diode for diode in diodes):
            fed = fed_from(supply, diodes)
            # What is tied to the supply stays high, so nothing is pulled low through it.
            diodes = [diode for diode in diodes if supply not in diode]
        one, more = sensing(members, diodes)
        bits, doubt = nets.bits, 0
        for node, pins in one.items():
            if node in members:
                bits |= pins * fields[members[node]]
        for node, pins in more.items():
            if node in members:
                doubt |= pins * fields[members[node]]
        idle = self._dead | members.get(supply, 0)  # pins that pull nothing low when driven
        if idle:
            bits &= ~(fields.every_pin * fields[idle])
            doubt &= ~(fields.every_pin * fields[idle])
        rest, rest_doubt = members.get(ground, 0) | one.get(ground, 0), more.get(ground, 0)
        # The supply feeds these nets while they are pulled down: nobody can say who wins.
        for node in fed:
            against = fields.every_pin * fields[members.get(node, 0)]
            doubt |= bits & against
            bits &= ~against
        if ground in fed:
            rest, rest_doubt = 0, rest | rest_doubt
        bits, doubt = bits | rest * fields[-1], doubt | rest_doubt * fields[-1]
        hidden = members.get(supply, 0) * fields[-1]  # held high by the supply
        return bits & ~hidden, doubt & ~bits & ~hidden
