"""Compiles the probe's plain C++ on the host with g++, once per test run. Never skips."""

from __future__ import annotations

import atexit
import functools
import shutil
import subprocess
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SKETCH = ROOT / "firmware_probe"
HOST = Path(__file__).resolve().parent / "host"

# What the sketch is built from without a board: gnu++11, as the Arduino core's platform.txt says.
PLAIN = tuple(SKETCH / f"{name}.cpp" for name in ("command", "line_writer", "scanner", "probe"))
FLAGS = ("-std=gnu++11", "-O1", "-g", "-Wall", "-Wextra", "-Werror", f"-I{SKETCH}", f"-I{HOST}")


@functools.cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="keydiag-firmware-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@functools.cache
def compile_host(name: str, sources: tuple[Path, ...], flags: tuple[str, ...] = ()) -> Path:
    """The program or library `name` from `sources`. RuntimeError with the compiler's words."""
    out = _folder() / name
    done = subprocess.run(
        ["g++", *FLAGS, *flags, *sources, "-o", out], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(f"{name} does not build:\n{done.stderr}")
    return out


def run(command: list[str | Path]) -> str:
    """Standard output of a program that must succeed."""
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command[0]}:\n{done.stdout}{done.stderr}"
    return done.stdout
