"""The sketch built for real chips: size bounds, the generic board, agreement with chips.toml."""

import subprocess
from pathlib import Path

import pytest

from keydiag import wire
from keydiag.chips import chips
from tests.firmware.build_host import HOST, PLAIN, SKETCH, compile_host
from tests.simavr.avr_build import ATMEGA32U4, ATMEGA328P, build

# The core's own share: a sketch that only opens the serial port and echoes.
ECHO = """
void setup() { Serial.begin(115200); }
void loop() { if (Serial.available() && Serial.availableForWrite()) Serial.write(Serial.read()); }
"""


@pytest.mark.parametrize("target", [ATMEGA32U4, ATMEGA328P], ids=lambda t: t.mcu)
def test_own_code_is_at_most_8_kib_of_flash_and_512_bytes_of_ram(target, tmp_path: Path) -> None:
    (tmp_path / "echo").mkdir()
    (tmp_path / "echo" / "echo.ino").write_text(ECHO)
    core = build(tmp_path / "core", target, sketch=tmp_path / "echo")
    whole = build(tmp_path / "whole", target)
    flash, ram = whole.flash - core.flash, whole.ram - core.ram
    print(f"{target.mcu}: {flash} bytes of flash, {ram} of RAM beside the core's")
    assert flash <= 8192
    assert ram <= 512
    assert whole.hex.read_text().startswith(":")


@pytest.mark.parametrize(
    ("chip", "defines"), [("rp2040", ()), ("atmega328p", ("-D__AVR_ATmega328P__",))]
)
def test_the_generic_board_keeps_the_promises_and_speaks_the_protocol(chip, defines) -> None:
    """Run on the host against a recording core; for the 328P compiled above, never run there."""
    sources = (*PLAIN, SKETCH / "board_generic.cpp", HOST / "generic_check.cpp")
    program = compile_host(f"generic-{chip}", sources, (f"-I{HOST / 'arduino'}", *defines))
    use = 0b10001000  # on the RP2040, the two pins that are joined
    commands = [wire.Hello(), wire.Use(use), wire.Go(0), wire.Full(), wire.Watch(3, 7, 1)]
    done = subprocess.run(
        [program], input=b"".join(map(wire.encode, commands)), capture_output=True, check=False
    )
    assert done.returncode == 0, done.stdout
    names, _, said = done.stdout.partition(b"---\n")
    pins = [line.split() for line in names.decode().splitlines()]
    assert tuple(name for name, *_ in pins) == chips()[chip].ports
    assert tuple(name for name, *analog in pins if analog) == chips()[chip].analog
    heard = wire.Decoder().feed(said)
    assert not [m for m in heard if isinstance(m, wire.Corrupt | wire.Oops)]
    hi = heard[0]
    assert isinstance(hi, wire.Hi) and (hi.chip, hi.pins, hi.vcc_mv) == (chip, len(pins), 0)
    assert [m.port for m in heard if isinstance(m, wire.Pin)] == list(chips()[chip].ports)
    later = [type(m) for m in heard if not isinstance(m, wire.Hi | wire.Pin)]
    assert later[:4] == [wire.Rise, wire.Pace, wire.Scan, wire.Scan] and wire.Edges in later
    if chip == "rp2040":
        [scan, *_] = [m for m in heard if isinstance(m, wire.Scan)]
        assert (scan.rest, scan.low) == (0, (use, use))
