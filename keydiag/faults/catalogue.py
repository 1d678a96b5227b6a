"""Which faults a given circuit can have: every place of every kind, near bridges first.

Bridges are enumerated in two layers.  *Near*: nets that come physically close (key geometry, the
stretches of the paths, neighbouring controller pins).  *Any*: every pair, for the case that
nothing near explains what was seen.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache
from itertools import combinations

from keydiag.chips import chips
from keydiag.circuit import Circuit
from keydiag.faults.kinds import Fault
from keydiag.faults.names import net_order

# mm between key centres within which wires and legs of two keys can touch: the pitch is 19.05 mm,
# a diagonal neighbour sits 26.9 mm away, two keys of a wide stagger up to 28 mm.
NEAR_MM = 28.5


def enumerate_faults(circuit: Circuit, reach: str = "near") -> list[Fault]:
    """Every single fault this circuit can have, in a fixed order.

    reach="near": bridges, exchanged keys and miswired joints only between places that come
    physically close.  reach="any": between any two places.
    """
    if reach not in ("near", "any"):
        raise ValueError(f"reach must be 'near' or 'any', not {reach!r}")
    everywhere = reach == "any"
    out = list(_at_keys(circuit))
    out += [Fault("broken-stretch", (address,)) for address in circuit.stretches]
    out += list(_at_lines(circuit))
    near = near_keys(circuit)
    out += [Fault("bridge", pair) for pair in _bridges(circuit, near, everywhere)]
    out += list(_miswired(circuit, near, everywhere))
    for a, b in combinations(circuit.keys, 2):
        if everywhere or b in near[a]:
            out.append(Fault("swapped-keys", (a, b)))
    out.append(Fault("wrong-cathode-at", ()))
    return out


def _at_keys(circuit: Circuit) -> Iterator[Fault]:
    for key in circuit.keys:
        parts = circuit.parts[key]
        for joint in (parts.column_joint, parts.middle_joint, parts.row_joint):
            yield Fault("open-joint", (joint,))
        yield Fault("dead-switch", (f"{key} switch",))
        yield Fault("stuck-switch", (f"{key} switch",))
        yield Fault("open-diode", (f"{key} diode",))
        yield Fault("reversed-diode", (f"{key} diode",))
        yield Fault("shorted-diode", (f"{key} diode",))


def _at_lines(circuit: Circuit) -> Iterator[Fault]:
    for name in circuit.line_names:
        yield Fault("open-lead", (f"{name} lead",))
        yield Fault("line-to-ground", (name,))
        yield Fault("line-to-supply", (name,))
        yield Fault("dead-pin", (f"pin {circuit.line_file[name].pin}",))
    for a, b in combinations(circuit.line_names, 2):
        yield Fault("swapped-leads", (f"{a} lead", f"{b} lead"))
    free = [p for p in chips()[circuit.board.chip].ports if p not in circuit.pins]
    watched = circuit.pins[len(circuit.line_names) :]
    for name in circuit.line_names:
        for port in watched or free[:1]:
            # Pins nobody watches all look alike; one of them stands for the rest.
            yield Fault("misplaced-lead", (f"{name} lead", f"pin {port}"))


@lru_cache(maxsize=16)
def near_keys(circuit: Circuit) -> dict[str, frozenset[str]]:
    """For each key the keys whose wires can touch its own (centres within NEAR_MM)."""
    at = {key: circuit.board.key[key].at for key in circuit.keys}
    return {
        a: frozenset(b for b in circuit.keys if b != a and math.dist(at[a], at[b]) <= NEAR_MM)
        for a in circuit.keys
    }


def neighbour_pins(circuit: Circuit) -> set[tuple[int, int]]:
    """Pairs of pin indices (lower first) whose ports are next to each other in the chip's list;
    the physical order on a module differs from maker to maker, so this is a hint, not a fact."""
    ports = chips()[circuit.board.chip].ports
    place = {port: i for i, port in enumerate(ports)}
    out = set()
    for i, j in combinations(range(len(circuit.pins)), 2):
        if abs(place.get(circuit.pins[i], -9) - place.get(circuit.pins[j], -99)) == 1:
            out.add((i, j))
    return out


def bridge_is_near(
    circuit: Circuit, pair: tuple[str, ...], near: dict[str, frozenset[str]]
) -> bool:
    """True if two nets come close enough anywhere for solder or bare wire to join them."""
    spots = [_spots(circuit, net) for net in pair]
    if any(b in spots[1] or not near[b].isdisjoint(spots[1]) for b in spots[0]):
        return True
    if all(not net.endswith(" node") for net in pair):
        i, j = sorted(circuit.pin_of_line[net] for net in pair)
        return (i, j) in neighbour_pins(circuit)
    return False


def meeting_places(
    circuit: Circuit, pair: tuple[str, ...], near: dict[str, frozenset[str]]
) -> tuple[str, ...]:
    """Where to look for a bridge, closest first: keys at which both nets are present, or, when
    there are none, pairs of neighbouring keys written "L13/L23"."""
    one, two = (_spots(circuit, net) for net in pair)
    same = [k for k in circuit.keys if k in one and k in two]
    if same:
        return tuple(same)
    at = {key: circuit.board.key[key].at for key in circuit.keys}
    close = [(math.dist(at[a], at[b]), f"{a}/{b}") for a in one for b in two if b in near[a]]
    return tuple(dict.fromkeys(place for _, place in sorted(close)))


def _spots(circuit: Circuit, net: str) -> frozenset[str]:
    if net.endswith(" node"):
        return frozenset((net[:-5],))
    return frozenset(circuit.keys_on[net])


def _bridges(
    circuit: Circuit, near: dict[str, frozenset[str]], everywhere: bool
) -> list[tuple[str, str]]:
    """Pairs of nets in canonical order.  A node bridged to its own row or column is left out: that
    is a shorted diode or a stuck switch, electrically the same and named so."""
    pairs: set[tuple[str, str]] = set()
    for a, b in combinations(circuit.line_names, 2):
        if everywhere or bridge_is_near(circuit, (a, b), near):
            pairs.add((a, b))
    for key in circuit.keys:
        own = (circuit.row_of[key], circuit.column_of[key])
        nearby = circuit.keys if everywhere else near[key]
        for other in nearby:
            if other == key:
                continue
            if circuit.keys.index(other) > circuit.keys.index(key):
                pairs.add((f"{key} node", f"{other} node"))
            for line in (circuit.row_of[other], circuit.column_of[other]):
                if line not in own:
                    pairs.add((line, f"{key} node"))
    return sorted(pairs, key=lambda p: (net_order(circuit, p[0]), net_order(circuit, p[1])))


def _miswired(
    circuit: Circuit, near: dict[str, frozenset[str]], everywhere: bool
) -> Iterator[Fault]:
    for key in circuit.keys:
        parts = circuit.parts[key]
        for joint, own, of in (
            (parts.column_joint, circuit.column_of[key], circuit.column_of),
            (parts.row_joint, circuit.row_of[key], circuit.row_of),
        ):
            lines = {of[k] for k in (circuit.keys if everywhere else near[key])}
            for line in sorted(lines - {own}, key=circuit.line_names.index):
                yield Fault("miswired-key", (joint, line))
