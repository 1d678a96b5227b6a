"""The serial port itself: errors the builder meets, unplugging, and several candidates.

Ports are pseudo-terminals; what cannot be had here (a port of another user: tests may run as
root) is checked on the function that words the error.
"""

from __future__ import annotations

import errno
import os
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial
from rigs import CIRCUIT, PERIOD_US, Rig, half_with, served

from keydiag.errors import (
    NotAProbe,
    PortBusy,
    PortError,
    PortForbidden,
    PortMissing,
    ProbeRefused,
    UsageError,
)
from keydiag.sources.base import LinkDown, LinkUp, ReadingAt
from keydiag.sources.ports import PortInfo, find_ports, open_port, port_error
from keydiag.sources.serialport import SerialSource, find_probe
from keydiag.wire import Hello, encode


@contextmanager
def talking(say: bytes) -> Iterator[str]:
    """A pseudo-terminal on which something says `say` again and again."""
    master, slave = os.openpty()
    tty.setraw(slave)
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(0.05):
            if say:
                os.write(master, say)

    thread = threading.Thread(target=talk, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)


def one_line(error: Exception) -> str:
    assert "\n" not in str(error)
    return str(error)


# --- ports that cannot be opened ---


def test_no_such_port() -> None:
    with pytest.raises(PortMissing) as caught:
        SerialSource("/dev/tty-no-such-port").open()
    assert one_line(caught.value).startswith("/dev/tty-no-such-port: no such port (there ")
    assert caught.value.exit_status == 3


def test_another_program_has_the_port() -> None:
    with served(half_with()) as it:
        first = open_port(it.path)
        with pytest.raises(PortBusy) as caught:
            SerialSource(it.path).open()
        assert "another program has this port open" in one_line(caught.value)
        first.close()
        source = SerialSource(it.path)
        assert source.open().version == 1
        source.close()


@pytest.mark.parametrize("number", [errno.EACCES, errno.EPERM])
def test_forbidden_port_names_its_group_and_both_mends(tmp_path: Path, number: int) -> None:
    port = tmp_path / "ttyACM0"
    port.touch()
    error = port_error(str(port), serial.SerialException(number, "could not open port"))
    assert isinstance(error, PortForbidden)
    import grp

    group = grp.getgrgid(port.stat().st_gid).gr_name
    text = one_line(error)
    assert f"its group is {group}" in text and f"usermod -a -G {group} " in text
    assert 'TAG+="uaccess"' in text and "/etc/udev/rules.d/" in text


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (errno.ENOENT, PortMissing),
        (errno.ENODEV, PortMissing),
        (errno.EAGAIN, PortBusy),
        (errno.EBUSY, PortBusy),
        (errno.EIO, PortError),
    ],
)
def test_system_error_numbers(number: int, kind: type[PortError]) -> None:
    error = port_error("/dev/ttyX", serial.SerialException(number, "text"))
    assert type(error) is kind and one_line(error).startswith("/dev/ttyX: ")


def test_a_file_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("hello")
    with pytest.raises(PortError, match=r"notes\.txt: cannot be opened as a serial port"):
        SerialSource(str(path)).open()


# --- ports with something else on them ---


def test_nothing_answers() -> None:
    with talking(b"") as path, pytest.raises(NotAProbe) as caught:
        SerialSource(path, hello_wait_s=0.3).open()
    assert "nothing answered in 0.3 s; put the probe sketch on" in one_line(caught.value)


@pytest.mark.parametrize("junk", [b"temperature 21.5\r\n", bytes(range(256)), b"HI 1 x*0000\n"])
def test_something_else_talks(junk: bytes) -> None:
    with talking(junk) as path, pytest.raises(NotAProbe) as caught:
        SerialSource(path, hello_wait_s=0.3).open()
    assert "something talks on this port, but it is no keydiag probe" in one_line(caught.value)


def test_an_unknown_protocol_version_is_refused_by_name() -> None:
    from keydiag.wire import crc16

    body = b"HI 2 atmega32u4 future-9 26 5000 more"
    line = b"%s*%04X\n" % (body, crc16(body))
    with talking(line) as path, pytest.raises(ProbeRefused) as caught:
        SerialSource(path).open()
    assert "speaks wire protocol version 2, this keydiag speaks version 1" in one_line(caught.value)


def test_a_failed_opening_leaves_the_port_free() -> None:
    with talking(b"") as path:
        with pytest.raises(NotAProbe):
            SerialSource(path, hello_wait_s=0.1).open()
        open_port(path).close()


def test_lines_left_over_by_an_earlier_client_do_no_harm() -> None:
    with served(half_with()) as it:
        rig = Rig(SerialSource(it.path), it.command)
        rig.source.open()
        rig.source.start(CIRCUIT.pins, 0)
        time.sleep(0.3)  # nobody reads
        rig.source.close()
        careless = serial.Serial(it.path)
        careless.write(b"half a li")
        careless.close()
        source = SerialSource(it.path)
        assert source.open().chip == "atmega32u4"
        source.close()


# --- looking for a probe ---


def test_auto_finds_the_probe_among_the_candidates() -> None:
    with talking(b"GPS\r\n") as wrong, served(half_with()) as it:
        candidates = [PortInfo(path, "", (1, 2, "", "")) for path in (wrong, it.path)]
        source, hi = find_probe(candidates)
        assert (source.device, hi.version) == (it.path, 1)
        source.close()


def test_auto_without_a_candidate() -> None:
    with pytest.raises(PortMissing, match="no USB serial port found"):
        find_probe([])


def test_auto_names_every_candidate_that_failed() -> None:
    candidates = [PortInfo(f"/dev/tty-gone-{n}", "", None) for n in (1, 2)]
    with pytest.raises(NotAProbe, match=r"gone-1: no such port.*gone-2: no such port"):
        find_probe(candidates)
    with pytest.raises(PortMissing, match="gone-1"):
        find_probe(candidates[:1])


def test_find_ports_lists_usb_ports_first() -> None:
    ports = find_ports()
    assert [p.usb is None for p in ports] == sorted(p.usb is None for p in ports)


# --- unplugging ---


def test_unplugged_and_plugged_in_again_goes_on_by_itself(tmp_path: Path) -> None:
    """The port is a name that goes away with the pseudo-terminal, as /dev/ttyACM0 does."""
    link = tmp_path / "ttyACM0"
    wakes = []
    source = SerialSource(str(link), on_events=lambda: wakes.append(1))
    with served(half_with(), link) as it:
        rig = Rig(source, it.command)
        rig.source.open()
        rig.source.start(CIRCUIT.pins, PERIOD_US)
        rig.command("press L11")
        before = rig.until_reads("row R1", "column C1", True)
    down = rig.until(lambda event: isinstance(event, LinkDown))
    assert isinstance(down, LinkDown) and "went away" in down.reason
    time.sleep(0.4)
    assert not any(isinstance(event, ReadingAt) for event in source.read(0.1))
    with served(half_with(), link) as it:
        up = rig.until(lambda event: isinstance(event, LinkUp))
        assert isinstance(up, LinkUp) and up.hi.chip == "atmega32u4"
        it.command("press L12")
        after = rig.until_reads("row R1", "column C2", True)
        assert after.t_us > before.t_us + 400_000
        assert not after.reading.low[0] >> CIRCUIT.pin_of_line["column C1"] & 1
        source.close()
    assert wakes


def test_closing_stops_the_probe_and_the_thread() -> None:
    half = half_with()
    with served(half) as it:
        rig = Rig(SerialSource(it.path), it.command)
        rig.source.open()
        rig.source.start(CIRCUIT.pins, PERIOD_US)
        rig.until(lambda event: isinstance(event, ReadingAt))
        rig.source.close()
        deadline = time.monotonic() + 2
        while half.running and time.monotonic() < deadline:
            time.sleep(0.01)
        assert not half.running
    assert not [t for t in threading.enumerate() if t.name == "keydiag port"]


# --- the served half ---


def test_any_serial_client_can_talk_to_it() -> None:
    """pyserial alone, with no code of ours on this end."""
    with served(half_with()) as it, serial.Serial(it.path, timeout=2) as client:
        client.write(b"HELLO*49D6\n")
        assert client.readline() == b"HI 1 atmega32u4 virtual-1 26 5000*" + b"%s\n" % (
            client_crc(b"HI 1 atmega32u4 virtual-1 26 5000")
        )
        assert client.readline().startswith(b"PIN 0 PB0*")


def client_crc(body: bytes) -> bytes:
    """CRC-16/CCITT-FALSE by the bit-by-bit definition of the CRC catalogues."""
    crc = 0xFFFF
    for byte in body:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return b"%04X" % crc


def test_commands() -> None:
    with served(half_with()) as it:
        it.command("press L11")
        it.command("")
        it.command("sweep")
        for bad, said in (
            ("press L99", "L99: no such key on Bramblewick left"),
            ("push L11", "push L11: no such command; say: press KEY"),
            ("press", "no such command"),
        ):
            with pytest.raises(UsageError, match=said):
                it.command(bad)


def test_a_client_that_never_reads_does_not_block_the_half() -> None:
    with served(half_with()) as it:
        client = serial.Serial(it.path)
        client.write(encode(Hello()) * 200)
        time.sleep(0.2)
        client.close()
        source = SerialSource(it.path)
        assert source.open().version == 1
        source.close()
