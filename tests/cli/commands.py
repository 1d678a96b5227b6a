"""Test helper: running keydiag as its users do."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]
SMALL = str(ROOT / "tests" / "board" / "two-by-three.toml")
LEFT = str(ROOT / "fixtures" / "bramblewick-left.toml")


def environment(**more: str) -> dict[str, str]:
    """That of this process, with keydiag found, and no terminal promised."""
    env = {k: v for k, v in os.environ.items() if not k.startswith("KEYDIAG")}
    return {**env, "PYTHONPATH": str(ROOT), "TERM": "dumb", **more}


def keydiag(
    *args: str, stdin: str = "", timeout: float = 60.0, **env: str
) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "keydiag", *args],
        input=stdin,
        capture_output=True,
        text=True,
        timeout=timeout,
        env=environment(**env),
    )


def begun(args: Sequence[str], **env: str) -> subprocess.Popen[str]:
    """Begin a command; whoever asked for it ends it."""
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "keydiag", *args],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(**env),
    )


@contextmanager
def virtual(*args: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A virtual half being served: (the process, its port)."""
    process = begun(["virtual", *args])
    assert process.stdin and process.stdout and process.stderr
    try:
        yield process, process.stdout.readline().strip()
    finally:
        process.kill()
        process.wait(timeout=10)
        for pipe in (process.stdin, process.stdout, process.stderr):
            pipe.close()
