"""How faults are spelled in plain words and read back.

`describe` gives the canonical words; `parse_fault` reads them, and other word orders that name the
same places and kind ("reversed diode at L23", "bridge between row R2 and column C3").  Addresses
are those of the board: `L23 switch-column joint`, `row R2 between L22 and L23`, `row R2 lead`.
"""

from __future__ import annotations

import difflib
import re

from keydiag.chips import chips
from keydiag.circuit import Circuit
from keydiag.errors import FaultNameError
from keydiag.faults.kinds import KINDS, Fault, key_of

_PATTERNS = {
    "open-joint": "{0} open",
    "dead-switch": "{0} dead",
    "open-diode": "{0} open",
    "reversed-diode": "{0} reversed",
    "shorted-diode": "{0} shorted",
    "stuck-switch": "{0} stuck",
    "open-lead": "{0} open",
    "bridge": "{0} bridged to {1}",
    "line-to-ground": "{0} shorted to ground",
    "line-to-supply": "{0} shorted to supply",
    "swapped-leads": "{0} and {1} swapped",
    "misplaced-lead": "{0} on {1}",
    "miswired-key": "{0} on {1}",
    "swapped-keys": "{0} and {1} swapped",
    "wrong-cathode-at": "every diode reversed",
    "dead-pin": "{0} dead",
    "resistive-joint": "{0} resistive",
}

EXAMPLES = (
    "L23 diode reversed",
    "L23 switch-column joint open",
    "row R2 broken between L22 and L23",
    "row R2 bridged to column C3",
)


_CANONICAL = [
    (kind, re.compile(re.sub(r"\{\d\}", "(.+)", pattern), re.IGNORECASE))
    for kind, pattern in {**_PATTERNS, "broken-stretch": "{0} broken between {1} and {2}"}.items()
]


def describe(fault: Fault) -> str:
    """The fault in plain words; `parse_fault` reads exactly these words back."""
    if fault.kind == "broken-stretch":
        line, keys = fault.at[0].split(" between ")
        return f"{line} broken between {keys}"
    return _PATTERNS[fault.kind].format(*fault.at)


# Words that tell kinds apart once the places are known; anything else in the text is filler,
# except that a word in no list at all is an error.
_FILLER = {
    "a", "an", "and", "at", "the", "is", "on", "of", "to", "from", "with", "between", "in", "are",
    "wire", "line", "its", "has", "wired", "kind", "joined", "together", "key", "keys",
    "diode", "diodes", "switch", "joint", "lead", "leads", "fault",
}  # fmt: skip
_OPEN = {"open", "broken", "break", "cut", "lifted", "unsoldered", "missing", "cracked", "cold"}
_WORDS = {
    "open": _OPEN,
    "reversed": {"reversed", "backwards", "reverse", "backward", "turned"},
    "short": {"shorted", "short", "shorts", "bypassed"},
    "stuck": {"stuck", "closed", "jammed"},
    "dead": {"dead"},
    "bridge": {"bridge", "bridged", "touches", "touching", "bridges"},
    "swap": {"swapped", "exchanged", "swap", "swapped-leads", "swapped-keys"},
    "wrong": {"misplaced", "miswired", "wrong", "moved"},
    "ground": {"ground", "gnd", "grounded"},
    "supply": {"supply", "vcc"},
    "resistive": {"resistive", "weak", "high-resistance"},
    "cathode": {"cathode_at", "wrong-cathode-at"},
    "every": {"every", "all"},
}


def parse_fault(circuit: Circuit, text: str) -> Fault:
    """The fault these words name on this board.

    Raises FaultNameError, one line with near names, when a place does not exist on the board, the
    kind is not in the catalogue, or the two do not go together.
    """
    exact = _canonical(circuit, text)
    if exact is not None:
        return exact
    for kind in sorted(KINDS, key=len, reverse=True):  # "open-joint: L23 switch-column joint"
        match = re.match(rf"\s*{kind}\b[:\s]*(.*)$", text, re.IGNORECASE)
        if match:
            places, _ = _places(circuit, text, match.group(1))
            return _check(circuit, text, kind, places)
    places, said = _places(circuit, text, text)
    return _check(circuit, text, _kind(text, places, said), places)


def _canonical(circuit: Circuit, text: str) -> Fault | None:
    """The fault that `describe` words so, or None.  It comes before the freer reading, in which a
    key called "on" or "open" would be mistaken for the word."""
    known = _addresses(circuit)
    for kind, pattern in _CANONICAL:
        match = pattern.fullmatch(text.strip())
        if match is None:
            continue
        spoken: tuple[str, ...] = match.groups()
        if kind == "broken-stretch":
            spoken = ("{} between {} and {}".format(*spoken),)
        if not all(place.lower() in known for place in spoken):
            continue
        try:
            fault = _check(circuit, text, kind, [known[place.lower()] for place in spoken])
        except FaultNameError:
            continue  # the same words with other places: another kind's
        if describe(fault).lower() == text.strip().lower():
            return fault
    return None


def _places(circuit: Circuit, text: str, rest: str) -> tuple[list[str], set[str]]:
    """Addresses found in the text, in order, and the groups of the words that are left."""
    known = _addresses(circuit)
    places: list[str] = []
    said: set[str] = set()
    words = re.sub(r"[,;:/]|<->|--", " ", rest).split()
    between = _between(circuit, words)
    if between is not None:
        address, words = between
        places.append(address)
    i = 0
    while i < len(words):
        for size in (4, 3, 2, 1):
            place = known.get(" ".join(words[i : i + size]).lower())
            if place is not None and len(words[i : i + size]) == size:
                places.append(place)
                i += size
                break
        else:
            _note_word(circuit, text, words, i, said)
            i += 1
    return places, said


def _between(circuit: Circuit, words: list[str]) -> tuple[str, list[str]] | None:
    """`row R2 ... between L22 and L23` in any of its spellings, taken out of the words."""
    joined = " ".join(words)
    match = re.search(
        r"\b(row|column) (\S+)( .*?|) ?\bbetween (\S+) and (\S+)", joined, re.IGNORECASE
    )
    if match is None:
        return None
    side, name, middle, one, two = match.groups()
    lookup = {k.lower(): k for k in circuit.keys}
    one_key, two_key = lookup.get(one.lower()), lookup.get(two.lower())
    line = next((n for n in circuit.line_names if n.lower() == f"{side} {name}".lower()), None)
    if line is None or one_key is None or two_key is None:
        return None
    for a, b in ((one_key, two_key), (two_key, one_key)):
        address = f"{line} between {a} and {b}"
        if address in circuit.stretches:
            left = (joined[: match.start()] + " " + middle + " " + joined[match.end() :]).split()
            return address, left
    raise FaultNameError(
        f"fault {joined!r}: {one_key} and {two_key} are not neighbours on {line};"
        f" its stretches are {_some(s for s in circuit.stretches if s.startswith(line + ' '))}"
    )


def _note_word(
    circuit: Circuit, text: str, words: list[str], i: int, said: set[str]
) -> None:
    word = words[i].lower().strip(".")
    for group, members in _WORDS.items():
        if word in members:
            said.add(group)
            return
    if word in _FILLER:
        return
    before = words[i - 1].lower() if i else ""
    if before in ("row", "column"):
        names = circuit.rows if before == "row" else circuit.columns
        raise FaultNameError(
            f"fault {text!r}: no {before} named {words[i]!r} on this board;"
            f" its {before}s are {', '.join(names)}"
        )
    if before == "pin":
        ports = chips()[circuit.board.chip].ports
        raise FaultNameError(
            f"fault {text!r}: the {circuit.board.chip} has no pin {words[i]!r};"
            f" near names: {', '.join(_nearest(words[i], ports))}"
        )
    if word in ("row", "column", "pin"):
        return
    line = next((n for n in circuit.line_names if n.split()[1].lower() == word), None)
    if line is not None:
        raise FaultNameError(
            f"fault {text!r}: {words[i]!r} is no key of this board; did you mean {line!r}?"
        )
    if re.fullmatch(r"[A-Za-z]+\d+", words[i]):
        raise FaultNameError(
            f"fault {text!r}: no key named {words[i]!r} on this board;"
            f" near names: {', '.join(_nearest(words[i], circuit.keys))}"
        )
    vocabulary = sorted(set().union(*_WORDS.values()) | {"diode", "switch", "lead", "node", "pin"})
    close = difflib.get_close_matches(word, vocabulary, n=1)
    hint = f"did you mean {close[0]!r}?" if close else f"write it like {EXAMPLES[0]!r}"
    raise FaultNameError(
        f"fault {text!r}: {words[i]!r} names nothing on this board and no kind of fault; {hint}"
    )


def _nearest(word: str, names: tuple[str, ...]) -> list[str]:
    """The three names most like the word: most letters in the right place, in board order."""

    def alike(name: str) -> int:
        return -sum(a == b for a, b in zip(name.lower(), word.lower(), strict=False))

    return sorted(names, key=alike)[:3]


def _addresses(circuit: Circuit) -> dict[str, str]:
    out: dict[str, str] = {}
    for key in circuit.keys:
        parts = circuit.parts[key]
        for address in (key, parts.node, *parts.in_series):
            out[address.lower()] = address
            # Spoken without the word "joint" the place is just as clear.
            if address.endswith(" joint"):
                out[address.removesuffix(" joint").lower()] = address
    for name in circuit.line_names:
        out[name.lower()] = name
        out[f"{name} lead".lower()] = f"{name} lead"
    for address in circuit.stretches:
        out[address.lower()] = address
    for port in chips()[circuit.board.chip].ports:
        out[f"pin {port}".lower()] = f"pin {port}"
    return out


def _kind(text: str, places: list[str], said: set[str]) -> str:
    shape = tuple(_shape(p) for p in places)
    if not places and ("cathode" in said or {"every", "reversed"} <= said):
        return "wrong-cathode-at"  # "every diode reversed", "cathode_at wrong"
    table: list[tuple[tuple[str, ...], str, str]] = [
        (("joint",), "open", "open-joint"),
        (("joint",), "resistive", "resistive-joint"),
        (("joint",), "dead", "open-joint"),
        (("switch",), "dead", "dead-switch"),
        (("switch",), "open", "dead-switch"),
        (("switch",), "stuck", "stuck-switch"),
        (("switch",), "short", "stuck-switch"),
        (("switch",), "bridge", "stuck-switch"),
        (("diode",), "reversed", "reversed-diode"),
        (("diode",), "short", "shorted-diode"),
        (("diode",), "bridge", "shorted-diode"),
        (("diode",), "open", "open-diode"),
        (("diode",), "dead", "open-diode"),
        (("stretch",), "open", "broken-stretch"),
        (("stretch",), "resistive", "resistive-joint"),
        (("lead",), "open", "open-lead"),
        (("lead",), "resistive", "resistive-joint"),
        (("line",), "ground", "line-to-ground"),
        (("line",), "supply", "line-to-supply"),
        (("pin",), "dead", "dead-pin"),
        (("lead", "lead"), "swap", "swapped-leads"),
        (("line", "line"), "swap", "swapped-leads"),
        (("key", "key"), "swap", "swapped-keys"),
        (("lead", "pin"), "", "misplaced-lead"),
        (("line", "pin"), "", "misplaced-lead"),
        (("joint", "line"), "", "miswired-key"),
    ]
    for places_shape, word, kind in table:
        if shape == places_shape and (word in said or not word):
            return kind
    if len(shape) == 2 and set(shape) <= {"line", "node"} and said & {"bridge", "short"}:
        return "bridge"
    if shape == ("key",):
        if "reversed" in said:
            return "reversed-diode"
        if "stuck" in said:
            return "stuck-switch"
    raise FaultNameError(
        f"fault {text!r}: cannot tell what is wrong and where;"
        f" write it like {', '.join(repr(e) for e in EXAMPLES)}"
    )


def _shape(address: str) -> str:
    if " between " in address:
        return "stretch"
    for word in ("joint", "switch", "diode", "node", "lead"):
        if address.endswith(" " + word):
            return word
    if address.startswith("pin "):
        return "pin"
    return "line" if address.startswith(("row ", "column ")) else "key"


_PLACES = {
    "open-joint": ("joint",), "dead-switch": ("switch",), "open-diode": ("diode",),
    "reversed-diode": ("diode",), "shorted-diode": ("diode",), "stuck-switch": ("switch",),
    "broken-stretch": ("stretch",), "open-lead": ("lead",), "line-to-ground": ("line",),
    "line-to-supply": ("line",), "swapped-leads": ("lead", "lead"),
    "misplaced-lead": ("lead", "pin"), "miswired-key": ("joint", "line"),
    "swapped-keys": ("key", "key"), "wrong-cathode-at": (), "dead-pin": ("pin",),
}  # fmt: skip


def _check(circuit: Circuit, text: str, kind: str, places: list[str]) -> Fault:
    """Put places into their canonical form and order; refuse what does not fit the kind."""
    at = [_fitted(circuit, kind, place) for place in places]
    shape = tuple(_shape(p) for p in at)
    if kind == "bridge":
        fits = len(at) == 2 and set(shape) <= {"line", "node"} and at[0] != at[1]
        at = sorted(at, key=lambda net: net_order(circuit, net))
    elif kind == "resistive-joint":
        fits = shape in (("joint",), ("stretch",), ("lead",))
    else:
        fits = shape == _PLACES[kind]
    if kind in ("swapped-leads", "swapped-keys"):
        fits = fits and at[0] != at[1]
        order = circuit.keys if kind == "swapped-keys" else tuple(circuit.leads.values())
        at = sorted(at, key=order.index) if fits else at
    if kind == "miswired-key" and fits:
        fits = _may_move(circuit, at[0], at[1])
    if kind == "misplaced-lead" and fits:
        line = at[0].removesuffix(" lead")
        fits = circuit.line_file[line].pin != at[1].removeprefix("pin ")
    if kind == "dead-pin" and fits and at[0].removeprefix("pin ") not in circuit.index_of_port:
        raise FaultNameError(
            f"fault {text!r}: {at[0]} carries no line of this board;"
            f" its pins are {', '.join(circuit.pins)}"
        )
    if not fits:
        raise FaultNameError(
            f"fault {text!r}: {kind} cannot be at {_some(places) or 'no place'};"
            f" write it like {', '.join(repr(e) for e in EXAMPLES)}"
        )
    return Fault(kind, tuple(at))


def _fitted(circuit: Circuit, kind: str, place: str) -> str:
    shape = _shape(place)
    if shape == "line" and kind in ("swapped-leads", "misplaced-lead", "open-lead"):
        return f"{place} lead"
    if shape == "key" and kind in ("reversed-diode", "shorted-diode", "open-diode"):
        return f"{place} diode"
    if shape == "key" and kind in ("stuck-switch", "dead-switch"):
        return f"{place} switch"
    return place


def _may_move(circuit: Circuit, joint: str, line: str) -> bool:
    """A key's line-side joint may be moved to another line of the same or the other sort."""
    key = key_of(joint)
    parts = circuit.parts[key]
    own = {parts.column_joint: circuit.column_of[key], parts.row_joint: circuit.row_of[key]}
    return joint in own and own[joint] != line


def net_order(circuit: Circuit, net: str) -> tuple[int, int]:
    """Sort key that puts a bridge's two nets into their canonical order: lines before nodes."""
    if net.endswith(" node"):
        return (1, circuit.keys.index(net[:-5]))
    return (0, circuit.pin_of_line[net])


def _some(items: object, most: int = 8) -> str:
    listed = list(items)  # type: ignore[call-overload]
    return ", ".join(listed[:most]) + (", ..." if len(listed) > most else "")
