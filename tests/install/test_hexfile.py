"""Intel HEX images."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keydiag.errors import UsageError
from keydiag.install.hexfile import ROOM, check_image, read_hex

# The example of Intel's specification is long gone from our reach; this one is from memory of many
# datasheets: 16 bytes at 0x0100, checksum 40.
LINE = ":10010000214601360121470136007EFE09D2190140"
END = ":00000001FF"


def record(address: int, data: bytes, kind: int = 0) -> str:
    body = bytes((len(data), address >> 8, address & 255, kind)) + data
    return f":{body.hex().upper()}{-sum(body) % 256:02X}"


def test_a_known_record() -> None:
    memory = read_hex(f"{LINE}\n{END}\n", "x")
    assert bytes(memory[a] for a in range(0x100, 0x110)).hex() == "214601360121470136007efe09d21901"
    assert record(0x100, bytes(memory.values())) == LINE


@given(st.dictionaries(st.integers(0, ROOM // 32 - 1), st.binary(min_size=1, max_size=32)))
def test_what_was_written_is_read(blocks) -> None:
    lines = [record(32 * at, data) for at, data in blocks.items()]
    expected = {32 * at + i: byte for at, data in blocks.items() for i, byte in enumerate(data)}
    text = "\r\n".join([*lines, END]) + "\r\n"
    if expected:
        assert read_hex(text, "x") == expected
        assert check_image(text, "x") == len(expected)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no end record"),
        (LINE, "no end record"),
        (END, "holds no bytes"),
        (f"{LINE[:-1]}1\n{END}", "line 1"),  # checksum
        (f"{LINE}\n{LINE[:20]}\n{END}", "line 2"),
        (f"{END}\n{LINE}", "line 2"),
        (f"not a record\n{END}", "line 1"),
        (f":zz\n{END}", "line 1"),
        ("\x7fELF", "line 1"),
        (f"{record(0, b'', 9)}\n{END}", "kind of record (9)"),
        (f"{record(ROOM, b'x')}\n{END}", "boot loader"),
        (f"{record(0, bytes((0, 1)), 4)}\n{record(0, b'x')}\n{END}", "boot loader"),
        (f"{record(0, bytes((0x10, 0)), 2)}\n{record(0, b'x')}\n{END}", "boot loader"),
    ],
    ids=repr,
)
def test_what_is_no_image_is_refused_in_one_line(text: str, told: str) -> None:
    with pytest.raises(UsageError) as error:
        check_image(text, "mine.hex")
    assert told in str(error.value) and str(error.value).startswith("mine.hex: ")
    assert "\n" not in str(error.value)
