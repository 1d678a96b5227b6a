"""The probe's real image on a simulated ATmega32U4, spoken to over its USB serial port."""

import time

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
    for vil_mv, expected in ((900, set()), (1200, {("PD1", "PF4")})):
        with SimulatedProbe(half, vil_mv=vil_mv) as probe, Bench(probe) as bench:
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
    with SimulatedProbe(half, line_pf=6000, variant=variant) as probe, Bench(probe) as bench:
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
     b"USE zebra*0000\n", b"GO 12\n", b"USE 4000000*%04X\n" % wire.crc16(b"USE 4000000"),
     b"FULL*0000\n", b"AT\r\n", b"x" * 100 + b"\n", b"\xff\x00\x80\n"],
    ids=["HALT", "HELLO", "another USE", "a damaged USE", "a damaged GO", "a pin it has not",
         "a damaged FULL", "another program's words", "an endless line", "noise"],
)  # fmt: skip
def test_stops_at_once_on(command: bytes) -> None:
    with SimulatedProbe(matrix(2, 2)) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(2, 2))
        assert probe.drives().now != 0
        bench.keep_alive = False
        bench.port.write(command)
        wait_until(lambda: probe.drives().now == 0, 1.0)


def test_half_lines_and_garbage_are_answered_and_the_next_line_is_read() -> None:
    with SimulatedProbe(matrix(2, 2)) as probe, Bench(probe) as bench:
        bench.hello()
        for noise in (b"HEL", b"USE 3FF\xfe", bytes(range(128, 256)), b"\r\r", b"*" * 60):
            bench.port.write(noise)
            bench.port.write(b"\n")
            assert bench.until_kind(wire.Oops).code in ("check", "long")
            # A half line, then a whole one after a newline: what `hello` does.
            bench.port.write(noise)
            bench.hello()
        assert bench.go(ports(2, 2)).low == healthy_low(ports(2, 2))
        # Nothing of that made the probe say a line that the host could not read.
        assert bench.decoder.corrupt == 0


@pytest.mark.parametrize("half", [matrix(2, 2), matrix(2, 2) + "wire r1.1 r2.1\n"])
def test_a_hung_sketch_is_reset_by_the_watchdog_and_lets_go(half: str) -> None:
    """The chip loops on the spot with a pin driven and interrupts off: nothing but P9 is left."""
    with SimulatedProbe(half) as probe:
        with Bench(probe) as bench:
            bench.hello()
            bench.go(ports(2, 2))
            bench.settled()
            assert probe.drives().resets == 0
            probe.forget()
            probe.hang()
            wait_until(lambda: probe.drives().resets == 1)
        drives = probe.drives()
        # 250 ms by a clock of its own that is good to some percent (datasheet).
        assert 200 < drives.hung_ms < 300
        assert drives.high == 0 and drives.at_once == 1 and drives.longest_us > 200_000
        assert drives.now == 0 and drives.reset_clears_pins
        probe.attach()
        probe.forget()
        with Bench(probe) as bench:  # ... and it is a probe again that drives nothing
            bench.hello()
            drives = probe.drives()
            assert drives.driven == 0 and drives.pulled & ~LAMPS == 0
            assert bench.go(ports(2, 2)).rest == 0


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


def test_a_watch_sees_the_bounces_of_one_crossing() -> None:
    # Moves of the contact, in microseconds, most of them closer together than a reading takes.
    moves = [3000, 3180, 3400, 3620, 3990, 5001, 5125, 7000, 7130, 7270, 7500]
    drive, sense = (PORTS.index(p) for p in crossing(1, 1))
    with SimulatedProbe(matrix(8, 10)) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(8, 10))
        bench.settled()
        bench.keep_alive = False
        probe.forget()
        bench.say(wire.Watch(drive, sense, 250))
        wait_until(lambda: probe.drives().counts[drive] > 100)
        probe.play((t, "K11", 1 - i % 2) for i, t in enumerate(moves))
        edges = bench.until_kind(wire.Edges)
        assert (edges.drive, edges.sense, edges.closed) == (drive, sense, False)
        # Looked at 10,000 times a second or more, and not one look later than that.
        assert edges.gap_us <= 100 and 250_000 <= edges.watched_us < 250_200
        looks = probe.drives().counts[drive]
        print(f"one look every {edges.watched_us / looks:.1f} us, longest gap {edges.gap_us} us")
        assert len(edges.at_us) == len(moves)
        shift = edges.at_us[0] - moves[0]
        late = [at - move - shift for at, move in zip(edges.at_us, moves, strict=True)]
        assert max(late) - min(late) <= edges.gap_us
        assert bench.until_kind(wire.Scan).low == bench.settled().low
        assert bench.conducts() == {crossing(1, 1)}
        drives = probe.drives()
        assert drives.high == 0 and drives.at_once == 1


def test_no_pin_is_driven_for_longer_than_promised() -> None:
    """P4: at most five settle times and 30 us in a reading or a watch, 1 ms for a level."""
    use = ports(3, 4)
    with SimulatedProbe(matrix(3, 4) + "wire r1.1 r2.1\n") as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(use)
        settle_us = next(m for m in bench.heard if isinstance(m, wire.Pace)).settle_us
        bench.settled()
        probe.forget()
        bench.settled()
        # Nothing new, nothing held: one settle time and the sketch's own work.
        quiet_us = probe.drives().longest_us
        assert quiet_us <= 2 * settle_us + 30
        probe.press("K23")
        bench.settled()
        bench.say(wire.Watch(PORTS.index("PD1"), PORTS.index("PF4"), 20))
        bench.until_kind(wire.Edges)
        assert probe.drives().longest_us <= 5 * settle_us + 30
        bench.say(wire.Level(PORTS.index("PD1"), PORTS.index("PF4")))
        bench.until_kind(wire.Volt)
        level_us = probe.drives().longest_us
        assert 500 < level_us < 1000
        print(f"settle {settle_us} us: driven for {quiet_us} us; for a level {level_us} us")


def test_a_host_that_does_not_read_loses_lines_and_can_tell() -> None:
    with SimulatedProbe(matrix(2, 2)) as probe, Bench(probe) as bench:
        bench.hello()
        bench.go(ports(2, 2))

        def wait_for_readings(n: int) -> None:
            before = probe.drives().counts[PORTS.index("PD1")]
            wait_until(lambda: probe.drives().counts[PORTS.index("PD1")] > before + n)

        # 28 kB of answers nobody reads: more than all buffers on the way hold (some 20 kB).  One
        # question at a time: simavr now and then spoils a byte when packets come back to back.
        for _ in range(600):
            bench.say(wire.Full())
            time.sleep(0.002)
        wait_for_readings(300)
        # The scan goes on all the same, and most of what changes now finds no room.
        for _ in range(15):
            bench.say(wire.Full())  # a sign of life
            probe.press("K11")
            wait_for_readings(8)
            probe.release("K11")
            wait_for_readings(8)
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
