"""What was learned, as a board file and in words: what is proven, proposed, and not to be known.

The file describes the half as it is meant to be; what deviates from that is a finding of the
diagnosis, which holds the same readings against this board.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from keydiag.board import Board, Key, loads
from keydiag.board.new import Plan, chip_of, write_board
from keydiag.circuit import Circuit, Reading
from keydiag.diagnosis import Diagnosis, diagnose
from keydiag.diagnosis.words import list_words
from keydiag.learn.answers import Rest
from keydiag.learn.infer import Learned, LearnedLine
from keydiag.learn.mend import BRIDGED, EXCHANGED, ODD, SAME, SILENT, UNCLEAR
from keydiag.observe import Observation

_HEAD = """\
{name}, learned from its wires by keydiag.
Check it with: keydiag board check FILE      See it with: keydiag board draw FILE

Measured: the pin of every line, the crossing of every key, cathode_at. Proposed, as no reading
tells it: the order along every path and where its lead arrives, style, diode_side. Correct what is
different on your half: it says where a break is looked for."""


_LEFT_OUT = {
    SILENT: "which gave no sign, and the keys around leave no place",
    SAME: "on crossings that other keys have, and the keys around leave no other place",
    BRIDGED: "on a bridged net that cannot be taken apart; clear the bridge",
    UNCLEAR: "as it is not clear which answers are theirs; press the keys that are asked for alone",
}


@dataclass(frozen=True)
class Result:
    """A learned half: its board file, and what is wrong with it."""

    board: Board
    text: str
    """The board file, commented."""
    diagnosis: Diagnosis
    notes: tuple[str, ...]
    """What was guessed, left out or is not sure, one sentence each."""
    remarks: tuple[str, ...]
    """What is unusual, but may be meant so."""

    @property
    def clean(self) -> bool:
        """True if everything was measured and nothing is wrong."""
        return self.diagnosis.verdict == "pass" and not self.notes


def write(
    learned: Learned,
    keys: Mapping[str, Key],
    ports: Sequence[str],
    plan: Plan,
    rest: Rest,
    seen: Sequence[Observation],
    placed: bool = True,
) -> Result:
    """A board file for what was learned, held against everything that was seen.

    Args:
        learned: see ``infer.infer``.
        keys: all keys with their places, in the order in which they were asked for.
        ports: the port of every pin that was read; readings are masks over these.
        plan: name, chip, side of the diodes, where leads arrive, controller.
        rest: the rest reading, sorted out.
        seen: rest and every key that was pressed, over ``ports``.
        placed: the places are real ones; if not, keys are put where their lines cross.
    """
    pitch = plan.pitch
    spots: dict[str, tuple[int, int]] = {}
    for key in keys:
        spot = learned.crossing(key)
        if spot is not None:
            spots[key] = spot
    if not placed:
        keys = {
            key: Key(at=(round(c * pitch, 2), round(r * pitch, 2))) for key, (r, c) in spots.items()
        }
    on_row = _paths("R", learned.rows, keys, 0, plan.lead == "right")
    on_column = _paths("C", learned.columns, keys, 1, False)
    plan = replace(
        plan,
        cathode_at="row" if learned.cathode_at == "row" else "column",
        row_pins=tuple(ports[line.pin] for line in learned.rows),
        column_pins=tuple(ports[line.pin] for line in learned.columns),
    )
    known = {key: keys[key] for key in keys if key in spots}
    notes = (*_notes(learned, ports, on_row, on_column), *rest_notes(rest, ports))
    remarks = _remarks(learned)
    told = "".join(f"\n\n{each}" for each in (*notes, *remarks))
    head = _HEAD.format(name=plan.name) + told
    text = write_board(plan, chip_of(plan), known, on_row, on_column, head)
    half = loads(text, "learned board")
    diagnosis = diagnose(*_as_seen(half, ports, seen))
    return Result(half, text, diagnosis, notes, remarks)


def _paths(
    letter: str,
    lines: Sequence[LearnedLine],
    keys: Mapping[str, Key],
    axis: int,
    from_the_far_end: bool,
) -> dict[str, list[str]]:
    """Line -> its keys in a likely order: along the axis, from the end where the lead arrives."""
    sign = -1.0 if from_the_far_end else 1.0
    return {
        f"{letter}{number}": sorted(line.keys, key=lambda key: sign * keys[key].at[axis])
        for number, line in enumerate(lines, start=1)
    }


def _as_seen(
    half: Board, ports: Sequence[str], seen: Sequence[Observation]
) -> tuple[Circuit, list[Observation]]:
    """The circuit, and the readings of its pins in its own order."""
    circuit = Circuit(half)
    place = [ports.index(port) for port in circuit.pins]

    def mask(bits: int) -> int:
        return sum((bits >> pin & 1) << n for n, pin in enumerate(place))

    def reading(old: Reading) -> Reading:
        return Reading(mask(old.rest), tuple(mask(old.low[pin]) for pin in place))

    out = [
        replace(each, reading=reading(each.reading), unsteady=())
        for each in seen
        if all(key in half.key for key in each.held)
    ]
    return circuit, out


# --- words --------------------------------------------------------------------------------------


def _remarks(learned: Learned) -> tuple[str, ...]:
    if not learned.unusual:
        return ()
    return (
        f"On no row of the keys beside, or no column of the keys above and below: "
        f"{list_words(learned.unusual, 12)}. Meant so? If not, a joint is on a wrong line.",
    )


def rest_notes(rest: Rest, ports: Sequence[str]) -> tuple[str, ...]:
    """Pins that say the same whatever is pressed."""
    notes = []
    if rest.grounded:
        pins, many = list_words([ports[pin] for pin in sorted(rest.grounded)]), len(rest.grounded)
        are, them = ("read", "one of them") if many > 1 else ("reads", "it")
        notes.append(
            f"{pins} {are} low with nothing driven: if a lead is on {them}, its line touches "
            "ground; if not, the controller itself holds it there."
        )
    if rest.high:
        pins, many = list_words([ports[pin] for pin in sorted(rest.high)]), len(rest.high)
        are, them = ("stay", "one of them") if many > 1 else ("stays", "it")
        notes.append(
            f"{pins} {are} high while driven low. Unplug. If a lead is on {them}, look for a "
            "short to the supply; if not, leave it out of the reading (--not)."
        )
    return tuple(notes)


def _notes(
    learned: Learned,
    ports: Sequence[str],
    on_row: Mapping[str, Sequence[str]],
    on_column: Mapping[str, Sequence[str]],
) -> tuple[str, ...]:
    notes = []
    for lines, names in ((learned.rows, on_row), (learned.columns, on_column)):
        for line, name in zip(lines, names, strict=True):
            if line.bridged:
                pins = list_words([ports[line.pin], *(ports[pin] for pin in line.bridged)])
                notes.append(
                    f"{name}: {pins} are one net; which of them is its pin cannot be told before "
                    "the bridge is cleared. Then learn again."
                )
    for reason, words in (
        (SILENT, "no sign from"),
        (SAME, "on a crossing that another key has:"),
        (ODD, "on another line than the keys around:"),
        (EXCHANGED, "as if they had changed places:"),
    ):
        keys = [key for key, why in learned.guessed.items() if why == reason]
        if keys:
            notes.append(
                f"{words[0].upper()}{words[1:]} {list_words(keys, 12)}. In the file where the keys "
                "around leave a place."
            )
    left: dict[str, list[str]] = {}
    for key, why in learned.left_out.items():
        left.setdefault(why, []).append(key)
    for why, keys in left.items():
        note = f"Not in the file: {list_words(keys, 12)}, {_LEFT_OUT[why]}."
        if why == SILENT and len(keys) > 2:
            note += " Are they one row or column? Then look at its lead and its pin first."
        notes.append(f"{note} Then learn again.")
    return tuple(notes)
