"""The probe's own C++ on a fake board, driven from Python (host/probe_lib.cpp through ctypes)."""

from __future__ import annotations

import ctypes
import functools

from keydiag import wire
from tests.firmware.build_host import HOST, PLAIN, compile_host

PINS = 26


@functools.cache
def library(pins: int = PINS) -> ctypes.CDLL:
    """The library for a probe of that many pins."""
    sources = (*PLAIN, HOST / "fake_board.cpp", HOST / "probe_lib.cpp")
    flags = (f"-DPROBE_PINS={pins}", "-shared", "-fPIC")
    lib = ctypes.CDLL(str(compile_host(f"probe{pins}.so", sources, flags)))
    lib.board_broken.restype = ctypes.c_char_p
    for name in ("us", "pulled", "ever_pulled", "ever_driven", "drives", "supply_drives"):
        getattr(lib, f"board_{name}").restype = ctypes.c_uint32
    lib.check_of.restype = ctypes.c_uint16
    return lib


def parse(data: bytes) -> list[str]:
    """What the probe's reader makes of these bytes: "WORD a b c" or "bad why pins" per line."""
    out = ctypes.create_string_buffer(65536)
    library().reader_feed(data, len(data), out, len(out))
    return out.value.decode().splitlines()


def write(word: str, *parts: tuple[str, object], pins: int = PINS) -> bytes:
    """One line by the probe's writer; a part is (method of LineWriter, value)."""
    lib = library(pins)
    lib.line_begin(word.encode())
    for how, value in parts:
        if how == "text":
            lib.line_text(str(value).encode())
        elif how == "change":
            lib.line_change(*value)  # type: ignore[misc]
        else:
            getattr(lib, f"line_{how}")(ctypes.c_uint32(value))  # type: ignore[arg-type]
    out = ctypes.create_string_buffer(1024)
    n = lib.line_end(out, len(out))
    assert n >= 0, "the line did not fit"
    return out.raw[:n]


class HostProbe:
    """A probe on the fake board, just started. One at a time: the board is a global."""

    def __init__(self) -> None:
        self.lib = library()
        self.lib.probe_start()
        self.decoder = wire.Decoder()

    def say(self, *items: wire.Message | bytes) -> None:
        for item in items:
            data = item if isinstance(item, bytes) else wire.encode(item)
            self.lib.probe_hear(data, len(data))

    def poll(self, times: int = 1) -> list[wire.Message]:
        """Let the probe run; what it said, every line of which must be good."""
        self.lib.probe_poll(times)
        messages = self.decoder.feed(self.raw())
        assert not any(isinstance(m, wire.Corrupt) for m in messages), messages
        assert self.lib.board_broken() == b""
        return messages  # type: ignore[return-value]

    def raw(self) -> bytes:
        """The bytes that it said since the last time."""
        out = ctypes.create_string_buffer(1 << 20)
        n = self.lib.probe_said(out, len(out))
        return out.raw[:n]

    def wire_up(
        self, low: dict[int, int], rest: int = 0, supply: int = 0, late_supply: int = 0
    ) -> None:
        """`low[i]`: who reads low with pin i driven, besides itself; `supply`: pins held up by the
        supply; `late_supply`: pins that it pulls up while they are driven."""
        masks = (ctypes.c_uint32 * PINS)(*(low.get(i, 0) for i in range(PINS)))
        self.lib.board_wire(rest, masks, supply, late_supply)

    def rises(self, eighths: dict[int, int]) -> None:
        """How long pin i takes to rise, in eighths of a microsecond; 0: it does not."""
        for pin, n in eighths.items():
            self.lib.board_rise(pin, n)

    def flicker(self, drive: int, sense: int, first_us: int, step_us: int, times: int) -> None:
        """A crossing that opens and closes so many times, from `first_us` on by the clock."""
        self.lib.board_flicker(drive, sense, ctypes.c_uint32(first_us), step_us, times)

    @property
    def us(self) -> int:
        """The probe's clock."""
        return self.lib.board_us()

    def sleep(self, seconds: float) -> None:
        self.lib.board_sleep(int(seconds * 1e6))

    def link(self, *, up: bool = True, suspended: bool = False) -> None:
        self.lib.board_link(int(up), int(suspended))

    def room(self, bytes_: int) -> None:
        """How many bytes the link still takes before it blocks."""
        self.lib.board_room(bytes_)

    @property
    def pulled(self) -> int:
        return self.lib.board_pulled()

    @property
    def ever_pulled(self) -> int:
        return self.lib.board_ever_pulled()

    @property
    def ever_driven(self) -> int:
        return self.lib.board_ever_driven()
