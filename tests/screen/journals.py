"""Test helper: journals of real sessions, made on a virtual half in no time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from keydiag import board
from keydiag.bench import Bench
from keydiag.cli.demo_hands import DemoHalf, Hands
from keydiag.faults import parse_fault
from keydiag.journal import Writer
from keydiag.plain import over
from keydiag.session import Session

ROOT = Path(__file__).parents[2]
SMALL = ROOT / "tests" / "board" / "two-by-three.toml"
LEFT = ROOT / "fixtures" / "bramblewick-left.toml"


def record(path: Path, board_file: Path, faults: Sequence[str], mend: bool = False) -> Path:
    """A sweep of a half with these faults; with `mend`, repairs and retests to the sign-off."""
    text = board_file.read_text("utf-8")
    session = Session(board.loads(text, str(board_file)))
    half = DemoHalf(session.circuit, [parse_fault(session.circuit, f) for f in faults], 0, "fast")
    bench = Bench(session, half, Writer.create(path, text), port="virtual")
    bench.watchers.append(Hands(half).follow)
    with bench:
        bench.open()
        bench.run(over)
        while mend and session.step != "signed-off":
            bench.command("rework")
            bench.step(0.0)
            bench.run(over)
    return path
