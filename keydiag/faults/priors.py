"""How likely each fault is before anything was measured, and what its repair costs.

The figures stand in priors.toml, with units and reasons; a user's own copy can replace them.
"""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import NamedTuple

from keydiag.circuit import Circuit
from keydiag.errors import UsageError
from keydiag.faults.catalogue import (
    bridge_is_near,
    enumerate_faults,
    near_keys,
    neighbour_pins,
)
from keydiag.faults.kinds import KINDS, Fault, key_of

Table = dict[str, dict[str, float]]

# A repair was made and the retest still shows the same: how likely it is that it failed, rather
# than that the fault was never there. Own judgement, no source.
REPAIR_FAILS = 0.03


@lru_cache(maxsize=1)
def _built_in() -> Table:
    return tomllib.loads(built_in_text())


def built_in_text() -> str:
    """The table that comes with the tool, as written: with units and reasons."""
    return resources.files("keydiag.faults").joinpath("priors.toml").read_text("utf-8")


def load_table(path: str | Path) -> Table:
    """The built-in table with the figures of a user's file laid over it.

    Raises UsageError naming file, place and mend for an unknown kind or a figure out of range.
    """
    try:
        mine = tomllib.loads(Path(path).read_text("utf-8"))
    except (OSError, ValueError, RecursionError) as error:  # ValueError: not text, not TOML
        raise UsageError(f"{path}: cannot be read as a table of priors: {error}") from None
    return laid_over(mine, str(path))


def laid_over(mine: Mapping[str, object], path: str) -> Table:
    """The built-in table with these figures laid over it; errors as of `load_table`, naming
    `path`."""
    table = built_in_table()
    for kind, figures in mine.items():
        if kind not in table:
            raise UsageError(
                f"{path}: [{kind}]: no such kind of fault; the kinds are {', '.join(table)}"
            )
        if not isinstance(figures, dict):
            raise UsageError(f"{path}: {kind}: must be a table, written [{kind}]")
        for name, value in figures.items():
            _check_figure(path, kind, name, value, table[kind])
            table[kind][name] = float(value)
    return table


def _check_figure(
    path: str | Path, kind: str, name: str, value: object, known: dict[str, float]
) -> None:
    place = f"{path}: {kind}.{name}"
    if name not in known:
        raise UsageError(f"{place}: no such figure; {kind} has {', '.join(known)}")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"{place}: must be a number")
    if name == "cost":
        if not 0 < value < 1000:
            raise UsageError(f"{place}: {value} joints is no cost; give a number above 0")
    elif not 0 < value <= 0.5:
        raise UsageError(f"{place}: {value} is no prior; give a probability above 0, at most 0.5")


def own_figures(table: Table) -> Table:
    """What a table says otherwise than the built-in one; laid over that, it gives the table."""
    built_in = _built_in()
    own = {
        kind: {name: value for name, value in figures.items() if value != built_in[kind][name]}
        for kind, figures in table.items()
    }
    return {kind: figures for kind, figures in own.items() if figures}


class Count(NamedTuple):
    """Faults of one sort that repairs have confirmed, among how many places that could have had
    one (all halves taken together).  seen: 0.5 for a repair that may as well have been another."""

    seen: float
    places: int


Counts = dict[tuple[str, str], Count]  # by kind and figure of the table


def count_repairs(circuit: Circuit, repaired: Mapping[Fault, float]) -> Counts:
    """The counts of one half, signed off after these repairs (each with the probability that it was
    this one): every place of the near catalogue could have had its fault, these had."""
    priors = Priors(circuit)
    seen: dict[tuple[str, str], float] = {}
    for fault, share in repaired.items():
        key = (fault.kind, priors.figure(fault))
        seen[key] = seen.get(key, 0.0) + share
    places = Counter((fault.kind, priors.figure(fault)) for fault in enumerate_faults(circuit))
    return {
        key: Count(seen.get(key, 0.0), max(places[key], math.ceil(seen.get(key, 0.0))))
        for key in places.keys() | seen.keys()
    }


def add_counts(one: Counts, two: Counts) -> Counts:
    """The counts of two lots of halves together."""
    none = Count(0, 0)
    return {
        key: Count(
            one.get(key, none).seen + two.get(key, none).seen,
            one.get(key, none).places + two.get(key, none).places,
        )
        for key in sorted(one.keys() | two.keys())
    }


def learn(table: Table, counts: Counts) -> Table:
    """The table as these counts change it.

    Each figure p is taken as a Beta prior worth one fault seen among 1/p places, so the figure
    becomes (1 + seen) / (1/p + places): a hand that does better or worse than the table needs a
    few halves to say so, and a single half changes little.
    """
    out = {kind: dict(figures) for kind, figures in table.items()}
    for (kind, figure), count in counts.items():
        learned = (1 + count.seen) / (1 / table[kind][figure] + count.places)
        out[kind][figure] = min(0.5, learned)
    return out


def differences(before: Table, after: Table) -> tuple[str, ...]:
    """What learning changed, one line each, for the builder to see before it is used."""
    return tuple(
        f"{kind}.{figure}: {before[kind][figure]:.2g} -> {after[kind][figure]:.2g}"
        for kind in before
        for figure in before[kind]
        if not math.isclose(before[kind][figure], after[kind][figure], rel_tol=0.01)
    )


def write_table(table: Table) -> str:
    """The table as a file that `load_table` reads."""
    parts = []
    for kind, figures in table.items():
        lines = "".join(f"{name} = {value!r}\n" for name, value in figures.items())
        parts.append(f"[{kind}]\n{lines}")
    return "\n".join(parts)


def built_in_table() -> Table:
    """A copy of the figures that come with the tool."""
    return {kind: dict(figures) for kind, figures in _built_in().items()}


class Priors:
    """Prior probability and repair cost of every fault of one circuit."""

    def __init__(self, circuit: Circuit, table: Table | None = None) -> None:
        self.circuit = circuit
        self.table = table if table is not None else _built_in()
        self._near = near_keys(circuit)
        self._neighbours = neighbour_pins(circuit)
        self._known: dict[Fault, float] = {}
        self._tried: dict[Fault, int] = {}
        top = max(p for figures in self.table.values() for n, p in figures.items() if n != "cost")
        self.highest = math.log(top) - math.log1p(-top)  # no fault's log odds are above this

    def probability(self, fault: Fault) -> float:
        """Probability that this fault is present on a first build."""
        figure = self.figure(fault)
        return self.table[fault.kind][figure]

    def log_odds(self, fault: Fault) -> float:
        """ln(p / (1 - p)): what adding this fault to a fault set does to the set's log prior."""
        odds = self._known.get(fault)
        if odds is None:
            p = self.probability(fault)
            odds = math.log(p) - math.log1p(-p)
            odds += self._tried.get(fault, 0) * math.log(REPAIR_FAILS)
            self._known[fault] = odds
        return odds

    @property
    def tried(self) -> Mapping[Fault, int]:
        return self._tried

    def note_tried(self, tried: Mapping[Fault, int]) -> None:
        """These faults were repaired so many times without any effect; replaces what was noted
        before. Only their log odds change, and they only fall."""
        if tried != self._tried:
            self._tried = dict(tried)
            self._known.clear()

    def cost(self, fault: Fault) -> float:
        """Joints touched by the usual repair of this fault."""
        return self.table[fault.kind]["cost"]

    def figure(self, fault: Fault) -> str:
        """Which figure of its kind's table holds for this fault."""
        circuit = self.circuit
        kind, at = fault
        if kind not in KINDS:
            raise ValueError(f"unknown kind of fault {kind!r}")
        if kind == "broken-stretch":
            stretch = circuit.stretches[at[0]]
            line = circuit.line_file[stretch.line]
            ends = {stretch.near, stretch.far}
            if any(ends == set(pair) for pair in line.splice):
                return "splice"
            return "through" if line.style == "through" else "prior"
        if kind == "bridge":
            if not bridge_is_near(circuit, at, self._near):
                return "far"
            nodes = sum(net.endswith(" node") for net in at)
            return ("lines", "prior", "node_to_node")[nodes]
        if kind == "swapped-leads":
            i, j = (circuit.pin_of_line[lead.removesuffix(" lead")] for lead in at)
            if (min(i, j), max(i, j)) in self._neighbours:
                return "neighbours"
            return "prior" if at[0].split()[0] == at[1].split()[0] else "mixed"
        if kind == "misplaced-lead":
            lines = circuit.pins[: len(circuit.line_names)]
            return "used_pin" if at[1].removeprefix("pin ") in lines else "prior"
        if kind == "miswired-key":
            nearby = self._near[key_of(at[0])]
            return "far" if nearby.isdisjoint(circuit.keys_on[at[1]]) else "prior"
        if kind == "swapped-keys":
            return "prior" if at[1] in self._near[at[0]] else "far"
        return "prior"
