"""The board as nets and parts: lines, joints, stretches, and their addresses."""

from __future__ import annotations

from dataclasses import dataclass

from keydiag.board import Board, crossing, walk
from keydiag.circuit.nets import Fields
from keydiag.circuit.values import Reading


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
        self.fields = Fields(len(self.pins))
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
