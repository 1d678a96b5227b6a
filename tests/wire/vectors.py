"""Reads shared/wire-v1-vectors.txt (its format stands in its own head) for the tests."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from pathlib import Path

from keydiag import wire

PATH = Path(__file__).resolve().parents[2] / "shared" / "wire-v1-vectors.txt"


@dataclass(frozen=True)
class Vector:
    label: str
    sender: str
    line: bytes  # without the newline
    means: str | None
    bad: str | None


def _bytes(text: str) -> bytes:
    return re.sub(r"\\x([0-9A-F]{2})", lambda m: chr(int(m[1], 16)), text).encode("latin-1")


def read() -> list[Vector]:
    """Every vector, in file order. Raises KeyError or ValueError on a badly written block."""
    found = []
    for block in re.split(r"\n\n+", PATH.read_text("ascii")):
        lines = [ln for ln in block.splitlines() if ln and not ln.startswith("#")]
        if not lines:
            continue
        # Values begin in column 8, so that spaces at either end of a line count.
        f = {ln[:7].rstrip(": "): ln[7:] for ln in lines}
        if len(f) != 4 or len(lines) != 4:
            raise ValueError(f"badly written vector: {block!r}")
        found.append(Vector(f["label"], f["from"], _bytes(f["line"]), f.get("means"), f.get("bad")))
    return found


def words(msg: wire.Message) -> str:
    """A message in the notation of the vectors' `means:`."""
    mask = "{:X}".format
    values: dict[str, object] = {f.name: getattr(msg, f.name) for f in fields(msg)}
    match msg:
        case wire.Scan():
            values.update(rest=mask(msg.rest), low=",".join(map(mask, msg.low)))
        case wire.Diff():
            values["rest"] = "-" if msg.rest is None else mask(msg.rest)
            values["changes"] = ",".join(f"{i}:{m:X}" for i, m in msg.changes) or "-"
        case wire.Same():
            values["crc"] = f"{msg.crc:04X}"
        case wire.Rise():
            values["ns"] = ",".join(map(str, msg.ns))
        case wire.Edges():
            values["closed"] = int(msg.closed)
            values["at_us"] = ",".join(map(str, msg.at_us)) or "-"
        case wire.Use():
            values["mask"] = mask(msg.mask)
    return " ".join([msg.WORD, *(f"{k}={v}" for k, v in values.items())])
