"""A virtual half served on a pseudo-terminal, so that any serial client can talk to it.

The client may open and close the port as often as it likes. Commands come in as lines:
"press L23", "release L23", "sweep", "reset". POSIX only (os.openpty).
"""

from __future__ import annotations

import os
import select
import termios
import threading
import time
import tty
from collections.abc import Callable
from typing import IO

from keydiag.errors import UsageError
from keydiag.sources.hands import HandScript
from keydiag.sources.virtual_half import VirtualHalf

__all__ = ["ServedHalf", "serve"]

LOOK_EVERY_S = 0.02  # longest nap, so that a command or a stop is not kept waiting
MOST_UNSENT = 4096  # bytes a client may leave unread; further lines are dropped whole, as on USB
USAGE = "say: press KEY, release KEY, sweep, reset"


class ServedHalf:
    """A half on a pseudo-terminal, in real time. `path` is what clients open; `run` serves until
    `stop` is called (from any thread)."""

    def __init__(self, half: VirtualHalf, script: HandScript | None = None) -> None:
        self.half = half
        self._script = script
        # The slave is kept open here too: so its raw mode stays, and reading the master does not
        # fail while no client is there.
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._unsent = bytearray()
        self._commands: list[str] = []
        self._stop = threading.Event()
        self._lock = threading.Lock()

    def command(self, line: str) -> None:
        """Do what a command line says. UsageError if it makes no sense."""
        words = line.split()
        match words:
            case ["press" | "release", key]:
                with self._lock:
                    finger = self.half.press if words[0] == "press" else self.half.release
                    finger(key)
            case ["sweep"]:
                with self._lock:
                    self.half.play(HandScript.sweep(self.half.contacts.circuit.keys))
            case ["reset"]:
                with self._lock:
                    self.half.reset()
            case []:
                pass
            case _:
                raise UsageError(f"{line.strip()}: no such command; {USAGE}")

    def stop(self) -> None:
        """Make `run` return."""
        self._stop.set()

    def run(self) -> None:
        """Serve until stopped; then the pseudo-terminal is gone."""
        from_s, from_us = time.monotonic(), self.half.now_us
        started = False
        try:
            while not self._stop.is_set():
                with self._lock:
                    now_us = from_us + round((time.monotonic() - from_s) * 1e6)
                    self.half.run(now_us)
                    if self._script is not None and self.half.running and not started:
                        started = True  # the hands begin when somebody first looks
                        self.half.play(self._script)
                    self._send(self.half.take())
                    nap_s = self._nap_s(now_us)
                self._receive(nap_s)
        finally:
            os.close(self._master)
            os.close(self._slave)

    def _nap_s(self, now_us: int) -> float:
        due_us = self.half.next_us
        if due_us is None:
            return LOOK_EVERY_S
        return min(LOOK_EVERY_S, max(0.0, (due_us - now_us) / 1e6))

    def _receive(self, timeout_s: float) -> None:
        writers = [self._master] if self._unsent else []
        ready, _, _ = select.select([self._master], writers, [], timeout_s)
        if not ready:
            return
        try:
            data = os.read(self._master, 4096)
        except (BlockingIOError, OSError):
            return
        with self._lock:
            if b"HELLO" in data:
                # A new conversation: what an earlier client left unread is not for this one.
                self._unsent.clear()
                termios.tcflush(self._slave, termios.TCIFLUSH)
            self.half.hear(data)

    def _send(self, data: bytes) -> None:
        if len(self._unsent) + len(data) <= MOST_UNSENT:  # else dropped: whole lines, all of them
            self._unsent += data
        if not self._unsent:
            return
        try:
            sent = os.write(self._master, self._unsent)
        except BlockingIOError:
            return
        del self._unsent[:sent]


def serve(
    half: VirtualHalf,
    script: HandScript | None = None,
    *,
    commands: IO[str] | None = None,
    say: Callable[[str], None] = print,
) -> None:
    """Serve a half until interrupted: say the path, then obey command lines if there are any.

    The end of `commands` ends nothing: the half stays on its port. `say` is also given the one
    clear line about a command that makes no sense.
    """
    served = ServedHalf(half, script)
    say(served.path)
    if commands is not None:
        threading.Thread(target=_listen, args=(served, commands, say), daemon=True).start()
    served.run()


def _listen(served: ServedHalf, commands: IO[str], say: Callable[[str], None]) -> None:
    for line in commands:
        try:
            served.command(line)
        except UsageError as error:
            say(str(error))
