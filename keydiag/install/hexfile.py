"""Intel HEX images: enough to know that a file is whole and stays clear of the boot loader.

The format: Intel, "Hexadecimal Object File Format Specification", revision A (1988): record mark,
length, address, type, data, checksum (all bytes of a record add up to 0 modulo 256).
"""

from __future__ import annotations

from keydiag.errors import UsageError

__all__ = ["check_image", "read_hex"]

# The last 4 KiB of the ATmega32U4's 32 KiB are the boot loader's (upload.maximum_size=28672 in
# boards.txt of the AVR core for Arduino-style IDEs).
ROOM = 28_672


def read_hex(text: str, name: str) -> dict[int, int]:
    """Address -> byte. UsageError naming the line that is no record, or damaged, or missing."""
    memory: dict[int, int] = {}
    base, ended = 0, False
    for number, line in enumerate(text.split("\n"), start=1):
        line = line.strip()
        if not line:
            continue
        where = f"{name}: line {number}"
        try:
            record = bytes.fromhex(line[1:]) if line[0] == ":" else b""
        except ValueError:
            record = b""
        if ended or len(record) < 5 or len(record) != record[0] + 5 or sum(record) % 256:
            raise UsageError(f"{where}: no good Intel HEX record; give the .hex file of a build")
        kind, data = record[3], record[4:-1]
        if kind == 0:
            start = base + int.from_bytes(record[1:3], "big")
            memory.update(enumerate(data, start))
        elif kind == 1:
            ended = True
        elif kind == 2:
            base = int.from_bytes(data, "big") * 16
        elif kind == 4:
            base = int.from_bytes(data, "big") << 16
        elif kind not in (3, 5):  # start addresses mean nothing to an AVR
            raise UsageError(f"{where}: unknown kind of record ({kind})")
    if not ended:
        raise UsageError(f"{name}: has no end record; the file was cut short, build it again")
    if not memory:
        raise UsageError(f"{name}: holds no bytes")
    return memory


def check_image(text: str, name: str) -> int:
    """How many bytes the image has. UsageError if it is no whole image, or too long to leave the
    boot loader in peace."""
    memory = read_hex(text, name)
    if max(memory) >= ROOM:
        raise UsageError(
            f"{name}: reaches to {max(memory):#06x}, but from {ROOM:#06x} on the boot loader "
            "lives; give an image for an atmega32u4 with boot loader"
        )
    return len(memory)
