"""The boards the fault catalogue is tested on: the small half of the circuit tests, told in four
ways, and both halves of Bramblewick."""

from pathlib import Path

from keydiag.board import Board, example, loads

_TEXT = (Path(__file__).parents[1] / "circuit" / "two-by-three.toml").read_text("utf-8")


def small(cathode_at: str = "row", diode_side: str = "row", style: str = "chain") -> Board:
    """Two rows, three columns, six keys K11 to K23; see the file."""
    return renamed({}, cathode_at, diode_side, style)


def renamed(
    names: dict[str, str], cathode_at: str = "row", diode_side: str = "row", style: str = "chain"
) -> Board:
    """The small half with some names replaced by others."""
    text = _TEXT.replace('cathode_at = "row"', f'cathode_at = "{cathode_at}"')
    text = text.replace('diode_side = "row"', f'diode_side = "{diode_side}"')
    text = text.replace('style = "chain"', f'style = "{style}"')
    for old, new in names.items():
        text = text.replace(f'"{old}"', f'"{new}"').replace(f".{old}]", f".{new}]")
    return loads(text)


SMALL = {
    f"{cathode_at}-{diode_side}": small(cathode_at, diode_side)
    for cathode_at in ("row", "column")
    for diode_side in ("row", "column")
}
BRAMBLEWICK = {name: example(name) for name in ("bramblewick-left", "bramblewick-right")}
