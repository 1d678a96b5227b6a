"""keydiag probe: the serial ports, and the probe on them. Each action has a module of its own."""

from __future__ import annotations

import argparse

from keydiag.cli import probe_install, probe_ports


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the command and its actions."""
    parser = commands.add_parser(
        "probe",
        help="list serial ports, put the probe on a controller",
        description="Serial ports and the probe.",
    )
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    for action in ACTIONS:
        action(actions)


ACTIONS = (probe_ports.add, probe_install.add)
