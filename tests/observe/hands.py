"""Test helper: a small half, and press events as an Observer would give them.

The half has three rows of four keys, swept row by row; key "b3" stands on row B and column Y.

      W   X   Y   Z
    a1  a2  a3  a4   A
    b1  b2  b3  b4   B
    c1  c2  c3  c4   C
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from keydiag import board
from keydiag.circuit import Circuit, Reading
from keydiag.faults import pack, parse_fault, predict
from keydiag.observe import REST, Bit, PressEvent, RestState
from keydiag.observe.sweep import Sweep

ROWS, COLUMNS = "ABC", "WXYZ"
PINS = ["PB0", "PB1", "PB2", "PF4", "PF5", "PF6", "PF7"]


def small_half() -> Circuit:
    out = ['format = 1\nname = "small"\nchip = "atmega32u4"']
    out.append('cathode_at = "row"\ndiode_side = "row"')
    for n, row in enumerate(ROWS):
        path = ", ".join(f'"{row.lower()}{n}"' for n in (1, 2, 3, 4))
        out.append(f'[row.{row}]\npin = "{PINS[n]}"\nstyle = "chain"\npath = [{path}]')
    for n, column in enumerate(COLUMNS):
        path = ", ".join(f'"{r.lower()}{n + 1}"' for r in ROWS)
        out.append(f'[column.{column}]\npin = "{PINS[3 + n]}"\nstyle = "through"\npath = [{path}]')
    for y, row in enumerate(ROWS):
        for x in range(4):
            out.append(f"[key.{row.lower()}{x + 1}]\nat = [{x * 19.05}, {y * 19.05}]")
    return Circuit(board.loads("\n".join(out) + "\n", "small"))


def departed(reading: Reading, rest: Reading) -> frozenset[Bit]:
    pins = len(reading.low)
    xor = pack(reading) ^ pack(rest)
    return frozenset(
        (REST if i == 0 else i - 1, j)
        for i in range(pins + 1)
        for j in range(pins)
        if xor >> i * pins + j & 1
    )


class Hands:
    """Presses keys of a half with faults; counts the events and the time."""

    def __init__(self, circuit: Circuit, faults: Iterable[str] = ()) -> None:
        self.circuit = circuit
        self.faults = [parse_fault(circuit, text) for text in faults]
        self.rest = predict(circuit, self.faults, frozenset()).as_reading()
        self.numbers = 0
        self.t_us = 300_000

    def press(self, *held: str, steady: bool = True) -> Iterator[PressEvent]:
        """The event of pressing these keys at once; none if nothing shows."""
        reading = predict(self.circuit, self.faults, frozenset(held)).as_reading()
        self.t_us += 250_000
        bits = departed(reading, self.rest)
        if not bits:
            return
        self.numbers += 1
        gone = frozenset(
            (i, j) for i, j in bits if not (reading.rest if i == REST else reading.low[i]) >> j & 1
        )
        yield PressEvent(
            self.numbers, self.t_us, self.t_us + 80_000, True, steady, reading, self.rest, bits,
            gone, (), 80_000, 80, (),
        )  # fmt: skip

    def sweep(self, keys: str | Iterable[str]) -> Sweep:
        """Press these keys one after the other ("a1 a2 b3"), in a sweep of the whole half."""
        sweep = Sweep(self.circuit)
        sweep.note_rest(RestState(200_000, self.rest, True))
        self.go_on(sweep, keys)
        return sweep

    def go_on(self, sweep: Sweep, keys: str | Iterable[str]) -> None:
        for key in keys.split() if isinstance(keys, str) else keys:
            for event in self.press(*key.split("+")):
                sweep.feed(event)

    def confirm(self, sweep: Sweep, keys: str | Iterable[str] | None = None) -> None:
        """Follow what the sweep asks for, or press something else."""
        asked = sweep.ask()
        sweep.begin_round(asked, self.t_us)
        self.go_on(sweep, asked if keys is None else keys)
