"""The wheel holds all that the tool needs: it runs from an unpacked wheel, far from the tree."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", str(folder)]
    subprocess.run([*command, str(ROOT)], check=True)
    [wheel] = folder.glob("keydiag-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def keydiag(site: Path, *args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "keydiag", *args],
        cwd=site.parent,  # neither the tree nor the wheel itself
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_data_files_travel_in_the_wheel(unpacked: Path) -> None:
    for name in (
        "_shared/chips.toml",
        "_shared/wire-v1.md",
        "_fixtures/bramblewick-left.toml",
        "_fixtures/bramblewick-right.toml",
        "faults/priors.toml",
        "screen/bench.tcss",
        "_images/probe-atmega32u4.hex",
        "_images/NOTICE.txt",
        "_sketch/firmware_probe/firmware_probe.ino",
        "_sketch/firmware_probe/scanner.cpp",
    ):
        assert (unpacked / "keydiag" / name).is_file(), name


def test_the_example_boards_of_the_wheel_are_sound(unpacked: Path) -> None:
    for name in ("bramblewick-left", "bramblewick-right"):
        half = unpacked / "keydiag" / "_fixtures" / f"{name}.toml"
        checked = keydiag(unpacked, "board", "check", str(half))
        assert checked.returncode == 0, checked.stderr


def test_the_demo_runs_from_the_wheel(unpacked: Path) -> None:
    shown = keydiag(unpacked, "demo", "--plain", "--fault", "L23 diode reversed")
    assert "L23 diode reversed" in shown.stdout, shown.stderr
    assert "this half passes" in shown.stdout
    where = subprocess.run(
        [sys.executable, "-c", "import keydiag; print(keydiag.__file__)"],
        cwd=unpacked.parent,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert str(unpacked) in where.stdout
