"""The kinds of fault: what each is called, what it does to the circuit, how it is mended.

Here: `Fault` (a kind at its places), the electrical changes it stands for, and the words for
repair, cost and proof of repair.  Not here: which faults a given board can have (`catalogue`), how
faults are spelled and read (`names`), how likely each is (`priors`).

Words for solder defects follow electronics usage (bridging, cold joint, disturbed joint, wetting:
NASA-STD-8739.3 and ECSS glossaries).  The readings never say which defect it is, only the place
and the class, so the repair texts list what to look for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from keydiag.circuit import GROUND, SUPPLY, Change, Circuit

# The kinds that open a key's series path: pressing alone cannot tell them apart.
OPEN_IN_KEY = ("open-joint", "dead-switch", "open-diode")
# The kinds that hold a line, or its pin, where nothing can move it.
HOLD_FAST = ("line-to-ground", "line-to-supply", "dead-pin")


class Fault(NamedTuple):
    """A kind of fault at its place or places, e.g. Fault("reversed-diode", ("L23 diode",))."""

    kind: str
    at: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Kind:
    """What a practitioner is told about one kind of fault.

    what: one noun phrase.  repair: imperative, `{0}` and `{1}` stand for the places.  confirm: what
    shows that the repair worked.  per: what the prior counts ("joint", "pair of nets", ...).
    joints: joints touched by the usual repair (the unit of repair cost).
    """

    name: str
    what: str
    repair: str
    confirm: str
    per: str
    joints: int = 1


_PRESS = "press the key: it closes its own crossing, one way"

KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            "open-joint",
            "open solder joint",
            "Reflow the {0}: look for a grey, lumpy or ring-cracked joint, or a leg that is not"
            " wetted.",
            _PRESS,
            "joint",
        ),
        Kind(
            "dead-switch",
            "switch that never closes",
            "Check the {0} with the meter across its two legs while pressing; replace the switch if"
            " it stays open.",
            _PRESS,
            "switch",
            2,
        ),
        Kind(
            "open-diode",
            "diode that is missing or broken",
            "Check the {0} on the meter's diode range; replace it if both directions read open.",
            _PRESS,
            "diode",
            2,
        ),
        Kind(
            "reversed-diode",
            "diode put in backwards",
            "Unsolder the {0} and turn it round: the dark ring marks the cathode.",
            _PRESS,
            "diode",
            2,
        ),
        Kind(
            "shorted-diode",
            "diode that conducts both ways",
            "Look for solder across the {0}; if there is none, replace the diode.",
            _PRESS,
            "diode",
            2,
        ),
        Kind(
            "stuck-switch",
            "switch closed all the time",
            "Look for solder between the legs of the {0} and for a jammed stem; replace the switch"
            " if it stays closed.",
            "with nothing held, the crossing is open",
            "switch",
        ),
        Kind(
            "broken-stretch",
            "break in the wire between two keys",
            "Mend the {0}: reflow the overlap of the two legs, or lay a new piece of wire.",
            "press every key beyond the break",
            "stretch",
        ),
        Kind(
            "open-lead",
            "open lead",
            "Reflow both ends of the {0}: at the controller pin and at the first key; replace the"
            " wire if it is broken inside.",
            "press every key of the line",
            "lead",
            2,
        ),
        Kind(
            "bridge",
            "bridge between two nets",
            "Find and remove the solder or bare wire that joins {0} and {1}.",
            "with nothing held, the two nets do not conduct; press the keys nearby",
            "pair of nets",
        ),
        Kind(
            "line-to-ground",
            "line shorted to ground",
            "Unplug first. Find where {0} touches ground (USB shell, ground pin, bare wire) and"
            " clear it.",
            "with nothing held, the line reads high",
            "line",
        ),
        Kind(
            "line-to-supply",
            "line shorted to the supply",
            "Unplug first, at once. Find where {0} touches the supply pin or wire and clear it.",
            "the line's pin can be pulled low again",
            "line",
        ),
        Kind(
            "swapped-leads",
            "two leads exchanged",
            "Exchange the {0} and the {1} at the controller, or exchange the two pins in the board"
            " file.",
            "press one key of each line",
            "pair of leads",
            2,
        ),
        Kind(
            "misplaced-lead",
            "lead on a wrong pin",
            "Move the {0} from {1} to its own pin, or write that pin into the board file.",
            "press one key of the line",
            "lead and free pin",
        ),
        Kind(
            "miswired-key",
            "key joined to a wrong line",
            "Move the {0} from {1} to the key's own line.",
            _PRESS,
            "joint and neighbouring line",
        ),
        Kind(
            "swapped-keys",
            "two keys exchanged",
            "Check the wires of {0} and {1}: each closes the other's crossing. If the wiring is as"
            " you want it, exchange the two names in the board file.",
            "press both keys, one after the other",
            "pair of keys",
            4,
        ),
        Kind(
            "wrong-cathode-at",
            "cathode_at in the board file is wrong",
            "Turn cathode_at round in the board file: every diode points the other way, so nothing"
            " needs soldering.",
            "press any key",
            "board",
            0,
        ),
        Kind(
            "dead-pin",
            "controller pin that neither senses nor drives",
            "Check the solder at {0} on the controller; if it is good, move the lead to a free pin"
            " and write that pin into the board file.",
            "press one key of the line",
            "pin",
        ),
        Kind(
            "resistive-joint",
            "joint that conducts badly",
            "Reflow the {0}: a cold or disturbed joint still conducts today and may be open"
            " tomorrow.",
            "the level of the closed crossing equals its neighbours'",
            "joint",
        ),
    )
}


def changes(circuit: Circuit, fault: Fault) -> tuple[Change, ...]:
    """The electrical changes this fault makes to the circuit.  A resistive joint makes none here:
    it still conducts, and only levels show it."""
    kind, at = fault
    if kind in (*OPEN_IN_KEY, "open-lead", "broken-stretch"):
        return (Change("cut", at[0]),)
    if kind in ("stuck-switch", "shorted-diode"):
        return (Change("join", at[0]),)
    if kind == "reversed-diode":
        return (Change("flip", key_of(at[0])),)
    if kind == "wrong-cathode-at":
        return (Change("flip", "*"),)
    if kind == "bridge":
        return (Change("link", at[0], at[1]),)
    if kind == "line-to-ground":
        return (Change("link", at[0], GROUND),)
    if kind == "line-to-supply":
        return (Change("link", at[0], SUPPLY),)
    if kind == "swapped-leads":
        return (Change("exchange", at[0].removesuffix(" lead"), at[1].removesuffix(" lead")),)
    if kind == "misplaced-lead":
        return (Change("lead", at[0].removesuffix(" lead"), at[1].removeprefix("pin ")),)
    if kind == "miswired-key":
        return (Change("rewire", at[0], at[1]),)
    if kind == "swapped-keys":
        return (Change("press", at[0], at[1]),)
    if kind == "dead-pin":
        return (Change("dead", at[0].removeprefix("pin ")),)
    if kind == "resistive-joint":
        return ()
    raise ValueError(f"unknown kind of fault {kind!r}")


def key_of(address: str) -> str:
    """The key an address of a key's part or joint belongs to."""
    return address.split(" ", 1)[0]


def keys_that_show(circuit: Circuit, fault: Fault) -> frozenset[str] | None:
    """The keys that must be held (or be conducting all the time) for this fault to change any
    reading; None = it can change any reading, even at rest.

    Sound, not tight: a reading in which none of these keys conducts is the same with and without
    the fault, whatever other faults there are.
    """
    kind, at = fault
    if kind in (*OPEN_IN_KEY, "reversed-diode", "shorted-diode", "miswired-key"):
        return frozenset((key_of(at[0]),))
    if kind == "swapped-keys":
        return frozenset(at)
    if kind == "broken-stretch":
        return circuit.stretches[at[0]].beyond
    if kind == "wrong-cathode-at":
        return frozenset(circuit.keys)
    if kind == "resistive-joint":
        return frozenset()
    if kind == "bridge" and all(net.endswith(" node") for net in at):
        return frozenset(net[:-5] for net in at)
    return None


def conducts_at_rest(fault: Fault) -> frozenset[str]:
    """Keys that this fault makes part of the circuit even when nobody holds them."""
    if fault.kind == "stuck-switch":
        return frozenset((key_of(fault.at[0]),))
    if fault.kind == "bridge":
        return frozenset(net[:-5] for net in fault.at if net.endswith(" node"))
    return frozenset()
