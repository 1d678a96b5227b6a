"""keydiag probe install: the probe onto the controller, or the builder's own firmware back."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from keydiag.sources.ports import PortInfo
    from keydiag.wire import Hi


def add(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the action."""
    parser = actions.add_parser(
        "install",
        help="put the probe on the controller",
        description="Puts the probe that came with keydiag on an ATmega32U4 (with avrdude, "
        "through the boot loader that these controllers have), and lets it say HI. What was on "
        "the controller is overwritten, so keep your own firmware's .hex at hand. Before that: "
        "no short between supply and ground (see keydiag board precheck).",
    )
    parser.add_argument(
        "--port", help="serial port of the controller (default: the only one that is known)"
    )
    parser.add_argument(
        "--image",
        metavar="HEX",
        help="put this image on instead of the probe: your own firmware, to go back to it",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Do it; everything that goes wrong is a KeydiagError."""
    import shutil
    import time
    from pathlib import Path

    from keydiag.install import Tools, install
    from keydiag.sources.touch import touch

    tools = Tools(
        find_ports=lambda: _ports_and(args.port),
        touch=touch,
        avrdude=shutil.which("avrdude"),
        run=_run,
        hello=_hello,
        sleep=time.sleep,
        say=lambda line: print(line, flush=True),
    )
    install(tools, args.port, Path(args.image) if args.image else None)
    return 0


def _ports_and(device: str | None) -> list[PortInfo]:
    """All ports; and the one that the builder named, should it be there without being listed (a
    symbolic link, a pseudo-terminal)."""
    import os

    from keydiag.sources.ports import PortInfo, find_ports, present

    ports = find_ports()
    if device is not None and present(device) and all(p.device != device for p in ports):
        target = os.path.realpath(device)
        usb = next((p.usb for p in ports if p.device == target), None)
        ports.append(PortInfo(device, "", usb))
    return ports


def _run(command: Sequence[str]) -> tuple[int, str]:
    import subprocess

    done = subprocess.run(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace"
    )
    return done.returncode, done.stdout


def _hello(device: str) -> Hi:
    from keydiag.sources.serialport import SerialSource

    source = SerialSource(device)
    hi = source.open()
    source.close()
    return hi
