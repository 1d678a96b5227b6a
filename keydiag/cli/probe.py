"""keydiag probe: what is on the serial ports."""

from __future__ import annotations

import argparse


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command and its actions."""
    parser = commands.add_parser(
        "probe", help="serial ports and the probe", description="Serial ports and the probe."
    )
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    ports = actions.add_parser(
        "ports",
        help="list the serial ports",
        description="Lists the serial ports; touches none of them.",
    )
    ports.set_defaults(run=_ports)


def _ports(args: argparse.Namespace) -> int:
    from keydiag.errors import PortMissing
    from keydiag.sources.ports import find_ports

    ports = find_ports()
    if not ports:
        raise PortMissing(
            "there is no serial port; plug the probe in with a cable that carries data"
        )
    for port in ports:
        print(f"{port.device}: {port.about or 'unknown'}{'' if port.usb else ' (not USB)'}")
    return 0
