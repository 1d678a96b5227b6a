"""Small halves as netlists for the simulator, with faults written into the wiring by hand.

A matrix of rows and columns with one diode per key, on the row side, cathode toward the row:
column - switch - node - diode - row. Rows are chained from key to key (r1.1 - r1.2 - ...), so that
a stretch can be cut; columns are one net.
"""

from __future__ import annotations

from tests.simavr.harness import PORTS

# Eighteen pads: 8 rows, 10 columns.
ROW_PORTS = ("PD1", "PD0", "PD4", "PC6", "PD7", "PE6", "PB4", "PB5")
COLUMN_PORTS = ("PF4", "PF5", "PF6", "PF7", "PB1", "PB3", "PB2", "PB6", "PF0", "PF1")


def key(row: int, column: int) -> str:
    """Name of the key (and its switch) at a crossing, both counted from 1."""
    return f"K{row}{column}"


def stretch(row: int, column: int) -> tuple[str, str]:
    """The two nodes of the stretch of a row between `column` and the next."""
    return f"r{row}.{column}", f"r{row}.{column + 1}"


def matrix(rows: int, columns: int, *, reversed_diodes: tuple[str, ...] = ()) -> str:
    """Netlist of a healthy half, but for diodes soldered the wrong way round."""
    lines = [f"pin {ROW_PORTS[r - 1]} r{r}.1" for r in range(1, rows + 1)]
    lines += [f"pin {COLUMN_PORTS[c - 1]} c{c}" for c in range(1, columns + 1)]
    for r in range(1, rows + 1):
        lines += ["wire {} {}".format(*stretch(r, c)) for c in range(1, columns)]
        for c in range(1, columns + 1):
            name, node = key(r, c), f"n{r}.{c}"
            ends = (node, f"r{r}.{c}")
            if name in reversed_diodes:
                ends = ends[::-1]
            lines += [f"switch {name} c{c} {node}", "diode {} {}".format(*ends)]
    return "\n".join(lines) + "\n"


def ports(rows: int, columns: int) -> tuple[str, ...]:
    """The pads in use, in probe pin order."""
    return tuple(sorted((*ROW_PORTS[:rows], *COLUMN_PORTS[:columns]), key=PORTS.index))
