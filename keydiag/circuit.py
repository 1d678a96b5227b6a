"""The half as an electrical circuit: board -> lines, joints, parts; conduction -> reading.

Here: the addresses of everything solderable, and which pin reads low while another is driven, for
any set of electrical changes and any keys held.  Not here: what the changes are called and how
likely they are (`faults`), or anything that measures.

Conduction rule: a pulled-up sensing pin reads low while another pin is driven low if a path leads
from the sensing pin to the driven one.  Wires and closed switches conduct both ways, a diode from
anode to cathode only.  A path with one diode drop reads low with margin under every guaranteed
input threshold; one that needs two or more lies between the guaranteed limits (1N4148 on a
20-50 kOhm pull-up: 0.49-0.54 V for one, 0.97-1.06 V for two, against VIL max 0.9 V for the
ATmega32U4 at 5 V) and is therefore *unknown*, never evidence.

Rails: a net tied to the supply reads high and cannot be driven.  Where the supply also feeds a
driven or grounded net through diodes (a line shorted to the supply, a key held), the pin's sink and
the supply share the voltage in a way no datasheet promises: whatever leans on that net is unknown.
A net tied to ground and supply at once would leave the probe without power; it is read as tied to
the supply.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from keydiag.board import Board, crossing, walk

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


@dataclass(frozen=True, slots=True)
class KeyParts:
    """Addresses along one key, from the column wire to the row wire."""

    column_joint: str
    first: str
    middle_joint: str
    second: str
    row_joint: str
    node: str

    @property
    def in_series(self) -> tuple[str, str, str, str, str]:
        """Everything the current passes on its way through the key, column side first."""
        return (self.column_joint, self.first, self.middle_joint, self.second, self.row_joint)


@dataclass(frozen=True, slots=True)
class Stretch:
    """One piece of wire between two neighbouring keys of a line's path."""

    address: str
    line: str
    near: str  # the key on the lead's side
    far: str
    beyond: frozenset[str]  # keys cut off from the pin when this stretch is open


class _Fields(dict[int, int]):
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


class Circuit:
    """A board as nets and parts.  Immutable after construction; pin index = line index.

    Pins are ordered rows (file order), columns (file order), then `extra_pins`, ports without a
    line that are watched for misplaced leads.
    """

    def __init__(self, board: Board, extra_pins: tuple[str, ...] = ()) -> None:
        self.board = board
        self.rows = tuple(board.row)
        self.columns = tuple(board.column)
        self.line_names = tuple(f"row {r}" for r in self.rows) + tuple(
            f"column {c}" for c in self.columns
        )
        files = {f"row {n}": line for n, line in board.row.items()}
        files |= {f"column {n}": line for n, line in board.column.items()}
        self.line_file = files
        self.pins = tuple(line.pin for line in files.values()) + tuple(extra_pins)
        self.keys = tuple(board.key)
        self.fields = _Fields(len(self.pins))
        self.pin_of_line = {name: i for i, name in enumerate(self.line_names)}
        self.index_of_port = {port: i for i, port in enumerate(self.pins)}
        self.row_of: dict[str, str] = {}
        self.column_of: dict[str, str] = {}
        self.crossing: dict[str, tuple[int, int]] = {}
        self.forward: dict[str, tuple[int, int]] = {}
        for key in self.keys:
            row, column = crossing(board, key)
            self.row_of[key], self.column_of[key] = f"row {row}", f"column {column}"
            r, c = self.pin_of_line[f"row {row}"], self.pin_of_line[f"column {column}"]
            self.crossing[key] = (r, c)
            self.forward[key] = (r, c) if board.cathode_at == "row" else (c, r)
        self.key_at = {pair: key for key, pair in self.crossing.items()}
        self.parts = {key: _key_parts(key, board.diode_side) for key in self.keys}
        self.cathode_at_row = board.cathode_at == "row"
        self.leads = {name: f"{name} lead" for name in self.line_names}
        self.line_of_piece = {lead: name for name, lead in self.leads.items()}
        self.stretches: dict[str, Stretch] = {}
        self.keys_on: dict[str, tuple[str, ...]] = {}
        self.steps: dict[str, tuple[tuple[str | None, str, str], ...]] = {}
        for name, line in files.items():
            self._add_line(name, list(walk(line.path)))

    def _add_line(self, name: str, pairs: list[tuple[str | None, str]]) -> None:
        children: dict[str | None, list[str]] = {}
        for parent, key in pairs:
            children.setdefault(parent, []).append(key)
        steps: list[tuple[str | None, str, str]] = []
        for parent, key in pairs:
            if parent is None:
                steps.append((None, key, self.leads[name]))
                continue
            beyond, todo = set(), [key]
            while todo:
                here = todo.pop()
                beyond.add(here)
                todo.extend(children.get(here, ()))
            address = f"{name} between {parent} and {key}"
            self.stretches[address] = Stretch(address, name, parent, key, frozenset(beyond))
            self.line_of_piece[address] = name
            steps.append((parent, key, address))
        self.steps[name] = tuple(steps)
        self.keys_on[name] = tuple(key for _, key in pairs)

    @property
    def healthy_rest(self) -> Reading:
        """The reading of a faultless half with nothing held: every pin reads only itself."""
        return Reading(0, tuple(1 << i for i in range(len(self.pins))))

    def wired(self, changes: Iterable[Change], expand: Iterable[str] = ()) -> Wiring:
        """The circuit under these changes, ready to be asked for readings; `expand` names keys
        whose inner points a meter is to touch."""
        return Wiring(self, changes, expand)


class Wiring:
    """A circuit under a fixed set of changes; `predict` and `packed` answer for any keys held.

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
        self._nets = _Nets(circuit.fields)
        for a, b in links:
            self._rails |= a in (GROUND, SUPPLY) or b in (GROUND, SUPPLY)
            self._nets.unite(self._net(a), self._net(b))
        self._diodes: list[tuple[int, int]] = []
        for key in self._always:
            diode = self._conduct(key, False, self._nets)
            if diode is not None:
                self._diodes.append(diode)

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

    def _conduct(self, key: str, held: bool, nets: _Nets) -> tuple[int, int] | None:
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
        start, end = nets.find(self._point(red)), nets.find(self._point(black))
        if start == end:
            return "closed"
        if (start, end) in {(nets.find(anode), nets.find(cathode)) for anode, cathode in diodes}:
            return "diode"
        return "open"

    def _point(self, point: Point) -> int:
        if point.place == "pin":
            return self.circuit.index_of_port[point.name]
        if point.place == "line":
            return self._line_end(point.name, point.key)
        return self._inner[point.key] + int(point.place)

    def _read(self, nets: _Nets, diodes: set[tuple[int, int]]) -> tuple[int, int]:
        """The packed reading of these nets, joined by these diodes (anode, cathode)."""
        members, fields = nets.members, self.circuit.fields
        supply = nets.find(self._supply)
        doubt = 0
        if _chained(diodes) or self._rails and any(supply in diode for diode in diodes):
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

    def _read_in_full(self, nets: _Nets, pairs: set[tuple[int, int]]) -> tuple[int, int]:
        """Like `_read`, for diodes from the supply and paths of several diodes."""
        members, fields = nets.members, self.circuit.fields
        ground, supply = nets.find(self._ground), nets.find(self._supply)
        diodes = list(pairs)
        fed: set[int] = set()
        if any(supply in diode for diode in diodes):
            fed = _fed_from(supply, diodes)
            # What is tied to the supply stays high, so nothing is pulled low through it.
            diodes = [diode for diode in diodes if supply not in diode]
        one, more = _sensing(members, diodes)

        def pulled(node: int) -> tuple[int, int]:
            """Masks of pins read low, and pins in doubt, while `node` is at ground level."""
            sure = members.get(node, 0) | one.get(node, 0)
            doubt = more.get(node, 0) & ~sure
            # The supply feeds this net while it is pulled down: nobody can say who wins.
            return (0, sure | doubt) if node in fed else (sure, doubt)

        rest, rest_doubt = pulled(ground)
        bits, doubt = rest * fields[-1], rest_doubt * fields[-1]
        for node, pins in members.items():
            driving = pins & ~self._dead
            if node != supply and driving:
                sure, unsure = pulled(node)
                driven = fields[driving]
                bits |= sure * driven
                doubt |= unsure * driven
        hidden = members.get(supply, 0) * fields[-1]  # held high by the supply
        return bits & ~hidden, doubt & ~bits & ~hidden


class _Nets:
    """Nodes joined into nets, each with the mask of its pins and what all of them read."""

    __slots__ = ("_fields", "_name", "members", "bits")

    def __init__(self, fields: _Fields) -> None:
        self._fields = fields
        self._name: dict[int, int] = {}
        self.members = {pin: 1 << pin for pin in range(fields.width)}
        # Packed reading of the wires alone: pins of one net read low while any of them is driven.
        self.bits = fields.own

    def copy(self) -> _Nets:
        other = object.__new__(_Nets)
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


def _key_parts(key: str, diode_side: str) -> KeyParts:
    if diode_side == "row":
        first, second = "switch", "diode"
    else:
        first, second = "diode", "switch"
    return KeyParts(
        f"{key} {first}-column joint" if first == "switch" else f"{key} column-{first} joint",
        f"{key} {first}",
        f"{key} {first}-{second} joint",
        f"{key} {second}",
        f"{key} {second}-row joint",
        f"{key} node",
    )


def _chained(diodes: set[tuple[int, int]]) -> bool:
    """True if one diode's cathode is another's anode."""
    if len(diodes) < 2:
        return False
    cathodes = {cathode for anode, cathode in diodes if anode != cathode}
    return any(anode in cathodes for anode, cathode in diodes if anode != cathode)


def _fed_from(supply: int, diodes: list[tuple[int, int]]) -> set[int]:
    """The nets into which the supply drives current through one or more diodes."""
    fed: set[int] = set()
    edge = {supply}
    while edge:
        edge = {cathode for anode, cathode in diodes if anode in edge} - fed - {supply}
        fed |= edge
    return fed


def _sensing(
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
