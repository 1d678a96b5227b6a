"""The probe's real image on a simulated ATmega32U4, spoken to over its USB serial port."""

import pytest
import serial

from keydiag import wire
from keydiag.chips import chips
from tests.simavr import halves
from tests.simavr.bench import Bench
from tests.simavr.halves import COLUMN_PORTS, ROW_PORTS, key, matrix, ports
from tests.simavr.harness import PORTS, SimulatedProbe, mask_of, wait_until

# The core lights its lamps on these as it starts, before the sketch's setup(): wire-v1.md, 6.
LAMPS = mask_of("PB0", "PD5")


def crossing(row: int, column: int) -> tuple[str, str]:
    """Healthy: the column reads low while the row is driven."""
    return ROW_PORTS[row - 1], COLUMN_PORTS[column - 1]


def backward(row: int, column: int) -> tuple[str, str]:
    return crossing(row, column)[::-1]


def healthy_low(use: tuple[str, ...]) -> tuple[int, ...]:
    return tuple(mask_of(p) for p in use)


def test_every_key_of_a_small_half_exact_in_both_directions() -> None:
    use = ports(3, 4)
    with SimulatedProbe(matrix(3, 4)) as probe, Bench(probe) as bench:
        hi = bench.hello()
        assert (hi.version, hi.chip, hi.pins) == (1, "atmega32u4", 26)
        assert abs(hi.vcc_mv - 5000) < 50
        pins = {m.index: m.port for m in bench.heard if isinstance(m, wire.Pin)}
        assert tuple(pins[i] for i in range(26)) == PORTS
        first = bench.go(use)
        assert (first.rest, first.low) == (0, healthy_low(use))
        for r in range(1, 4):
            for c in range(1, 5):
                probe.press(key(r, c))
                assert bench.conducts() == {crossing(r, c)}, key(r, c)
                probe.release(key(r, c))
        assert bench.conducts() == set()
        assert bench.tracker.lost == 0 and bench.decoder.corrupt == 0
        drives = probe.drives()
    assert drives.high == 0 and not drives.jtag and drives.watchdog
    assert drives.driven & ~LAMPS == mask_of(*use)


def test_the_ports_are_those_of_chips_toml_and_so_are_the_analogue_inputs() -> None:
    chip = chips()["atmega32u4"]
    assert chip.ports == PORTS
    analog = set()
    with SimulatedProbe("") as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(PORTS)
        for sense in range(1, 26):
            bench.say(wire.Level(0, sense))
            if isinstance(bench.until(lambda m: isinstance(m, wire.Volt | wire.Oops)), wire.Volt):
                analog.add(PORTS[sense])
    assert analog == set(chip.analog)


def test_a_reversed_diode_a_bridge_and_a_broken_stretch() -> None:
    half = matrix(3, 4, reversed_diodes=("K12",)) + "wire r3.1 c4\n"
    with SimulatedProbe(half) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(3, 4))
        probe.cut(*halves.stretch(2, 2))
        bridge = {crossing(3, 4), backward(3, 4)}
        assert bench.conducts() == bridge
        probe.press("K12")
        assert bench.conducts() == bridge | {backward(1, 2)}
        probe.release("K12")
        for c, alive in ((1, True), (2, True), (3, False), (4, False)):
            probe.press(key(2, c))
            # Column 4 is row 3 as well: what conducts to the one conducts to the other.
            extra = {(ROW_PORTS[1], ROW_PORTS[2])} if c == 4 and alive else set()
            assert bench.conducts() == bridge | ({crossing(2, c)} if alive else set()) | extra
            probe.release(key(2, c))
        probe.join(*halves.stretch(2, 2))
        probe.press("K23")
        assert bench.conducts() == bridge | {crossing(2, 3)}


def test_two_diodes_in_series_read_as_the_threshold_says() -> None:
    # Two diodes cost about 1.0 V (SPICE, published 1N4148 model): above VIL max = 0.9 V, below the
    # typical threshold. The bit is never evidence; the simulator can show either.
    half = "pin PD1 a\npin PF4 b\ndiode b m\ndiode m a\n"
    for threshold_mv, expected in ((900, set()), (1200, {("PD1", "PF4")})):
        with SimulatedProbe(half, threshold_mv=threshold_mv) as probe, Bench(probe) as bench:
            bench.hello()
            bench.go(("PD1", "PF4"))
            assert bench.conducts() == expected


def test_line_to_ground_shows_at_rest() -> None:
    with SimulatedProbe(matrix(2, 2) + "wire c2 GND\n") as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(2, 2))
        grounded = mask_of(COLUMN_PORTS[1])
        reading = bench.settled()
        assert reading.rest == grounded
        assert reading.low == tuple(mask_of(p) | grounded for p in ports(2, 2))


def test_nothing_is_driven_or_pulled_before_go_and_nothing_outside_use_after() -> None:
    use = ports(2, 2)
    with SimulatedProbe(matrix(2, 2)) as probe, Bench(probe) as bench:
        bench.hello()
        start = probe.drives()
        # The core's own lamps, low for some microseconds before setup(): the sketch cannot help it.
        assert start.driven & ~LAMPS == 0 and start.high == 0 and start.pulled & ~LAMPS == 0
        assert start.longest_us < 10 and start.now == 0
        probe.forget()
        bench.say(wire.Go(0))
        assert bench.until_kind(wire.Oops).code == "order"
        bench.say(wire.Use(mask_of(*use)), wire.Full())
        assert bench.until_kind(wire.Oops).code == "order"
        assert probe.drives().driven == probe.drives().pulled == 0
        bench.go(use)
        probe.press("K11")
        bench.settled()
        drives = probe.drives()
        assert drives.driven == drives.pulled == mask_of(*use)
        assert drives.high == 0 and drives.at_once == 1


def test_every_pad_can_be_used() -> None:
    with SimulatedProbe("pin PB0 a\npin PF7 b\nswitch S a b\n") as probe, Bench(probe) as bench:
        bench.hello()
        probe.forget()
        bench.go(PORTS)
        probe.press("S")
        assert bench.conducts() == {("PB0", "PF7"), ("PF7", "PB0")}
        drives = probe.drives()
        assert drives.driven == (1 << 26) - 1 and drives.high == 0 and drives.at_once == 1


@pytest.mark.parametrize("variant", ["micro", "leonardo"])
def test_the_cores_lamps_never_drive_a_line_high(variant: str) -> None:
    # Requests on the control pipe make the core's interrupt switch its lamps on PB0 and PD5; the
    # two variants do it the opposite way round. Slow lines, so that PB0 is driven half the time.
    half = "pin PB0 a\npin PD5 b\n"
    with SimulatedProbe(half, rise_ns=100_000, variant=variant) as probe, Bench(probe) as bench:
        bench.hello()
        probe.forget()
        bench.go(("PB0", "PD5"))
        for _ in range(8):
            for baud in (57600, 115200):
                bench.port.baudrate = baud
                wait_until(lambda baud=baud: probe.drives().baud == baud)
        drives = probe.drives()
        assert drives.high == 0 and drives.driven == LAMPS
        bench.settled()  # and 100 ms later, when the lamps go out
        for _ in range(3):
            bench.until_kind(wire.Same)
        assert bench.conducts() == set() and bench.settled().rest == 0
        assert probe.drives().high == 0


def test_a_short_to_the_supply_is_let_go_at_once_and_reported() -> None:
    use = ports(2, 3)
    with SimulatedProbe(matrix(2, 3) + "wire c2 VCC\n") as probe, Bench(probe) as bench:
        bench.hello()
        probe.forget()
        bench.go(use)
        reading = bench.settled()
        shorted = COLUMN_PORTS[1]
        expected = tuple(0 if p == shorted else mask_of(p) for p in use)
        assert (reading.rest, reading.low) == (0, expected)
        drives = probe.drives()
        assert drives.fight_us < 5
        # ... and tried again only once in 256 readings.
        before = probe.drives().counts
        bench.until(lambda m: isinstance(m, wire.Same))
        wait_until(lambda: probe.drives().counts[PORTS.index("PD1")] > before[11] + 600)
        after = probe.drives().counts
        tries = after[PORTS.index(shorted)] - before[PORTS.index(shorted)]
        assert 1 <= tries <= 2 + (after[11] - before[11]) // 256
        # A row that is driven while a key connects it to the shorted column fights through the
        # diode, and is let go as well.
        probe.press("K12")
        bench.until(lambda m: isinstance(m, wire.Diff))
        assert dict(zip(use, bench.settled().low, strict=True))[ROW_PORTS[0]] == 0
        assert probe.drives().fight_us < 60  # at most the settle time in which the key closed


@pytest.mark.parametrize(
    "command",
    [wire.encode(wire.Halt()), wire.encode(wire.Hello()), wire.encode(wire.Use(0)),
     b"USE zebra*0000\n", b"GO 12\n", b"USE 4000000*%04X\n" % wire.crc16(b"USE 4000000")],
    ids=["HALT", "HELLO", "another USE", "a damaged USE", "a damaged GO", "a pin it has not"],
)  # fmt: skip
def test_stops_at_once_on(command: bytes) -> None:
    with SimulatedProbe(matrix(2, 2)) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(2, 2))
        assert probe.drives().now != 0
        bench.keep_alive = False
        bench.port.write(command)
        wait_until(lambda: probe.drives().now == 0, 1.0)


def test_stops_after_two_seconds_of_silence_and_not_before() -> None:
    with SimulatedProbe(matrix(2, 2)) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(2, 2))
        bench.settled()
        bench.keep_alive = False
        bench.say(wire.Full())
        spoken = bench.until_kind(wire.Scan)
        stopped = bench.until_kind(wire.Oops)
        last = [m for m in bench.heard if isinstance(m, wire.Same)][-1]
        assert stopped.code == "silent"
        # By the probe's own clock: readings went on for 2 s, less one interval of SAME.
        assert 1_850_000 < last.t_us - spoken.t_us < 2_100_000
        assert probe.drives().now == 0
        bench.say(wire.Go(0))  # USE is forgotten
        assert bench.until_kind(wire.Oops).code == "order"


def test_stops_when_the_bus_is_suspended_and_says_so_after() -> None:
    with SimulatedProbe(matrix(2, 2)) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(2, 2))
        bench.keep_alive = False
        probe.suspend()
        wait_until(lambda: probe.drives().now == 0, 1.0)
        probe.resume()
        assert bench.until_kind(wire.Oops).code == "usb"
        assert probe.drives().now == 0


def test_stops_when_the_port_is_closed() -> None:
    with SimulatedProbe(matrix(2, 2)) as probe:
        with Bench(probe) as bench:
            bench.hello()
            bench.go(ports(2, 2))
            assert probe.drives().now != 0
        wait_until(lambda: probe.drives().now == 0, 1.0)
        with Bench(probe) as bench:  # and starts over for the next who opens it
            bench.hello()
            assert bench.go(ports(2, 2)).seq == 0


def test_detach_and_attach_again() -> None:
    with SimulatedProbe(matrix(2, 2)) as probe:
        for _ in range(2):
            with Bench(probe) as bench:
                bench.hello()
                bench.go(ports(2, 2))
                probe.press("K21")
                assert bench.conducts() == {crossing(2, 1)}
                probe.release("K21")
                probe.detach()
                with pytest.raises(OSError):  # pyserial's SerialException is one
                    for _ in range(200):
                        bench.hear()
            probe.attach()
        with Bench(probe) as bench:
            bench.hello()
            assert bench.go(ports(2, 2)).low == healthy_low(ports(2, 2))


def test_level_of_a_good_crossing_a_resistive_joint_and_none() -> None:
    # 0.51 V for one diode at 5 V and 35 kOhm, 0.75 V with 2 kOhm more: SPICE, published model. The
    # simulator's own arithmetic is rougher than that, hence the margin.
    half = matrix(1, 2) + "switch KR c1 x\nresistor x y 2000\ndiode y r1.1\n"
    row, column = PORTS.index(ROW_PORTS[0]), PORTS.index(COLUMN_PORTS[0])
    with SimulatedProbe(half) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(1, 2))

        def level() -> int:
            bench.settled()
            bench.say(wire.Level(row, column))
            volt = bench.until_kind(wire.Volt)
            assert (volt.drive, volt.sense) == (row, column)
            return volt.millivolts

        assert level() > 4900
        probe.press("K11")
        good = level()
        assert abs(good - 510) < 30
        probe.release("K11")
        probe.press("KR")
        assert abs(level() - 751) < 50
        for drive, sense, code in ((row, row, "pin"), (0, column, "pin"), (column, row, "analog")):
            bench.say(wire.Level(drive, sense))
            assert bench.until_kind(wire.Oops).code == code


def test_eighteen_lines_reach_a_thousand_readings_a_second() -> None:
    """Cycles are the simulated chip's own, so this does not depend on the machine."""
    use = ports(8, 10)
    with SimulatedProbe(matrix(8, 10), speed=2) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(use)
        probe.press("K11")
        bench.settled()
        pace = next(m for m in bench.heard if isinstance(m, wire.Pace))
        probe.forget()
        bench.until_kind(wire.Same)
        bench.until_kind(wire.Same)
        drives = probe.drives()
        readings = drives.counts[PORTS.index("PD1")]
        cycles = drives.cycles / readings
        print(f"18 lines: {cycles:.0f} cycles a reading, {16e6 / cycles:.0f} a second, {pace}")
        assert 16e6 / cycles >= 1000


@pytest.mark.parametrize("rise_ns", [1000, 13000, 60000])
def test_the_settle_time_follows_the_rise_time_of_the_lines(rise_ns: int) -> None:
    # 4 to 13 us were worked out for real lines (200 pF); 60 us is a very long one.
    use = ports(2, 3)
    with SimulatedProbe(matrix(2, 3), rise_ns=rise_ns) as probe, Bench(probe) as bench:
        bench.hello()
        first = bench.go(use)
        pace = next(m for m in bench.heard if isinstance(m, wire.Pace))
        assert first.low == healthy_low(use)
        # One and a half times the rise time, to within the measurement's microsecond or two.
        expected_us = max(10.0, 1.5 * rise_ns / 1000)
        assert expected_us - 0.5 <= pace.settle_us <= 1.15 * expected_us + 3
        for r, c in ((1, 1), (2, 3)):
            probe.press(key(r, c))
            assert bench.conducts() == {crossing(r, c)}
            probe.release(key(r, c))
        assert bench.conducts() == set()


def test_too_short_a_settle_time_would_be_seen_here() -> None:
    """The simulator's rise time is no ornament: a sketch that does not wait reads wrongly."""
    hasty = ("PROBE_SETTLE_MIN_US=1", "PROBE_SETTLE_MAX_US=1", "PROBE_READ_AGAIN=0")
    use = ports(2, 3)
    with SimulatedProbe(matrix(2, 3), defines=hasty) as probe, Bench(probe) as bench:
        bench.hello()
        assert bench.go(use).low != healthy_low(use)
        assert next(m for m in bench.heard if isinstance(m, wire.Pace)).settle_us == 1


def test_a_host_that_does_not_read_loses_lines_and_can_tell() -> None:
    with SimulatedProbe(matrix(2, 2), speed=2) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(2, 2))

        def wait_for_readings(n: int) -> None:
            before = probe.drives().counts[PORTS.index("PD1")]
            wait_until(lambda: probe.drives().counts[PORTS.index("PD1")] > before + n)

        # 140 kB of answers nobody reads: more than all buffers on the way hold.
        for _ in range(3000):
            bench.say(wire.Full())
        wait_for_readings(2500)
        # The scan goes on all the same, and what changes now finds no room.
        for _ in range(5):
            bench.say(wire.Full())  # a sign of life
            probe.press("K11")
            wait_for_readings(20)
            probe.release("K11")
            wait_for_readings(20)
        probe.press("K22")
        held = tuple(
            mask_of(p, COLUMN_PORTS[1]) if p == ROW_PORTS[1] else mask_of(p) for p in ports(2, 2)
        )
        bench.until(lambda _: bench.reading is not None and bench.reading.low == held)
        assert bench.conducts() == {crossing(2, 2)}
        assert bench.tracker.lost >= 10 and bench.decoder.corrupt == 0


def test_opening_at_1200_baud_and_closing_starts_the_boot_loader() -> None:
    """How a new sketch is put in: the core sets the watchdog, and the probe must let it bite."""
    with SimulatedProbe(matrix(2, 2)) as probe:
        with Bench(probe) as bench:
            bench.hello()
            bench.go(ports(2, 2))
        resets = probe.drives().resets
        with serial.Serial(probe.port, 1200):
            wait_until(lambda: probe.drives().baud == 1200)
        wait_until(lambda: probe.drives().resets > resets)
        assert probe.drives().now == 0


def test_a_chord_shows_its_crossings_and_no_phantom() -> None:
    # Three keys on three corners of a rectangle: without diodes the fourth would show as closed (TI
    # TCA8418E, SCPS222C, section 9.1.1); with them it does not.
    with SimulatedProbe(matrix(3, 4)) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(3, 4))
        for name in ("K11", "K12", "K21"):
            probe.press(name)
        assert bench.conducts() == {crossing(1, 1), crossing(1, 2), crossing(2, 1)}
