"""Which faults a half can have: the list is complete, stable, and near is a part of any."""

import math
import subprocess
import sys

import pytest
from fault_boards import BRAMBLEWICK, SMALL, small

from keydiag.chips import chips
from keydiag.circuit import Circuit
from keydiag.faults import KINDS, Fault, enumerate_faults, keys_that_show, meeting_places, near_keys

BOARDS = [*SMALL.values(), *BRAMBLEWICK.values()]


def count(faults: list[Fault]) -> dict[str, int]:
    return {kind: sum(f.kind == kind for f in faults) for kind in KINDS}


def test_the_small_half_counted_by_hand():
    """6 keys; 5 lines, so 10 pairs of leads; 7 stretches; 15 pairs of keys, all but K11-K13,
    K21-K23, K11-K23 and K13-K21 near.  A joint may be on any other line of its sort that has a key
    near: the row joint on the other row (6); the column joint of the middle keys on either other
    column, of the outer keys on C2 only (2 x 2 + 4).  Bridges: 9 pairs of lines, all but
    C1-C3; 11 pairs of near nodes; and each node to the lines it is not on but a near key is: 2 for
    an outer key (the other row, C2), 3 for a middle one (the other row, C1, C3)."""
    circuit = Circuit(small())
    assert count(enumerate_faults(circuit)) == {
        "open-joint": 18, "dead-switch": 6, "open-diode": 6, "reversed-diode": 6,
        "shorted-diode": 6, "stuck-switch": 6, "broken-stretch": 7, "open-lead": 5,
        "bridge": 9 + 11 + 4 * 2 + 2 * 3, "line-to-ground": 5, "line-to-supply": 5,
        "swapped-leads": 10, "misplaced-lead": 5, "miswired-key": 6 + 8, "swapped-keys": 11,
        "wrong-cathode-at": 1, "dead-pin": 5, "resistive-joint": 0,
    }  # fmt: skip
    # Anywhere: 15 pairs of nodes and of keys, each node to 3 foreign lines, each joint to 1 + 2.
    anywhere = count(enumerate_faults(circuit, "any"))
    assert anywhere["bridge"] == 10 + 15 + 6 * 3
    assert anywhere["swapped-keys"] == 15
    assert anywhere["miswired-key"] == 6 * 3


@pytest.mark.parametrize("board", BOARDS)
def test_near_is_a_part_of_any_and_nothing_comes_twice(board):
    circuit = Circuit(board)
    near, anywhere = enumerate_faults(circuit), enumerate_faults(circuit, "any")
    assert len(set(near)) == len(near)
    assert len(set(anywhere)) == len(anywhere)
    assert set(near) < set(anywhere) or set(near) == set(anywhere)
    # In the same order, too: what is near comes in the order it has among all.
    assert near == [fault for fault in anywhere if fault in set(near)]


@pytest.mark.parametrize("reach", ["near", "any"])
@pytest.mark.parametrize("board", BOARDS)
def test_the_order_is_the_same_every_time(board, reach):
    assert enumerate_faults(Circuit(board), reach) == enumerate_faults(Circuit(board), reach)


def test_the_order_does_not_hang_on_the_process():
    """Sets of strings are ordered differently in every process; the list must not be."""
    program = (
        "from keydiag.board import example; from keydiag.circuit import Circuit;"
        "from keydiag.faults import enumerate_faults; import zlib;"
        "faults = enumerate_faults(Circuit(example('bramblewick-left')), 'any');"
        "print(zlib.crc32(repr(faults).encode()))"
    )
    seen = {
        subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=True,
            env={"PYTHONHASHSEED": number, "PYTHONPATH": ":".join(sys.path)},
        ).stdout
        for number in ("1", "2")
    }  # fmt: skip
    assert len(seen) == 1


def test_watched_pins_are_where_leads_may_be():
    watched = enumerate_faults(Circuit(small(), ("PB0", "PB1")))
    at = {fault.at for fault in watched if fault.kind == "misplaced-lead"}
    assert {pin for _, pin in at} == {"pin PB0", "pin PB1"}
    assert len(at) == 5 * 2
    # Nobody watches: all free pins look alike, so one free pin stands for them.
    alone = {f.at for f in enumerate_faults(Circuit(small())) if f.kind == "misplaced-lead"}
    assert len(alone) == 5
    (pin,) = {pin.removeprefix("pin ") for _, pin in alone}
    assert pin in chips()["atmega32u4"].ports
    assert pin not in Circuit(small()).pins


def test_an_unknown_reach_is_refused():
    with pytest.raises(ValueError, match="'near' or 'any'"):
        enumerate_faults(Circuit(small()), "far")


@pytest.mark.parametrize("board", BOARDS)
def test_nearness_is_mutual_and_by_distance(board):
    """Straight neighbours at the pitch of 19.05 mm and diagonal ones at 26.94 mm (pitch: common
    practice) are near; two keys apart is not."""
    near = near_keys(Circuit(board))
    for one, others in near.items():
        assert one not in others
        for other in near:
            apart = math.dist(board.key[one].at, board.key[other].at)
            assert (other in others) == (one in near[other])
            if other != one and apart <= 19.05 * math.sqrt(2) + 0.01:
                assert other in others
            if apart >= 2 * 19.05 - 0.01:
                assert other not in others


def test_where_to_look_for_a_bridge():
    circuit = Circuit(small())
    near = near_keys(circuit)
    assert meeting_places(circuit, ("row R1", "column C3"), near) == ("K13",)
    # R1 and R2 share no key: straight neighbours come before diagonal ones.
    places = meeting_places(circuit, ("row R1", "row R2"), near)
    assert set(places[:3]) == {"K11/K21", "K12/K22", "K13/K23"}
    assert set(places[3:]) == {"K11/K22", "K12/K21", "K12/K23", "K13/K22"}
    assert meeting_places(circuit, ("K11 node", "K12 node"), near) == ("K11/K12",)


def test_which_keys_show_a_fault():
    circuit = Circuit(small())
    shows = {
        Fault("reversed-diode", ("K12 diode",)): {"K12"},
        Fault("broken-stretch", ("row R1 between K11 and K12",)): {"K12", "K13"},
        Fault("swapped-keys", ("K11", "K12")): {"K11", "K12"},
        Fault("wrong-cathode-at", ()): set(circuit.keys),
        Fault("resistive-joint", ("row R1 lead",)): set(),
        Fault("stuck-switch", ("K12 switch",)): None,
        Fault("bridge", ("row R1", "row R2")): None,
        Fault("line-to-ground", ("row R1",)): None,
    }
    assert {fault: keys_that_show(circuit, fault) for fault in shows} == shows


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_every_kind_says_what_to_do(kind):
    assert kind.name in KINDS
    assert kind.what
    assert kind.confirm
    assert kind.per
    words = kind.repair.format("PLACE ONE", "PLACE TWO")
    assert words.endswith(".")
    assert words[0].isupper()
    if kind.name in ("line-to-ground", "line-to-supply"):
        assert words.startswith("Unplug first")
