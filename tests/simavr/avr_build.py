"""Builds the sketch as an Arduino-style IDE does: the core of Debian's arduino-core-avr and the
files of firmware_probe/, by avr-g++ with the flags of the core's platform.txt.

Used by the tests and to make the image that `keydiag probe install` puts on a controller:
    python -m tests.simavr.avr_build --image keydiag/_images/probe-atmega32u4.hex
A missing tool or core raises; nothing is ever left out quietly.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SKETCH = ROOT / "firmware_probe"
ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr")

# platform.txt: compiler.c.flags and compiler.cpp.flags. gcc 5.4 lacks DECIMAL_DIG in C++11 mode,
# which the core's WString.cpp needs.
_COMMON = ["-c", "-g", "-Os", "-ffunction-sections", "-fdata-sections", "-flto"]
_C = ["-std=gnu11", "-fno-fat-lto-objects"]
_CPP = [
    "-std=gnu++11", "-fpermissive", "-fno-exceptions", "-fno-threadsafe-statics",
    "-DDECIMAL_DIG=__DECIMAL_DIG__",
]  # fmt: skip


@dataclass(frozen=True)
class Target:
    """A board of the core: its chip, clock, variant and what boards.txt defines for it."""

    mcu: str
    variant: str
    defines: tuple[str, ...] = ()


ATMEGA32U4 = Target(
    "atmega32u4",
    "micro",
    # 1209:0001 is the pair that pid.codes sets aside for private testing.
    ("USB_VID=0x1209", "USB_PID=0x0001", 'USB_PRODUCT="keydiag probe"'),
)
ATMEGA328P = Target("atmega328p", "standard")


@dataclass(frozen=True)
class Image:
    elf: Path
    hex: Path
    flash: int  # bytes of the whole image
    ram: int  # bytes of static RAM of the whole image


def _run(command: list[str | Path]) -> str:
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(map(str, command))}\n{done.stderr}")
    return done.stdout


def build(
    out: Path, target: Target = ATMEGA32U4, defines: tuple[str, ...] = (), sketch: Path = SKETCH
) -> Image:
    """The sketch as an .elf and a .hex in `out`. Raises RuntimeError with the compiler's words."""
    core = ARDUINO / "cores" / "arduino"
    if not core.is_dir():
        raise RuntimeError(f"{core}: no such folder; install arduino-core-avr")
    out.mkdir(parents=True, exist_ok=True)
    common = [
        *_COMMON, f"-mmcu={target.mcu}", "-DF_CPU=16000000L", "-DARDUINO=10819",
        "-DARDUINO_ARCH_AVR", *(f"-D{d}" for d in (*target.defines, *defines)),
        f"-I{core}", f"-I{ARDUINO / 'variants' / target.variant}",
    ]  # fmt: skip
    objects: list[Path] = []
    for source in sorted([*core.glob("*.c"), *core.glob("*.cpp"), *core.glob("*.S")]):
        objects.append(out / f"core_{source.name}.o")
        language = {".c": _C, ".cpp": _CPP, ".S": ["-x", "assembler-with-cpp"]}[source.suffix]
        _run(["avr-gcc", *common, *language, "-w", source, "-o", objects[-1]])
    for source in sorted([*sketch.glob("*.cpp"), *sketch.glob("*.ino")]):
        objects.append(out / f"{source.name}.o")
        as_cpp = ["-x", "c++", "-include", "Arduino.h"] if source.suffix == ".ino" else []
        warnings = ["-Wall", "-Wextra", "-Werror"]
        _run(["avr-g++", *common, *_CPP, *warnings, *as_cpp, source, "-o", objects[-1]])
    elf, ihex = out / "firmware_probe.elf", out / "firmware_probe.hex"
    _run(
        ["avr-gcc", "-w", "-Os", "-g", "-flto", "-fuse-linker-plugin", "-Wl,--gc-sections",
         f"-mmcu={target.mcu}", "-o", elf, *objects, "-lm"]
    )  # fmt: skip
    _run(["avr-objcopy", "-O", "ihex", "-R", ".eeprom", elf, ihex])
    ihex.write_bytes(ihex.read_bytes().replace(b"\r\n", b"\n"))  # a text file like the others
    sizes = {
        m[1]: int(m[2])
        for m in re.finditer(r"^\.(\w+) +(\d+)", _run(["avr-size", "-A", elf]), re.MULTILINE)
    }
    return Image(
        elf, ihex, sizes["text"] + sizes.get("data", 0), sizes.get("data", 0) + sizes.get("bss", 0)
    )


if __name__ == "__main__":
    if len(sys.argv) != 3 or sys.argv[1] != "--image":
        sys.exit("usage: python -m tests.simavr.avr_build --image FILE.hex")
    with tempfile.TemporaryDirectory() as folder:
        made = build(Path(folder))
        Path(sys.argv[2]).write_bytes(made.hex.read_bytes())
    print(f"{sys.argv[2]}: {made.flash} bytes of flash, {made.ram} of RAM")
