"""After a repair: what to press, and what it shows."""

from __future__ import annotations

from keydiag.circuit import Circuit
from keydiag.diagnosis.repair import outcome, retest, retest_keys
from keydiag.faults import Fault, Predictor, describe, enumerate_faults
from tests.diagnosis.halves import bramblewick, named

CIRCUIT = Circuit(bramblewick())
PREDICTOR = Predictor(CIRCUIT)


def readings(faults: list, keys: tuple[str, ...]) -> list:
    held = [frozenset((key,)) for key in keys]
    return [(keys, PREDICTOR.packed(frozenset(faults), keys).bits) for keys in held]


def test_the_presses_that_tell_are_those_that_differ() -> None:
    broken, reversed_ = named(CIRCUIT, "row R2 broken between L25 and L24", "L23 diode reversed")
    presses = retest(PREDICTOR, frozenset((broken, reversed_)), [broken])
    assert set(presses.confirm) == {"L24", "L23", "L22", "L21"}
    assert not presses.at_rest
    assert "L25" in presses.harm  # the iron was there


def test_repaired_not_repaired_or_harmed() -> None:
    (dead,) = named(CIRCUIT, "L23 switch-column joint open")
    new = named(CIRCUIT, "L23 diode reversed") + named(CIRCUIT, "L22 switch-column joint open")
    keys = retest(PREDICTOR, frozenset((dead,)), [dead])
    both = keys.confirm + keys.harm

    def told(now: list) -> str:
        return outcome(PREDICTOR, frozenset((dead,)), [dead], readings(now, both))

    assert told([]) == "repaired"
    assert told([dead]) == "not repaired"
    assert told(new) == "harmed"
    assert told([dead, new[1]]) == "harmed"
    assert outcome(PREDICTOR, frozenset((dead,)), [dead], []) == "open"


def test_a_bridge_is_told_at_rest() -> None:
    (bridge,) = named(CIRCUIT, "row R1 bridged to row R2")
    assert retest(PREDICTOR, frozenset((bridge,)), [bridge]).at_rest


def test_a_press_that_is_not_made_anew_still_says_what_it_said() -> None:
    """Every fault of the half, repaired: what a key that is left alone read stays true, but for
    what rest shows too; what was left to chance must not stand as evidence either."""
    for fault in enumerate_faults(CIRCUIT):
        alone = frozenset((fault,))
        again = retest_keys(PREDICTOR, alone, alone)

        def change(held: frozenset[str], alone: frozenset[Fault] = alone) -> tuple[int, int]:
            before, after = PREDICTOR.packed(alone, held), PREDICTOR.packed(frozenset(), held)
            return before.bits ^ after.bits, before.unknown ^ after.unknown

        at_rest = change(frozenset())
        for key in CIRCUIT.keys:
            if key not in again:
                assert change(frozenset((key,))) == at_rest, (describe(fault), key)
