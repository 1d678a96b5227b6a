"""Serial ports: which there are, opening one, and what to tell the builder when that fails.

Not here: talking to what is on the port (serialport.py).
"""

from __future__ import annotations

import errno
import getpass
import os
from dataclasses import dataclass
from pathlib import Path

import serial
from serial.tools import list_ports

from keydiag.errors import PortBusy, PortError, PortForbidden, PortMissing

__all__ = ["PortInfo", "find_ports", "open_port", "port_error", "present"]

# USB serial ignores the rate; a probe behind a serial chip (ATmega328P) runs at this one.
BAUD = 115_200
READ_WAIT_S = 0.02  # how long one read waits: bounds the delay of what we have to say
WRITE_WAIT_S = 1.0  # a probe that takes nothing for this long hangs


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port. about: what the system says is on it. usb: (vendor, product, serial number,
    socket) as far as known; None for ports that are not USB."""

    device: str
    about: str
    usb: tuple[int, int, str, str] | None


def find_ports() -> list[PortInfo]:
    """All serial ports, USB ones first, then by name."""
    found = []
    for port in list_ports.comports():
        usb = None
        if port.vid is not None and port.pid is not None:
            usb = port.vid, port.pid, port.serial_number or "", port.location or ""
        about = port.description if port.description not in (None, "n/a") else ""
        found.append(PortInfo(port.device, about, usb))
    return sorted(found, key=lambda p: (p.usb is None, p.device))


def open_port(device: str) -> serial.Serial:
    """Open a port for us alone. Raises PortMissing, PortForbidden, PortBusy or PortError."""
    try:
        port = serial.Serial(
            device,
            BAUD,
            timeout=READ_WAIT_S,
            write_timeout=WRITE_WAIT_S,
            exclusive=True,
        )
    except (OSError, ValueError) as error:  # SerialException is an OSError
        raise port_error(device, error) from error
    try:
        # The probe takes a closed port (no DTR) for "stop"; pyserial has set it on opening.
        # A pseudo-terminal has no such line and says ENOTTY.
        port.dtr = True
    except OSError as error:
        if error.errno not in (errno.ENOTTY, errno.EINVAL):
            port.close()
            raise port_error(device, error) from error
    port.reset_input_buffer()
    return port


def port_error(device: str, error: Exception) -> PortError:
    """The PortError that tells the builder what to do about a failed opening."""
    number = getattr(error, "errno", None)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        others = [port.device for port in find_ports() if port.usb]
        there = (
            f"there are: {', '.join(others)}" if others else "there is no USB serial port at all"
        )
        return PortMissing(
            f"{device}: no such port ({there}); plug the probe in with a cable that carries data, "
            "or give another --port"
        )
    if number in (errno.EACCES, errno.EPERM):
        return PortForbidden(_forbidden(device))
    if number in (errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY):
        return PortBusy(
            f"{device}: another program has this port open; close it (fuser {device} names it)"
        )
    why = getattr(error, "strerror", None) or error
    return PortError(f"{device}: cannot be opened as a serial port ({why}); check the name")


def _forbidden(device: str) -> str:
    group = _group_of(device) or "dialout"
    user = _user()
    rule = 'SUBSYSTEM=="tty", ENV{ID_BUS}=="usb", TAG+="uaccess"'
    return (
        f"{device}: you ({user}) may not open this port, its group is {group}; run "
        f"'sudo usermod -a -G {group} {user}' and log in again, or put {rule} into "
        "/etc/udev/rules.d/70-keydiag.rules and plug the probe in again"
    )


def _group_of(device: str) -> str | None:
    """The name of the group that a port belongs to; None where there are no groups."""
    try:
        import grp

        return grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return None


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "you"


def present(device: str) -> bool:
    """True if the port is there (POSIX; elsewhere, if the system lists it)."""
    if os.name == "posix":
        return Path(device).exists()
    return any(port.device == device for port in find_ports())
