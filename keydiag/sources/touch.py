"""The 1200-baud touch: a port opened at that rate and closed sends a sketch that was built with an
Arduino-style core to its boot loader (the core's CDC.cpp). The rate is used for nothing else.
"""

from __future__ import annotations

import errno
import time
from contextlib import suppress

import serial

from keydiag.sources.ports import port_error

__all__ = ["TOUCH_BAUD", "touch"]

TOUCH_BAUD = 1200
HOLD_S = 0.25  # open for so long: the controller has to take in the rate before the port closes


def touch(device: str) -> None:
    """Open and close the port at 1200 baud. Raises PortMissing, PortForbidden, PortBusy or
    PortError if it cannot be opened; that it goes away while being closed is what is wanted."""
    try:
        port = serial.Serial(device, TOUCH_BAUD, exclusive=True)
    except (OSError, ValueError) as error:  # SerialException is an OSError
        raise port_error(device, error) from error
    time.sleep(HOLD_S)
    with suppress(OSError):
        try:
            port.dtr = False  # what the core waits for; closing alone does it on most systems
        except OSError as error:
            if error.errno not in (errno.ENOTTY, errno.EINVAL):  # a pseudo-terminal has no DTR
                raise
    with suppress(OSError):
        port.close()
