"""The sketch built for real chips: size bounds, the generic board, agreement with chips.toml."""

from pathlib import Path

import pytest

from keydiag.chips import chips
from tests.firmware.build_host import HOST, SKETCH, compile_host, run
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


def test_the_generic_board_keeps_the_promises() -> None:
    sources = (SKETCH / "board_generic.cpp", SKETCH / "scanner.cpp", HOST / "generic_check.cpp")
    program = compile_host("generic", sources, (f"-I{HOST / 'arduino'}",))
    names = run([program]).splitlines()
    assert names == [" ".join(chips()["rp2040"].ports)]


def test_the_328p_names_its_ports_as_chips_toml_does() -> None:
    source = (SKETCH / "board_generic.cpp").read_text("utf-8")
    table = source[source.index("NAMES[PINS]") : source.index("NUMBERS[PINS]")]
    assert tuple(table.split('"')[1::2]) == chips()["atmega328p"].ports
