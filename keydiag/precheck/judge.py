"""What the answers mean: which of them are not as they should be, and which faults would do that.

A fault explains a reading if the exact circuit with that fault shows it; a set of readings that
one fault explains (a row that is broken behind its third key) is one trouble, not four.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from keydiag.board import Board
from keydiag.circuit import Circuit
from keydiag.diagnosis.meter import read_all
from keydiag.diagnosis.words import CAUTIONS_SUPPLY, repair_words
from keydiag.faults import Fault, enumerate_faults
from keydiag.faults.priors import Priors
from keydiag.precheck.answers import DIODE_V, OL, WIRE_V, Answer, MeterReading
from keydiag.precheck.sheet import Check

# A reading this far from the middle of the others is worth a second look: 0.1 V at the 0.7 to
# 1 mA of a diode range is 100 ohm or more in the joints.
APART_V = 0.1
LOW_V = 0.4  # below this it is no silicon diode (FLIR CM174 manual, 5.8: 0.40 to 0.80 V)
HIGH_V = 0.8
MOST_SUSPECTS = 5


@dataclass(frozen=True)
class Trouble:
    """Something that is not as it should be."""

    checks: tuple[str, ...]
    """Codes of the checks that showed it."""
    what: str
    do: str
    suspects: tuple[Fault, ...] = ()
    """Faults that would do that, likeliest first."""
    stop: bool = False
    """True if power must not be put on before this is cleared."""


@dataclass(frozen=True)
class Judgement:
    """What the answers say together."""

    troubles: tuple[Trouble, ...]
    answered: int
    open: tuple[str, ...]
    """Codes of the checks without an answer."""

    @property
    def clear(self) -> bool:
        """True if every check was answered and nothing is wrong."""
        return not self.troubles and not self.open


def judge(board: Board, checks: Sequence[Check], answers: Mapping[str, Answer]) -> Judgement:
    """Hold the answers against what a half without faults shows."""
    circuit = Circuit(board)
    found: list[Trouble] = []
    for answer in answers.values():
        if answer.ok is False:
            found.append(_rails(answer) if answer.check.kind == "rails" else _look(answer))
    found += _electrical(circuit, answers)
    found += _strange_volts(answers, {code for trouble in found for code in trouble.checks})
    found.sort(key=lambda trouble: not trouble.stop)
    left = tuple(check.code for check in checks if check.code not in answers)
    return Judgement(tuple(found), len(answers), left)


def _look(answer: Answer) -> Trouble:
    check = answer.check
    what = f"{check.what}: {answer.text} (should be: {check.expect})"
    if check.code == "supply":
        do = f"Find the wire or solder between supply and ground. {CAUTIONS_SUPPLY[0]}"
        return Trouble((check.code,), what, do, stop=True)
    return Trouble((check.code,), what, "Set it right, then look again.")


def _rails(answer: Answer) -> Trouble:
    name = answer.check.code.removesuffix(" rails")
    rails = [rail for rail in ("ground", "supply") if rail in answer.text.lower()]
    suspects = tuple(Fault(f"line-to-{rail}", (name,)) for rail in rails)
    what = f"{name} beeps to {' and '.join(rails)}"
    do = f"Find where {name} touches {' and '.join(rails)}, and clear it."
    return Trouble((answer.check.code,), what, do, suspects, stop=True)


# --- readings that a fault explains -------------------------------------------------------------


def _electrical(circuit: Circuit, answers: Mapping[str, Answer]) -> list[Trouble]:
    readings = [(a, reading) for a in answers.values() for reading in a.readings]
    healthy = read_all(circuit, frozenset(), [reading.test for _, reading in readings])
    odd = [
        (answer, reading)
        for (answer, reading), expected in zip(readings, healthy, strict=True)
        if expected != reading.seen
    ]
    shows: dict[Fault, dict[MeterReading, str]] = {
        fault: {} for fault in _candidates(circuit, (r for _, r in odd))
    }
    for fault, shown in shows.items():
        near = [reading for _, reading in readings if _concerns(circuit, fault, reading)]
        seen = read_all(circuit, frozenset((fault,)), [reading.test for reading in near])
        shown.update(zip(near, seen, strict=True))
    strange = {reading for _, reading in odd}
    plain = [reading for _, reading in readings if reading not in strange]
    # What a fault would show otherwise than seen, where all was well, speaks against it.
    shows = {f: s for f, s in shows.items() if all(s.get(r, r.seen) == r.seen for r in plain)}
    priors = Priors(circuit)
    troubles: list[Trouble] = []
    while odd:
        best = _best(shows, [reading for _, reading in odd], priors)
        if not best:
            break
        mine = [(a, r) for a, r in odd if shows[best[0]].get(r) == r.seen]
        odd = [each for each in odd if each not in mine]
        codes = tuple(dict.fromkeys(answer.check.code for answer, _ in mine))
        what = "; ".join(_words(answer, reading) for answer, reading in mine[:4])
        if len(mine) > 4:
            what += f"; and {len(mine) - 4} more"
        troubles.append(Trouble(codes, what, repair_words(circuit, best[0]), best))
    for answer, reading in odd:
        do = "Measure again; if it stays so, look at every joint from here to the pin."
        troubles.append(Trouble((answer.check.code,), _words(answer, reading), do))
    return troubles


def _candidates(circuit: Circuit, odd: Iterable[MeterReading]) -> list[Fault]:
    """Faults at the keys and lines that the odd readings are about."""
    odd = list(odd)
    if not odd:
        return []
    near = enumerate_faults(circuit)
    lines = [Fault("bridge", pair) for pair in _pairs(circuit, odd)]
    return [
        fault
        for fault in dict.fromkeys([*near, *lines])
        if fault.kind not in ("wrong-cathode-at", "swapped-keys", "dead-pin", "line-to-supply")
        and not fault.kind.startswith("misplaced")
        and any(_concerns(circuit, fault, reading) for reading in odd)
    ]


def _pairs(circuit: Circuit, odd: Sequence[MeterReading]) -> list[tuple[str, str]]:
    """The two lines of every odd reading between lines, near each other or not."""
    name_of = {circuit.line_file[name].pin: name for name in circuit.line_names}
    found = []
    for reading in odd:
        if reading.test.red.place == reading.test.black.place == "pin":
            names = {name_of[reading.test.red.name], name_of[reading.test.black.name]}
            one, two = sorted(names, key=circuit.line_names.index)
            found.append((one, two))
    return found


def _concerns(circuit: Circuit, fault: Fault, reading: MeterReading) -> bool:
    """True if the fault could change this reading: it is at one of its keys or lines."""
    keys = {point.key for point in (reading.test.red, reading.test.black) if point.key}
    pins = {point.name for point in (reading.test.red, reading.test.black) if not point.key}
    lines = {name for name in circuit.line_names if circuit.line_file[name].pin in pins}
    for key in keys:
        lines |= {circuit.row_of[key], circuit.column_of[key]}
    for place in fault.at:
        words = place.split()
        if words[0] in ("row", "column"):
            if " ".join(words[:2]) in lines:
                return True
        elif words[0] in keys:
            return True
        elif not keys and words[0] in circuit.parts:
            own = {circuit.row_of[words[0]], circuit.column_of[words[0]]}
            if own & lines:
                return True
    return False


def _best(
    shows: Mapping[Fault, Mapping[MeterReading, str]],
    odd: Sequence[MeterReading],
    priors: Priors,
) -> tuple[Fault, ...]:
    """The faults that explain the most of the odd readings, all of them the same ones, likeliest
    first; empty if none explains any."""
    explained = {
        fault: frozenset(reading for reading in odd if shown.get(reading) == reading.seen)
        for fault, shown in shows.items()
    }
    if not any(explained.values()):
        return ()
    ranked = sorted(
        explained, key=lambda fault: (-len(explained[fault]), -priors.probability(fault), fault)
    )
    most = explained[ranked[0]]
    return tuple(fault for fault in ranked if explained[fault] == most)[:MOST_SUSPECTS]


# --- readings in volts --------------------------------------------------------------------------


def _strange_volts(answers: Mapping[str, Answer], told: set[str]) -> list[Trouble]:
    """Diodes that conduct as they should, but not like the others."""
    shown = {
        code: answer.readings[0].volts
        for code, answer in answers.items()
        if answer.check.kind == "diode" and WIRE_V <= answer.readings[0].volts < DIODE_V
    }
    middle = median(shown.values()) if len(shown) >= 3 else None
    troubles = []
    for code, volts in shown.items():
        if code in told:
            continue
        if volts < LOW_V:
            what, do = f"{code}: {volts:.2f} V is low for a silicon diode", "Check the part."
        elif middle is not None and abs(volts - middle) >= APART_V:
            what = f"{code}: {volts:.2f} V, where the others are near {middle:.2f} V"
            do = "Reflow its joints and measure again; if it stays so, replace the diode."
        elif volts > HIGH_V:
            what, do = f"{code}: {volts:.2f} V is high for one diode", "Reflow its joints."
        else:
            continue
        troubles.append(Trouble((code,), what, do))
    return troubles


def _words(answer: Answer, reading: MeterReading) -> str:
    shown = "OL" if reading.volts == OL else f"{reading.volts:.2f} V"
    check = answer.check
    if check.kind == "lines":
        other = check.touched[check.tests.index(reading.test)]
        return f"{check.code} against {other}: {shown}"
    exchanged = " with the leads exchanged" if reading.test not in check.tests else ""
    return f"{check.code}: {shown}{exchanged}"
