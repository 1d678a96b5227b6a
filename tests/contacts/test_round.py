"""The round on a virtual half, in its own fast time: hands that do what the lines say."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from keydiag import board
from keydiag.chips import chips
from keydiag.circuit import Circuit
from keydiag.contacts import Round, Summary, as_json, sum_up, summary_lines
from keydiag.faults import parse_fault
from keydiag.sources.base import EdgesAt, LevelAt, RiseAt, SourceEvent
from keydiag.sources.virtual import VirtualSource
from keydiag.sources.virtual_half import VirtualHalf

CIRCUIT = Circuit(board.load(Path(__file__).parents[1] / "board" / "two-by-three.toml"))
LEFT = Circuit(board.example("bramblewick-left"))
CHIP = chips()["atmega32u4"]

Hands = Callable[[VirtualHalf, str], None]  # (the half, the key that is asked for)


class Bench:
    """A round on a half, and what was said in it. hands: what they do when a key is asked for; by
    itself they let go of the one before and press it a little later."""

    def __init__(
        self,
        *faults: str,
        circuit: Circuit = CIRCUIT,
        keys: tuple[str, ...] | None = None,
        hands: Hands | None = None,
        flex_us: int = 0,
        **half: object,
    ) -> None:
        self.half = VirtualHalf(
            circuit,
            [parse_fault(circuit, words) for words in faults],
            **half,  # type: ignore[arg-type]
        )
        self.said: list[str] = []
        self.heard: list[SourceEvent] = []
        self._hands, self._down = hands or self._press, ""
        source = VirtualSource(self.half)
        source.open()
        source.start(circuit.pins, 1_000)
        self.round = Round(
            circuit, CHIP, source, 5000, keys or circuit.keys, say=self._say,
            record=lambda event, now_us: self.heard.append(event), idle_us=2_000_000,
            flex_us=flex_us,
        )  # fmt: skip
        self.done: Summary = sum_up(circuit, CHIP, 5000, self.round.run())

    def _say(self, line: str) -> None:
        self.said.append(line)
        asked = re.fullmatch(r"Hold (\w+)( \(.+\))?\.", line)
        if asked:
            self._hands(self.half, asked[1])

    def _press(self, half: VirtualHalf, key: str) -> None:
        if self._down:
            half.release(self._down, half.now_us + 40_000)
        half.press(key, half.now_us + 120_000)
        self._down = key

    @property
    def told(self) -> list[tuple[str, tuple[str, ...]]]:
        """(kind, the place that is to blame, or the keys)."""
        return [
            (n.kind, n.keys if n.keys and not n.shared else n.places) for n in self.done.notices
        ]


def test_a_sound_half_has_nothing_that_stands_out():
    bench = Bench()
    assert bench.told == [] and bench.done.incomplete == ()
    for found in bench.done.taken.keys.values():
        assert found.state == "held" and found.mv == pytest.approx(511, abs=5)
        assert found.watched is not None and found.watched.settled
        assert found.watched.dropouts == 0 and found.watched.gap_us <= 60
    text = "\n".join(summary_lines(bench.done))
    assert "Nothing stands out." in text and "Not proven:" in text
    assert "Unplug the cable" not in text  # nothing to solder


def test_most_closures_are_seen_and_all_are_within_the_makers_limits():
    taken = Bench(circuit=LEFT, seed=11).done.taken.keys.values()
    seen = [f.watched.bounce_us for f in taken if f.watched and f.watched.bounce_us is not None]
    assert len(seen) > 35 and max(seen) <= 6_300 and len(set(seen)) > 20


@pytest.mark.parametrize(("fault", "wanted"), [
    ("A2 switch-column joint resistive", ("high", ("A2",))),
    ("row Ra between A1 and A2 resistive", ("high", ("row Ra between A1 and A2",))),
    ("column C1 lead resistive", ("high", ("column C1 lead",))),
    ("B2 diode shorted", ("no drop", ("B2",))),
    ("B2 switch stuck", ("at rest", ("B2",))),
    ("B2 diode reversed", ("silent", ("B2",))),
])  # fmt: skip
def test_a_fault_stands_out_and_nothing_else_does(fault, wanted):
    bench = Bench(fault)
    assert bench.told == [wanted]


@pytest.mark.parametrize(("ohm", "high"), [(300, False), (700, False), (1200, True)])
def test_small_resistances_do_not_show_and_bigger_ones_do(ohm, high):
    bench = Bench(resistive={"B1 diode-row joint": ohm})
    assert bench.told == ([("high", ("B1",))] if high else [])


def test_a_loose_joint_of_a_chain_is_named_by_its_stretch():
    bench = Bench(circuit=LEFT, cold=["row R5 between L53 and L52"], keys=LEFT.keys[28:35])
    assert bench.told == [("drop-outs", ("row R5 between L53 and L52",))]
    text = "\n".join(summary_lines(bench.done))
    assert "Reflow row R5 between L53 and L52" in text and "Unplug the cable" in text


def test_a_loose_contact_is_told_while_the_half_is_flexed():
    bench = Bench(cold=["A1 switch"], keys=("A1", "B1"), flex_us=1_000_000)
    assert bench.told == [("drop-outs", ("A1",))]
    at_once = [line for line in bench.said if "just now" in line]
    assert at_once and all("A1" in line for line in at_once)
    assert all(found.flexed for found in bench.done.taken.keys.values())
    assert not any("Not flexed" in line for line in summary_lines(bench.done))


def test_a_long_opening_while_flexed_is_told_though_it_may_be_the_finger():
    def hands(half: VirtualHalf, key: str) -> None:
        half.press(key, half.now_us + 120_000)
        half.release(key, half.now_us + 1_000_000)
        half.press(key, half.now_us + 1_300_000)

    bench = Bench(keys=("A1",), flex_us=1_500_000, hands=hands)
    assert bench.told == [("long opening", ("A1",))]
    assert any("A1 was open for longer" in line for line in bench.said)


def test_a_lead_that_is_off_is_a_fast_line_with_no_answer():
    assert Bench("column C2 lead open").told == [
        ("fast rise", ("column C2 lead",)), ("silent", ("A2", "B2")),
    ]  # fmt: skip


def test_a_worn_contact_bounces_too_long():
    assert Bench(worn=["A3"], seed=2).told == [("bounce", ("A3",))]


def test_the_next_key_tells_that_one_gave_no_answer():
    def hands(half: VirtualHalf, key: str) -> None:
        for each in CIRCUIT.keys:
            if each != key:
                half.release(each, half.now_us + 20_000)
        # B1 is dead: a second later the builder goes on, and B2 is down already when asked for.
        if key == "B1":
            half.press("B2", half.now_us + 1_000_000)
        elif key != "B2":
            half.press(key, half.now_us + 100_000)

    bench = Bench(hands=hands)
    assert any(line.startswith("B1 gives no answer, B2 does: on with it.") for line in bench.said)
    asked = [line for line in bench.said if line.startswith("Hold ")]
    assert asked[-1] == "Hold B1." and asked.count("Hold B1.") == 2
    assert bench.told == [("silent", ("B1",))]


def test_a_key_that_was_passed_over_by_a_slip_is_measured_at_the_end():
    slipped = []

    def hands(half: VirtualHalf, key: str) -> None:
        for each in CIRCUIT.keys:
            half.release(each, half.now_us + 20_000)
        half.press("B2" if key == "B1" and not slipped else key, half.now_us + 150_000)
        slipped.extend(["B1"] if key == "B1" else [])

    bench = Bench(hands=hands)
    assert bench.told == [] and bench.done.incomplete == ()


def test_another_key_than_the_one_asked_for_is_told_and_not_taken():
    def hands(half: VirtualHalf, key: str) -> None:
        for each in CIRCUIT.keys:
            half.release(each, half.now_us + 20_000)
        if key == "A1":
            half.press("B3", half.now_us + 100_000)
            half.release("B3", half.now_us + 900_000)
            half.press("A1", half.now_us + 1_200_000)
        else:
            half.press(key, half.now_us + 100_000)

    bench = Bench(hands=hands)
    assert "That was B3. Hold A1; or keep B3 down to go on from there." in bench.said
    assert bench.told == []


def test_a_dead_row_is_passed_over_by_holding_a_later_key():
    def hands(half: VirtualHalf, key: str) -> None:
        for each in CIRCUIT.keys:
            if each != key:
                half.release(each, half.now_us + 20_000)
        # Row Ra is dead: pressing A1, A2, A3 does nothing, B1 is held for long instead.
        half.press("B1" if key == "A1" else key, half.now_us + 120_000)

    bench = Bench("row Ra lead open", hands=hands)
    assert "That was B1. Hold A1; or keep B1 down to go on from there." in bench.said
    asked = [line for line in bench.said if line.startswith("Hold ")]
    assert asked == ["Hold A1 (esc).", "Hold B1.", "Hold B2.", "Hold B3.", "Hold A1 (esc).",
                     "Hold A2.", "Hold A3."]  # fmt: skip
    assert {bench.done.taken.keys[key].state for key in ("B1", "B2", "B3")} == {"held"}
    assert bench.told == [("fast rise", ("row Ra lead",)), ("silent", ("A1", "A2", "A3"))]


def test_a_tap_is_too_short():
    def hands(half: VirtualHalf, key: str) -> None:
        half.press(key, half.now_us + 50_000)
        half.release(key, half.now_us + 110_000)
        half.press(key, half.now_us + 800_000)
        half.release(key, half.now_us + 1_700_000)

    bench = Bench(hands=hands)
    assert "Hold A1 down a little longer." in bench.said
    assert bench.told == [] and all(f.mv is not None for f in bench.done.taken.keys.values())


def test_nobody_at_the_keys_ends_the_round_and_passes_nothing():
    bench = Bench(hands=lambda half, key: None)
    assert bench.done.incomplete == CIRCUIT.keys and bench.told == []
    assert any("this round ends here" in line for line in bench.said)
    (line, *_) = [line for line in summary_lines(bench.done) if "Not pressed" in line]
    assert "A1, A2, A3, B1, B2 and B3" in line


def test_a_sensing_pin_without_analogue_input_is_unmeasured_not_passed(tmp_path: Path):
    text = (Path(__file__).parents[1] / "board" / "two-by-three.toml").read_text("utf-8")
    half = Circuit(board.loads(text.replace('pin = "PF5"', 'pin = "PB1"'), "half"))
    bench = Bench(circuit=half)
    assert {key for key, f in bench.done.taken.keys.items() if f.mv is None} == {"A2", "B2"}
    assert bench.told == []
    (line, *_) = [line for line in summary_lines(bench.done) if "Level not measured" in line]
    assert "sensing pin" in line
    said = json.loads(as_json(bench.done))
    assert said["keys"]["A2"]["mv"] is None and not said["keys"]["A2"]["analog"]
    assert any("A2 and B2" in each for each in said["not_proven"])


def test_everything_that_was_measured_is_recorded():
    bench = Bench()
    kinds = {type(event) for event in bench.heard}
    assert {LevelAt, EdgesAt, RiseAt} <= kinds


def test_json_says_what_the_lines_say():
    bench = Bench("A2 switch-column joint resistive")
    said = json.loads(as_json(bench.done))
    (notice,) = said["stands_out"]
    assert notice["kind"] == "high" and notice["keys"] == ["A2"]
    assert notice["places"][0] == "A2 switch-column joint"
    assert said["keys"]["A2"]["mv"] == pytest.approx(751, abs=10)
    assert said["reference_mv"] == pytest.approx(511, abs=5)
    assert set(said["rise_ns"]) == set(CIRCUIT.line_names)


def test_the_probe_may_be_reset_in_the_middle():
    def hands(half: VirtualHalf, key: str) -> None:
        for each in CIRCUIT.keys:
            half.release(each, half.now_us + 20_000)
        half.press(key, half.now_us + 150_000)
        if key == "A3":
            half.reset()

    bench = Bench(hands=hands)
    assert "The probe is back." in bench.said
    assert bench.told == [] and bench.done.incomplete == ()
