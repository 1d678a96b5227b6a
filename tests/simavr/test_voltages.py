"""Volts and microseconds: the simulator's own held against ngspice, then the probe's against both.

ngspice is fed the maker's model of a 1N4148 (tests/circuit/spice.py). The figures that the probe
has to live with (20 to 50 kOhm, 200 pF, VIL max 0.9 V, VIH min 1.9 V at 5 V) are in voltage.h, each
with its source.
"""

import functools
import math
import subprocess

import pytest

from keydiag import wire
from keydiag.chips import chips
from tests.circuit.spice import MODELS
from tests.simavr.bench import Bench
from tests.simavr.halves import COLUMN_PORTS, ROW_PORTS, key, matrix, ports
from tests.simavr.harness import PORTS, SimulatedProbe, mask_of

SINK_OHM = 25
PAD_PF = 10
HIGH_MV, SUPPLY_MV = 1900, 5000
# One step of a 10-bit converter at 5 V is 4.9 mV; the simulated one rounds down.
STEP_MV = 5
ROW, COLUMN = PORTS.index(ROW_PORTS[0]), PORTS.index(COLUMN_PORTS[0])


def ngspice(lines: list[str]) -> list[tuple[str, float]]:
    """What its `print` and `meas` said, as (name, value)."""
    text = "\n".join(["* crossing", f".model silicon D({MODELS['nxp']})", *lines, ".end"]) + "\n"
    done = subprocess.run(
        ["ngspice", "-b", "/dev/stdin"], input=text, capture_output=True, text=True, check=False
    )
    said = []
    for line in done.stdout.splitlines():
        name, equals, value = line.partition("=")
        try:
            said.append((name.strip(), float(value.split()[0])))
        except (ValueError, IndexError):
            continue
    assert said, done.stdout + done.stderr
    return said


def series(node: str, drops: int, ohm: float, to: str) -> list[str]:
    """A path of diodes and ohms from `node` into a pin that `to` drives (its node name)."""
    nodes = [node, *(f"{node}d{i}" for i in range(drops)), f"{node}r"]
    lines = [f"D{a}{b} {a} {b} silicon" for a, b in zip(nodes[:-2], nodes[1:-1], strict=True)]
    return [*lines, f"R{node}j {nodes[-2]} {nodes[-1]} {ohm + 1e-3}",
            f"R{node}s {nodes[-1]} {to} {SINK_OHM}"]  # fmt: skip


@functools.cache
def levels(cases: tuple[tuple[int, float, float, float], ...]) -> list[float]:
    """Millivolts at the sensing pad for each (drops, ohm, pull-up ohm, supply mV)."""
    lines = []
    for i, (drops, ohm, pull_up, supply) in enumerate(cases):
        lines += [f"V{i} v{i} 0 {supply / 1000}", f"Rp{i} v{i} s{i} {pull_up}"]
        lines += series(f"s{i}", drops, ohm, "0")
    said = dict(ngspice([*lines, ".control", "op", *(f"print v(s{i})" for i in range(len(cases))),
                         ".endc"]))  # fmt: skip
    return [said[f"v(s{i})"] * 1000 for i in range(len(cases))]


JOINTS = (0, 200, 500, 1000, 2000, 5000)


def crossing_of(drops: int, ohm: float) -> str:
    """One crossing, held: row and column pads with so many diodes and ohms between."""
    nodes = ["b", *(f"d{i}" for i in range(drops)), "a"]
    parts = [f"diode {x} {y}" for x, y in zip(nodes[:-2], nodes[1:-1], strict=True)]
    return "\n".join([f"pin {ROW_PORTS[0]} a", f"pin {COLUMN_PORTS[0]} b", *parts,
                      f"resistor {nodes[-2]} a {ohm}"]) + "\n"  # fmt: skip


def measured(bench: Bench, drive: int = ROW, sense: int = COLUMN) -> int:
    bench.say(wire.Level(drive, sense))
    volt = bench.until_kind(wire.Volt)
    assert isinstance(volt, wire.Volt) and (volt.drive, volt.sense) == (drive, sense)
    return volt.millivolts


@pytest.mark.parametrize("pull_up, supply", [(20_000, 5000), (35_000, 5000), (50_000, 3300)])
def test_levels_of_the_wiring_are_those_of_ngspice(pull_up: int, supply: int) -> None:
    """The simulator's own voltages, the probe's converter and its arithmetic, end to end."""
    wirings = [*((1, ohm) for ohm in JOINTS), (0, 0), (2, 0)]
    expected = levels(tuple((d, ohm, pull_up, supply) for d, ohm in wirings))
    for (drops, ohm), mv in zip(wirings, expected, strict=True):
        half = crossing_of(drops, ohm)
        with (
            SimulatedProbe(half, pull_up_ohm=pull_up, supply_mv=supply) as probe,
            Bench(probe) as bench,
        ):
            bench.hello()
            bench.go((ROW_PORTS[0], COLUMN_PORTS[0]))
            # The supply is measured by the same converter, to 1 part in 225 at 5 V.
            assert abs(measured(bench) - mv) < 2 * STEP_MV + mv / 200, (drops, ohm)


def test_the_level_of_a_slow_line_is_measured_after_it_has_settled() -> None:
    # 5 kOhm into 8 nF: the line takes 35 us for each factor of e, nine of them to a millivolt.
    [mv] = levels(((1, 5000, 35_000, 5000),))
    with SimulatedProbe(crossing_of(1, 5000), line_pf=8000) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go((ROW_PORTS[0], COLUMN_PORTS[0]))
        assert abs(measured(bench) - mv) < 2 * STEP_MV + mv / 200


def test_levels_put_on_the_converter_are_told_in_millivolts_on_every_analogue_input() -> None:
    """ngspice's own voltages on each of the twelve inputs: a resistive joint of 200 ohms shows."""
    analog = chips()["atmega32u4"].analog
    volts = levels(tuple((1, ohm, 35_000, 5000) for ohm in JOINTS))
    assert 505 < volts[0] < 517  # 0.511 V: the figure of the same circuit, worked out elsewhere
    with SimulatedProbe("", speed=2) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(PORTS)
        for port in analog:
            seen = []
            for mv in volts:
                probe.analog(port, round(mv))
                seen.append(measured(bench, PORTS.index("PD0"), PORTS.index(port)))
            assert all(abs(s - mv) <= STEP_MV + 2 for s, mv in zip(seen, volts, strict=True)), seen
            # Against the good crossing: 200 ohms by four steps, 1 kOhm by more than 0.1 V.
            assert seen[1] - seen[0] >= 20 and seen[3] - seen[0] >= 100
            probe.analog(port, -1)


@pytest.mark.parametrize("supply_mv", [2700, 3300, 4500, 5000, 5250])
def test_the_supply_is_measured_by_the_internal_reference(supply_mv: int) -> None:
    # By a converter of 10 bits that sees 1.1 V: one step of 225 at 5 V, of 417 at 2.7 V.
    with SimulatedProbe("", supply_mv=supply_mv, vih_mv=1400) as probe, Bench(probe) as bench:
        assert abs(bench.hello().vcc_mv - supply_mv) <= supply_mv**2 / (1100 * 1024) + 5


# --- time ---


@functools.cache
def rise_us(pf: float, pull_up: float) -> float:
    """Microseconds from the release of a line until it is at VIH min, by ngspice."""
    lines = [
        f"V1 vcc 0 {SUPPLY_MV / 1000}", f"Rp vcc s {pull_up}", f"C1 s 0 {pf}p IC=0",
        ".tran 5n 200u UIC", f".meas tran rise WHEN v(s)={HIGH_MV / 1000} RISE=1",
    ]  # fmt: skip
    return dict(ngspice(lines))["rise"] * 1e6


def test_a_bare_pad_a_wire_and_a_long_wire_rise_as_ngspice_says() -> None:
    picofarads = {"PF4": 30, "PF5": 80, "PF6": 200, "PF7": 1000, "PD0": 4000}
    picofarads |= {f"PB{i}": 20 * i + 20 for i in range(8)}
    half = "".join(f"pin {p} {p}\ncapacitance {p} {pf}\n" for p, pf in picofarads.items())
    use = tuple(sorted((*picofarads, "PD1"), key=PORTS.index))  # nothing is on PD1
    with SimulatedProbe(half, pull_up_ohm=50_000) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(use)
        told = next(m for m in bench.heard if isinstance(m, wire.Rise))
        pace = next(m for m in bench.heard if isinstance(m, wire.Pace))
    by_port = dict(zip(use, told.ns, strict=True))
    slowest, off = 0.0, []
    for port in use:
        expected = 1000 * rise_us(PAD_PF + picofarads.get(port, 0), 50_000)
        slowest = max(slowest, expected)
        # Samples are an eighth of a microsecond apart up to 0.6 us, then half a microsecond; told
        # is the first that was high, never earlier than the line was.
        step = 125 if expected < 500 else 500
        off.append((by_port[port] - expected) / step)
    assert min(off) >= 0 and max(off) <= 1.05, off
    assert by_port["PD1"] < by_port["PF4"] < by_port["PF5"] < by_port["PF6"]
    assert slowest > 90_000
    assert 0 <= pace.settle_us - 1.5 * slowest / 1000 <= 2


def test_a_line_that_does_not_rise_in_time_is_told_as_such_and_not_waited_for() -> None:
    half = "pin PF4 a\ncapacitance a 20000\npin PF5 b\nwire b GND\npin PF6 c\nwire c VCC\n"
    with SimulatedProbe(half) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(("PF4", "PF5", "PF6", "PF7"))
        assert next(m for m in bench.heard if isinstance(m, wire.Rise)).ns[:3] == (0, 0, 0)
        assert next(m for m in bench.heard if isinstance(m, wire.Pace)).settle_us == 10


# A line of 200 pF on 50 kOhm (the slowest that the 32U4's datasheet and the electrical figures
# allow) and one of 2 nF.
@pytest.mark.parametrize("line_pf", [50, 200, 2000])
def test_the_settle_time_is_enough_for_every_line(line_pf: int) -> None:
    use = ports(2, 3)
    with SimulatedProbe(matrix(2, 3), line_pf=line_pf, pull_up_ohm=50_000) as probe:
        with Bench(probe) as bench:
            bench.hello()
            assert bench.go(use).low == tuple(mask_of(p) for p in use)
            for r, c in ((1, 1), (2, 3)):
                probe.press(key(r, c))
                assert bench.conducts() == {(ROW_PORTS[r - 1], COLUMN_PORTS[c - 1])}
                probe.release(key(r, c))
            assert bench.conducts() == set()


def test_one_slow_line_is_enough_to_slow_down_all() -> None:
    half = matrix(2, 3) + "capacitance c2 4000\n"
    with SimulatedProbe(half) as probe, Bench(probe) as bench:
        bench.hello()
        assert bench.go(ports(2, 3)).low == tuple(mask_of(p) for p in ports(2, 3))
        slow_us = 35e3 * (4000 + PAD_PF) * 1e-6 * math.log(SUPPLY_MV / (SUPPLY_MV - HIGH_MV))
        pace = next(m for m in bench.heard if isinstance(m, wire.Pace))
        assert 0 <= pace.settle_us - 1.5 * slow_us <= 2


@pytest.mark.parametrize(
    ("settle_us", "line_pf", "reads_well"),
    [(1, 200, True), (1, 800, False), (10, 800, True), (10, 2000, False), (60, 2000, True)],
)
def test_too_short_a_settle_time_fails_here(settle_us, line_pf, reads_well) -> None:
    """A sketch that waits a fixed time, and does not read again, is caught by its lines' RC.

    50 kOhm and 210 pF: 5 us to VIH; 810 pF: 19 us; 2010 pF: 48 us. From the release of a line to
    the reading of the next, one settle time and about 12 us of the sketch's own work."""
    fixed = (f"PROBE_SETTLE_MIN_US={settle_us}", f"PROBE_SETTLE_MAX_US={settle_us}")
    use = ports(2, 3)
    with (
        SimulatedProbe(
            matrix(2, 3),
            line_pf=line_pf,
            pull_up_ohm=50_000,
            defines=(*fixed, "PROBE_READ_AGAIN=0"),
        ) as probe,
        Bench(probe) as bench,
    ):
        bench.hello()
        assert (bench.go(use).low == tuple(mask_of(p) for p in use)) == reads_well
