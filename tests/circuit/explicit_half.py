"""A half drawn out in full, by other means: every wire, joint, switch and diode is an edge.

Here: a second, independent answer to "which pin reads low while which is driven", from the board
file's text and the plain meaning of each fault.  It uses networkx (components, shortest paths,
descendants) and nothing of keydiag's circuit, wiring or changes; of keydiag it borrows only the
two shapes, `Fault` and `Prediction`, in which question and answer are put.

What is computed, per driven pin (common practice, no source, save where named):

- every edge conducts both ways at no cost, but a diode, which conducts anode to cathode for one
  drop; the fewest drops from a sensing pin to the driven one, or to ground, decide: none or one =
  low, two or more = unknown (datasheet limits; see test_against_ngspice), no way = high;
- what is soldered to the supply reads high and lets nobody be pulled low through it;
- a place that the supply feeds through diodes and that a pin or ground pulls down is fought over:
  all that leans on it is unknown;
- a dead pin reads high and pulls nothing; its own read-back is unknown, for the trouble may be on
  either side of its driver.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from itertools import combinations
from pathlib import Path

import networkx as nx

from keydiag.circuit import Prediction
from keydiag.faults import Fault

SMALL = Path(__file__).with_name("two-by-three.toml").read_text("utf-8")


def small_text(cathode_at: str = "row", diode_side: str = "row", style: str = "chain") -> str:
    """The board file of the small half, told otherwise."""
    return (
        SMALL.replace('cathode_at = "row"', f'cathode_at = "{cathode_at}"')
        .replace('diode_side = "row"', f'diode_side = "{diode_side}"')
        .replace('style = "chain"', f'style = "{style}"')
    )


class ExplicitHalf:
    """The half of one board file as a graph; `read` answers for any faults and held keys."""

    def __init__(self, text: str, extra_pins: tuple[str, ...] = ()) -> None:
        data = tomllib.loads(text)
        self.cathode_at_row = data["cathode_at"] == "row"
        self.diode_at_row = data["diode_side"] == "row"
        self.keys = list(data["key"])
        self.port_of: dict[str, str] = {}
        self.steps: dict[str, list[tuple[str | None, str]]] = {}
        self.row_of: dict[str, str] = {}
        self.column_of: dict[str, str] = {}
        for side, line_of in (("row", self.row_of), ("column", self.column_of)):
            for name, line in data[side].items():
                wire = f"{side} {name}"
                self.port_of[wire] = line["pin"]
                self.steps[wire] = list(_steps(line["path"], None))
                line_of.update((key, wire) for _, key in self.steps[wire])
        self.lines = list(self.port_of)
        self.ports = [*self.port_of.values(), *extra_pins]
        # The names of the joints, from the column wire to the row wire.
        self.names = ("switch", "diode") if self.diode_at_row else ("diode", "switch")

    def joints(self, key: str) -> tuple[str, str, str]:
        """Addresses of the joint at the column, in the middle, and at the row."""
        upper, lower = self.names
        return (
            f"{key} switch-column joint" if upper == "switch" else f"{key} column-diode joint",
            f"{key} {upper}-{lower} joint",
            f"{key} diode-row joint" if lower == "diode" else f"{key} switch-row joint",
        )

    def read(self, faults: Iterable[Fault], held: Iterable[str]) -> Prediction:
        """What every pin reads, at rest and with each pin driven low."""
        faults = sorted(set(faults))
        graph = self.draw(faults, held)
        dead = {f.at[0].removeprefix("pin ") for f in faults if f.kind == "dead-pin"}
        supplied = self.nets(graph)["supply"]
        fought = nx.descendants(graph, "supply") - supplied
        calm = graph.subgraph(set(graph) - supplied).reverse(copy=False)
        listening = [p for p in self.ports if p not in dead and ("pin", p) not in supplied]

        def answer(driven: str | None) -> tuple[int, int]:
            low = unknown = 0
            targets: list[object] = ["ground"]
            if driven in listening:
                targets.append(("pin", driven))
            drops = {
                target: nx.single_source_dijkstra_path_length(calm, target, weight="drops")
                for target in targets
                if target in calm
            }
            for port in listening:
                says = set()
                for target, reach in drops.items():
                    if ("pin", port) in reach:
                        sure = reach["pin", port] <= 1 and target not in fought
                        says.add("low" if sure else "unknown")
                bit = 1 << self.ports.index(port)
                if "low" in says:
                    low |= bit
                elif "unknown" in says:
                    unknown |= bit
            if driven in dead:
                unknown |= 1 << self.ports.index(driven)
            return low, unknown

        rest, rest_unknown = answer(None)
        answers = [answer(port) for port in self.ports]
        low, unknown = zip(*answers, strict=True)
        return Prediction(rest, low, rest_unknown, unknown)

    def meter(
        self, faults: Iterable[Fault], held: Iterable[str], red: object, black: object
    ) -> str:
        """What a meter between two places shows: closed, diode (red on the anode side) or open.
        Two diodes in series, above 1 V on the diode range, count as open."""
        graph = self.draw(sorted(set(faults)), held)
        nets = self.nets(graph)
        if nets[red] == nets[black]:
            return "closed"
        for anode, cathode, drops in graph.edges(data="drops"):
            if drops and (nets[anode], nets[cathode]) == (nets[red], nets[black]):
                return "diode"
        return "open"

    def places(self) -> dict[tuple[str, str, str], object]:
        """(sort, name, key) of every spot a meter can touch -> that place of the graph."""
        out: dict[tuple[str, str, str], object] = {
            ("pin", port, ""): ("pin", port) for port in self.ports
        }
        for line, steps in self.steps.items():
            out.update((("line", line, key), ("spot", line, key)) for _, key in steps)
        for key in self.keys:
            out.update(((str(i), "", key), each) for i, each in enumerate(self._points(key)))
        return out

    @staticmethod
    def nets(graph: nx.DiGraph) -> dict[object, frozenset[object]]:
        """Place -> all places joined to it without a diode between."""
        bare = nx.Graph()
        bare.add_nodes_from(graph)
        bare.add_edges_from((a, b) for a, b, drops in graph.edges(data="drops") if drops == 0)
        return {
            place: frozenset(net) for net in nx.connected_components(bare) for place in net
        }

    def draw(self, faults: list[Fault], held: Iterable[str]) -> nx.DiGraph:
        """The whole half as a directed graph; edges carry `drops`, the diodes on them (0 or 1)."""
        graph = nx.DiGraph()
        graph.add_nodes_from(["ground", "supply"])
        graph.add_nodes_from(self.places().values())
        gone = {f.at[0] for f in faults if f.kind in _OPENS}
        shorted = {f.at[0] for f in faults if f.kind in ("stuck-switch", "shorted-diode")}
        moved = {f.at[0]: f.at[1] for f in faults if f.kind == "miswired-key"}

        def wire(a: object, b: object, address: str = "") -> None:
            if address not in gone:
                graph.add_edge(a, b, drops=0)
                graph.add_edge(b, a, drops=0)

        where = self._leads(faults)
        for line, steps in self.steps.items():
            wire(("pin", where[line]), ("end", line), f"{line} lead")
            for parent, key in steps:
                if parent is None:
                    wire(("end", line), ("spot", line, key))
                else:
                    address = f"{line} between {parent} and {key}"
                    wire(("spot", line, parent), ("spot", line, key), address)

        closes = self._closed(faults, held)
        turned = {f.at[0] for f in faults if f.kind == "reversed-diode"}
        all_turned = any(f.kind == "wrong-cathode-at" for f in faults)
        for key in self.keys:
            at_column, middle, at_row = self.joints(key)
            points = self._points(key)
            wire(self._spot(moved.get(at_column, self.column_of[key]), key), points[0], at_column)
            wire(points[1], points[2], middle)
            wire(points[3], self._spot(moved.get(at_row, self.row_of[key]), key), at_row)
            for part, above, below in zip(self.names, points[::2], points[1::2], strict=True):
                address = f"{key} {part}"
                if address in shorted or (part == "switch" and key in closes):
                    wire(above, below, address)
                elif part == "diode" and address not in gone:
                    down = self.cathode_at_row ^ (address in turned) ^ all_turned
                    graph.add_edge(*((above, below) if down else (below, above)), drops=1)

        for kind, at in faults:
            if kind == "bridge":
                wire(self._net(at[0]), self._net(at[1]))
            elif kind in ("line-to-ground", "line-to-supply"):
                wire(self._net(at[0]), kind.removeprefix("line-to-"))
        return graph

    def _leads(self, faults: list[Fault]) -> dict[str, str]:
        """Line -> the port its lead is soldered to, after every mix-up in turn."""
        where = dict(self.port_of)
        for kind, at in faults:
            lines = [place.removesuffix(" lead") for place in at]
            if kind == "misplaced-lead":
                where[lines[0]] = at[1].removeprefix("pin ")
            elif kind == "swapped-leads":
                where[lines[0]], where[lines[1]] = where[lines[1]], where[lines[0]]
        return where

    def _closed(self, faults: list[Fault], held: Iterable[str]) -> set[str]:
        """The keys whose switches are closed while these are held."""
        closes = {key: key for key in self.keys}
        for kind, at in faults:
            if kind == "swapped-keys":
                closes[at[0]], closes[at[1]] = closes[at[1]], closes[at[0]]
        return {closes[key] for key in held}

    def _points(self, key: str) -> list[tuple[str, str, str]]:
        """The four legs of the key's two parts, column side first."""
        upper, lower = self.names
        return [(upper, "above", key), (upper, "below", key), (lower, "above", key),
                (lower, "below", key)]  # fmt: skip

    def _spot(self, line: str, key: str) -> tuple[str, ...]:
        """Where a key's leg meets a line: its own spot, or, on a foreign line, the lead's end."""
        on_it = any(key == each for _, each in self.steps[line])
        return ("spot", line, key) if on_it else ("end", line)

    def _net(self, net: str) -> tuple[str, ...]:
        """Where a bridge touches: a line at its lead's far end, a key's node at the switch leg."""
        if net.endswith(" node"):
            return ("switch", "below" if self.diode_at_row else "above", net.removesuffix(" node"))
        return ("end", net)

    def every_fault(self, free_ports: tuple[str, ...]) -> dict[str, list[Fault]]:
        """Kind -> every place it can be at, near or far, likely or not."""
        out: dict[str, list[Fault]] = {}

        def add(kind: str, *at: str) -> None:
            out.setdefault(kind, []).append(Fault(kind, at))

        nets = self.lines + [f"{key} node" for key in self.keys]
        for one, two in combinations(nets, 2):
            add("bridge", one, two)
        for one, two in combinations(self.lines, 2):
            add("swapped-leads", f"{one} lead", f"{two} lead")
        for one, two in combinations(self.keys, 2):
            add("swapped-keys", one, two)
        for line in self.lines:
            add("open-lead", f"{line} lead")
            add("line-to-ground", line)
            add("line-to-supply", line)
            add("dead-pin", f"pin {self.port_of[line]}")
            for port in {*self.ports, *free_ports} - {self.port_of[line]}:
                add("misplaced-lead", f"{line} lead", f"pin {port}")
            for parent, key in self.steps[line]:
                if parent is not None:
                    add("broken-stretch", f"{line} between {parent} and {key}")
        for key in self.keys:
            for joint in self.joints(key):
                add("open-joint", joint)
                add("resistive-joint", joint)
            ends = (self.column_of[key], self.row_of[key])
            for joint, own in zip(self.joints(key)[::2], ends, strict=True):
                for line in self.lines:
                    if line != own:
                        add("miswired-key", joint, line)
            add("dead-switch", f"{key} switch")
            add("stuck-switch", f"{key} switch")
            for kind in ("open-diode", "reversed-diode", "shorted-diode"):
                add(kind, f"{key} diode")
        add("wrong-cathode-at")
        return {kind: sorted(faults) for kind, faults in sorted(out.items())}


_OPENS = {"open-joint", "dead-switch", "open-diode", "open-lead", "broken-stretch"}


def contradictory(faults: Iterable[Fault]) -> bool:
    """True if two faults say things of one place that cannot both be so: a lead on two wrong pins,
    a joint on two wrong lines, a part both open and shorted."""
    said: dict[tuple[str, str], set[Fault]] = {}
    groups = {"misplaced-lead": "moved", "miswired-key": "moved", "dead-switch": "part",
              "stuck-switch": "part", "open-diode": "part", "shorted-diode": "part"}  # fmt: skip
    for fault in faults:
        if fault.kind in groups:
            said.setdefault((groups[fault.kind], fault.at[0]), set()).add(fault)
    return any(len(each) > 1 for each in said.values())


def _steps(path: list[object], parent: str | None) -> Iterator[tuple[str | None, str]]:
    for item in path:
        if isinstance(item, list):
            yield from _steps(item, parent)
        else:
            yield parent, str(item)
            parent = str(item)
