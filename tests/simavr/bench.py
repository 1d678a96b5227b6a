"""A bare host for the tests: pyserial and keydiag.wire, nothing of keydiag's own sources."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import Self

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
        self.waiting: deque[wire.Message | wire.Corrupt] = deque()
        self.heard: list[wire.Message] = []
        self.reading: wire.TrackedReading | None = None
        self.alive_at = 0.0
        self.keep_alive = False
        self.asked = False  # for a full reading that has not come yet

    def say(self, *messages: wire.Message) -> None:
        self.port.write(b"".join(map(wire.encode, messages)))
        self.asked |= wire.Full() in messages

    def hear(self) -> wire.Message | None:
        """The next message, or None if none comes within some milliseconds."""
        # One question at a time: on a busy machine the simulation is slow, and answers to old
        # questions would be taken for answers to new ones.
        if self.keep_alive and not self.asked and time.monotonic() > self.alive_at:
            self.say(wire.Full())
            self.alive_at = time.monotonic() + 0.2
        if not self.waiting:
            self.waiting.extend(self.decoder.feed(self._read()))
        if not self.waiting:
            return None
        msg = self.waiting.popleft()
        assert not isinstance(msg, wire.Corrupt), msg
        self.heard.append(msg)
        self.asked &= not isinstance(msg, wire.Scan)
        self.reading = self.tracker.feed(msg) or self.reading
        return msg

    def _read(self) -> bytes:
        """What there is, b"" if nothing comes within some milliseconds."""
        try:
            return self.port.read(self.port.in_waiting or 1)
        except serial.SerialException:
            # A pseudo-terminal may be said to be ready and then have nothing, while its settings
            # change.  One that is gone for good stays silent, and that fails the test.
            time.sleep(0.01)
            return b""

    def until(self, found: Callable[[wire.Message], bool]) -> wire.Message:
        """The next message that `found` likes; those before it are heard and passed over."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            msg = self.hear()
            if msg is not None and found(msg):
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
        if self.asked:
            self.until_kind(wire.Scan)
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

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
