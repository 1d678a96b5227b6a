"""A virtual half (virtual_half.py) behind the Source interface, through the same conversation as a
serial port.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from keydiag.errors import NotAProbe, ProbeRefused
from keydiag.sources.base import SourceEvent
from keydiag.sources.conversation import HELLO_EVERY_S, HELLO_WAIT_S, Conversation
from keydiag.sources.hands import HandScript
from keydiag.sources.virtual_half import VirtualHalf
from keydiag.wire import Hi, refusal

__all__ = ["VirtualSource", "ideal"]

NAP_S = 0.005  # how often a half in real time is looked at
STEP_US = 20_000  # ... and one in virtual time

Link = Callable[[bytes], Iterable[bytes]]
"""What becomes of bytes on their way: the pieces that arrive, whole, fewer, later or wrong."""


def ideal(data: bytes) -> Iterable[bytes]:
    """A line on which nothing happens to them."""
    return (data,)


class VirtualSource:
    """A virtual half as a Source.

    script: hands that begin when reading is started. pace: "fast" lets virtual time run as fast
    as it is asked for, "real" ties it to the clock of this computer. down, up: what the line does
    to bytes from the probe and to it; an ideal line if not given.
    """

    def __init__(
        self,
        half: VirtualHalf,
        script: HandScript | None = None,
        *,
        pace: Literal["fast", "real"] = "fast",
        down: Link = ideal,
        up: Link = ideal,
    ) -> None:
        self.half = half
        self._script = script
        self._real = pace == "real"
        self._down, self._up = down, up
        self._talk = Conversation()
        self._open = False
        self._from_us = half.now_us
        self._from_s = time.monotonic()

    def open(self) -> Hi:
        self._open = True
        begun_s = said_s = self._now_s
        self._talk.hello(begun_s)
        while not self._talk.ready:
            if self._now_s - begun_s >= HELLO_WAIT_S:
                raise NotAProbe("virtual half: no whole HI in time; the line loses too much")
            if self._now_s - said_s >= HELLO_EVERY_S:
                said_s = self._now_s
                self._talk.hello(said_s)
            self._step(STEP_US)
        assert self._talk.hi is not None
        why = refusal(self._talk.hi)
        if why is not None:
            raise ProbeRefused(why)
        return self._talk.hi

    def start(self, ports: Sequence[str], period_us: int) -> None:
        self._talk.start(ports, period_us)
        if self._script is not None:
            self.half.play(self._script)
            self._script = None

    def read(self, timeout_s: float) -> list[SourceEvent]:
        end_us = self.half.now_us + round(timeout_s * 1e6)
        while True:
            events = self._step(min(STEP_US, max(0, end_us - self.half.now_us)))
            if events or self.half.now_us >= end_us:
                return events

    def ask_level(self, drive: int, sense: int) -> None:
        self._talk.ask_level(drive, sense)

    def ask_watch(self, drive: int, sense: int, ms: int) -> None:
        self._talk.ask_watch(drive, sense, ms)

    def press(self, key: str) -> None:
        """Press a key now; UsageError if there is no such key."""
        self.half.press(key)

    def release(self, key: str) -> None:
        """Release it."""
        self.half.release(key)

    def close(self) -> None:
        if self._open:
            self._open = False
            self._talk.halt()
            self._step(0)

    @property
    def _now_s(self) -> float:
        return self.half.now_us / 1e6

    def _step(self, length_us: int) -> list[SourceEvent]:
        """Carry bytes both ways and let time pass."""
        if self._real and length_us:
            time.sleep(NAP_S)
            length_us = max(0, self._from_us + self._since_us() - self.half.now_us)
        self._send()
        self.half.run(self.half.now_us + length_us)
        events = []
        for piece in self._down(self.half.take()):
            events += self._talk.feed(piece, self._now_s)
        self._send()
        return events

    def _send(self) -> None:
        for piece in self._up(self._talk.take()):
            self.half.hear(piece)

    def _since_us(self) -> int:
        return round((time.monotonic() - self._from_s) * 1e6)
