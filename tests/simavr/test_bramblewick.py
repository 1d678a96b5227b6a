"""The demo half on the simulated chip: all 41 keys, and faults as the circuit model predicts them.

The simulator's idea of conduction (C, tests/simavr/harness/half.c) and keydiag's own (circuit/)
were written apart; here they have to agree, through the probe's real image.
"""

from collections.abc import Iterable

import pytest

from keydiag import wire
from keydiag.board import crossing, example
from keydiag.circuit import Circuit, Reading
from keydiag.faults import parse_fault, predict
from tests.simavr.bench import Bench
from tests.simavr.from_board import diode, netlist
from tests.simavr.harness import PORTS, SimulatedProbe

BOARD = example("bramblewick-left")
CIRCUIT = Circuit(BOARD)
USE = tuple(sorted(CIRCUIT.pins, key=PORTS.index))


def reading_of(bench: Bench) -> Reading:
    """The settled reading in the circuit's own pin indices."""
    tracked = bench.settled(2)
    index = {PORTS.index(port): i for i, port in enumerate(CIRCUIT.pins)}

    def circuit_mask(mask: int) -> int:
        return sum(1 << index[j] for j in wire.pins_of(mask))

    low = dict(zip(wire.pins_of(bench.tracker.use), tracked.low, strict=True))
    in_order = tuple(circuit_mask(low[PORTS.index(port)]) for port in CIRCUIT.pins)
    return Reading(circuit_mask(tracked.rest), in_order)


def test_every_key_of_bramblewick_left_in_both_directions() -> None:
    with SimulatedProbe(netlist(BOARD), speed=2) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(USE)
        for key in BOARD.key:
            probe.press(key)
            row, column = crossing(BOARD, key)
            assert bench.conducts() == {(BOARD.row[row].pin, BOARD.column[column].pin)}, key
            probe.release(key)
        assert bench.tracker.lost == 0


# The fault in keydiag's words, what it is on the wires, keys that show it and one that does not.
FAULTS = [
    ("L23 switch-column joint open", "cut cw:L23 a:L23", "L23 L22"),
    ("L23 switch-diode joint open", "cut b:L23 c:L23", "L23 L24"),
    ("L23 diode-row joint open", "cut d:L23 rw:L23", "L23 L33"),
    ("L41 diode shorted", "join c:L41 d:L41", "L41 L42"),
    ("L36 switch stuck", "join a:L36 b:L36", "L36 L35 L11"),
    ("row R2 broken between L24 and L23", "cut rw:L24 rw:L23", "L24 L23 L21"),
    ("column C3 lead open", "cut lead:C3 cw:L13", "L13 L53 L54"),
    ("row R1 bridged to row R2", "join rw:L11 rw:L21", "L11 L21 L31"),
    ("row R2 bridged to column C3", "join rw:L22 cw:L23", "L22 L23 L33"),
    ("column C4 shorted to ground", "join cw:L14 GND", "L14 L15"),
    ("row R5 shorted to supply", "join rw:L51 VCC", "L51 L41"),
    ("L23 switch-column joint on column C2", "cut cw:L23 a:L23; join cw:L22 a:L23", "L23 L22 L33"),
    ("L23 node bridged to row R3", "join b:L23 rw:L33", "L23 L33 L32"),
    (
        "row R1 lead and column C2 lead swapped",
        "cut lead:R1 rw:L17; cut lead:C2 cw:L12; join lead:R1 cw:L12; join lead:C2 rw:L17",
        "L12 L11 L22 L33",
    ),
]  # fmt: skip


def agrees(bench: Bench, probe: SimulatedProbe, fault: str, held: Iterable[str]) -> None:
    for key in held:
        probe.press(key)
    expected = predict(CIRCUIT, [parse_fault(CIRCUIT, fault)], held)
    seen = reading_of(bench)
    assert expected.agrees(seen), f"{fault}, held {held}: {seen}, predicted {expected}"
    for key in held:
        probe.release(key)


@pytest.mark.parametrize(("fault", "change", "keys"), FAULTS, ids=[f[0] for f in FAULTS])
def test_a_fault_reads_as_predicted(fault: str, change: str, keys: str) -> None:
    with SimulatedProbe(netlist(BOARD), speed=2) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(USE)
        for command in change.split("; "):
            probe.command(command)
        agrees(bench, probe, fault, ())
        for key in keys.split():
            agrees(bench, probe, fault, (key,))
        agrees(bench, probe, fault, tuple(keys.split()))


def test_a_reversed_diode_reads_as_predicted() -> None:
    half = netlist(BOARD).replace(diode(BOARD, "L23"), diode(BOARD, "L23", turned=True))
    with SimulatedProbe(half, speed=2) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(USE)
        for held in ((), ("L23",), ("L24",), ("L23", "L33", "L34")):
            agrees(bench, probe, "L23 diode reversed", held)
