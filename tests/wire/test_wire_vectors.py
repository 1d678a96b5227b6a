"""The host's codec against the labelled vectors: whole, byte by byte, with junk around."""

import binascii
import re

import pytest

from keydiag import wire
from tests.wire import vectors

VECTORS = vectors.read()


def test_the_crc_is_the_catalogued_one() -> None:
    # Check value 29B1: CRC catalogues (CRC-16/CCITT-FALSE, also listed as CRC-16/IBM-3740).
    assert wire.crc16(b"123456789") == 0x29B1


@pytest.mark.parametrize("v", VECTORS, ids=lambda v: v.label)
def test_the_vectors_checksums_by_another_implementation(v: vectors.Vector) -> None:
    # binascii.crc_hqx is the standard library's CRC with polynomial 1021; started at FFFF it is
    # CRC-16/CCITT-FALSE.
    if v.bad not in ("check", "bytes"):
        assert b"%04X" % binascii.crc_hqx(v.line[:-5], 0xFFFF) == v.line[-4:]


@pytest.mark.parametrize("v", [v for v in VECTORS if v.means], ids=lambda v: v.label)
def test_good_line(v: vectors.Vector) -> None:
    line = v.line + b"\n"
    [msg] = wire.Decoder().feed(line)
    assert not isinstance(msg, wire.Corrupt)
    assert vectors.words(msg) == v.means
    assert wire.encode(msg) == line
    assert len(line) <= wire.MAX_LINE

    by_byte = wire.Decoder()
    for byte in line[:-1]:
        assert by_byte.feed(bytes([byte])) == []
    assert by_byte.feed(b"\n") == [msg]

    with_junk = wire.Decoder()
    assert with_junk.feed(line + b"SCAN 7 99") == [msg]
    assert with_junk.feed(b"\r\n")[0] == wire.Corrupt(b"SCAN 7 99\r", "check")
    assert with_junk.feed(v.line + b"\r\n") == [msg]
    assert with_junk.counts == {"good": 2, "check": 1}


@pytest.mark.parametrize("v", [v for v in VECTORS if v.bad], ids=lambda v: v.label)
def test_bad_line(v: vectors.Vector) -> None:
    decoder = wire.Decoder()
    [bad] = decoder.feed(v.line + b"\n")
    assert bad == wire.Corrupt(v.line[: wire.MAX_LINE], v.bad or "")
    assert decoder.counts == {v.bad: 1} and decoder.corrupt == 1
    # ... and the next line is read as if nothing had happened.
    assert decoder.feed(b"HELLO*49D6\n") == [wire.Hello()]


def test_every_message_and_every_reason_has_a_vector() -> None:
    assert {v.means.split()[0] for v in VECTORS if v.means} == set(wire.TYPES)
    assert {v.bad for v in VECTORS if v.bad} == {"bytes", "check", "long", "word", "field"}


def test_the_example_lines_of_the_text_are_good() -> None:
    text = (vectors.PATH.parent / "wire-v1.md").read_text("utf-8")
    lines = re.findall(r"^([A-Z].*\*[0-9A-F]{4})$", text, re.MULTILINE)
    assert len(lines) == 5
    for line in lines:
        [msg] = wire.Decoder().feed(line.encode() + b"\n")
        assert not isinstance(msg, wire.Corrupt), line


def test_the_text_lists_the_oops_codes_and_limits_of_the_code() -> None:
    text = (vectors.PATH.parent / "wire-v1.md").read_text("utf-8")
    table = text[text.index("| code | meaning |") : text.index("## 6")]
    assert re.findall(r"^\| `([a-z]+)` \|", table, re.MULTILINE) == list(wire.OOPS_CODES)
    assert f"{wire.MAX_LINE} bytes" in text
    assert f"take in {wire.MAX_HOST_LINE}" in text


def test_another_version_is_refused_by_name() -> None:
    for body in (b"HI 2 atmega32u4 probe-9 26 5000", b"HI 2 something else altogether", b"HI 2"):
        [hi] = wire.Decoder().feed(b"%s*%04X\n" % (body, wire.crc16(body)))
        assert isinstance(hi, wire.Hi)
        why = wire.refusal(hi)
        assert why is not None and "version 2" in why and "version 1" in why
    assert wire.refusal(wire.Hi(1, "atmega32u4", "probe-1.0", 26, 5000)) is None


@pytest.mark.parametrize(
    "msg",
    [
        wire.Use(1 << 32), wire.Use(-1), wire.Go(1_000_001), wire.Level(3, 32),
        wire.Pin(0, "pb0"), wire.Scan(0, 0, 0, ()), wire.Scan(1 << 32, 0, 0, (1,)),
        wire.Diff(0, 0, None, ()), wire.Diff(0, 0, None, ((2, 0), (1, 0))),
        wire.Diff(0, 0, None, tuple((i, 0) for i in range(17))),
        wire.Rise(()), wire.Rise((180_001,)), wire.Watch(0, 1, 0), wire.Watch(0, 1, 251),
        wire.Edges(0, 1, 0, 100, 50, False, (0,)), wire.Edges(0, 1, 0, 100, 50, False, (101,)),
        wire.Edges(0, 1, 0, 100, 50, False, (60, 60)),
        wire.Oops("crc", "a*b"), wire.Oops("crc", ""), wire.Oops("crc", "x" * 81),
        wire.Hi(1, "atmega32u4", "two words", 26, 0), wire.Hi(1, "atmega32u4", "b", 0, 0),
    ],
    ids=repr,
)  # fmt: skip
def test_values_that_no_line_can_carry_are_the_callers_mistake(msg: wire.Message) -> None:
    with pytest.raises(ValueError):
        wire.encode(msg)


def test_an_endless_line_keeps_little_and_is_one_bad_line() -> None:
    decoder = wire.Decoder()
    for _ in range(1000):
        assert decoder.feed(b"7" * 1000) == []
    assert len(decoder._partial) <= wire.MAX_LINE + 1
    [bad] = decoder.feed(b"\n")
    assert isinstance(bad, wire.Corrupt) and bad.why == "long" and len(bad.raw) == wire.MAX_LINE
