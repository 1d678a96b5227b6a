"""The map to carry on with: which key closes which two pins, which way, and what was proven of it.

What lives here: a board, and how its keys stood in a test, as plain values, CSV and JSON, in words
of electronics only, so that any program that comes next can read it. What does not: judging a test
(session, diagnosis).
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from typing import Any

from keydiag.board import Board, crossings

FORMAT = "keydiag pin map 1"
_FIELDS = (
    "key", "legend", "row", "column", "row_index", "column_index", "row_pin", "column_pin",
    "anode_pin", "cathode_pin", "x", "y", "turn", "proven",
)  # fmt: skip


def pin_map(
    board: Board, proven: Mapping[str, bool] | None = None, verdict: str | None = None
) -> dict[str, Any]:
    """The whole map as plain values, ready for JSON.

    Args:
        board: the half.
        proven: key -> whether a test saw it close its own crossing, one way and nothing else; None
            where there was no test, so that the map is only what the board file says.
        verdict: the verdict of that test.

    Returns:
        ``lines`` (rows, then columns, in file order) and ``keys`` (in the order of the board).
        Indices count from 0 in the order of the lines. Current flows through a held key from its
        ``anode_pin`` to its ``cathode_pin``. Places in mm and turns in degrees, as in board files.
    """
    rows, columns = list(board.row), list(board.column)
    keys = []
    for name, (row, column) in crossings(board).items():
        pins = {"row": board.row[row].pin, "column": board.column[column].pin}
        key = board.key[name]
        keys.append(
            {
                "key": name,
                "legend": key.legend,
                "row": row,
                "column": column,
                "row_index": rows.index(row),
                "column_index": columns.index(column),
                "row_pin": pins["row"],
                "column_pin": pins["column"],
                "anode_pin": pins[_anode(board)],
                "cathode_pin": pins[board.cathode_at],
                "x": key.at[0],
                "y": key.at[1],
                "turn": key.turn,
                "proven": None if proven is None else proven.get(name, False),
            }
        )
    return {
        "format": FORMAT,
        "half": board.name,
        "chip": board.chip,
        "diodes": {
            "anode_at": _anode(board),
            "cathode_at": board.cathode_at,
            "between": ["switch", board.diode_side],
        },
        "test": None if proven is None else {"verdict": verdict, "proven": sum(proven.values())},
        "lines": [
            {"line": name, "kind": kind, "index": index, "pin": line.pin}
            for kind, group in (("row", board.row), ("column", board.column))
            for index, (name, line) in enumerate(group.items())
        ],
        "keys": keys,
    }


def _anode(board: Board) -> str:
    return "column" if board.cathode_at == "row" else "row"


def as_json(table: Mapping[str, Any]) -> str:
    """A map as JSON text."""
    return json.dumps(table, indent=2, ensure_ascii=False) + "\n"


def as_csv(table: Mapping[str, Any]) -> str:
    """The keys of a map as a table with one key per line; proven is yes, no or nothing."""
    out = io.StringIO()
    writer = csv.DictWriter(out, _FIELDS, lineterminator="\n")
    writer.writeheader()
    said = {None: "", True: "yes", False: "no"}
    for key in table["keys"]:
        writer.writerow({**key, "proven": said[key["proven"]]})
    return out.getvalue()
