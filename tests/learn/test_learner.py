"""Learning through the virtual probe: hands, bounce, slips, a link that breaks; and the command."""

import argparse
import io
from pathlib import Path

import pytest
from wires import LEFT, RIGHT, SMALL, by_pins, learn_in_time

from keydiag import board
from keydiag.board.new import Plan
from keydiag.chips import chips
from keydiag.circuit import Circuit, Reading
from keydiag.cli import board_learn, main
from keydiag.errors import UsageError
from keydiag.faults import parse_fault
from keydiag.learn import Learner, free_ports, write
from keydiag.sources.hands import HandScript, Slips
from keydiag.sources.virtual import VirtualSource
from keydiag.sources.virtual_half import VirtualHalf

TINY = Path(__file__).parent.parent / "board" / "two-by-three.toml"


def written(half, learner, **more):
    learned = learner.learned()
    plan = Plan(half.name, 0, 0, chip=half.chip, diode_side=half.diode_side)
    return write(
        learned, half.key, learner.ports, plan, learner.rest, learner.observations(), **more
    )


@pytest.mark.parametrize("half", [LEFT, RIGHT, SMALL], ids=["left", "right", "small"])
def test_a_sound_half_needs_one_sweep(half):
    learner, asked = learn_in_time(half)
    result = written(half, learner)
    assert result.clean and by_pins(result.board) == by_pins(half)
    # Only the fan of the thumb keys, where places tell little, is pressed once more.
    assert set(asked) <= set(board.keys_of(half.row[list(half.row)[-1]])) and len(asked) <= 2


def test_several_faults_on_a_whole_half():
    faults = ["L23 diode reversed", "L35 diode open", "L66 diode shorted", "L11 and L12 swapped"]
    learner, asked = learn_in_time(LEFT, faults)
    result = written(LEFT, learner)
    assert by_pins(result.board) == by_pins(LEFT)
    assert len(asked) < 12
    kinds = {m.kind for finding in result.diagnosis.findings for m in finding.members}
    assert {"reversed-diode", "shorted-diode", "open-joint", "swapped-keys"} <= kinds


def test_a_row_that_is_dead_beyond_a_break():
    learner, _ = learn_in_time(LEFT, ["row R2 broken between L25 and L24"])
    result = written(LEFT, learner)
    assert by_pins(result.board) == by_pins(LEFT)
    assert result.diagnosis.findings[0].members[0].kind == "broken-stretch"


@pytest.mark.parametrize("seed", range(3))
def test_double_presses_and_rollover_do_no_harm(seed):
    learner, _ = learn_in_time(SMALL, seed=seed, slips=Slips(double=0.2, rollover=0.3))
    assert by_pins(written(SMALL, learner).board) == by_pins(SMALL)


@pytest.mark.parametrize("seed", range(3))
def test_keys_pressed_in_exchange_are_asked_for_alone(seed):
    learner, asked = learn_in_time(LEFT, seed=seed, slips=Slips(exchange=0.04))
    result = written(LEFT, learner)
    assert by_pins(result.board) == by_pins(LEFT)
    assert result.clean and len(asked) < 16


def test_without_places_lines_and_crossings_are_learned_all_the_same():
    learner, asked = learn_in_time(LEFT, placed=False)
    result = written(LEFT, learner, placed=False)
    assert asked == [] and result.clean
    assert by_pins(result.board) == by_pins(LEFT)
    assert board.crossings(result.board) == board.crossings(LEFT)


def test_hands_that_go_away_leave_keys_out_but_claim_nothing_of_them():
    learner, asked = learn_in_time(LEFT, ["L33 diode open"], presses=0)
    assert len(asked) == 6  # then nobody is there
    assert learner.learned() is None  # forty answers for 41 keys, and nothing to hold on to
    assert learner.settled().open == (tuple(LEFT.key),)


def test_what_is_clear_is_written_although_the_hands_went_away_later():
    learner, asked = learn_in_time(LEFT, ["L33 diode open", "L34 diode open"], presses=2)
    result = written(LEFT, learner)
    got, true = by_pins(result.board), by_pins(LEFT)
    assert 0 < len(got) < len(LEFT.key) and all(got[key] == true[key] for key in got)
    assert any("not clear which answers are theirs" in note for note in result.notes)
    assert not result.clean


def test_a_pin_that_stays_high_stops_at_once():
    learner, _ = learn_in_time(SMALL, ["row R2 shorted to supply"])
    assert learner.phase == "done" and learner.count == 0
    assert [learner.ports[pin] for pin in learner.rest.high] == [SMALL.row["R2"].pin]


def test_rest_is_learned_anew_after_the_link_broke():
    learner = Learner(SMALL.key, ("PB0", "PB1"))
    quiet = Reading(0, (1, 2))
    for t_us in range(0, 400_000, 50_000):
        learner.feed(t_us, quiet)
    assert (learner.phase, learner.asked) == ("sweep", "L11")
    learner.restart()
    assert (learner.phase, learner.asked) == ("sweep", "L11")


def test_nobody_is_there():
    learner = Learner(SMALL.key, ("PB0", "PB1"))
    for t_us in range(0, 70_000_000, 500_000):
        learner.feed(t_us, Reading(0, (1, 2)))
    assert learner.phase == "done" and learner.learned() is None


# --- which pins ---------------------------------------------------------------------------------


def test_free_ports():
    chip = chips()["atmega32u4"]
    assert free_ports(chip) == chip.ports
    assert free_ports(chip, only=("PD1", "PB0")) == ("PB0", "PD1")
    assert "PD5" not in free_ports(chip, leave=("PD5",))
    for only, leave, line in [
        (("PX1",), (), "the atmega32u4 has no pin PX1"),
        (("PD1",), (), "leave at least two"),
        (("PD1", "PD2"), ("PD2",), "leave at least two"),
    ]:
        with pytest.raises(UsageError, match=line):
            free_ports(chip, only, leave)


# --- the command --------------------------------------------------------------------------------


def options(*given):
    """The options as the command line reads them."""
    parser = argparse.ArgumentParser()
    board_learn.add(parser.add_subparsers())
    return parser.parse_args(["learn", *given])


def command(half, out, *given, faults=()):
    """The command on a virtual half, with hands that sweep it and press what is asked for."""
    circuit = Circuit(half)
    virtual = VirtualHalf(circuit, [parse_fault(circuit, words) for words in faults], seed=3)
    source = VirtualSource(virtual, HandScript.sweep(circuit.keys, 3))
    args = options(str(out), *given)
    plan, keys, placed = board_learn._what(args)
    told = io.StringIO()

    class Hands(io.StringIO):
        """Standard output, read by hands that do what it says."""

        def write(self, text):
            if text.startswith("Now press only "):
                key = text.split()[3].rstrip(",")
                virtual.press(key, virtual.now_us + 300_000)
                virtual.release(key, virtual.now_us + 400_000)
            return told.write(text)

    import contextlib

    with contextlib.redirect_stdout(Hands()):
        status = board_learn.learn(source, source.open().chip, plan, keys, placed, args)
    source.close()
    return status, told.getvalue()


def test_the_command_learns_a_sound_half(tmp_path):
    out = tmp_path / "l.toml"
    status, told = command(SMALL, out, "--rows", "3", "--columns", "4", "--name", "Fresh",
                           "--stagger", "6,4,0,2", "--thumbs", "0,15")  # fmt: skip
    assert status == 0
    assert "Fresh: 14 of 14 keys on 4 rows and 4 columns; the bands look to the row wires." in told
    assert "Verdict: pass." in told and "No reading tells the order" in told
    half = board.load(out)
    assert half.name == "Fresh" and by_pins(half) == by_pins(SMALL)
    assert main(["board", "check", str(out)]) == 0


def test_the_command_reports_what_is_wrong(tmp_path):
    out, like = tmp_path / "l.toml", tmp_path / "like.toml"
    like.write_text(board.dumps(SMALL), "utf-8")
    faults = ["L12 diode reversed", "L33 diode open"]
    status, told = command(SMALL, out, "--like", str(like), faults=faults)
    assert status == 1
    assert "Now press only" in told and "No sign from L33." in told
    assert "L12 diode reversed" in told
    assert by_pins(board.load(out)) == by_pins(SMALL)
    assert "# No sign from L33." in out.read_text("utf-8")


def test_the_command_without_places(tmp_path):
    out = tmp_path / "l.toml"
    status, told = command(SMALL, out, "--names", ",".join(SMALL.key))
    assert status == 0 and by_pins(board.load(out)) == by_pins(SMALL)


def test_the_command_stops_at_a_pin_that_stays_high(tmp_path):
    out = tmp_path / "l.toml"
    faults = ["row R2 shorted to supply"]
    status, told = command(SMALL, out, "--names", "14", faults=faults)
    assert status == 1 and not out.exists()
    assert "stays high while driven low. Unplug." in told and "nothing was written" in told


@pytest.mark.parametrize(
    ("given", "line"),
    [
        ([], "say which keys there are, in one way"),
        (["--names", "4", "--csv", "t.csv"], "say which keys there are, in one way"),
        (["--names", "0"], "--names 0: give 1 to 400 keys"),
        (["--names", "4", "--idle", "0"], "--idle 0: give a number of seconds"),
        (["--csv", "none.csv"], "none.csv: cannot be read"),
        (["--like", "none.toml"], "none.toml: cannot be read"),
    ],
)
def test_the_command_says_what_is_wrong(tmp_path, monkeypatch, capsys, given, line):
    monkeypatch.chdir(tmp_path)
    assert main(["board", "learn", "l.toml", "--port", "/dev/none", *given]) == 2
    assert line in capsys.readouterr().err


def test_the_command_needs_a_port_and_a_free_name(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["board", "learn", "l.toml", "--port", "/dev/none", "--names", "4"]) == 3
    (tmp_path / "l.toml").write_text("mine")
    assert main(["board", "learn", "l.toml", "--port", "/dev/none", "--names", "4"]) == 2
    assert (tmp_path / "l.toml").read_text() == "mine"


def test_another_chip_than_the_options_say(tmp_path):
    with pytest.raises(UsageError, match="the probe is on an atmega32u4, not on an rp2040"):
        command(SMALL, tmp_path / "l.toml", "--names", "14", "--chip", "rp2040")
    with pytest.raises(UsageError, match="the atmega32u4 has no pin GP0"):
        command(SMALL, tmp_path / "l.toml", "--names", "14", "--only", "GP0,GP1")


def test_only_some_pins_are_read(tmp_path):
    pins = [line.pin for line in (*SMALL.row.values(), *SMALL.column.values())]
    out = tmp_path / "l.toml"
    status, told = command(SMALL, out, "--names", ",".join(SMALL.key), "--only", ",".join(pins))
    assert status == 0 and f"Reading {len(pins)} pins" in told
