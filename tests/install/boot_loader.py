"""A serial boot loader on a pseudo-terminal, as avrdude's protocol `avr109` wants it.

Follows Atmel's application note AVR109 (self programming): one-letter commands, addresses in words,
blocks with their length. It keeps what is written; it has no timing.
"""

from __future__ import annotations

import os
import pty
import threading
import tty
from pathlib import Path
from typing import Self

SIGNATURE = bytes((0x87, 0x95, 0x1E))  # ATmega32U4 (datasheet: 1E 95 87), last byte first
BLOCK = 128


class BootLoader:
    """`path`: the port. `flash`: what was written, by address."""

    def __init__(self, path: Path) -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.path = path
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(self._slave))
        self.flash: dict[int, int] = {}
        self.left = False  # was told to start the sketch
        self._address = 0
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _take(self, n: int) -> bytes:
        data = b""
        while len(data) < n:
            data += os.read(self._master, n - len(data))
        return data

    def _serve(self) -> None:
        try:
            while True:
                os.write(self._master, self._answer(self._take(1)))
        except OSError:
            pass  # unplugged

    def _answer(self, command: bytes) -> bytes:
        match command:
            case b"S":
                return b"PRETEND"
            case b"V" | b"v":
                return b"10"
            case b"p":
                return b"S"
            case b"a":
                return b"Y"
            case b"b":
                return b"Y" + BLOCK.to_bytes(2, "big")
            case b"t":
                return b"\x44\x00"
            case b"T" | b"x" | b"y":
                self._take(1)
                return b"\r"
            case b"s":
                return SIGNATURE
            case b"A":
                self._address = int.from_bytes(self._take(2), "big") * 2
                return b"\r"
            case b"B":
                size = int.from_bytes(self._take(2), "big")
                assert self._take(1) == b"F"
                self.flash.update(enumerate(self._take(size), self._address))
                self._address += size
                return b"\r"
            case b"g":
                size = int.from_bytes(self._take(2), "big")
                assert self._take(1) == b"F"
                at, self._address = self._address, self._address + size
                return bytes(self.flash.get(i, 0xFF) for i in range(at, at + size))
            case b"F" | b"N" | b"Q" | b"r":
                return b"\xff"
            case b"E":
                self.left = True
                return b"\r"
            case b"P" | b"L" | b"e":
                return b"\r"
            case b"\x1b":
                return b""
        return b"?"

    def close(self) -> None:
        self.path.unlink(missing_ok=True)
        for fd in (self._slave, self._master):
            os.close(fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
