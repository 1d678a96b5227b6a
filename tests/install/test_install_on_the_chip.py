"""`keydiag probe install` as a whole: the real command, the real avrdude, the probe's real image.

The controller is the simulated chip (tests/simavr), its boot loader a pretended one on a
pseudo-terminal (boot_loader.py). Not run here: a real controller, its real boot loader, a real USB
port that goes and comes.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from keydiag.install import BUILD, image_for
from keydiag.install.hexfile import read_hex
from keydiag.install.steps import command_for
from keydiag.sources.touch import touch
from tests.install.boot_loader import BootLoader
from tests.simavr import avr_build
from tests.simavr.halves import matrix
from tests.simavr.harness import SimulatedProbe, image, wait_until

ROOT = Path(__file__).resolve().parents[2]
IMAGE = image_for("atmega32u4")


def keydiag(*args: str, path: str | None = None) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    if path is not None:
        env["PATH"] = path
    return subprocess.run(
        [sys.executable, "-m", "keydiag", "probe", *args],
        capture_output=True, text=True, timeout=60, env=env, check=False,
    )  # fmt: skip


def test_the_prebuilt_image_is_what_the_sources_make() -> None:
    built = image().hex.read_bytes()
    assert IMAGE.read_bytes() == built, (
        "the sketch has changed: python -m tests.simavr.avr_build --image " + str(IMAGE)
    )
    assert f'#define PROBE_BUILD "{BUILD}"' in (avr_build.SKETCH / "probe.h").read_text()
    notice = (IMAGE.parent / "NOTICE.txt").read_text("utf-8")
    assert "LGPL" in notice and "1209:0001" in notice and "pid.codes" in notice


def test_the_real_avrdude_takes_the_command_and_writes_every_byte(tmp_path: Path) -> None:
    avrdude = shutil.which("avrdude")
    assert avrdude, "avrdude is needed for this test: install it"
    with BootLoader(tmp_path / "port") as boot:
        command = command_for(avrdude, str(boot.path), IMAGE)
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr
        memory = read_hex(IMAGE.read_text(), "image")
        assert {at: boot.flash[at] for at in memory} == memory
        assert boot.left  # and goes to the sketch


def test_the_touch_is_what_the_core_waits_for() -> None:
    with SimulatedProbe(matrix(2, 2)) as probe:
        with serial.Serial(probe.port, 115200):
            wait_until(lambda: probe.drives().baud == 115200)
        time.sleep(0.2)
        assert probe.drives().resets == 0  # a port opened and closed at another rate is none
        touch(probe.port)
        wait_until(lambda: probe.drives().resets == 1)


@contextmanager
def controller(after: Callable[[BootLoader], bool]) -> Iterator[tuple[SimulatedProbe, list]]:
    """A plugged-in controller that goes to a boot loader when it is reset, and starts its sketch
    once `after` is true of that. The list holds the boot loader's flash then."""
    flash: list[dict[int, int]] = []
    stop = threading.Event()
    with SimulatedProbe(matrix(2, 2)) as probe:

        def live() -> None:
            while probe.drives().resets == 0:
                if stop.wait(0.02):
                    return
            stop.wait(0.5)  # a bus takes its time
            with BootLoader(Path(probe.port)) as boot:
                while not after(boot):
                    if stop.wait(0.02):
                        return
                flash.append(boot.flash)
            stop.wait(0.5)
            probe.attach()

        thread = threading.Thread(target=live)
        thread.start()
        try:
            yield probe, flash
        finally:
            stop.set()
            thread.join()


def test_from_a_sketch_to_the_probes_hi() -> None:
    with controller(lambda boot: boot.left) as (probe, flash):
        done = keydiag("install", "--port", probe.port)
        assert done.returncode == 0, done.stderr
        assert flash and {at: flash[0][at] for at in read_hex(IMAGE.read_text(), "")} == read_hex(
            IMAGE.read_text(), ""
        )
        assert "1200 baud" in done.stdout
        assert f"the probe answers: {BUILD} on an atmega32u4, 26 pins" in done.stdout
        assert f"keydiag probe install --port {probe.port} --image YOUR.hex" in done.stdout


def fake_avrdude(folder: Path, script: str) -> str:
    """A PATH on which avrdude is this shell script; it writes its arguments down."""
    folder.mkdir()
    program = folder / "avrdude"
    program.write_text(f'#!/bin/sh\necho "$@" > {folder}/arguments\n{script}\n')
    program.chmod(0o755)
    return f"{folder}:/usr/bin:/bin"


def test_own_firmware_back_with_a_pretended_avrdude(tmp_path: Path) -> None:
    own = tmp_path / "own.hex"
    own.write_text(":0100000055AA\n:00000001FF\n")
    path = fake_avrdude(tmp_path / "bin", "exit 0")
    arguments = tmp_path / "bin" / "arguments"
    with controller(lambda boot: arguments.exists()) as (probe, _):
        done = keydiag("install", "--port", probe.port, "--image", str(own), path=path)
        assert done.returncode == 0, done.stderr
        assert arguments.read_text().strip() == (
            f"-p atmega32u4 -c avr109 -P {probe.port} -b 57600 -D -U flash:w:{own}:i"
        )
        assert "own.hex is on the controller" in done.stdout


def test_avrdude_fails_or_is_missing(tmp_path: Path) -> None:
    failing = fake_avrdude(tmp_path / "bin", "echo 'avrdude: the cable fell out' >&2; exit 1")
    with controller(lambda boot: False) as (probe, _):
        done = keydiag("install", "--port", probe.port, path=failing)
        assert done.returncode == 3
        assert "status 1 (avrdude: the cable fell out)" in done.stderr
    with SimulatedProbe(matrix(2, 2)) as probe:
        done = keydiag("install", "--port", probe.port, path=str(tmp_path))
        assert done.returncode == 3 and probe.drives().resets == 0
        command = " ".join(command_for("avrdude", probe.port, IMAGE))
        assert f"    {command}" in done.stderr and "press the controller's reset" in done.stderr


@pytest.mark.parametrize("args", [["ports"], ["ports", "--ask"]])
def test_ports_says_something_of_every_port(args: list[str]) -> None:
    done = keydiag(*args)
    # A machine may have none.
    assert done.returncode == 0 and done.stdout or "there is no serial port" in done.stderr
