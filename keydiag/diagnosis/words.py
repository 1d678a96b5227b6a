"""Evidence and meaning in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from keydiag.circuit import Circuit
from keydiag.diagnosis.evidence import Frame
from keydiag.faults import KINDS, Fault, describe, meeting_places, near_keys, pack, unpack
from keydiag.faults.kinds import OPEN_IN_KEY

# A bridge shows in a dozen presses; the first few are enough to be convinced.
MOST_SENTENCES = 4

CAUTIONS_SOLDER = (
    "Unplug the cable before soldering; never solder a live circuit.",
    "Hot iron: keep it in its stand. Draw the fumes away and air the room.",
    "Wear eye protection, above all when clipping legs: cut ends fly.",
    "Local safety rules and licensed practice come first.",
)
CAUTIONS_SUPPLY = (
    "A short to the supply heats wires and can harm the computer's port: unplug now.",
)
# For `Diagnosis.cut_short`.
CUT_SHORT = (
    "So much is wrong at once that not every explanation was weighed: mend what stands first, then"
    " press again."
)
CAUTIONS_METER = ("Unplug the cable before measuring resistance or on the diode range.",)


def list_words(names: Iterable[str], most: int = 8, last: str = "and") -> str:
    """"a", "a and b", "a, b and c"; long lists are cut, with their count.  last: "and" or "or"."""
    names = list(names)
    if len(names) > most:
        return ", ".join(names[:most]) + f" {last} {len(names) - most} more"
    if len(names) < 2:
        return "".join(names)
    return ", ".join(names[:-1]) + f" {last} " + names[-1]


def repair_words(circuit: Circuit, fault: Fault) -> str:
    """The repair of one fault, with where to look for a bridge."""
    if fault.kind == "wrong-cathode-at":
        return KINDS[fault.kind].repair
    if fault.kind == "miswired-key":
        text = KINDS[fault.kind].repair.format(fault.at[0], fault.at[1])
    else:
        text = KINDS[fault.kind].repair.format(*fault.at)
    if fault.kind == "bridge":
        places = meeting_places(circuit, fault.at, near_keys(circuit))
        if places:
            text += f" The two come close at {list_words(places, 6)}."
        else:
            text += " They do not come close on the drawing: look for clippings and at the pins."
    return text


def seen(circuit: Circuit, frame: Frame, rest: int) -> tuple[str, tuple[str, ...]]:
    """(class of the frame, ports involved): what happened compared with rest, for one key held.

    Classes: "as wired", "nothing", "reverse", "both ways", "elsewhere", "more".
    """
    (key,) = frame.held
    drive, sense = circuit.forward[key]
    now = _crossings(circuit, frame.seen & ~rest)
    always = _crossings(circuit, rest)
    forward, reverse = (drive, sense), (sense, drive)
    others = now - {forward, reverse}
    has_forward = forward in now or forward in always
    has_reverse = reverse in now or reverse in always
    if others:
        words = tuple(
            f"{circuit.pins[s]} reads low while {circuit.pins[d]} is driven"
            for d, s in sorted(others)
        )
        return ("more" if has_forward else "elsewhere"), words
    if has_forward and has_reverse:
        return "both ways", ()
    if has_reverse:
        return "reverse", ()
    return ("as wired" if has_forward else "nothing"), ()


def _crossings(circuit: Circuit, packed: int) -> set[tuple[int, int]]:
    """Conducting (driven pin, sensing pin) pairs of a packed reading, self read-back left out."""
    reading = unpack(packed, len(circuit.pins))
    return {
        (drive, sense)
        for drive, mask in enumerate(reading.low)
        for sense in range(len(circuit.pins))
        if mask >> sense & 1 and sense != drive
    }


def evidence_words(
    circuit: Circuit, frames: Sequence[Frame], shown: Sequence[int]
) -> tuple[str, ...]:
    """One sentence per kind of happening in the frames numbered `shown`."""
    rest = frames[0].seen if frames and not frames[0].held else circuit_rest(circuit)
    out = []
    if frames and not frames[0].held and 0 in shown:
        out += rest_words(circuit, frames[0].seen)
    by_class: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for number in shown:
        frame = frames[number]
        if len(frame.held) == 1:
            by_class.setdefault(seen(circuit, frame, rest), []).extend(frame.held)
        elif len(frame.held) > 1:
            keys = sorted(frame.held, key=circuit.keys.index)
            out.append(f"With {list_words(keys)} held together, the reading differs from the plan.")
    presses = [
        _press_words(circuit, what, detail, keys) for (what, detail), keys in by_class.items()
    ]
    if len(presses) > MOST_SENTENCES:
        left = len(presses) - MOST_SENTENCES
        presses = [*presses[:MOST_SENTENCES], f"{left} more presses read alike."]
    return tuple(out + presses)


def circuit_rest(circuit: Circuit) -> int:
    """The packed rest reading of a faultless half."""
    return pack(circuit.healthy_rest)


def _press_words(circuit: Circuit, what: str, detail: tuple[str, ...], keys: list[str]) -> str:
    held = f"While {keys[0]} is held"
    if len(keys) > 1:
        held = f"At {list_words(keys)}, each held alone"
    if what == "nothing":
        return f"{held}, nothing conducts."
    if len(keys) == 1:
        drive, sense = circuit.forward[keys[0]]
        pins = f" between {circuit.pins[sense]} and {circuit.pins[drive]}"
    else:
        pins = ""
    if what == "reverse":
        return f"{held}, the crossing{pins} conducts only in reverse."
    if what == "both ways":
        return f"{held}, the crossing{pins} conducts both ways."
    if what == "as wired":
        return f"{held}, the crossing{pins} conducts as it should."
    if what == "elsewhere":
        return f"{held}, its own crossing is open, but {list_words(detail, 3)}."
    return f"{held}, its own crossing closes, and also {list_words(detail, 3)}."


def rest_words(circuit: Circuit, rest: int) -> list[str]:
    """What conducts with nothing held (packed reading), one sentence each."""
    reading = unpack(rest, len(circuit.pins))
    pins = circuit.pins
    names = {i: f"{name} ({pins[i]})" for i, name in enumerate(circuit.line_names)}
    out = []
    for pin in range(len(pins)):
        if reading.rest >> pin & 1:
            out.append(f"With nothing held and nothing driven, {names.get(pin, pins[pin])} is low.")
        if not reading.low[pin] >> pin & 1:
            out.append(f"{names.get(pin, pins[pin])} stays high when it is driven low.")
    pairs = {p for p in _crossings(circuit, rest) if not reading.rest >> p[1] & 1}
    for drive, sense in sorted(pairs):
        a, b = names.get(sense, pins[sense]), names.get(drive, pins[drive])
        if (sense, drive) in pairs:
            if sense < drive:
                out.append(f"With nothing held, {a} and {b} conduct both ways.")
        else:
            out.append(f"With nothing held, {a} conducts to {b}, one way.")
    return out


_MEANING = {
    "open-joint": "The path through the key is open somewhere",
    "dead-switch": "The path through the key is open somewhere",
    "open-diode": "The path through the key is open somewhere",
    "reversed-diode": "The diode is in backwards: its dark ring, the cathode, is at the wrong end",
    "shorted-diode": "The diode is bypassed: current passes both ways",
    "stuck-switch": "The switch is closed although nobody holds it",
    "broken-stretch": "Everything beyond one point of the wire is cut off",
    "open-lead": "The whole line is cut off from its pin",
    "bridge": "Two nets that should be apart touch each other",
    "line-to-ground": "The line is tied to ground",
    "line-to-supply": "The line is tied to the supply",
    "swapped-leads": "Two whole lines answer in each other's place",
    "misplaced-lead": "A whole line does not answer on its own pin",
    "miswired-key": "The key sits on another line than the board file says",
    "swapped-keys": "Two keys answer in each other's place",
    "wrong-cathode-at": "Every diode points the other way: the board file is wrong, not the half",
    "dead-pin": "The controller pin itself does not answer",
}


def meaning(fault: Fault) -> str:
    """What the best fault of a finding means, as a clause."""
    return _MEANING[fault.kind]


def title(faults: Sequence[Fault]) -> str:
    """A finding's name: the fault, or what its look-alikes have in common."""
    if len(faults) == 1:
        return describe(faults[0])
    keys = {fault.at[0].split(" ")[0] for fault in faults if fault.at}
    if len(keys) == 1 and all(_at_one_key(fault) for fault in faults):
        return f"{keys.pop()} open: {len(faults)} look-alikes"
    return f"{describe(faults[0])} (or {len(faults) - 1} look-alike{'s' * (len(faults) > 2)})"


def _at_one_key(fault: Fault) -> bool:
    return fault.kind in OPEN_IN_KEY
