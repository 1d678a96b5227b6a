"""The steps of an installation on a pretended bench: what is done, in which order; what is said
when something is missing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from keydiag.errors import NotAProbe, PortError, PortMissing, UsageError
from keydiag.install import BUILD, Tools, image_for, install
from keydiag.sources.ports import PortInfo
from keydiag.wire import Hi

SKETCH, BOOT, PROBE = (0x2341, 0x8037), (0x2341, 0x0037), (0x1209, 0x0001)
HI = Hi(1, "atmega32u4", BUILD, 26, 4980)


def port(device: str, pair: tuple[int, int] | None, about: str = "") -> PortInfo:
    return PortInfo(device, about, (*pair, "", "1-1") if pair else None)


@dataclass
class Desk:
    """A controller that goes through its states; `log`: what was done to it."""

    ports: list[PortInfo]
    after_touch: list[list[PortInfo]] = field(default_factory=list)  # one for each look
    after_run: list[list[PortInfo]] = field(default_factory=list)
    avrdude: str | None = "/usr/bin/avrdude"
    status: int = 0
    hello: Callable[[str], Hi] = lambda device: HI
    log: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    _next: list[list[PortInfo]] = field(default_factory=list)

    def _find(self) -> list[PortInfo]:
        if self._next:
            self.ports = self._next.pop(0)
        return self.ports

    def _touch(self, device: str) -> None:
        self.log.append(f"touch {device}")
        self._next = list(self.after_touch)

    def _run(self, command) -> tuple[int, str]:
        self.log.append(" ".join(command))
        self._next = list(self.after_run)
        return self.status, "avrdude: first\n\navrdude: butterfly programmer not responding\n"

    def _hello(self, device: str) -> Hi:
        self.log.append(f"hello {device}")
        return self.hello(device)

    def tools(self) -> Tools:
        return Tools(self._find, self._touch, self.avrdude, self._run, self._hello,
                     lambda s: None, self.said.append)  # fmt: skip


def written(device: str, image: Path | None = None) -> str:
    image = image or image_for("atmega32u4")
    return (
        f"/usr/bin/avrdude -p atmega32u4 -c avr109 -P {device} -b 57600 -D -U flash:w:{image}:i"
    )


OTHER = port("/dev/ttyUSB0", (0x1A86, 0x7523))


def test_from_a_sketch_to_the_probe() -> None:
    desk = Desk(
        [port("/dev/ttyACM0", SKETCH), OTHER],
        after_touch=[[port("/dev/ttyACM0", SKETCH), OTHER], [OTHER], [OTHER],
                     [OTHER, port("/dev/ttyACM1", BOOT)]],
        after_run=[[OTHER], [OTHER, port("/dev/ttyACM0", PROBE)]],
    )  # fmt: skip
    assert install(desk.tools()) == HI
    assert desk.log == ["touch /dev/ttyACM0", written("/dev/ttyACM1"), "hello /dev/ttyACM0"]
    assert any(BUILD in line and "4.98 V" in line for line in desk.said)
    assert "own firmware back" in desk.said[-1] and "--image" in desk.said[-1]


def test_a_controller_already_in_its_boot_loader_is_not_touched() -> None:
    desk = Desk([port("/dev/ttyACM0", BOOT)], after_run=[[port("/dev/ttyACM0", PROBE)]])
    assert install(desk.tools()) == HI
    assert desk.log == [written("/dev/ttyACM0"), "hello /dev/ttyACM0"]


def test_the_boot_loader_may_come_back_under_the_same_name() -> None:
    old = [port("/dev/ttyACM0", PROBE)]
    desk = Desk(old, after_touch=[old, [], [port("/dev/ttyACM0", BOOT)]], after_run=[[], old])
    install(desk.tools())
    assert desk.log[1] == written("/dev/ttyACM0")


def test_an_unknown_controller_can_be_named() -> None:
    mine = [port("/dev/ttyACM5", (0xFEED, 0x0001))]
    desk = Desk(mine, after_touch=[[], [port("/dev/ttyACM6", (0xFEED, 2))]],
                after_run=[[], [port("/dev/ttyACM5", PROBE)]])  # fmt: skip
    install(desk.tools(), "/dev/ttyACM5")
    assert desk.log == ["touch /dev/ttyACM5", written("/dev/ttyACM6"), "hello /dev/ttyACM5"]


def test_a_stranger_that_appears_meanwhile_is_not_written_to() -> None:
    """Somebody plugs in another boot loader's port while ours has not gone yet: it counts as new
    only by its own identity; one that was there before never does."""
    mine, old = port("/dev/ttyACM0", SKETCH), port("/dev/ttyACM9", BOOT)
    desk = Desk([mine, old], after_touch=[[mine, old], [old], [old, port("/dev/ttyACM1", BOOT)]],
                after_run=[[port("/dev/ttyACM0", PROBE)]])  # fmt: skip
    install(desk.tools(), "/dev/ttyACM0")
    assert desk.log[1] == written("/dev/ttyACM1")


def test_the_own_firmware_goes_back_the_same_way(tmp_path: Path) -> None:
    own = tmp_path / "own.hex"
    own.write_text(":0100000055AA\n:00000001FF\n")
    desk = Desk([port("/dev/ttyACM0", PROBE)], after_touch=[[], [port("/dev/ttyACM0", BOOT)]])
    assert install(desk.tools(), own_image=own) is None
    assert desk.log == ["touch /dev/ttyACM0", written("/dev/ttyACM0", own)]


def test_nothing_is_touched_without_avrdude_and_the_command_is_told() -> None:
    desk = Desk([port("/dev/ttyACM0", SKETCH)], avrdude=None)
    with pytest.raises(PortError) as error:
        install(desk.tools())
    assert desk.log == []
    assert written("/dev/ttyACM0").removeprefix("/usr/bin/") in str(error.value)


@pytest.mark.parametrize("content", ["", ":00000001FF\n", "junk", ":017000005534\n:00000001FF\n"])
def test_nothing_is_touched_for_an_image_that_is_none(content: str, tmp_path: Path) -> None:
    own = tmp_path / "own.hex"
    own.write_text(content)
    desk = Desk([port("/dev/ttyACM0", SKETCH)])
    with pytest.raises(UsageError, match="own.hex"):
        install(desk.tools(), own_image=own)
    with pytest.raises(UsageError, match="gone.hex"):
        install(desk.tools(), own_image=tmp_path / "gone.hex")
    assert desk.log == []


def test_avrdude_fails() -> None:
    desk = Desk([port("/dev/ttyACM0", BOOT)], status=1)
    with pytest.raises(PortError, match="status 1.*not responding.*reset button twice"):
        install(desk.tools())


def test_no_boot_loader_shows_up() -> None:
    desk = Desk([port("/dev/ttyACM0", SKETCH)])
    with pytest.raises(PortMissing, match="no boot loader.*reset button twice"):
        install(desk.tools())
    assert desk.log == ["touch /dev/ttyACM0"]


def test_no_probe_or_another_one_shows_up() -> None:
    def silent(device: str) -> Hi:
        raise NotAProbe(f"{device}: nothing answered")

    desk = Desk([port("/dev/ttyACM0", BOOT)], after_run=[[port("/dev/ttyACM0", PROBE)]])
    desk.hello = silent
    with pytest.raises(NotAProbe, match="nothing answered"):
        install(desk.tools())
    desk = Desk([port("/dev/ttyACM0", BOOT)], after_run=[[port("/dev/ttyACM0", PROBE)]])
    desk.hello = lambda device: Hi(1, "atmega32u4", "probe-0.9", 26, 5000)
    with pytest.raises(NotAProbe, match="probe-0.9"):
        install(desk.tools())


@pytest.mark.parametrize(
    ("ports", "told"),
    [
        ([], "no atmega32u4 on any USB serial port"),
        ([port("/dev/ttyS0", None)], "on any USB"),
        ([OTHER], r"among: /dev/ttyUSB0 \(1a86:7523\)"),
        ([port("/dev/ttyACM0", SKETCH), port("/dev/ttyACM1", BOOT)], "several.*--port"),
    ],
)
def test_which_controller_is_not_guessed(ports: list[PortInfo], told: str) -> None:
    desk = Desk(ports)
    with pytest.raises(PortError, match=told) as error:
        install(desk.tools())
    assert desk.log == []
    if "several" not in told:
        assert "firmware_probe.ino in an Arduino-style IDE" in str(error.value)


@pytest.mark.parametrize("pair", [(0x2E8A, 0x000A), (0x1A86, 0x7523), (0x1B4F, 0x9204)])
def test_another_chip_or_clock_is_refused_and_told_what_to_do(pair: tuple[int, int]) -> None:
    desk = Desk([port("/dev/ttyACM0", pair)])
    with pytest.raises(UsageError, match="firmware_probe.ino in an Arduino-style IDE"):
        install(desk.tools(), "/dev/ttyACM0")
    assert desk.log == []


def test_the_sketch_that_is_named_exists() -> None:
    from keydiag.install.steps import SKETCH

    assert (SKETCH / "firmware_probe.ino").is_file()
