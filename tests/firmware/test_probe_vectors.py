"""The labelled vectors of the wire protocol through the probe's own C++."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keydiag import wire
from tests.firmware.probe_lib import library, parse, write
from tests.wire import vectors

VECTORS = vectors.read()
FROM_HOST = [v for v in VECTORS if v.sender == "host"]
FROM_PROBE = [v for v in VECTORS if v.sender == "probe" and v.means]


def expected(v: vectors.Vector) -> str:
    """A host vector in the notation of `parse`."""
    if v.bad:
        begins = v.line.split(b"*")[0].split(b" ")[0] in (b"USE", b"GO")
        why = "check" if v.bad == "bytes" else v.bad  # OOPS has one code for both
        return f"bad {why} {int(begins)}"
    word, *fields = (v.means or "").split()
    values = [f.partition("=")[2] for f in fields]
    numbers = [int(x, 16 if word == "USE" else 10) for x in values]
    return f"{word} {' '.join(map(str, [*numbers, 0, 0, 0][:3]))}"


@pytest.mark.parametrize("v", FROM_HOST, ids=lambda v: v.label)
def test_the_probe_reads_a_line_as_the_vector_says(v: vectors.Vector) -> None:
    assert parse(v.line + b"\n") == [expected(v)]
    assert parse(b"\n\r\n" + v.line + b"\r\nHALT*17D2\n") == [expected(v), "HALT 0 0 0"]
    assert parse(v.line) == []


@pytest.mark.parametrize("v", FROM_PROBE, ids=lambda v: v.label)
def test_the_probe_writes_a_line_as_the_vector_says(v: vectors.Vector) -> None:
    [msg] = wire.Decoder().feed(v.line + b"\n")
    parts: list[tuple[str, object]]
    match msg:
        case wire.Hi():
            texts = [("text", msg.chip), ("text", msg.build)]
            parts = [("number", 1), *texts, ("number", msg.pins), ("number", msg.vcc_mv)]
        case wire.Pin():
            parts = [("number", msg.index), ("text", msg.port)]
        case wire.Scan():
            masks = [("mask", m) for m in (msg.rest, *msg.low)]
            parts = [("number", msg.seq), ("number", msg.t_us), *masks]
        case wire.Diff():
            rest = [] if msg.rest is None else [("rest_change", msg.rest)]
            pairs = [("change", pair) for pair in msg.changes]
            parts = [("number", msg.seq), ("number", msg.t_us), *rest, *pairs]
        case wire.Same():
            parts = [("number", msg.seq), ("number", msg.t_us), ("check", msg.crc)]
        case wire.Pace():
            parts = [("number", msg.settle_us), ("number", msg.reading_us)]
        case wire.Rise():
            parts = [("number", n) for n in msg.ns]
        case wire.Edges():
            spans = (msg.t_us, msg.watched_us, msg.gap_us, msg.closed)
            parts = [("number", n) for n in (msg.drive, msg.sense, *spans, *msg.at_us)]
        case wire.Volt():
            parts = [("number", n) for n in (msg.drive, msg.sense, msg.millivolts)]
        case wire.Oops():
            parts = [("text", msg.code), ("text", msg.text)]
        case _:
            raise AssertionError(f"no writer for {msg}")
    word = v.line.split()[0].decode()
    # A probe of 26 pins has no room for longer lines than it may say; one of 32 pins has.
    for pins in (32,) if len(v.line) > 248 else (26, 32):
        assert write(word, *parts, pins=pins) == v.line + b"\n"


def test_the_longest_line_of_this_chip_fits_its_ring() -> None:
    top = 2**26 - 1
    numbers = [("number", 2**32 - 1)] * 2
    assert len(write("SCAN", *numbers, *[("mask", top)] * 27)) == 248  # wire-v1.md, section 3


@given(st.lists(st.integers(0, 2**32 - 1), min_size=2, max_size=33))
def test_the_crc_of_a_reading_is_the_hosts(masks: list[int]) -> None:
    import ctypes

    array = (ctypes.c_uint32 * len(masks))(*masks)
    assert library().check_of(array, len(masks)) == wire.check_of_reading(
        masks[0], tuple(masks[1:])
    )


@given(st.binary(max_size=39).filter(lambda b: b"\n" not in b))
def test_probe_and_host_agree_on_any_short_line(line: bytes) -> None:
    agree(line)


fields = st.text("0123456789ABCDEFabcdef -+", max_size=12)
words = st.sampled_from(
    ["HELLO", "USE", "GO", "HALT", "FULL", "LEVEL", "WATCH", "HELL", "USES"]
)


@given(words, st.sampled_from(["", " ", "  "]), fields)
def test_probe_and_host_agree_on_any_line_with_a_good_checksum(word, space, rest) -> None:
    body = (word + space + rest).encode()
    agree(b"%s*%04X" % (body, wire.crc16(body)))


def agree(line: bytes) -> None:
    """The host's decoder and the probe's take and refuse the same commands."""
    host = wire.Decoder().feed(line + b"\n")
    probe = parse(line + b"\n")
    assert len(host) == len(probe)
    for h, p in zip(host, probe, strict=True):
        if isinstance(h, wire.Corrupt):
            why = "check" if h.why == "bytes" else h.why
            assert p.split()[:2] == ["bad", why]
        elif isinstance(h, wire.HostMessage):
            fake = vectors.Vector("", "host", line, vectors.words(h), None)
            assert p == expected(fake)
        else:  # a line that only probes say
            assert p.split()[:2] == ["bad", "word"]
