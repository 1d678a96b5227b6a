"""The probe as a whole, its own C++ on a fake board: what it answers and what it never does."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keydiag import wire
from keydiag.wire import (
    Diff,
    Edges,
    Full,
    Go,
    Halt,
    Hello,
    Hi,
    Level,
    Oops,
    Pace,
    Pin,
    Rise,
    Same,
    Scan,
    Use,
    Volt,
    Watch,
)
from tests.firmware.build_host import HOST, PLAIN, ROOT, compile_host, run
from tests.firmware.probe_lib import HostProbe

THREE = 0b111


def running(low: dict[int, int] | None = None, **kwargs: int) -> tuple[HostProbe, list]:
    probe = HostProbe()
    probe.wire_up(low or {}, **kwargs)
    probe.say(Use(THREE), Go(0))
    return probe, probe.poll(3)


def of(kind: type, messages: list) -> list:
    return [m for m in messages if isinstance(m, kind)]


def test_hello_is_answered_by_who_and_every_pin() -> None:
    probe = HostProbe()
    probe.say(Hello())
    said = probe.poll(5)
    assert said[0] == Hi(1, "atmega32u4", "probe-1.0", 26, 5000)
    assert said[1:] == [Pin(i, m.port) for i, m in enumerate(said[1:])] and len(said) == 27


def test_nothing_happens_before_use_and_go() -> None:
    probe = HostProbe()
    probe.say(Hello(), Go(0), Full(), Level(0, 1), Halt())
    said = probe.poll(20)
    assert [m.code for m in of(Oops, said)] == ["order", "order", "order"]
    probe.say(Use(THREE))
    probe.poll(20)
    assert probe.ever_driven == probe.ever_pulled == 0


def test_go_is_answered_by_rise_and_pace_and_a_full_reading() -> None:
    _, said = running({0: 0b100})
    assert [type(m) for m in said[:3]] == [Rise, Pace, Scan]
    assert said[0] == Rise((7000, 7000, 7000))
    # One and a half times the rise time, rounded up.
    assert said[1].settle_us == 11 and said[1].reading_us > 44
    assert said[2] == Scan(0, said[2].t_us, 0, (0b101, 0b010, 0b100))


@pytest.mark.parametrize(
    ("eighths", "ns", "settle_us"),
    [
        ((1, 2, 30), (125, 250, 3750), 10),  # two bare pads and a wire; the least settle time
        ((1, 0, 160), (125, 0, 20_000), 30),  # the line that does not rise is not waited for
        ((8, 8, 960), (1000, 1000, 120_000), 180),  # exactly the greatest settle time
        ((8, 8, 1440), (1000, 1000, 180_000), 180),  # the slowest line that counts
        ((8, 8, 1441), (1000, 1000, 0), 10),
    ],
)
def test_rise_times_are_told_by_line_and_set_the_settle_time(eighths, ns, settle_us) -> None:
    probe = HostProbe()
    probe.rises(dict(enumerate(eighths)))
    probe.say(Use(THREE), Go(0))
    said = probe.poll(3)
    assert of(Rise, said) == [Rise(ns)]
    assert of(Pace, said)[0].settle_us == settle_us


def test_a_grounded_line_and_one_held_up_have_no_rise_time() -> None:
    _, said = running(rest=0b001, supply=0b100)
    assert of(Rise, said) == [Rise((0, 7000, 0))]


def test_a_change_is_told_once_and_quiet_is_told_ten_times_a_second() -> None:
    probe, _ = running()
    probe.wire_up({0: 0b100})
    [diff] = of(Diff, probe.poll(10))
    assert (diff.seq, diff.rest, diff.changes) == (1, None, ((0, 0b101),))
    times = []
    for _ in range(200):
        probe.sleep(0.005)
        probe.say(Full()) if _ == 100 else None
        for m in probe.poll():
            assert isinstance(m, (Same, Scan))
            times.append(m.t_us)
            if isinstance(m, Same):
                assert m.crc == wire.check_of_reading(0, (0b101, 0b010, 0b100))
    assert max(b - a for a, b in itertools.pairwise(times)) <= 100_000


def test_the_period_is_kept() -> None:
    probe = HostProbe()
    probe.say(Use(THREE), Go(20_000))
    probe.poll(3)
    before = probe.lib.board_drives()
    for _ in range(100):
        probe.sleep(0.01)
        probe.poll()
    assert 48 * 3 <= probe.lib.board_drives() - before <= 51 * 3


def test_full_is_answered_by_a_scan_with_the_next_number() -> None:
    probe, _ = running()
    probe.say(Full(), Full())
    assert [m.seq for m in of(Scan, probe.poll(4))] == [1, 2]


def test_use_starts_the_numbers_again_and_halt_does_not() -> None:
    probe, _ = running()
    probe.say(Halt(), Go(0))
    assert [m.seq for m in of(Scan, probe.poll(4))] == [1]
    probe.say(Use(THREE), Go(0))
    assert [m.seq for m in of(Scan, probe.poll(4))] == [0]


def test_a_short_to_the_supply_is_reported_and_seldom_tried_again() -> None:
    probe, said = running(supply=0b010)
    assert of(Scan, said)[0].low == (0b001, 0, 0b100)
    before = probe.lib.board_supply_drives()
    for _ in range(4):
        probe.say(Full())
        probe.poll(256)
    assert 3 <= probe.lib.board_supply_drives() - before <= 5
    probe.wire_up({})
    probe.say(Full())
    assert of(Diff, probe.poll(260))[0].changes == ((1, 0b010),)


def test_a_pin_that_the_supply_takes_while_it_is_driven_is_given_up_and_reported() -> None:
    probe, _ = running({1: 0b100})
    probe.wire_up({1: 0b100}, late_supply=0b010)
    [diff] = of(Diff, probe.poll(3))
    assert diff.changes == ((1, 0),)
    before = probe.lib.board_drives()
    probe.poll(100)
    assert probe.lib.board_drives() - before == 200  # the other two


@pytest.mark.parametrize("seconds, still", [(1.9, True), (2.05, False)])
def test_silence_stops_after_two_seconds(seconds: float, still: bool) -> None:
    probe, _ = running()
    probe.say(Full())
    probe.poll()
    probe.sleep(seconds)
    said = probe.poll(2)
    assert bool(probe.pulled) == still
    assert [m.code for m in of(Oops, said)] == ([] if still else ["silent"])


def test_bad_lines_are_no_sign_of_life() -> None:
    probe, _ = running()
    for _ in range(25):
        probe.sleep(0.1)
        probe.say(b"FULL*0000\n")
        probe.poll()
    assert probe.pulled == 0


# What stops the scan, and whether USE is kept.
STOPS = [
    (Halt(), True), (Hello(), False), (Use(0), False), (Use(THREE), True),
    (b"USE 7*0000\n", False), (b"GO\n", False), (b"USE " + b"7" * 50 + b"\n", False),
    (b"FULL*0000\n", True), (b"LEVEL\n", True), (b"zebra\n", True), (b"AT\r\n", True),
    (b"x" * 99 + b"\n", True), (b"\x00\xff\n", True), (wire.encode(Full())[:-3] + b"\n", True),
]  # fmt: skip


@pytest.mark.parametrize("watching", [False, True], ids=["", "watching"])
@pytest.mark.parametrize(("line", "use_kept"), STOPS, ids=repr)
def test_stops_and_releases_on(line: wire.Message | bytes, use_kept: bool, watching: bool) -> None:
    probe, _ = running()
    if watching:
        probe.say(Watch(0, 2, 250))
        probe.poll(9)
    assert probe.pulled == THREE
    probe.say(line)
    said = probe.poll()
    assert probe.pulled == 0
    assert len(of(Oops, said)) == isinstance(line, bytes)
    drives = probe.lib.board_drives()
    probe.poll(50)
    assert probe.pulled == 0 and probe.lib.board_drives() == drives
    probe.say(Go(0))
    assert [m.code for m in of(Oops, probe.poll(3))] == ([] if use_kept else ["order"])
    assert probe.pulled == (THREE if use_kept else 0)


@pytest.mark.parametrize("line", [b"\n", b"\r\n", b"\n\n\n", b"FU", b"HALT*17D"], ids=repr)
def test_empty_and_unfinished_lines_change_nothing(line: bytes) -> None:
    probe, _ = running()
    probe.say(line)
    assert not of(Oops, probe.poll(3))
    assert probe.pulled == THREE


def test_a_pin_the_probe_has_not_is_refused_and_none_is_in_use() -> None:
    probe, _ = running()
    probe.say(Use(1 << 26), Go(0))
    assert [m.code for m in of(Oops, probe.poll(3))] == ["pin", "order"]
    assert probe.pulled == 0


@pytest.mark.parametrize("suspended", [False, True])
def test_stops_when_the_link_goes(suspended: bool) -> None:
    probe, _ = running()
    probe.link(up=suspended, suspended=suspended)
    probe.poll()
    assert probe.pulled == 0
    probe.link()
    assert [m.code for m in of(Oops, probe.poll(3))] == (["usb"] if suspended else [])
    assert probe.pulled == 0


def test_a_line_that_the_suspended_bus_cut_does_not_spoil_the_next() -> None:
    probe, _ = running()
    probe.say(Full())
    probe.room(9)  # of a SCAN
    probe.lib.probe_poll(2)
    probe.link(suspended=True)
    probe.lib.probe_poll(1)
    probe.link()
    probe.room(1 << 20)
    probe.lib.probe_poll(2)
    cut, oops = probe.decoder.feed(probe.raw())
    assert isinstance(cut, wire.Corrupt) and isinstance(oops, Oops) and oops.code == "usb"


def test_level() -> None:
    probe = HostProbe()
    probe.wire_up({0: 1 << 22})
    probe.say(Use(1 << 22 | THREE), Go(0), Level(0, 22), Level(1, 22), Level(22, 0), Level(0, 0))
    probe.say(Level(0, 25))
    said = probe.poll(9)
    assert of(Volt, said) == [Volt(0, 22, 511), Volt(1, 22, 5000)]
    assert [m.code for m in of(Oops, said)] == ["analog", "pin", "pin"]
    probe.wire_up({}, supply=1)
    probe.say(Level(0, 22))
    assert [m.code for m in of(Oops, probe.poll(2))] == ["supply"]


def test_a_watch_tells_the_edges_of_one_crossing() -> None:
    probe, _ = running()
    begun = probe.us + 3000
    probe.flicker(0, 2, begun, 300, 7)  # closes, opens, ... and ends closed
    probe.say(Watch(0, 2, 20))
    said = probe.poll(3000)
    assert not of(Diff, said)
    [edges] = of(Edges, said)
    assert (edges.drive, edges.sense, edges.closed) == (0, 2, False)
    assert edges.gap_us <= 100 and 20_000 <= edges.watched_us <= 20_100  # 10 kHz or better
    true = [begun + 300 * i - edges.t_us for i in range(7)]
    assert len(edges.at_us) == 7
    # A look is dated by its beginning: it saw the contact a settle time later.
    late = [at + 11 - t for at, t in zip(edges.at_us, true, strict=True)]
    assert 0 <= min(late) and max(late) <= edges.gap_us
    # ... and afterwards reading goes on, with a full one.
    [scan] = of(Scan, said + probe.poll(20))
    assert scan.low == (0b101, 0b010, 0b100) and scan.t_us > edges.t_us + edges.watched_us


def test_a_watch_of_a_closed_crossing_and_one_that_bounces_for_long() -> None:
    probe, _ = running({0: 0b100})
    probe.flicker(0, 2, probe.us + 1000, 100, 100)
    probe.say(Watch(0, 2, 250))
    said = probe.poll(2000)
    [edges] = of(Edges, said)
    assert edges.closed and len(edges.at_us) == 28 and edges.watched_us == edges.at_us[-1] < 5000
    assert len(of(Scan, said)) == 1


def test_a_watch_owns_up_to_the_longest_time_it_did_not_look() -> None:
    probe, _ = running()
    probe.say(Watch(0, 2, 20))
    probe.poll(300)
    begun = probe.us
    probe.sleep(0.005)
    probe.flicker(0, 2, begun + 1000, 1000, 2)  # closes and opens unseen
    [edges] = of(Edges, probe.poll(2000))
    assert 5000 <= edges.gap_us < 5100 and edges.at_us == ()


def test_a_watch_counts_as_reading_for_silence_and_signs_of_life() -> None:
    probe, _ = running()
    for _ in range(20):
        probe.say(Watch(0, 2, 250))
        probe.sleep(0.2)
        assert not of(Oops, probe.poll(3))
    probe.sleep(2.1)
    assert [m.code for m in of(Oops, probe.poll())] == ["silent"]
    assert probe.pulled == 0


def test_what_cannot_be_watched_is_refused() -> None:
    probe = HostProbe()
    probe.say(Watch(0, 1, 5), Use(THREE), Watch(0, 1, 5), Go(0), Watch(0, 3, 5), Watch(1, 1, 5))
    assert [m.code for m in of(Oops, probe.poll(7))] == ["order", "order", "pin", "pin"]
    probe.wire_up({}, supply=1)
    drives = probe.lib.board_supply_drives()
    probe.say(Watch(0, 1, 5))
    said = probe.poll(20)
    assert [m.code for m in of(Oops, said)] == ["supply"] and of(Scan, said)
    assert probe.lib.board_supply_drives() - drives <= 2


def test_a_slow_host_loses_whole_lines_and_the_numbers_tell() -> None:
    probe, said = running()
    tracker = wire.Tracker(THREE)
    for m in said:
        tracker.feed(m)
    probe.room(0)
    for i in range(60):  # changes that nobody takes
        probe.wire_up({0: 0b100} if i % 2 else {})
        probe.poll()
        probe.say(Full()) if i % 9 == 0 else None
    probe.room(1 << 20)
    reading = None
    for m in probe.poll(4):
        reading = tracker.feed(m) or reading
    assert tracker.lost > 0 and not tracker.wants_full
    assert reading and reading.low == (0b101, 0b010, 0b100)


masks = st.dictionaries(st.integers(0, 25), st.integers(0, 2**26 - 1), max_size=20)


@settings(max_examples=150, deadline=None)
@given(
    st.integers(1, 2**26 - 1),
    st.lists(st.tuples(masks, st.sampled_from([0, 0, 1 << 3])), max_size=8),
    st.integers(0, 300),
)
def test_what_the_host_tracks_is_what_is_wired(use, states, room) -> None:
    """Any pins, any sequence of wirings, a link of any narrowness: the host ends up right."""
    probe = HostProbe()
    probe.say(Use(use), Go(0))
    tracker = wire.Tracker(use)
    reading = None
    for low, rest in [({}, 0), *states]:
        probe.wire_up(low, rest=rest)
        probe.room(room)
        for m in probe.poll(2):
            reading = tracker.feed(m) or reading
    probe.room(1 << 20)
    probe.say(Full())
    for m in probe.poll(4):
        reading = tracker.feed(m) or reading
    low, rest = states[-1] if states else ({}, 0)
    pins = list(wire.pins_of(use))
    assert reading is not None and reading.rest == rest & use
    assert reading.low == tuple((low.get(i, 0) | 1 << i | rest) & use for i in pins)
    assert probe.ever_driven & ~use == 0 and probe.ever_pulled & ~use == 0


def test_damaged_lines_under_the_sanitizers() -> None:
    sources = (*PLAIN, HOST / "fake_board.cpp", HOST / "fuzz.cpp")
    flags = ("-DPROBE_PINS=26", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
    fuzz = compile_host("fuzz", sources, flags)
    assert "nothing broken" in run([fuzz, "40000", "2026"])


def test_the_fuzz_corpus_and_changed_copies_of_it_under_the_sanitizers() -> None:
    """host/fuzz_target.cpp is a libFuzzer target; here it runs without it, bounded and in the
    same way each time. With clang, for as long as one likes: firmware_probe/README.md."""
    sources = (*PLAIN, HOST / "fake_board.cpp", HOST / "fuzz_target.cpp", HOST / "fuzz_main.cpp")
    flags = ("-DPROBE_PINS=26", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
    fuzz = compile_host("fuzz_corpus", sources, flags)
    corpus = ROOT / "fixtures" / "probe-fuzz-corpus.txt"
    assert "nothing broken" in run([fuzz, corpus, "4000", "2026"])
