"""Runs ngspice on circuits of pull-ups, diodes and resistors; the only place that knows its tongue.

Sources.  NXP: the maker's own model file `1N4148` for its diode, as published (IS=4.352n ...).
General: another 1N4148 model found in general SPICE libraries, with other figures throughout.
Both are models of one and the same part number; a verdict that holds for only one of them is no
verdict.  ngspice is a general simulator (SPICE 3f5 lineage); a missing one fails the tests.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterable

MODELS = {
    "nxp": "IS=4.352E-9 N=1.906 BV=110 IBV=1E-4 RS=0.6458 CJO=7.048E-13 VJ=0.869 M=0.03 FC=0.5"
    " TT=3.48E-9",
    "general": "IS=5.84N N=1.94 RS=.7017 IKF=44.17M CJO=.95P M=.55 VJ=.75 ISR=11.07N NR=2.088"
    " BV=100 IBV=100U TT=11.07N",
}

# A pin's sink: the 32U4 datasheet (Atmel-7766) promises at most 0.7 V at 10 mA, so 70 ohms or less;
# at the 0.25 mA of one pull-up the figure hardly matters.
SINK_OHM = 70.0
# Nothing in air is better insulated than this; it gives the simulator a place for every node.
AIR_OHM = 1e9


class Netlist:
    """Elements between named nodes; node "0" is ground, node "vcc" the supply."""

    def __init__(self, supply_v: float, model: str) -> None:
        self._lines = [f".model silicon D({MODELS[model]})", f"Vsupply vcc 0 {supply_v}"]
        self._nodes: set[str] = set()

    def resistor(self, a: str, b: str, ohms: float) -> None:
        self._add("R", a, b, f"{ohms:g}")

    def diode(self, anode: str, cathode: str) -> None:
        self._add("D", anode, cathode, "silicon")

    def sink(self, node: str) -> None:
        """The output stage of a pin driven low."""
        self.resistor(node, "0", SINK_OHM)

    def _add(self, letter: str, a: str, b: str, value: str) -> None:
        self._nodes |= {a, b}
        if a != b:
            self._lines.append(f"{letter}{len(self._lines)} {a} {b} {value}")

    def solve(self) -> dict[str, float]:
        """Node -> volts at rest (the operating point)."""
        inner = sorted(self._nodes - {"0", "vcc"})
        air = [f"Rair{i} {node} 0 {AIR_OHM:g}" for i, node in enumerate(inner)]
        control = [".control", "op", "print all", ".endc", ".end"]
        text = "\n".join(["* half", *self._lines, *air, *control]) + "\n"
        done = subprocess.run(
            ["ngspice", "-b", "/dev/stdin"], input=text, capture_output=True, text=True, check=False
        )
        volts = dict(_voltages(done.stdout.splitlines()))
        missing = set(inner) - set(volts)
        assert not missing, f"ngspice gave no voltage for {missing}:\n{done.stdout}{done.stderr}"
        return volts | {"0": 0.0}


def _voltages(lines: Iterable[str]) -> Iterable[tuple[str, float]]:
    """What `print all` says: one "node = volts" a line."""
    for line in lines:
        name, equals, value = line.partition(" = ")
        if equals and name.isidentifier():
            yield name, float(value)
