"""keydiag probe ports: what is on the serial ports."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from keydiag.sources.ports import PortInfo


def add(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the action."""
    parser = actions.add_parser(
        "ports",
        help="list the serial ports and what sits on them",
        description="Lists the serial ports and, by USB identity, what sits on them. Opens none "
        "of them, unless told to ask.",
    )
    parser.add_argument(
        "--ask",
        action="store_true",
        help="open every USB port and say HELLO: proves which is a probe (opening a port resets "
        "some controllers)",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """One line for each port."""
    from keydiag.errors import PortMissing
    from keydiag.sources.ports import find_ports

    ports = find_ports()
    if not ports:
        raise PortMissing(
            "there is no serial port; plug the probe in with a cable that carries data"
        )
    for port in ports:
        print(line_of(port))
        if args.ask and port.usb:
            print(f"    {_asked(port.device)}", flush=True)
    return 0


def line_of(port: PortInfo) -> str:
    """What is known of a port without opening it."""
    from keydiag.install import identify

    if port.usb is None:
        return f"{port.device}: {port.about or 'unknown'} (not USB)"
    vendor, product, *_ = port.usb
    known = identify(vendor, product)
    what = known.words if known else "nothing known to keydiag"
    about = f', "{port.about}"' if port.about else ""
    return f"{port.device}: {what} ({vendor:04x}:{product:04x}{about})"


def _asked(device: str) -> str:
    """What it answers to HELLO."""
    from keydiag.errors import PortError
    from keydiag.sources.serialport import AUTO_WAIT_S, SerialSource

    source = SerialSource(device, hello_wait_s=AUTO_WAIT_S)
    try:
        hi = source.open()
    except PortError as error:
        return f"no probe: {error}"
    source.close()
    return (
        f"a probe: {hi.build} on an {hi.chip}, {hi.pins} pins, {hi.vcc_mv / 1000:.2f} V"
        if hi.vcc_mv
        else f"a probe: {hi.build} on an {hi.chip}, {hi.pins} pins"
    )
