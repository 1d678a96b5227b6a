"""The probe's real image on a simulated controller, as a serial port: `SimulatedProbe`.

    with SimulatedProbe(netlist_text) as probe:
        ...open probe.port with pyserial...
        probe.press("L23")

The netlist language stands at the head of harness/half.h; what the simulation covers and what it
does not, at the head of harness/main.c. The image and the harness are built once per test run into
a temporary folder; a missing tool is an error, never a skip.
"""

from __future__ import annotations

import atexit
import functools
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

from tests.simavr.avr_build import ATMEGA32U4, Image, build

HERE = Path(__file__).resolve().parent

# Pads of the ATmega32U4 in the probe's own index order (shared/chips.toml says the same).
PORTS = (
    "PB0", "PB1", "PB2", "PB3", "PB4", "PB5", "PB6", "PB7", "PC6", "PC7",
    "PD0", "PD1", "PD2", "PD3", "PD4", "PD5", "PD6", "PD7", "PE2", "PE6",
    "PF0", "PF1", "PF4", "PF5", "PF6", "PF7",
)  # fmt: skip


def mask_of(*ports: str) -> int:
    """Probe pin mask of these ports."""
    return sum(1 << PORTS.index(port) for port in ports)


@functools.cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="keydiag-simavr-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@functools.cache
def image(defines: tuple[str, ...] = (), variant: str = ATMEGA32U4.variant) -> Image:
    """The sketch for the ATmega32U4, built once for each set of extra defines and core variant."""
    name = "-".join((variant, *defines)).replace("=", "")
    return build(_folder() / name, replace(ATMEGA32U4, variant=variant), defines)


@functools.cache
def harness() -> Path:
    """The harness program, built once."""
    program = _folder() / "harness"
    sources = sorted((HERE / "harness").glob("*.c"))
    done = subprocess.run(
        ["gcc", "-O2", "-Wall", "-Wextra", "-Werror", "-I/usr/include/simavr", *sources,
         "-o", program, "-lsimavr", "-lelf", "-lutil", "-lm"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        raise RuntimeError(f"the simulator harness does not build:\n{done.stderr}")
    return program


@dataclass(frozen=True)
class Drives:
    """What the pins did since the start or the last `forget` (masks by probe pin)."""

    driven: int  # ever a low or high output
    high: int  # ever a high output
    pulled: int  # ever an input with pull-up
    now: int  # driven or pulled at this moment
    at_once: int  # most pins driven at the same time
    longest_us: float  # longest time that one pin was driven
    fight_us: float  # longest time that one pin was driven while the supply held it up
    quiet_ms: float  # since a pin was last driven or pulled
    cycles: int  # clock cycles covered by this record
    jtag: bool  # PF4-PF7 still belong to JTAG
    watchdog: bool  # is running
    resets: int  # by the watchdog, ever
    hung_ms: float  # how long the hung sketch stood until the latest of them; 0: it never hung
    reset_clears_pins: bool  # DDRx and PORTx were all 0 after each of them
    baud: int  # the line coding that the host asked for last
    counts: tuple[int, ...]  # how often each pin was driven


class SimulatedProbe:
    """A plugged-in probe. `port` is the path to open; it goes away on `detach`.

    `speed`: 1 = real time, 0 = as fast as it goes. `line_pf`: capacitance of a line, unless the
    netlist says (200 pF is what the electrical figures assume for a long one). `vil_mv`: below this
    a pad reads low (900 = the datasheet's VIL max, where two diodes in series do not read low);
    `vih_mv`: above this a rising line reads high. `defines` rebuilds the sketch with other
    constants, `variant` for another board of the Arduino core.
    """

    def __init__(
        self,
        netlist: str,
        *,
        speed: float = 1.0,
        supply_mv: int = 5000,
        pull_up_ohm: int = 35_000,
        vil_mv: int = 900,
        vih_mv: int = 1900,
        line_pf: float = 200,
        defines: tuple[str, ...] = (),
        variant: str = ATMEGA32U4.variant,
    ) -> None:
        self._dir = Path(tempfile.mkdtemp(prefix="run-", dir=_folder()))
        self.port = str(self._dir / "probe")
        half = self._dir / "half.txt"
        half.write_text(netlist, "ascii")
        self._log = (self._dir / "log").open("w+")
        self._process = subprocess.Popen(
            [harness(), image(defines, variant).elf, half, self.port, "--speed", str(speed),
             "--supply", str(supply_mv), "--pull-up", str(pull_up_ohm), "--vil", str(vil_mv),
             "--vih", str(vih_mv), "--line-pf", str(line_pf)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._log, text=True, bufsize=1,
        )  # fmt: skip
        try:
            self._answer("start")
        except RuntimeError:
            self.close()
            raise

    def press(self, key: str) -> None:
        """Close every switch named `key`; it stays closed until released."""
        self.command(f"press {key}")

    def release(self, key: str) -> None:
        self.command(f"release {key}")

    def cut(self, a: str, b: str) -> None:
        """Break the wire (or part) between two nodes."""
        self.command(f"cut {a} {b}")

    def join(self, a: str, b: str) -> None:
        """Mend the wire between two nodes, or make one."""
        self.command(f"join {a} {b}")

    def analog(self, port: str, mv: int) -> None:
        """Put a level on an analogue input, whatever its line does; -1: the line's own again."""
        self.command(f"analog {port} {mv}")

    def play(self, events: Iterable[tuple[int, str, int]]) -> None:
        """Switches that move at exact moments: (microseconds from now, name, 0 or 1), ascending."""
        file = self._dir / "events"
        file.write_text("".join(f"{us} {name} {closed}\n" for us, name, closed in events))
        self.command(f"events {file}")

    def still_to_play(self) -> int:
        return int(self.command("events?").split()[1])

    def record_truth(self) -> None:
        """Begin to write down what the sketch should have seen: see harness/events.h."""
        self.command(f"truth {self._dir / 'truth'}")

    def truth(self) -> list[tuple[int, tuple[int, ...]]]:
        """End of it: every reading that differs from the one before, as (rest, low)."""
        self.command("truth -")
        lines = (self._dir / "truth").read_text("ascii").splitlines()
        readings = [[int(mask, 16) for mask in line.split()] for line in lines]
        return [(rest, tuple(low)) for rest, *low in readings]

    def hang(self) -> None:
        """The sketch stops where it stands as soon as it drives a pin."""
        self.command("hang")

    def detach(self) -> None:
        """Unplug: power goes, the port goes away."""
        self.command("detach")

    def attach(self) -> None:
        """Plug in again: the chip starts anew, the port is back at the same path."""
        self.command("attach")

    def suspend(self) -> None:
        """The host suspends the bus but leaves the power on."""
        self.command("suspend")

    def resume(self) -> None:
        self.command("resume")

    def forget(self) -> None:
        """Begin the record of `drives` anew."""
        self.command("forget")

    def drives(self) -> Drives:
        said = dict(item.split("=") for item in self.command("drives?").split()[1:])
        return Drives(
            *(int(said[k], 16) for k in ("driven", "high", "pulled", "now")),
            int(said["at_once"]),
            *(float(said[k]) for k in ("longest_us", "fight_us", "quiet_ms")),
            int(said["cycles"]),
            said["jtag"] == "on",
            said["watchdog"] == "on",
            int(said["resets"]),
            float(said["hung_ms"]),
            said["cleared"] == "yes",
            int(said["baud"]),
            tuple(map(int, said["counts"].split(","))),
        )

    def command(self, line: str) -> str:
        """One command of the harness; its answer. RuntimeError if it says no or is gone."""
        assert self._process.stdin
        try:
            self._process.stdin.write(line + "\n")
        except OSError:
            pass  # told by the missing answer
        return self._answer(line)

    def _answer(self, to: str) -> str:
        assert self._process.stdout
        # A generous bound: the answer comes in milliseconds, a busy machine takes longer.
        ready, _, _ = select.select([self._process.stdout], [], [], 30.0)
        answer = self._process.stdout.readline().strip() if ready else ""
        if not answer.startswith("ok"):
            self._log.flush()
            self._log.seek(0)
            raise RuntimeError(f"simulator, {to}: {answer or 'no answer'}\n{self._log.read()}")
        return answer

    def close(self) -> None:
        """Switch the simulation off. Harmless twice."""
        if self._process.poll() is None:
            self._process.terminate()
            self._process.wait(10)
        for stream in (self._process.stdin, self._process.stdout, self._log):
            if stream:
                try:
                    stream.close()
                except OSError:
                    pass
        if os.path.lexists(self.port):
            os.unlink(self.port)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def wait_until(true, seconds: float = 10.0, step: float = 0.005) -> None:
    """Poll `true()`; AssertionError when it has not come true in time."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "did not come true in time"
        time.sleep(step)
