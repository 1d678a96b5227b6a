"""The virtual half as a probe: the promises and rules of shared/wire-v1.md, line by line.

The same rules hold for the real probe; its own tests are in tests/firmware and tests/simavr.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rigs import C3, CIRCUIT, PORTS, R2, USE, half_with

from keydiag.faults import parse_fault, predict
from keydiag.sources.hands import HandScript, Slips
from keydiag.sources.virtual_half import VirtualHalf
from keydiag.wire import (
    Corrupt,
    Decoder,
    Diff,
    Full,
    Go,
    Halt,
    Hello,
    Hi,
    Level,
    Message,
    Oops,
    Pace,
    Pin,
    Rise,
    Same,
    Scan,
    Tracker,
    Use,
    Volt,
    encode,
)


def said(half: VirtualHalf) -> list[Message | Corrupt]:
    return Decoder().feed(half.take())


def tell(half: VirtualHalf, *messages: Message) -> list[Message | Corrupt]:
    for message in messages:
        half.hear(encode(message))
    return said(half)


def running(half: VirtualHalf, period_us: int = 1_000) -> VirtualHalf:
    tell(half, Hello(), Use(USE), Go(period_us))
    half.run(half.now_us)
    return half


def codes(messages: list[Message | Corrupt]) -> list[str]:
    return [message.code for message in messages if isinstance(message, Oops)]


def alive(half: VirtualHalf, until_us: int) -> list[Message | Corrupt]:
    """Let time pass with a host that says FULL each second."""
    while half.now_us < until_us:
        half.run(min(until_us, half.now_us + 1_000_000))
        half.hear(encode(Full()))
    return said(half)


def test_silent_until_hello() -> None:
    half = half_with()
    half.press("L23")
    half.run(5_000_000)
    assert half.take() == b""


def test_hello_is_answered_with_hi_and_every_pin() -> None:
    hi, *pins = tell(half_with(), Hello())
    assert isinstance(hi, Hi) and hi.pins == len(pins) == 26
    assert pins == [Pin(i, port) for i, port in enumerate(PORTS)]


@pytest.mark.parametrize("message", [Go(1000), Full(), Use(0)])
def test_nothing_runs_before_use_and_go(message: Message) -> None:
    half = half_with()
    answer = tell(half, Hello(), message, Go(1000))[27:]
    half.run(1_000_000)
    assert set(codes(answer)) == {"order"} and not half.running
    assert half.take() == b""


def test_go_is_answered_with_pace_and_a_scan() -> None:
    half = half_with()
    tell(half, Hello())
    rise, pace = tell(half, Use(USE), Go(1000))
    assert isinstance(rise, Rise) and len(rise.ns) == USE.bit_count()
    assert isinstance(pace, Pace)
    half.run(0)
    (scan,) = said(half)
    assert isinstance(scan, Scan) and scan.seq == 0 and scan.rest == 0
    assert scan.low == tuple(1 << i for i in range(26) if USE >> i & 1)


def test_only_the_pins_of_use_are_read() -> None:
    half = half_with()
    tell(half, Hello(), Use(1 << R2 | 1 << C3), Go(1000))
    half.press("L23")
    half.press("L24")
    messages = alive(half, 500_000)
    scans = [m for m in messages if isinstance(m, Scan)]
    assert all(len(scan.low) == 2 for scan in scans)
    assert scans[-1].low == (1 << R2 | 1 << C3, 1 << C3)


def test_stops_after_two_seconds_of_silence_and_forgets_use() -> None:
    half = running(half_with())
    half.run(1_990_000)
    assert half.running
    said(half)
    half.run(2_100_000)
    assert codes(said(half)) == ["silent"] and not half.running
    assert codes(tell(half, Go(1000))) == ["order"]


def test_any_good_line_is_a_sign_of_life_and_a_bad_one_lets_go() -> None:
    half = running(half_with())
    assert "silent" not in codes(alive(half, 10_000_000))
    half.hear(b"FULL*0000\n")
    assert codes(said(half)) == ["check"] and not half.running  # it lets go at once


@pytest.mark.parametrize("line", [b"USE 3*0000\n", b"GO x*1234\n", b"GO\n"])
def test_a_damaged_use_or_go_stops_the_scan(line: bytes) -> None:
    half = running(half_with())
    half.hear(line)
    assert not half.running
    assert codes(tell(half, Go(1000)))[-1] == "order"


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (b"FULL*0000", "check"),
        (b"\x00\xff", "check"),
        (b"PANIC*" + b"%04X" % 0, "check"),
        (encode(Hi(1, "x", "y", 1, 0))[:-1], "word"),
        (b"X" * 60, "long"),
        (b"X" * 5000, "long"),
    ],
)
def test_other_bad_lines_are_answered_with_oops_and_stop_but_use_stays(
    line: bytes, code: str
) -> None:
    half = running(half_with())
    said(half)
    half.hear(line + b"\n")
    assert codes(said(half)) == [code] and not half.running
    assert "order" not in codes(tell(half, Go(1000))) and half.running


def test_use_of_a_pin_it_does_not_have() -> None:
    half = half_with()
    tell(half, Hello())
    assert codes(tell(half, Use(1 << 26), Go(1000))) == ["pin", "order"]


def test_halt_keeps_use() -> None:
    half = running(half_with())
    assert not tell(half, Halt())[1:] and not half.running
    assert not codes(tell(half, Go(1000))) and half.running


def test_full_is_answered_with_a_scan_and_quiet_with_same() -> None:
    half = running(half_with())
    said(half)
    half.run(700_000)
    quiet = said(half)
    assert quiet and all(isinstance(m, Same) and m.seq == 0 for m in quiet)
    times = [m.t_us for m in quiet if isinstance(m, Same)]
    assert max(b - a for a, b in pairwise(times)) <= 100_000
    tell(half, Full())
    half.run(half.now_us + 100_000)
    first = said(half)[0]
    assert isinstance(first, Scan) and first.seq == 1


def test_more_than_sixteen_changes_are_sent_as_a_scan() -> None:
    """A grounded row: pressing a key on it pulls its column low in every mask."""
    half = half_with("row R2 shorted to ground")
    tell(half, Hello(), Use((1 << 26) - 1), Go(1000))
    half.run(0)
    half.press("L23")
    pulled = [m for m in alive(half, 100_000) if isinstance(m, Scan) and m.rest >> C3 & 1]
    assert pulled and pulled[0].seq > 0
    assert all(mask >> C3 & 1 for mask in pulled[-1].low)


def test_level_rules() -> None:
    half = half_with("L31 switch-column joint resistive")
    tell(half, Hello(), Use(USE))
    assert codes(tell(half, Level(R2, C3))) == ["order"]
    tell(half, Go(1000))
    half.run(0)
    assert codes(tell(half, Level(R2, R2), Level(R2, 0), Level(C3, R2))) == ["pin", "pin", "analog"]
    half.press("L23")
    half.press("L31")
    alive(half, 100_000)
    r3, c1 = PORTS.index("PD4"), PORTS.index("PF4")
    good, cold, open_ = tell(half, Level(R2, C3), Level(r3, c1), Level(r3, C3))
    assert isinstance(good, Volt) and good.millivolts == pytest.approx(511, abs=10)
    # One diode and 2 kOhm: 0.751 V (ngspice 39, NXP model, 5 V, 35 kOhm).
    assert isinstance(cold, Volt) and cold.millivolts == pytest.approx(751, abs=15)
    assert isinstance(open_, Volt) and open_.millivolts > 4_900


def test_level_on_a_line_at_the_supply() -> None:
    half = half_with("row R2 shorted to supply")
    running(half)
    said(half)
    assert codes(tell(half, Level(R2, C3))) == ["supply"]


def test_time_wraps_at_32_bits_and_the_tracker_undoes_it() -> None:
    half = VirtualHalf(CIRCUIT, start_us=2**32 - 300_000)
    tracker = Tracker(USE)
    running(half)
    times = [r.t_us for m in alive(half, 2**32 + 900_000) if (r := tracker.feed(m))]
    assert times == sorted(times) and times[-1] > 2**32


FAULTS = ["L23 diode reversed", "row R1 bridged to column C5", "row R4 lead open"]


@pytest.mark.parametrize("fault", ["", *FAULTS])
def test_steady_readings_are_the_circuits_prediction(fault: str) -> None:
    faults = [parse_fault(CIRCUIT, fault)] if fault else []
    half = running(VirtualHalf(CIRCUIT, faults, seed=5))
    tracker, use = Tracker(USE), [i for i in range(26) if USE >> i & 1]
    for message in said(half):
        tracker.feed(message)
    for key in ("L11", "L23", "L44", "L66"):
        half.press(key)
        latest = None
        for message in alive(half, half.now_us + 200_000):
            latest = tracker.feed(message) or latest
        assert latest is not None
        want = predict(CIRCUIT, faults, frozenset({key}))
        for n, port in enumerate(CIRCUIT.pins):
            got = latest.low[use.index(PORTS.index(port))]
            for m, other in enumerate(CIRCUIT.pins):
                if not want.unknown[n] >> m & 1:
                    assert got >> PORTS.index(other) & 1 == want.low[n] >> m & 1, (key, port, other)
        half.release(key)
        for message in alive(half, half.now_us + 200_000):
            tracker.feed(message)
    assert tracker.lost == 0


def test_contacts_bounce_within_what_makers_allow() -> None:
    """Closing settles within 6.2 ms and opening within 8 ms (sources: bounce_model.py), and they
    do bounce: over 41 presses there are more changes than the two of a clean contact."""
    script = HandScript.sweep(CIRCUIT.keys, seed=2)
    half = running(VirtualHalf(CIRCUIT, seed=2), period_us=500)
    said(half)
    half.play(script)
    times = [m.t_us for m in alive(half, script.length_us + 500_000) if isinstance(m, Diff)]
    acts = [act.t_us for act in script.acts]
    for t_us in times:
        # t_us is when the reading began, and it takes less than half a millisecond.
        after = min(t_us - act for act in acts if act <= t_us + 500)
        assert after <= 8_000 + 500
    assert len(times) > len(acts) * 1.2


def test_worn_contacts_and_cold_joints_show() -> None:
    half = running(VirtualHalf(CIRCUIT, cold=["L23 switch-column joint"], worn=["L31"], seed=1))
    said(half)
    counts = {}
    for key in ("L22", "L23", "L31"):
        half.press(key)
        counts[key] = sum(isinstance(m, Diff) for m in alive(half, half.now_us + 300_000))
        half.release(key)
        alive(half, half.now_us + 300_000)
    assert counts["L23"] > 8 and counts["L31"] > 8 > counts["L22"]


def test_same_seed_same_bytes() -> None:
    def run(seed: int) -> bytes:
        half = half_with("L23 diode shorted", seed=seed)
        tell(half, Hello(), Use(USE), Go(1000))
        half.play(HandScript.sweep(CIRCUIT.keys[:5], seed=3))
        half.run(1_500_000)
        return half.take()

    assert run(4) == run(4) != run(5)


@settings(deadline=None)
@given(st.lists(st.binary(max_size=80) | st.sampled_from([
    encode(m) for m in (Hello(), Use(USE), Use(3), Go(0), Go(1000), Halt(), Full(), Level(0, 1))
]), max_size=20))  # fmt: skip
def test_no_bytes_upset_it_and_all_it_says_is_good(pieces: list[bytes]) -> None:
    half = half_with()
    decoder = Decoder()
    for piece in pieces:
        half.hear(piece)
        half.run(half.now_us + 10_000)
        assert not any(isinstance(m, Corrupt) for m in decoder.feed(half.take()))


# --- the hands ---


def test_a_script_presses_every_key_in_order_and_not_too_fast() -> None:
    script = HandScript.sweep(("a", "b", "c"), seed=1)
    assert script.pressed == ("a", "b", "c")
    times = [act.t_us for act in script.acts]
    assert times == sorted(times) and times[0] >= 400_000
    held = [b - a for a, b in zip(times[::2], times[1::2], strict=True)]
    assert all(60_000 <= t <= 120_000 for t in held)


@given(st.integers(0, 1000))
def test_slips(seed: int) -> None:
    keys = tuple("abcdefgh")
    assert HandScript.sweep(keys, seed, Slips(skip=1.0)).pressed == ()
    doubled = HandScript.sweep(keys, seed, Slips(double=1.0)).pressed
    assert doubled == tuple(key for key in keys for _ in range(2))
    swapped = HandScript.sweep(keys, seed, Slips(exchange=1.0)).pressed
    assert swapped == tuple("badcfehg")
    wrong = HandScript.sweep(keys, seed, Slips(wrong=1.0)).pressed
    assert wrong[1::2] == keys and all(a != b for a, b in zip(wrong[::2], keys, strict=True))
    rolled = HandScript.sweep(keys, seed, Slips(rollover=1.0))
    assert rolled.pressed == keys
    assert [act.what for act in rolled.acts[:2]] == ["press", "press"]
