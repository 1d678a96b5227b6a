"""Properties of the codec that hold for any message and any bytes."""

import random

from hypothesis import given
from hypothesis import strategies as st

from keydiag import wire

word32 = st.integers(0, 2**32 - 1)
pin = st.integers(0, 31)
printable = "".join(chr(c) for c in range(0x21, 0x7F) if chr(c) != "*")
changes = st.dictionaries(pin, word32, max_size=16).map(lambda d: tuple(sorted(d.items())))
text = st.text(printable + " ", min_size=1, max_size=80).filter(lambda s: s == s.strip())
messages = st.one_of(
    st.builds(
        wire.Hi,
        version=st.just(1),
        chip=st.from_regex(r"[a-z0-9]{1,16}", fullmatch=True),
        build=st.text(printable, min_size=1, max_size=24),
        pins=st.integers(1, 32),
        vcc_mv=st.integers(0, 65535),
    ),
    st.builds(wire.Pin, pin, st.from_regex(r"[A-Z][A-Z0-9]{0,7}", fullmatch=True)),
    st.builds(
        wire.Scan, word32, word32, word32, st.lists(word32, min_size=1, max_size=32).map(tuple)
    ),
    st.builds(wire.Diff, word32, word32, st.none() | word32, changes).filter(
        lambda d: d.rest is not None or d.changes
    ),
    st.builds(wire.Same, word32, word32, st.integers(0, 65535)),
    st.builds(wire.Pace, word32, word32),
    st.builds(wire.Rise, st.lists(st.integers(0, 180_000), min_size=1, max_size=32).map(tuple)),
    st.builds(
        lambda at, late, gap, **kw: wire.Edges(
            at_us=tuple(sorted(at)), watched_us=max(at, default=0) + late, gap_us=gap, **kw
        ),
        drive=pin,
        sense=pin,
        t_us=word32,
        closed=st.booleans(),
        at=st.sets(st.integers(1, 250_000), max_size=28),
        late=st.integers(0, 12_140),
        gap=st.integers(0, 262_140),
    ),
    st.builds(wire.Watch, pin, pin, st.integers(1, 250)),
    st.builds(wire.Volt, pin, pin, st.integers(0, 65535)),
    st.builds(wire.Oops, st.from_regex(r"[a-z][a-z-]{0,15}", fullmatch=True), text),
    st.builds(wire.Use, word32),
    st.builds(wire.Go, st.integers(0, 1_000_000)),
    st.builds(wire.Level, pin, pin),
    st.sampled_from([wire.Hello(), wire.Halt(), wire.Full()]),
)


def cut(data: bytes, places: list[int]) -> list[bytes]:
    ends = sorted(p % (len(data) + 1) for p in places)
    return [data[a:b] for a, b in zip([0, *ends], [*ends, len(data)], strict=True)]


@given(st.lists(messages, max_size=8), st.lists(st.integers(0, 9999), max_size=6))
def test_what_was_sent_is_what_arrives_however_it_is_cut(sent, places) -> None:
    decoder = wire.Decoder()
    pieces = cut(b"".join(map(wire.encode, sent)), places)
    assert [msg for piece in pieces for msg in decoder.feed(piece)] == sent
    assert decoder.corrupt == 0


@given(st.binary(max_size=2000), st.lists(st.integers(0, 9999), max_size=6))
def test_any_bytes_make_the_same_items_however_they_are_cut(data, places) -> None:
    whole, pieces = wire.Decoder(), wire.Decoder()
    expected = whole.feed(data)
    assert [item for piece in cut(data, places) for item in pieces.feed(piece)] == expected
    assert whole.counts == pieces.counts and whole.counts.total() == len(expected)


@given(messages, st.integers(0, 9999), st.integers(1, 0xFFFF))
def test_a_burst_of_up_to_16_bad_bits_is_never_another_message(msg, place, flips) -> None:
    # A CRC of 16 bits catches every burst of up to 16 bits; a burst that touches the check field
    # itself, or makes or breaks a newline, must not pass either.
    line = bytearray(wire.encode(msg))
    at = place % (len(line) - 1)
    line[at] ^= flips >> 8
    line[at + 1] ^= flips & 0xFF
    for item in wire.Decoder().feed(bytes(line) + b"\n"):
        assert isinstance(item, wire.Corrupt) or item == msg


@given(messages, st.integers(0, 9999), st.integers(0, 9999))
def test_a_line_with_bytes_missing_is_never_another_message(msg, place, length) -> None:
    line = wire.encode(msg)[:-1]
    at = place % len(line)
    end = at + 1 + length % min(16, len(line) - at)
    for item in wire.Decoder().feed(line[:at] + line[end:] + b"\n"):
        assert isinstance(item, wire.Corrupt) or item == msg


@given(st.lists(st.one_of(messages.map(wire.encode), st.binary(max_size=60)), max_size=10))
def test_noise_between_lines_never_makes_a_message_that_was_not_sent(parts) -> None:
    for item in wire.Decoder().feed(b"\n".join(parts) + b"\n"):
        if not isinstance(item, wire.Corrupt):
            assert wire.encode(item) in parts or wire.encode(item)[:-1] in b"\n".join(parts)


@given(st.lists(st.one_of(messages, st.just(wire.Corrupt(b"x", "check"))), max_size=30), word32)
def test_the_tracker_takes_any_sequence_of_messages(items, use) -> None:
    tracker = wire.Tracker(use)
    last = -1
    for item in items:
        reading = tracker.feed(item)
        if reading is not None:
            assert reading.t_us >= last and len(reading.low) == use.bit_count()
            last = reading.t_us


def test_a_hundred_thousand_damaged_lines_pass_no_oftener_than_a_crc_of_16_bits_lets_them() -> None:
    rng = random.Random(2026)
    decoder = wire.Decoder()
    accepted = 0
    for n in range(100_000):
        low = tuple(rng.getrandbits(26) for _ in range(3))
        good = wire.encode(wire.Diff(n, 500 * n, None, tuple(enumerate(low))))
        line = bytearray(good[:-1])
        for _ in range(rng.randint(1, 12)):
            line[rng.randrange(len(line))] = rng.choice(b"0123456789ABCDEF =*")
        if line == good[:-1]:
            continue
        accepted += sum(not isinstance(m, wire.Corrupt) for m in decoder.feed(bytes(line) + b"\n"))
    # 1 in 65,536 is the CRC's share; most damaged lines are misspelled on top of that.
    assert accepted <= 4
    assert decoder.corrupt > 99_000
