"""From SCAN, DIFF and SAME to full readings: losses noticed, never a guessed reading."""

from hypothesis import given
from hypothesis import strategies as st

from keydiag.wire import Diff, Oops, Same, Scan, TrackedReading, Tracker, check_of_reading

# Probe pins 0, 3 and 11 in use.
USE = 0x809
QUIET = (0x1, 0x8, 0x800)
HELD = (0x1, 0x8, 0x808)  # pin 3 reads low while pin 11 is driven


def test_a_scan_then_a_difference() -> None:
    tracker = Tracker(USE)
    assert tracker.feed(Scan(0, 100, 0, QUIET)) == TrackedReading(0, 100, 0, QUIET)
    assert tracker.feed(Diff(1, 600, None, ((11, 0x808),))) == TrackedReading(1, 600, 0, HELD)
    assert tracker.feed(Diff(2, 700, 8, ())) == TrackedReading(2, 700, 8, HELD)
    assert not tracker.wants_full and tracker.lost == 0


def test_other_messages_are_no_readings() -> None:
    assert Tracker(USE).feed(Oops("word", "what?")) is None


def test_a_difference_without_a_scan_asks_for_one() -> None:
    tracker = Tracker(USE)
    assert tracker.feed(Diff(5, 600, None, ((11, 0x808),))) is None
    assert tracker.wants_full


def test_a_lost_difference_is_counted_and_nothing_is_guessed_until_the_next_scan() -> None:
    tracker = Tracker(USE)
    tracker.feed(Scan(0, 100, 0, QUIET))
    assert tracker.feed(Diff(3, 600, None, ((11, 0x808),))) is None
    assert tracker.lost == 2 and tracker.wants_full
    assert tracker.feed(Diff(4, 700, None, ((11, 0x800),))) is None  # in order, but on what?
    assert tracker.feed(Scan(5, 800, 0, QUIET)) == TrackedReading(5, 800, 0, QUIET)
    assert tracker.lost == 2 and not tracker.wants_full


def test_same_confirms_at_its_own_time() -> None:
    tracker = Tracker(USE)
    tracker.feed(Scan(0, 100, 0, QUIET))
    same = Same(0, 900, check_of_reading(0, QUIET))
    assert tracker.feed(same) == TrackedReading(0, 900, 0, QUIET)


def test_same_shows_that_the_last_difference_was_lost() -> None:
    tracker = Tracker(USE)
    tracker.feed(Scan(0, 100, 0, QUIET))
    assert tracker.feed(Same(1, 900, check_of_reading(0, HELD))) is None
    assert tracker.lost == 1 and tracker.wants_full
    assert tracker.feed(Same(1, 990, check_of_reading(0, HELD))) is None
    assert tracker.lost == 1
    assert tracker.feed(Scan(2, 999, 0, HELD)) is not None
    assert tracker.lost == 1


def test_same_with_another_crc_asks_for_a_scan() -> None:
    tracker = Tracker(USE)
    tracker.feed(Scan(0, 100, 0, QUIET))
    assert tracker.feed(Same(0, 900, check_of_reading(0, HELD))) is None
    assert tracker.wants_full


def test_a_scan_of_another_use_mask_is_not_ours() -> None:
    tracker = Tracker(USE)
    assert tracker.feed(Scan(0, 100, 0, (1, 2, 4, 8))) is None
    assert tracker.wants_full


def test_a_change_of_a_pin_not_in_use_is_not_believed() -> None:
    tracker = Tracker(USE)
    tracker.feed(Scan(0, 100, 0, QUIET))
    assert tracker.feed(Diff(1, 200, None, ((1, 2),))) is None
    assert tracker.wants_full


def test_sequence_and_clock_wrap() -> None:
    tracker = Tracker(USE)
    tracker.feed(Scan(2**32 - 1, 2**32 - 10, 0, QUIET))
    reading = tracker.feed(Diff(0, 5, None, ((11, 0x808),)))
    assert reading == TrackedReading(0, 2**32 + 5, 0, HELD)
    assert tracker.lost == 0


def test_a_probe_that_counts_anew_has_lost_nothing() -> None:
    tracker = Tracker(USE)
    tracker.feed(Scan(40, 100, 0, QUIET))
    assert tracker.feed(Scan(0, 200, 0, QUIET)) is not None
    assert tracker.lost == 0


def test_the_crc_of_a_reading_is_of_the_text_as_scan_writes_it() -> None:
    # "0 1 8 800", by the standard library's CRC.
    import binascii

    assert check_of_reading(0, QUIET) == binascii.crc_hqx(b"0 1 8 800", 0xFFFF)


masks = st.sampled_from([0, 1, 8, 0x808, 0x800])
readings = st.lists(st.tuples(masks, masks, masks, masks), min_size=1, max_size=20)


@given(readings, st.sets(st.integers(0, 19)))
def test_lost_lines_delay_readings_but_never_falsify_them(states, lost) -> None:
    """A sender that tells differences, a link that loses some, a host that asks for a SCAN."""
    tracker, before = Tracker(USE), None
    for seq, (rest, *low) in enumerate(states):
        now = (rest, dict(zip((0, 3, 11), low, strict=True)))
        changed = before and tuple((i, m) for i, m in now[1].items() if before[1][i] != m)
        rest_changed = before and before[0] != rest
        if before is None or tracker.wants_full or not (changed or rest_changed):
            msg = Scan(seq, seq, rest, tuple(low))
        else:
            msg = Diff(seq, seq, rest if rest_changed else None, changed)
        before = now
        if seq in lost:
            continue
        reading = tracker.feed(msg)
        if reading is not None:
            assert (reading.rest, reading.low) == (rest, tuple(low))
    # Losses before the first line and after the last cannot be seen.
    inner = [s for s in lost if min(set(range(len(states))) - lost, default=99) < s]
    seen = [s for s in range(len(states)) if s not in lost]
    assert tracker.lost == sum(1 for s in inner if seen and s < max(seen))
