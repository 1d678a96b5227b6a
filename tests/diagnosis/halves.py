"""Test helper: halves with faults, and the observations a clean sweep of them gives.

No test framework here: the benchmark uses it too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from keydiag.board import Board, example, loads
from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnosis, Finding
from keydiag.diagnosis.posterior import Explained
from keydiag.faults import Fault, parse_fault, predict
from keydiag.observe import Observation

_TEXT = (Path(__file__).parents[1] / "circuit" / "two-by-three.toml").read_text("utf-8")


def small(cathode_at: str = "row", diode_side: str = "row") -> Board:
    """Two rows, three columns, six keys K11 to K23; see the file."""
    text = _TEXT.replace('cathode_at = "row"', f'cathode_at = "{cathode_at}"')
    return loads(text.replace('diode_side = "row"', f'diode_side = "{diode_side}"'))


def bramblewick(side: str = "left") -> Board:
    return example(f"bramblewick-{side}")


def press(
    circuit: Circuit, faults: Iterable[Fault], *held: str, confidence: float = 1.0, t_us: int = 0
) -> Observation:
    """What is read with these keys held (none: at rest); bits in doubt read high."""
    reading = predict(circuit, faults, held).as_reading()
    origin = ("rest", "sweep", "chord")[min(2, len(held))]
    return Observation(held, reading, (), t_us, 50, origin, confidence)


def sweep(
    circuit: Circuit, faults: Iterable[Fault], keys: Sequence[str] | None = None
) -> list[Observation]:
    """Rest, then every key on its own, in board order."""
    faults = tuple(faults)
    asked = circuit.keys if keys is None else keys
    return [press(circuit, faults)] + [
        press(circuit, faults, key, t_us=1 + n) for n, key in enumerate(asked)
    ]


def named(circuit: Circuit, *texts: str) -> list[Fault]:
    """The faults of these names."""
    return [parse_fault(circuit, text) for text in texts]


def members(finding: Finding) -> set[Fault]:
    return {Fault(m.kind, m.at) for m in finding.members}


def marginals(groups: Iterable[Explained]) -> dict[Fault, float]:
    """Probability of each fault that occurs in any hypothesis of any of these groups."""
    out: dict[Fault, float] = {}
    for group in groups:
        for fault, probability in group.marginals().items():
            out[fault] = max(out.get(fault, 0.0), probability)
    return out


def finding_of(diagnosis: Diagnosis, fault: Fault) -> Finding | None:
    """The finding that has this fault among its members."""
    return next((f for f in diagnosis.findings if fault in members(f)), None)
