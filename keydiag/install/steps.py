"""From a plugged-in controller to a probe that says HI.

    find the controller -> 1200-baud touch -> wait for its boot loader -> avrdude -> HI

Nothing is done to a controller before all that is needed is known to be there. The way in is what
the AVR core for Arduino-style IDEs does in its upload (boards.txt, platform.txt 1.8.7: protocol
avr109 at 57600 baud, use_1200bps_touch, wait_for_upload_port, avrdude -D). Ports, clock and avrdude
come in through `Tools`.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from keydiag.errors import NotAProbe, PortError, PortMissing, UsageError
from keydiag.install.hexfile import check_image
from keydiag.install.identity import Kind, identify
from keydiag.sources.ports import PortInfo
from keydiag.wire import Hi

__all__ = ["BUILD", "Tools", "image_for", "install", "own_firmware_words"]

BUILD = "probe-1.0"  # what the prebuilt image says in HI
CHIP = "atmega32u4"  # the only chip with a prebuilt image
LOOK_EVERY_S = 0.1
# The boot loader shows up within a second or two and stays for 8 s (its source, from memory).
BOOT_WAIT_S = 6.0
PROBE_WAIT_S = 10.0  # the boot loader leaves at once when avrdude is done; some wait out their 8 s
TELL_LINES = 4  # of what avrdude said when it failed

# The sketch: in the source tree, or as it came with the wheel.
_PACKAGE = Path(__file__).resolve().parents[1]
SKETCHES = (_PACKAGE / "_sketch" / "firmware_probe", _PACKAGE.parent / "firmware_probe")
SKETCH = next((s for s in SKETCHES if (s / "firmware_probe.ino").is_file()), SKETCHES[0])
OTHER_CHIPS = (
    "other chips (and other clocks than 16 MHz) there is no prebuilt image: open "
    f"{SKETCH / 'firmware_probe.ino'} in an Arduino-style IDE, choose your board and its port, "
    "upload; then 'keydiag probe ports --ask' shows the probe"
)
BY_HAND = "press its reset button twice quickly, then run this again within 8 s"


@dataclass(frozen=True)
class Tools:
    """What the steps need of the world.

    find_ports: all ports now. touch: open a port at 1200 baud and close it. avrdude: its path, or
    None. run: a command; (exit status, all it said). hello: open a port and return its HI, or
    raise PortError. sleep: seconds. say: a line for the builder.
    """

    find_ports: Callable[[], list[PortInfo]]
    touch: Callable[[str], None]
    avrdude: str | None
    run: Callable[[Sequence[str]], tuple[int, str]]
    hello: Callable[[str], Hi]
    sleep: Callable[[float], None]
    say: Callable[[str], None]


def image_for(chip: str) -> Path:
    """The prebuilt image that came with keydiag. UsageError if there is none for this chip."""
    if chip != CHIP:
        raise UsageError(f"{chip}: for {OTHER_CHIPS}")
    return _PACKAGE / "_images" / f"probe-{chip}.hex"


def command_for(avrdude: str, port: str, image: Path) -> list[str]:
    """The avrdude command that writes an image through the boot loader on a port."""
    return [
        avrdude, "-p", CHIP, "-c", "avr109", "-P", port, "-b", "57600", "-D",
        "-U", f"flash:w:{image}:i",
    ]  # fmt: skip


def own_firmware_words(port: str) -> str:
    """How to put the builder's own firmware back."""
    return (
        "To put your own firmware back when the half is proven: "
        f"keydiag probe install --port {port} --image YOUR.hex\n"
        "(or your own way of loading it; the boot loader is untouched, and pressing reset twice "
        "always reaches it)."
    )


def install(tools: Tools, port: str | None = None, own_image: Path | None = None) -> Hi | None:
    """Put the probe (or `own_image`) on the controller on `port` (or the only one that is known by
    its USB identity). The probe's HI; None for an image of the builder's own.

    Raises UsageError for an image that is none, PortError for everything that goes wrong outside.
    """
    image = own_image or image_for(CHIP)
    try:
        size = check_image(image.read_text("ascii"), str(image))
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{image}: cannot be read as an image ({error}); give a .hex") from error
    found = _controller(tools.find_ports(), port)
    if tools.avrdude is None:
        raise PortError(_no_avrdude(found.device, image))
    boot = found.device
    if _kind(found) is not Kind.BOOT:
        tools.say(f"{found.device}: asking the controller for its boot loader (1200 baud).")
        before = {p.device for p in tools.find_ports()}
        tools.touch(found.device)
        boot = _wait_for_boot(tools, found, before)
    command = command_for(tools.avrdude, boot, image)
    tools.say(f"{boot}: writing {size} bytes: {shlex.join(command)}")
    status, said = tools.run(command)
    if status:
        last = "; ".join([line for line in said.splitlines() if line.strip()][-TELL_LINES:])
        raise PortError(
            f"{boot}: avrdude failed with status {status} ({last}); the boot loader is still "
            f"there: {BY_HAND}"
        )
    if own_image is not None:
        tools.say(f"{own_image} is on the controller.")
        return None
    return _verify(tools, found)


def _kind(port: PortInfo) -> Kind | None:
    identity = identify(*port.usb[:2]) if port.usb else None
    return identity.kind if identity else None


def _controller(ports: list[PortInfo], device: str | None) -> PortInfo:
    """The port to work on: the named one, or the only one that is known."""
    if device is not None:
        listed = next((p for p in ports if p.device == device), PortInfo(device, "", None))
        identity = identify(*listed.usb[:2]) if listed.usb else None
        if identity is not None and identity.kind is Kind.OTHER:
            raise UsageError(f"{device}: this is {identity.words}; for {OTHER_CHIPS}")
        return listed
    known = [p for p in ports if _kind(p) in (Kind.PROBE, Kind.SKETCH, Kind.BOOT)]
    if len(known) == 1:
        return known[0]
    if known:
        names = ", ".join(p.device for p in known)
        raise PortError(f"several controllers ({names}); name the one to write to with --port")
    usb = ", ".join(f"{p.device} ({p.usb[0]:04x}:{p.usb[1]:04x})" for p in ports if p.usb)
    there = f"known by their USB identity among: {usb}" if usb else "on any USB serial port"
    raise PortMissing(
        f"no atmega32u4 {there}. Plug it in with a cable that carries data. If it is one of these, "
        f"name it with --port; if its firmware has no serial port, {BY_HAND}. For "
        f"{OTHER_CHIPS}"
    )


def _no_avrdude(device: str, image: Path) -> str:
    command = shlex.join(command_for("avrdude", device, image))
    return (
        "avrdude is not installed; install it (Debian: apt install avrdude) and run this again. "
        "By hand: press the controller's reset button twice quickly, and within 8 s run\n"
        f"    {command}\n"
        "with the port that the boot loader shows up on (keydiag probe ports)"
    )


def _wait_for_boot(tools: Tools, found: PortInfo, before: set[str]) -> str:
    """The port that the boot loader is on: one that says so, one that was not there before, or the
    same one after it went away."""
    gone = False
    for _ in range(round(BOOT_WAIT_S / LOOK_EVERY_S)):
        tools.sleep(LOOK_EVERY_S)
        ports = tools.find_ports()
        names = {p.device for p in ports}
        for port in ports:
            if _kind(port) is Kind.BOOT and port.device not in before - {found.device}:
                return port.device
        if found.device not in names:
            gone = True
        elif gone:
            return found.device
        new = names - before
        if gone and len(new) == 1:
            return new.pop()
    raise PortMissing(
        f"{found.device}: no boot loader showed up after the 1200-baud touch; {BY_HAND}"
    )


def _verify(tools: Tools, found: PortInfo) -> Hi:
    """Wait for the probe and let it say HI."""
    why = "no port showed up"
    for _ in range(round(PROBE_WAIT_S / LOOK_EVERY_S)):
        tools.sleep(LOOK_EVERY_S)
        ports = tools.find_ports()
        likely = [p.device for p in ports if _kind(p) is Kind.PROBE]
        likely += [p.device for p in ports if p.device == found.device and p.device not in likely]
        for device in likely:
            try:
                hi = tools.hello(device)
            except PortError as error:
                why = str(error)
                continue
            if (hi.chip, hi.build) != (CHIP, BUILD):
                raise NotAProbe(
                    f"{device}: says it is {hi.build} on an {hi.chip}, but {BUILD} on an {CHIP} "
                    "was written; was another probe plugged in?"
                )
            tools.say(
                f"{device}: the probe answers: {hi.build} on an {hi.chip}, {hi.pins} pins, "
                f"{hi.vcc_mv / 1000:.2f} V."
            )
            tools.say(own_firmware_words(device))
            return hi
    raise NotAProbe(
        f"avrdude wrote the image, but no probe said HI ({why}); unplug the controller, plug it in "
        "again, and look with: keydiag probe ports --ask"
    )
