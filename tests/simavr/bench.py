"""A bare host for the tests: pyserial and keydiag.wire, nothing of keydiag's own sources."""

from __future__ import annotations

import time
from collections.abc import Callable

import serial

from keydiag import wire
from tests.simavr.harness import PORTS, SimulatedProbe, mask_of

# No test waits this long unless it fails; a busy machine may slow the simulation down.
PATIENCE_S = 15.0


class Bench:
    """An open port: says commands, hears messages, keeps every one and the latest reading."""

    def __init__(self, probe: SimulatedProbe) -> None:
        self.probe = probe
        self.port = serial.Serial(probe.port, 115200, timeout=0.01, exclusive=True)
        self.decoder = wire.Decoder()
        self.tracker = wire.Tracker(0)
        self.heard: list[wire.Message] = []
        self.reading: wire.TrackedReading | None = None
        self.alive_at = 0.0
        self.keep_alive = False

    def say(self, *messages: wire.Message) -> None:
        self.port.write(b"".join(map(wire.encode, messages)))

    def hear(self) -> list[wire.Message]:
        """What came in the last few milliseconds."""
        if self.keep_alive and time.monotonic() > self.alive_at:
            self.say(wire.Full())
            self.alive_at = time.monotonic() + 0.5
        new = self.decoder.feed(self.port.read(4096))
        for msg in new:
            assert not isinstance(msg, wire.Corrupt), msg
            self.heard.append(msg)
            reading = self.tracker.feed(msg)
            self.reading = reading or self.reading
        return new

    def until(self, found: Callable[[wire.Message], bool]) -> wire.Message:
        """The first message to come that `found` likes."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            for msg in self.hear():
                if found(msg):
                    return msg
        raise AssertionError(f"never heard; the last were {self.heard[-5:]}")

    def until_kind(self, kind: type) -> wire.Message:
        return self.until(lambda msg: isinstance(msg, kind))

    def hello(self) -> wire.Hi:
        self.port.write(b"\n")
        self.say(wire.Hello())
        hi = self.until_kind(wire.Hi)
        self.until(lambda msg: isinstance(msg, wire.Pin) and msg.index == hi.pins - 1)
        return hi

    def go(self, ports: tuple[str, ...], period_us: int = 0) -> wire.TrackedReading:
        """USE and GO; the first full reading. Keeps the probe alive from here on."""
        self.tracker = wire.Tracker(mask_of(*ports))
        self.say(wire.Use(mask_of(*ports)), wire.Go(period_us))
        self.keep_alive = True
        self.until_kind(wire.Scan)
        assert self.reading
        return self.reading

    def settled(self, same: int = 3) -> wire.TrackedReading:
        """The reading once full readings asked for from now on agree `same` times running."""
        seen = []
        for _ in range(50):
            self.say(wire.Full())
            self.until_kind(wire.Scan)
            assert self.reading
            seen.append((self.reading.rest, self.reading.low))
            if len(seen) >= same and len(set(seen[-same:])) == 1:
                return self.reading
        raise AssertionError("no steady reading")

    def conducts(self) -> set[tuple[str, str]]:
        """(driven port, port that reads low with it) of the settled reading, self left out."""
        reading = self.settled()
        pins = list(wire.pins_of(self.tracker.use))
        return {
            (PORTS[i], PORTS[j])
            for i, low in zip(pins, reading.low, strict=True)
            for j in wire.pins_of(low)
            if i != j
        }

    def close(self) -> None:
        self.port.close()

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
