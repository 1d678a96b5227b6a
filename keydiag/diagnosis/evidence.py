"""What was observed, in the form the search works on: frames, and how well a prediction fits one.

Here: the noise model.  Not here: where observations come from (`observe`), or what could explain
them (`search`).

The fit of a predicted frame is a log likelihood relative to a perfect fit (exactly 0):

    ln[ ((1 - d) * (e / (1 - e))^m * (1/2)^u + d * s) / ((1 - d) + d * s) ]

m: settled bits that differ; e: FLIP; u: bits the prediction leaves open (either value equally
likely, so what was read there is no evidence); d: the doubt that the keys said to be held were the
ones held; s: the likelihood of the reading if they were not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from keydiag.circuit import Circuit
from keydiag.faults import Predictor, pack, unpack
from keydiag.observe import Observation

# Probability that one bit of a settled reading is wrong.  A settled reading is the majority over
# tens of samples, so this stands for what the model leaves out (crosstalk, a marginal level), not
# for noise on one sample.  Assumed; no published source.
FLIP = 1e-5
LOG_FLIP = math.log(FLIP / (1 - FLIP))
LOG_HALF = math.log(0.5)

# When the keys held were not the ones named: nothing was pressed at all, or another single key.
SLIP_NOTHING = 0.4
SLIP_OTHER = 0.5
SLIP_FLOOR = 1e-6  # anything else, e.g. two other keys at once

# Even a press that the sweep is sure of can be another key: the builder looks at the half, not at
# the screen.  Common practice, no source.
DOUBT_PRESS = 1e-3

# Doubt left in a label however often it was confirmed.
DOUBT_FLOOR = 1e-6


@dataclass(frozen=True, slots=True)
class Frame:
    """One settled reading with these keys held.

    seen: the reading, packed.  doubt: probability that other keys (or none) were held.  slip: the
    likelihood of the reading in that case.  presses: observations merged into this frame.
    """

    held: frozenset[str]
    seen: int
    doubt: float
    slip: float
    presses: int = 1

    def fit(self, mismatch: int, unknown: int = 0) -> float:
        """Log likelihood of the frame for a prediction with so many wrong and open bits."""
        if not mismatch and not unknown:
            return 0.0
        return _fit(mismatch, unknown, self.doubt, self.slip)

    def slip_share(self, mismatch: int, unknown: int = 0) -> float:
        """Probability, given this prediction, that the label is wrong rather than the reading."""
        right = (1 - self.doubt) * math.exp(mismatch * LOG_FLIP + unknown * LOG_HALF)
        wrong = self.doubt * self.slip
        return wrong / (right + wrong) if wrong else 0.0


@lru_cache(maxsize=4096)
def _fit(mismatch: int, unknown: int, doubt: float, slip: float) -> float:
    value = mismatch * LOG_FLIP + unknown * LOG_HALF
    if not doubt:
        return value
    right, wrong = 1 - doubt, doubt * slip
    return math.log((right * math.exp(value) + wrong) / (right + wrong))


@dataclass(frozen=True, slots=True)
class Evidence:
    """All frames of one diagnosis, the rest frame first if there is one.

    fickle: keys that answered differently on two presses.  with_key, on_pin: for each key held
    anywhere, and for each pin, the mask of the frames (bit n = frame n) with this key, and with
    keys on this pin's line.
    """

    frames: tuple[Frame, ...]
    fickle: tuple[str, ...] = ()
    with_key: Mapping[str, int] = field(default_factory=dict, compare=False, repr=False)
    on_pin: tuple[int, ...] = field(default=(), compare=False, repr=False)

    def with_any_of(self, keys: Iterable[str]) -> int:
        """Mask of the frames in which any of these keys is held."""
        mask = 0
        for key in keys:
            mask |= self.with_key.get(key, 0)
        return mask

    def on_lines(self, pins: int) -> int:
        """Mask of the frames in which keys are held that stand on the lines of these pins."""
        mask = 0
        for pin, frames in enumerate(self.on_pin):
            if pins >> pin & 1:
                mask |= frames
        return mask

    @property
    def pressed(self) -> frozenset[str]:
        """Keys that were held alone at least once."""
        return frozenset(k for f in self.frames if len(f.held) == 1 for k in f.held)


def gather(circuit: Circuit, predictor: Predictor, observations: Sequence[Observation]) -> Evidence:
    """Merge observations into frames: the same keys with the same reading confirm each other (their
    doubts multiply); the same keys with another reading replace what was seen before.

    Such a key is fickle, unless what it showed before is just what another key shows, and what it
    shows now was confirmed: then the other key was pressed by mistake.
    """
    merged: dict[frozenset[str], tuple[int, float, int]] = {}
    replaced: dict[str, set[int]] = {}
    for observation in observations:
        held = frozenset(observation.held)
        seen = pack(observation.reading)
        doubt = _doubt(observation) if held else 0.0
        before = merged.get(held)
        if before is None:
            merged[held] = (seen, doubt, 1)
        elif before[0] == seen:
            merged[held] = (seen, max(DOUBT_FLOOR, before[1] * doubt), before[2] + 1)
        else:
            # A doubtful earlier label explains the difference better than a loose joint does.
            if len(held) == 1 and before[1] < 0.01:
                replaced.setdefault(next(iter(held)), set()).add(before[0])
            merged[held] = (seen, doubt, 1)
    rest = merged.get(frozenset())
    others = _readings_of_others(circuit, predictor)
    base = rest[0] if rest is not None else 0
    fickle = tuple(
        key
        for key, readings in replaced.items()
        if merged[frozenset((key,))][2] < 2
        or not all(_share_of_others(others, (key,), seen, base) for seen in readings)
    )
    frames = []
    for held, (seen, doubt, presses) in sorted(
        merged.items(), key=lambda item: (len(item[0]), sorted(map(circuit.keys.index, item[0])))
    ):
        slip = 0.0
        if doubt:
            slip = SLIP_FLOOR
            if rest is not None and seen == rest[0]:
                slip += SLIP_NOTHING
            slip += SLIP_OTHER * _share_of_others(others, held, seen, base)
        frames.append(Frame(held, seen, doubt, slip, presses))
    with_key: dict[str, int] = {}
    on_pin = [0] * len(circuit.pins)
    for number, frame in enumerate(frames):
        for key in frame.held:
            with_key[key] = with_key.get(key, 0) | 1 << number
            for pin in circuit.crossing[key]:
                on_pin[pin] |= 1 << number
    return Evidence(tuple(frames), fickle, with_key, tuple(on_pin))


def stopped_by_rail(circuit: Circuit, evidence: Evidence) -> bool:
    """True if at rest a line is at ground or cannot be pulled down, and nothing was pressed since:
    nothing will be before that is mended."""
    if len(evidence.frames) != 1 or evidence.frames[0].held:
        return False
    return unpack(evidence.frames[0].seen, len(circuit.pins)).at_rail


def _doubt(observation: Observation) -> float:
    return min(0.95, max(DOUBT_PRESS, 1.0 - observation.confidence))


def _readings_of_others(circuit: Circuit, predictor: Predictor) -> dict[str, int]:
    return {k: predictor.packed(frozenset(), frozenset((k,))).bits for k in circuit.keys}


def _share_of_others(others: dict[str, int], held: Iterable[str], seen: int, rest: int) -> float:
    """Share of the other keys whose healthy reading (on top of the rest reading) was seen."""
    held = set(held)
    hits = sum(bits | rest == seen for key, bits in others.items() if key not in held)
    return hits / len(others)
