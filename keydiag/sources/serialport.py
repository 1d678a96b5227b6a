"""A probe on a serial port as a source.

A thread of its own reads the port, carries the conversation and queues what is said, so nothing
is lost while a screen is busy. When the probe is unplugged it says LinkDown, watches for the port
to come back, and goes on by itself (LinkUp). Not here: opening ports and its errors (ports.py),
the protocol (conversation.py, wire).
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress

import serial

from keydiag.errors import NotAProbe, PortError, PortMissing, ProbeRefused
from keydiag.sources.base import SourceEvent
from keydiag.sources.conversation import HELLO_EVERY_S, HELLO_WAIT_S, Conversation
from keydiag.sources.ports import PortInfo, find_ports, open_port, present
from keydiag.wire import Hi, refusal

__all__ = ["SerialSource", "find_probe"]

RETURN_EVERY_S = 0.25  # how often an unplugged port is looked for
AUTO_WAIT_S = 2.5  # per candidate, when looking for a probe on every port


class SerialSource:
    """The probe on one port, e.g. "/dev/ttyACM0".

    on_events is called, from the reading thread, whenever something was queued: to wake a screen.
    """

    def __init__(
        self,
        device: str,
        *,
        on_events: Callable[[], None] | None = None,
        hello_wait_s: float = HELLO_WAIT_S,
    ) -> None:
        self.device = device
        self._on_events = on_events
        self._hello_wait_s = hello_wait_s
        self._info: PortInfo | None = None
        self._port: serial.Serial | None = None
        self._talk = Conversation()
        self._lock = threading.Lock()  # guards the conversation, which two threads use
        self._queue: deque[SourceEvent] = deque()
        self._arrived = threading.Condition()
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()

    # --- the Source interface ---

    def open(self) -> Hi:
        """Open the port and say hello.

        Raises PortMissing, PortForbidden, PortBusy; NotAProbe if no HI comes in HELLO_WAIT_S;
        ProbeRefused if the probe speaks another protocol version.
        """
        self._info = next((p for p in find_ports() if p.device == self.device), None)
        self._port = open_port(self.device)
        try:
            return self._greet(self._port)
        except BaseException:
            self.close()
            raise

    def start(self, ports: Sequence[str], period_us: int) -> None:
        with self._lock:
            self._talk.start(ports, period_us)
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="keydiag port", daemon=True)
            self._thread.start()

    def read(self, timeout_s: float) -> list[SourceEvent]:
        with self._arrived:
            self._arrived.wait_for(lambda: bool(self._queue), timeout_s)
            events = list(self._queue)
            self._queue.clear()
        return events

    def ask_level(self, drive: int, sense: int) -> None:
        with self._lock:
            self._talk.ask_level(drive, sense)
        self._send_soon()

    def ask_watch(self, drive: int, sense: int, ms: int) -> None:
        with self._lock:
            self._talk.ask_watch(drive, sense, ms)
        self._send_soon()

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout=2.0)
        port, self._port = self._port, None
        if port is not None:
            with suppress(OSError):
                self._talk.halt()
                port.write(self._talk.take())
                port.flush()
            with suppress(OSError):
                port.close()

    def _send_soon(self) -> None:
        """Wake the reading thread, which sends: between two watches every millisecond is one in
        which a contact may do something unseen."""
        port = self._port
        if port is not None:
            with suppress(OSError, AttributeError, TypeError):  # it may be closing just now
                port.cancel_read()

    # --- hello ---

    def _greet(self, port: serial.Serial) -> Hi:
        """HELLO until HI and all its PINs are here, or time is up."""
        begun_s = said_s = time.monotonic()
        self._talk.hello(begun_s)
        while not self._talk.ready:
            now_s = time.monotonic()
            if now_s - begun_s > self._hello_wait_s:
                raise NotAProbe(self._why_no_probe())
            if now_s - said_s > HELLO_EVERY_S:
                said_s = now_s
                self._talk.hello(now_s)
            try:
                port.write(self._talk.take())
                data = port.read(port.in_waiting or 1)
            except OSError as error:  # SerialException and its time-outs are OSErrors
                raise NotAProbe(
                    f"{self.device}: the port opened, but went away or takes nothing ({error}); "
                    "unplug the probe, plug it in again"
                ) from error
            self._talk.feed(data, now_s)
        hi = self._talk.hi
        assert hi is not None
        why = refusal(hi)
        if why is not None:
            raise ProbeRefused(f"{self.device}: {why}")
        return hi

    def _why_no_probe(self) -> str:
        seconds = f"{self._hello_wait_s:g} s"
        if self._talk.heard:
            return (
                f"{self.device}: something talks on this port, but it is no keydiag probe (no HI "
                f"in {seconds}); give another --port, or put the probe sketch on this controller"
            )
        return (
            f"{self.device}: nothing answered in {seconds}; put the probe sketch on the "
            "controller, press its reset once, or give another --port"
        )

    # --- the reading thread ---

    def _work(self) -> None:
        while not self._stop.is_set():
            port = self._port
            if port is None:
                self._look_for_it()
                continue
            try:
                data = port.read(port.in_waiting or 1)
                with self._lock:
                    events = self._talk.feed(data, time.monotonic())
                    said = self._talk.take()
                if said:
                    port.write(said)
            except (OSError, TypeError):
                # Unplugged: SerialException, EIO, or pyserial tripping over its closed port. What
                # it says about that ("readiness to read but no data") helps nobody.
                self._lose(port)
                continue
            self._put(events)

    def _lose(self, port: serial.Serial) -> None:
        with suppress(OSError):
            port.close()
        self._port = None
        if self._stop.is_set():
            return
        with self._lock:
            events = self._talk.link_down(f"{self.device} went away")
        self._put(events)

    def _look_for_it(self) -> None:
        """The port is gone: wait for it, or for the same device under another name."""
        if self._stop.wait(RETURN_EVERY_S):
            return
        device = self._where_now()
        if device is None:
            return
        try:
            port = open_port(device)
        except PortError:
            return  # not ready yet, or another program was quicker
        with self._lock:
            self.device = device
            self._talk.take()
            self._talk.hello(time.monotonic())
        self._port = port

    def _where_now(self) -> str | None:
        if present(self.device):
            return self.device
        if self._info is None or self._info.usb is None:
            return None
        return next((p.device for p in find_ports() if p.usb == self._info.usb), None)

    def _put(self, events: list[SourceEvent]) -> None:
        if not events:
            return
        with self._arrived:
            self._queue.extend(events)
            self._arrived.notify_all()
        if self._on_events is not None:
            self._on_events()


def find_probe(
    candidates: Sequence[PortInfo] | None = None,
    *,
    on_events: Callable[[], None] | None = None,
) -> tuple[SerialSource, Hi]:
    """Say HELLO on every USB serial port; the first that answers as a probe, opened.

    Raises PortMissing if there is no port to try, otherwise the error of the only candidate, or
    NotAProbe naming each candidate and why it is none.
    """
    if candidates is None:
        candidates = [port for port in find_ports() if port.usb is not None]
    if not candidates:
        raise PortMissing(
            "no USB serial port found; plug the probe in with a cable that carries data, or name "
            "the port with --port"
        )
    failed: list[PortError] = []
    for candidate in candidates:
        source = SerialSource(candidate.device, on_events=on_events, hello_wait_s=AUTO_WAIT_S)
        try:
            return source, source.open()
        except PortError as error:
            failed.append(error)
    if len(failed) == 1:
        raise failed[0]
    raise NotAProbe("no probe found. " + " ".join(f"{error}." for error in failed))
