"""A virtual half, swept to its findings, and the journal of it: for tests that start from one."""

from pathlib import Path

from keydiag import board
from keydiag.bench import Bench
from keydiag.circuit import Circuit
from keydiag.faults import parse_fault
from keydiag.journal import Writer
from keydiag.plain import over
from keydiag.session import Session
from keydiag.sources.hands import HandScript
from keydiag.sources.virtual import VirtualSource
from keydiag.sources.virtual_half import VirtualHalf


def sweep(half: board.Board, faults: list[str], journal: Path | None = None, seed: int = 1):
    """The session after one sweep of this half with these faults."""
    circuit = Circuit(half)
    virtual = VirtualHalf(circuit, [parse_fault(circuit, words) for words in faults], seed=seed)
    source = VirtualSource(virtual, HandScript.sweep(circuit.keys, seed))
    writer = None if journal is None else Writer.create(journal, board.dumps(half))
    session = Session(half)
    with Bench(session, source, writer, idle_s=5.0) as bench:
        bench.open()
        bench.run(over)
    return session
