"""What the search asks: how a fault set fits each frame, in which frames a fault can show, which
faults may bring a frame nearer to what was seen, and how much may be asked (the budget).

Not here: the search itself (`search`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from keydiag.diagnosis.candidates import ADDS, TAKES, Candidates, pins_of
from keydiag.diagnosis.evidence import Evidence, Frame
from keydiag.faults import Fault, Packed, Predictor
from keydiag.faults.kinds import OPEN_IN_KEY, key_of
from keydiag.faults.predict import CONNECTORS, NO_KEYS, FaultSet
from keydiag.faults.priors import Priors

NO_FAULTS: FaultSet = frozenset()

# Kinds after which the open places of a key are no longer alike.
INSIDE = frozenset((*OPEN_IN_KEY, "bridge", "stuck-switch", "shorted-diode"))

# What every symptom group may look at in any case: enough for a key with one fault of its own.
LEAST_TRIED_AT_ONCE = 400


@dataclass(frozen=True, slots=True)
class Effort:
    """How far a diagnosis looks.

    slack: hypotheses this much less probable (natural log) than the best are dropped.  tried,
    at_once: candidates looked at for one diagnosis, and for one symptom group; beyond, what was
    found so far is the answer.  patience: candidates looked at in vain, once there is a set that
    explains everything, before no more such sets are expected.  fair: explanations that have so
    much of the best one's weight are weighed together with other groups.
    """

    slack: float
    tried: int
    at_once: int
    patience: int
    fair: float


# Drops what has 5e-4 of the best one's weight; five ordinary faults take a few thousand candidates.
THOROUGH = Effort(slack=7.6, tried=30_000, at_once=10_000, patience=1_500, fair=0.05)
# While presses come: 7e-3 of the weight, and no longer than hands take for the next key.
QUICK = Effort(slack=5.0, tried=6_000, at_once=2_000, patience=300, fair=0.3)


@dataclass(slots=True)
class Budget:
    """Candidates that may still be looked at.  Counted, not timed, so that the same evidence gives
    the same answer on any machine; what is remembered of earlier answers does not count either."""

    left: int = THOROUGH.tried
    effort: Effort = THOROUGH

    @property
    def spent(self) -> bool:
        return self.left <= 0

    def share(self) -> Budget:
        """What one search may use of it; give back what is left with `settle`."""
        return Budget(self._share(), self.effort)

    def settle(self, share: Budget) -> None:
        self.left = max(0, self.left - self._share() + share.left)

    def _share(self) -> int:
        return max(LEAST_TRIED_AT_ONCE, min(self.left, self.effort.at_once))


@dataclass(slots=True)
class Space:
    """Everything the search asks: frames, masks of the bits that count, faults and their priors."""

    evidence: Evidence
    predictor: Predictor
    priors: Priors
    candidates: Candidates
    care: Sequence[int]  # per frame: the packed bits that belong to this search
    context: FaultSet = NO_FAULTS  # faults taken for granted, part of every prediction
    budget: Budget = field(default_factory=Budget)
    _fits: dict[FaultSet, dict[int, tuple[int, float]]] = field(default_factory=dict)
    _showing: dict[tuple[Fault, FaultSet], int] = field(default_factory=dict)
    _spoiling: dict[Fault, int] = field(default_factory=dict)

    @property
    def frames(self) -> tuple[Frame, ...]:
        return self.evidence.frames

    def fit(self, number: int, faults: FaultSet) -> tuple[int, float]:
        """(wrong bits, log likelihood) of frame `number` under a fault set."""
        fits = self._fits.get(faults)
        if fits is None:
            fits = self._fits[faults] = {}
        known = fits.get(number)
        if known is None:
            frame, care = self.frames[number], self.care[number]
            bits, unknown = self.predicted(number, faults)
            wrong = ((bits ^ frame.seen) & care & ~unknown).bit_count()
            if unknown:
                unknown &= ~self.open_anyway(number, faults)
            known = fits[number] = (wrong, frame.fit(wrong, (unknown & care).bit_count()))
        return known

    def open_anyway(self, number: int, faults: FaultSet) -> int:
        """Bits whose being unknown is not held against these faults in this frame: the context
        leaves them open too, or they are open at rest, and what is open at rest is one question,
        however many frames ask it."""
        anyway = 0
        if self.context:
            anyway = self.predicted(number, NO_FAULTS).unknown
        if self.frames[number].held:
            anyway |= self.predictor.packed(faults | self.context, NO_KEYS).unknown
        return anyway

    def predicted(self, number: int, faults: FaultSet) -> Packed:
        """What the frame reads under a fault set."""
        if self.context:
            faults = faults | self.context
        return self.predictor.packed(faults, self.frames[number].held)

    def deviating(self, number: int, faults: FaultSet) -> int:
        """Packed mask of the frame's wrong bits under a fault set."""
        bits, unknown = self.predicted(number, faults)
        return (bits ^ self.frames[number].seen) & ~unknown & self.care[number]

    def showing(self, fault: Fault, faults: FaultSet) -> int:
        """Mask of the frames (bit n = frame n) that this fault can change when added to these.

        Sound: in any other frame the fault's lines are not connected to the keys held, and what it
        does at rest it does not change.
        """
        if CONNECTORS.isdisjoint([f.kind for f in faults]):
            faults = NO_FAULTS  # none of them leads the fault's marks elsewhere
        known = self._showing.get((fault, faults))
        if known is None:
            known = self._work_out_showing(fault, faults | self.context)
            self._showing[fault, faults] = known
        return known

    def _work_out_showing(self, fault: Fault, others: FaultSet) -> int:
        facts = self.predictor.facts
        shows, _, lines = facts(fault)
        if shows is not None:
            for _ in others:  # exchanges add up: three keys in a ring are two of them
                for other in others:
                    if other.kind == "swapped-keys" and not shows.isdisjoint(other.at):
                        shows = shows.union(other.at)
            if not any(facts(other)[1] & shows for other in others):
                return self.evidence.with_any_of(shows)
        packed = self.predictor.packed
        if packed(others | {fault}, NO_KEYS) != packed(others, NO_KEYS):
            return (1 << len(self.frames)) - 1
        return self.evidence.on_lines(self.predictor.joined(lines, others))

    def spoils_rest(self, fault: Fault) -> int:
        """Mask of the pins whose lines the fault is joined to, if it alone makes the rest frame
        worse, else 0.  With other faults it does the same if they are not on these lines."""
        known = self._spoiling.get(fault)
        if known is None:
            worse = self.fit(0, frozenset((fault,)))[0] > self.fit(0, NO_FAULTS)[0]
            known = self.lines_with((fault,)) if worse else 0
            self._spoiling[fault] = known
        return known

    def lines_of_bits(self, mask: Sequence[int]) -> int:
        """Mask of the pins that these bits (packed, by frame) belong to, of the lines of the keys
        held in these frames, and of those joined to them by the faults taken for granted."""
        lines = 0
        for frame, bits in zip(self.frames, mask, strict=True):
            if bits:
                lines |= self.predictor.lines_of(frame.held)
                for pin in pins_of(bits, len(self.predictor.circuit.pins)):
                    lines |= 1 << pin
        return self.predictor.joined(lines, self.context)

    def lines_with(self, faults: Iterable[Fault]) -> int:
        """Mask of the pins whose lines these faults are on, and those joined to them by the faults
        taken for granted."""
        return self.predictor.joined(self.predictor.lines_of_faults(faults), self.context)

    def lines_met_by(self, number: int) -> int:
        """Mask of the pins whose lines the keys of this frame stand on, and those joined to them by
        the faults taken for granted."""
        lines = self.predictor.lines_of(self.frames[number].held)
        return self.predictor.joined(lines, self.context)

    def weight(self, fault: Fault) -> float:
        """Log odds of a fault in the search: one open place of a key stands for all of them."""
        known = self.candidates.weight.get(fault)
        if known is None:
            known = self.candidates.weight[fault] = self.priors.log_odds(fault)
        return known

    def prior(self, faults: FaultSet) -> float:
        """Log prior odds of a fault set against no fault at all."""
        return sum(self.priors.log_odds(fault) for fault in faults)

    def likelihood(self, faults: FaultSet) -> float:
        """Log likelihood of all frames."""
        return sum(self.fit(number, faults)[1] for number in range(len(self.frames)))

    def score(self, faults: FaultSet) -> float:
        return self.prior(faults) + self.likelihood(faults)

    def active_keys(self, number: int, faults: FaultSet) -> set[str]:
        """Keys that conduct in this frame: held, stuck, bridged at the node, or exchanged."""
        keys = set(self.frames[number].held)
        for fault in faults | self.context:
            keys |= self.predictor.facts(fault)[1]
            if fault.kind == "swapped-keys" and not keys.isdisjoint(fault.at):
                keys |= set(fault.at)
        return keys


def ways_on(space: Space, number: int, faults: FaultSet) -> Iterator[Fault]:
    """Faults that may bring this frame's prediction nearer to what was seen, in catalogue order."""
    predicted = space.predicted(number, faults).bits
    deviating = space.deviating(number, faults)
    keys = space.active_keys(number, faults)
    present = faults | space.context
    useless = -1
    if not any(fault.kind == "line-to-supply" for fault in present):
        if not deviating & ~predicted:
            useless = ADDS  # nothing is seen that is not predicted
        elif not deviating & predicted:
            useless = TAKES  # nothing is predicted that is not seen
    special = special_keys(present)
    if deviating & ~predicted:
        # Something conducts that should not: an open place may be only half of what is wrong here,
        # and which one it is may matter.
        special |= space.frames[number].held
    for fault, does, of_key in space.candidates.touching(keys, deviating):
        if does == useless or of_key and of_key not in special or fault in present:
            continue  # useless, the same as another open place of its key, or there already
        yield fault


def special_keys(faults: FaultSet, opens: FaultSet = NO_FAULTS) -> set[str]:
    """Keys whose open places are no longer alike: something else is wrong inside them.  One open
    place of each key in `opens` does not count."""
    return {
        key_of(place)
        for fault in faults
        if fault.kind in INSIDE and not (fault in opens and fault.kind in OPEN_IN_KEY)
        for place in fault.at
        if not place.startswith(("row ", "column "))
    }


def bits_of(mask: int) -> list[int]:
    """Numbers of the bits that are set, lowest first."""
    out = []
    while mask:
        low = mask & -mask
        out.append(low.bit_length() - 1)
        mask ^= low
    return out
