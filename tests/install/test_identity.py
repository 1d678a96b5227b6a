"""USB identities, held against the boards.txt of the core that gives them out."""

import re
from pathlib import Path

import pytest

from keydiag.chips import chips
from keydiag.install import Kind, identify
from keydiag.install.identity import _KNOWN, PROBE_ID
from tests.simavr.avr_build import ARDUINO, ATMEGA32U4

BOARDS = Path(ARDUINO / "boards.txt").read_text("utf-8")


def boards_with(mcu: str) -> dict[str, dict[str, str]]:
    """Board -> its settings, of every board with this chip."""
    found: dict[str, dict[str, str]] = {}
    for board, key, value in re.findall(r"^([\w-]+)\.([\w.]+)=(.*)$", BOARDS, re.MULTILINE):
        found.setdefault(board, {})[key] = value.strip()
    return {b: settings for b, settings in found.items() if settings.get("build.mcu") == mcu}


def test_every_board_of_the_core_with_this_chip_is_known() -> None:
    seen = 0
    for board, settings in boards_with("atmega32u4").items():
        slow = settings["build.f_cpu"] != "16000000L"
        own = (int(settings["build.vid"], 16), int(settings["build.pid"], 16))
        pairs = {
            (int(settings[f"upload_port.{i}.vid"], 16), int(settings[f"upload_port.{i}.pid"], 16))
            for i in range(6)
            if f"upload_port.{i}.pid" in settings
        }
        for pair in pairs | {own}:
            known = identify(*pair)
            assert known is not None and known.chip == "atmega32u4", (board, pair)
            if slow:
                assert known.kind is Kind.OTHER, (board, pair)
            else:
                is_sketch = bool(pair[1] & 0x8000)
                assert known.kind is (Kind.SKETCH if is_sketch else Kind.BOOT), (board, pair)
            seen += 1
        if not slow:  # what a sketch says is a sketch
            assert identify(*own).kind is Kind.SKETCH  # type: ignore[union-attr]
        # How the upload goes: the same for all of them.
        assert settings["upload.protocol"] == "avr109" and settings["upload.speed"] == "57600"
        assert settings["upload.use_1200bps_touch"] == "true"
        assert settings["upload.maximum_size"] == "28672"
    assert seen > 30


def test_the_prebuilt_image_has_the_identity_that_is_looked_for() -> None:
    assert f"USB_VID={PROBE_ID[0]:#06x}" in ATMEGA32U4.defines
    assert f"USB_PID={PROBE_ID[1]:#06x}" in ATMEGA32U4.defines
    assert identify(*PROBE_ID).kind is Kind.PROBE  # type: ignore[union-attr]


def test_an_unknown_pair_is_not_guessed_at() -> None:
    assert identify(0x1234, 0x5678) is None


@pytest.mark.parametrize("pair", list(_KNOWN), ids=lambda p: f"{p[0]:04x}:{p[1]:04x}")
def test_a_known_one_names_a_chip_we_know_or_none(pair: tuple[int, int]) -> None:
    known = _KNOWN[pair]
    assert known.chip == "" or known.chip in chips()
    assert known.words
