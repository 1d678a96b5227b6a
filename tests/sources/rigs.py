"""Test helpers: the same half behind different sources, and lines that do not carry well."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

from keydiag import board
from keydiag.chips import chips
from keydiag.circuit import Circuit
from keydiag.faults import parse_fault
from keydiag.sources.base import ReadingAt, Source, SourceEvent
from keydiag.sources.serialport import SerialSource
from keydiag.sources.served import ServedHalf
from keydiag.sources.virtual import VirtualSource
from keydiag.sources.virtual_half import VirtualHalf

CIRCUIT = Circuit(board.example("bramblewick-left"))
PORTS = chips()["atmega32u4"].ports  # by probe pin
USE = sum(1 << PORTS.index(port) for port in CIRCUIT.pins)
R2, C3 = PORTS.index("PD0"), PORTS.index("PF6")  # the lines of L23
PERIOD_US = 1_000


def half_with(*faults: str, seed: int = 7) -> VirtualHalf:
    return VirtualHalf(CIRCUIT, [parse_fault(CIRCUIT, text) for text in faults], seed=seed)


class Rig:
    """A source and the fingers on the half behind it."""

    def __init__(self, source: Source, command: Callable[[str], None]) -> None:
        self.source = source
        self.command = command  # "press L23", "release L23", "reset"
        self.events: list[SourceEvent] = []

    def until(self, wanted: Callable[[SourceEvent], bool], timeout_s: float = 5.0) -> SourceEvent:
        """Read until such an event comes, and return it; everything read is kept in `events`."""
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            batch = self.source.read(0.1)
            self.events += batch
            for event in batch:
                if wanted(event):
                    return event
        raise AssertionError(f"it never came; the last events: {self.events[-5:]}")

    def until_reads(self, drive: str, sense: str, low: bool, timeout_s: float = 5.0) -> ReadingAt:
        """Read until pin `sense` reads low (or not) while `drive` is driven; ports by line name."""
        i, j = CIRCUIT.pin_of_line[drive], CIRCUIT.pin_of_line[sense]
        event = self.until(
            lambda e: isinstance(e, ReadingAt) and bool(e.reading.low[i] >> j & 1) == low,
            timeout_s,
        )
        assert isinstance(event, ReadingAt)
        return event

    def readings(self) -> list[ReadingAt]:
        return [event for event in self.events if isinstance(event, ReadingAt)]


@contextmanager
def served(half: VirtualHalf, link: Path | None = None) -> Iterator[ServedHalf]:
    """A half on a pseudo-terminal; `link`: a name for it that outlives it."""
    it = ServedHalf(half)
    if link is not None:
        link.unlink(missing_ok=True)
        link.symlink_to(it.path)
    thread = threading.Thread(target=it.run, daemon=True)
    thread.start()
    try:
        yield it
    finally:
        if link is not None:
            link.unlink()
        it.stop()
        thread.join(5.0)


@contextmanager
def virtual_rig(half: VirtualHalf) -> Iterator[Rig]:
    source = VirtualSource(half)

    def command(line: str) -> None:
        word, *key = line.split()
        getattr(half, word)(*key)

    try:
        yield Rig(source, command)
    finally:
        source.close()


@contextmanager
def serial_rig(half: VirtualHalf) -> Iterator[Rig]:
    with served(half) as it:
        source = SerialSource(it.path)
        try:
            yield Rig(source, it.command)
        finally:
            source.close()


RIGS = {"virtual": virtual_rig, "serial": serial_rig}


# --- lines that do not carry well, for VirtualSource(down=, up=) ---


Carry = Callable[[bytes], Iterable[bytes]]


def byte_wise() -> Carry:
    """One byte after the other."""
    return lambda data: (data[i : i + 1] for i in range(len(data)))


def delayed(looks: int = 4) -> Carry:
    """Everything arrives some looks later."""
    waiting = [b""] * looks

    def carry(data: bytes) -> Iterable[bytes]:
        waiting.append(data)
        return (waiting.pop(0),)

    return carry


def lossy(seed: int, share: float = 0.05) -> Carry:
    """Pieces of up to 40 bytes, of which `share` are lost."""
    random = Random(seed)

    def carry(data: bytes) -> Iterable[bytes]:
        while data:
            size = random.randint(1, 40)
            if random.random() >= share:
                yield data[:size]
            data = data[size:]
        yield b""

    return carry


def noisy(seed: int, share: float = 0.003) -> Carry:
    """Single bits flip, in `share` of the bytes, and now and then a byte comes from nowhere."""
    random = Random(seed)

    def carry(data: bytes) -> Iterable[bytes]:
        out = bytearray()
        for byte in data:
            flip = 1 << random.randrange(8) if random.random() < share else 0
            out.append(byte ^ flip)
            if random.random() < share / 4:
                out.append(random.randrange(256))
        return (bytes(out),)

    return carry
