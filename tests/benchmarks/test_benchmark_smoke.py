"""The benchmark runs, and its own parts are right: sorts, all explanations, the table of claims."""

from __future__ import annotations

import json
import math
from itertools import combinations
from pathlib import Path
from random import Random

import pytest

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from keydiag.faults import Fault, describe, pack
from keydiag.faults.predict import FaultSet
from keydiag.sources.hands import Slips
from tests.benchmarks.__main__ import main
from tests.benchmarks.alarms import at_most
from tests.benchmarks.builder import NO_SLIPS, Builder
from tests.benchmarks.cases import Bench
from tests.benchmarks.claims import Claim, scores, table
from tests.benchmarks.claims import Claims as ClaimsOfAHalf
from tests.benchmarks.exact import LESS, Exact
from tests.benchmarks.halves import for_reporting, for_tuning, irregular, large
from tests.benchmarks.ranks import Sorter, place
from tests.benchmarks.rounds import play
from tests.diagnosis.halves import named, small, sweep

SMALL = Bench("two by three", Circuit(small()))


def frames_of(faults: FaultSet) -> list[tuple[frozenset[str], int]]:
    return [(frozenset(o.held), pack(o.reading)) for o in sweep(SMALL.circuit, faults)]


# --- sorts ---


def test_five_places_to_open_a_key_are_one_group_and_hidden_faults_do_not_count() -> None:
    sorter = Sorter(SMALL.circuit)
    joint, switch, other = named(
        SMALL.circuit, "K12 switch-column joint open", "K12 switch dead", "K13 switch dead"
    )
    assert sorter.group(joint) == sorter.group(switch) != sorter.group(other)
    lead, reversed_ = named(SMALL.circuit, "row R1 lead open", "K11 diode reversed")
    assert sorter.shown(frozenset((lead, reversed_))) == {lead}
    assert len(sorter.shown(frozenset((joint, switch)))) == 1


def test_the_engines_sorts_are_ranked_with_the_sums_of_their_sets() -> None:
    faults = frozenset(named(SMALL.circuit, "K12 switch dead", "K23 diode reversed"))
    groups = Diagnostician(SMALL.circuit).explain(sweep(SMALL.circuit, faults))[1]
    ranked = SMALL.sorter.ranked(groups)
    assert place(ranked, SMALL.sorter.sort(faults)) == 1
    assert sum(share for _, share in ranked) == pytest.approx(1.0, abs=1e-6)
    assert place(ranked, (-7,)) == 0


# --- all explanations ---


def enumerated(frames: list, most_cost: float) -> set[FaultSet]:
    """Every set of up to three faults that explains all readings, found one by one, its open keys
    folded; those that cost at most so much, and that have no smaller explanation inside."""
    oracle, exact = SMALL.oracle, Exact(SMALL.oracle)
    packed = oracle.predictor.packed
    plain: set[FaultSet] = set()
    least = {fault: exact.cost[exact.stands_for.get(fault, fault)] for fault in oracle.faults}
    cheap = min(least.values())
    for size in (1, 2, 3):
        most = most_cost - (size - 1) * cheap  # for the dearest member
        for chosen in combinations([f for f in oracle.faults if least[f] <= most], size):
            if sum(map(least.__getitem__, chosen)) > most_cost:
                continue
            faults = frozenset(chosen)
            if sum(exact.cost[f] for f in exact.folded(faults)) > most_cost:
                continue
            if any(faults - {fault} in plain for fault in faults):
                continue
            predicted = ((packed(faults, held), seen) for held, seen in frames)
            if not any((p.bits ^ seen) & ~p.unknown for p, seen in predicted):
                plain.add(faults)
    return {exact.folded(faults) for faults in plain}


@pytest.mark.parametrize(
    "names",
    [
        ("K12 switch-column joint open",),
        ("K12 switch-column joint open", "K13 switch-column joint open"),
        ("row R1 bridged to column C2", "K23 diode reversed"),
        ("row R1 broken between K11 and K12", "K21 diode reversed"),
        ("K11 switch stuck", "K12 diode-row joint open"),
    ],
)
def test_all_explanations_are_those_of_plain_enumeration(names: tuple[str, ...]) -> None:
    """On two rows of three keys, down to LESS below the truth."""
    exact = Exact(SMALL.oracle)
    truth = frozenset(named(SMALL.circuit, *names))
    frames = frames_of(truth)
    found = exact.explanations(frames, truth)
    assert found.complete
    most_cost = sum(exact.cost[fault] for fault in exact.folded(truth)) + LESS
    one_by_one = enumerated(frames, most_cost)
    folded = {exact.folded(faults): weight for faults, weight in found.sets}
    assert exact.folded(truth) in one_by_one
    assert {s for s in folded if sum(map(exact.cost.__getitem__, s)) <= most_cost} == one_by_one
    for faults, weight in folded.items():
        unknown = 0
        for held, _ in frames:
            unknown |= SMALL.oracle.predictor.packed(exact.plain(faults), held).unknown
        cost = sum(map(exact.cost.__getitem__, faults))
        assert weight == pytest.approx(-cost - unknown.bit_count() * math.log(2))


def test_a_set_with_look_alikes_weighs_as_much_as_all_of_them() -> None:
    truth = frozenset(named(SMALL.circuit, "K12 switch dead"))
    ((_, weight),) = [
        item for item in Exact(SMALL.oracle).explanations(frames_of(truth), truth).sets
        if SMALL.sorter.sort(item[0]) == SMALL.sorter.sort(truth)
        and {f.kind for f in item[0]} & {"open-joint", "dead-switch", "open-diode"}
    ]  # fmt: skip
    at_the_key = [
        f for f in SMALL.faults
        if f.kind in ("open-joint", "dead-switch", "open-diode") and f.at[0].startswith("K12 ")
    ]  # fmt: skip
    odds = sum(math.exp(-SMALL.oracle.cost[f]) for f in at_the_key)
    assert len(at_the_key) == 5 and weight == pytest.approx(math.log(odds))


# --- builder ---


def test_the_builder_presses_measures_and_mends() -> None:
    dead, turned = named(SMALL.circuit, "K12 switch dead", "K23 diode reversed")
    builder = Builder(SMALL.circuit, frozenset((dead, turned)), Random(1), NO_SLIPS)
    engine = Diagnostician(SMALL.circuit)
    seen = builder.course(engine)
    as_it_is = {o.held: o.reading for o in builder.as_it_is()}
    assert all(as_it_is[o.held] == o.reading for o in seen if o.held)
    assert {o.held for o in seen} == as_it_is.keys()
    assert builder.measure("K12.0 to K12.1 holding K12").result == "open"
    assert builder.repair([dead, Fault("dead-switch", ("K13 switch",))]) == {dead}
    assert builder.measure("K12.0 to K12.1 holding K12").result == "closed"
    assert builder.faults == {turned}


def test_hands_that_always_slip_press_what_there_is_to_press() -> None:
    slips = Slips(wrong=1.0, double=1.0)
    builder = Builder(SMALL.circuit, frozenset(), Random(1), slips)
    seen = builder.course(Diagnostician(SMALL.circuit), ("K12",))
    assert {o.held for o in seen} <= {(), ("K12",)} and builder.presses >= 2


def test_rounds_end_with_a_half_that_passes() -> None:
    faults = frozenset(named(SMALL.circuit, "K12 switch dead", "K21 node bridged to K22 node"))
    played = {way: play(SMALL, "smoke", faults, way) for way in ("one by one", "meter")}
    for game in played.values():
        assert game.passed and not game.left, game
        assert game.by_chords == 1  # that bridge shows while both keys are held, and only then
    assert played["meter"].extra == 0 < played["one by one"].extra
    assert played["meter"].measured > 0


# --- tables ---


def test_claims_by_tenths() -> None:
    made = [Claim(0.95, True)] * 19 + [Claim(0.95, False)] + [Claim(0.31, True), Claim(1.0, True)]
    low, high = table(made)
    assert (low.low, low.count, low.actual) == (0.3, 1, 1.0) and low.says == "too few to say"
    assert high.count == 21 and high.actual == pytest.approx(20 / 21) and high.says == "met"
    (off,) = table([Claim(0.55, n % 4 == 0) for n in range(2000)])
    assert off.says == "missed" and off.error == pytest.approx(math.sqrt(0.55 * 0.45 / 2000))


def test_scores_of_known_claims() -> None:
    half = ClaimsOfAHalf("", (), [], [Claim(0.8, True), Claim(0.4, False)], 0, ())
    brier, loss = scores([half])
    assert brier == pytest.approx((0.04 + 0.16) / 2)
    assert loss == pytest.approx(-(math.log(0.8) + math.log(0.6)) / 2)


def test_upper_limits_of_shares() -> None:
    """Wilson's interval: 0 of 10 is 0 to 27.8 % (worked example, from memory)."""
    assert at_most(0, 10) == pytest.approx(0.2775, abs=5e-4)
    assert at_most(10, 10) == pytest.approx(1.0)


# --- halves and command ---


def test_halves_for_tuning_are_not_those_for_reporting() -> None:
    reporting, tuning = for_reporting(), for_tuning()
    assert len(large().keys) == 128
    keys = {name: len(circuit.keys) for name, circuit in reporting.items()}
    assert keys["Bramblewick left"] == 41 and keys["Bramblewick right"] == 43
    assert {c.board.cathode_at for c in reporting.values()} == {"row", "column"}
    pins = [{(c.board.name, c.pins, c.keys) for c in lot.values()} for lot in (reporting, tuning)]
    assert pins[0].isdisjoint(pins[1])
    branched = irregular([6, 7, 5, 7, 4, 6], "through", "chain").board
    assert any(isinstance(step, list) for line in branched.column.values() for step in line.path)


def test_the_command_prints_its_tables_and_writes_its_figures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    to = tmp_path / "figures.json"
    only = [word for part in ("alarms", "claims") for word in ("--only", part)]
    assert main(["--tune", "--cases", "1", *only, "--json", str(to)]) == 0
    printed = capsys.readouterr().out
    assert "4. False alarms" in printed and "5. Claims and facts" in printed
    figures = json.loads(to.read_text("utf-8"))
    assert figures["alarms"]["bounce"]["sweeps"] == 10
    assert figures["claims"]["by hand"]["halves"] == 5


def test_the_same_name_draws_the_same_case() -> None:
    one, two = (SMALL.drawn(Random("case"), 3) for _ in range(2))
    assert one == two and len(set(map(describe, one))) == 3
