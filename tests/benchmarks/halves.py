"""The halves the benchmark plays on; those for tuning and those for reporting are never the same.

Not here: the faults they get, and the hands that press them (`cases`).
"""

from __future__ import annotations

from typing import Literal

from keydiag.board import Board, Key, Line, dumps, example, loads
from keydiag.board.new import Plan, new_board
from keydiag.circuit import Circuit

PITCH = 19.05  # mm
PORTS = (
    "PD1", "PD0", "PD4", "PC6", "PD7", "PE6", "PB4", "PB5",
    "PF4", "PF5", "PF6", "PF7", "PB1", "PB3", "PB2", "PB6",
)  # fmt: skip


def for_reporting() -> dict[str, Circuit]:
    """Halves the figures in README.md are from."""
    return {
        "block 5x7": block(5, 7),
        "block 5x9": block(5, 9, cathode_at="column", diode_side="column", styles="chain"),
        "Bramblewick left": Circuit(example("bramblewick-left")),
        "Bramblewick right": Circuit(turned(example("bramblewick-right"))),
        "irregular": irregular([6, 7, 5, 7, 4, 6], "through", "chain"),
    }


def for_tuning() -> dict[str, Circuit]:
    """Halves to look at while the engine is worked on."""
    return {
        "block 4x8": block(4, 8),
        "block 6x6": block(6, 6, cathode_at="column", styles="through"),
        "thumbs 4x7": block(4, 7, diode_side="column", thumbs=(0.0, 12.0, 25.0)),
        "irregular": irregular([5, 6, 7, 6, 3], "chain", "through"),
    }


def large() -> Circuit:
    """128 keys."""
    return block(8, 16)


def block(
    rows: int,
    columns: int,
    cathode_at: Literal["row", "column"] = "row",
    diode_side: Literal["row", "column"] = "row",
    styles: Literal["chain", "through", "mixed"] = "mixed",
    thumbs: tuple[float, ...] = (),
) -> Circuit:
    """A block of keys; "mixed" is chained rows and continuous columns."""
    name = f"block {rows} x {columns}"
    board = loads(
        new_board(
            Plan(
                name=name,
                rows=rows,
                columns=columns,
                cathode_at=cathode_at,
                diode_side=diode_side,
                thumbs=thumbs,
            )
        )
    )
    if styles != "mixed":
        board = board.model_copy(
            update={"row": _styled(board.row, styles), "column": _styled(board.column, styles)}
        )
    return Circuit(loads(dumps(board)))


def _styled(lines: dict[str, Line], style: str) -> dict[str, Line]:
    return {name: line.model_copy(update={"style": style}) for name, line in lines.items()}


def turned(board: Board) -> Board:
    """The same half with every diode the other way round."""
    other = {"row": "column", "column": "row"}
    return loads(dumps(board.model_copy(update={"cathode_at": other[board.cathode_at]})))


def irregular(
    lengths: list[int],
    row_style: Literal["chain", "through"],
    column_style: Literal["chain", "through"],
) -> Circuit:
    """Rows of unequal length, staggered; every row's lead arrives in its middle and the wire goes
    both ways; every second column has a branch."""
    keys: dict[str, Key] = {}
    on_row: dict[str, list[str]] = {}
    on_column: dict[str, list[str]] = {}
    for r, length in enumerate(lengths, 1):
        for c in range(1, length + 1):
            key = f"M{r}{c}"
            x, y = (c - 1) * PITCH + 3.0 * (r % 3), (r - 1) * PITCH + 2.5 * (c % 2)
            keys[key] = Key(at=(round(x, 2), round(y, 2)))
            on_row.setdefault(f"R{r}", []).append(key)
            on_column.setdefault(f"C{c}", []).append(key)
    ports = iter(PORTS)

    def line(path: list, style: Literal["chain", "through"]) -> Line:
        return Line(pin=next(ports), style=style, path=path)

    rows = {}
    for name, on in on_row.items():
        middle = len(on) // 2
        rows[name] = line([on[middle], on[:middle][::-1], *on[middle + 1 :]], row_style)
    columns = {}
    for number, (name, on) in enumerate(on_column.items()):
        branch = number % 2 and len(on) > 3
        path = [on[0], on[1], on[2:4], *on[4:]] if branch else list(on)
        columns[name] = line(path, column_style)
    half = Board(
        format=1,
        name="irregular half",
        chip="atmega32u4",
        cathode_at="row",
        diode_side="column",
        row=rows,
        column=columns,
        key=keys,
    )
    return Circuit(loads(dumps(half)))
