"""Finds the data files that ship with keydiag: shared/ and fixtures/.

In a source tree they stand beside the package; an installed wheel carries them inside it, as
keydiag/_shared and keydiag/_fixtures. This is the only place that knows both.
"""

from __future__ import annotations

from pathlib import Path

from keydiag.errors import KeydiagError

_PACKAGE = Path(__file__).resolve().parent


def shared(name: str) -> Path:
    """Path of a file of shared/, e.g. ``shared("chips.toml")``; KeydiagError if it is missing."""
    return _find("shared", name)


def fixture(name: str) -> Path:
    """Path of a file of fixtures/, e.g. ``fixture("bramblewick-left.toml")``."""
    return _find("fixtures", name)


def _find(folder: str, name: str) -> Path:
    # The wheel's copy first: beside an installed package, "shared" could be anybody's folder.
    for place in (_PACKAGE / f"_{folder}" / name, _PACKAGE.parent / folder / name):
        if place.is_file():
            return place
    raise KeydiagError(
        f"{folder}/{name}: this file should have come with keydiag but is missing; "
        "install keydiag again"
    )
