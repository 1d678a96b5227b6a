"""Search for fault sets that explain deviating frames, by exact simulation of every set.

A fault set is grown frame by frame: take the frame that fits worst; every fault that does not make
this frame worse is a way on, and so is leaving the frame as it is (a slip of the hand, a flipped
bit).  Each set met on the way is a hypothesis with its exact score, log prior plus log likelihood.
A set's prior bounds the score of everything grown from it, so branches that cannot come near the
best are dropped (branch and bound), and the width per step is limited (beam).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from keydiag.diagnosis.candidates import OPEN_IN_KEY, Candidates
from keydiag.diagnosis.evidence import Evidence, Frame
from keydiag.faults import Fault, Packed, Predictor
from keydiag.faults.kinds import key_of
from keydiag.faults.predict import NO_KEYS, FaultSet
from keydiag.faults.priors import Priors

NO_FAULTS: FaultSet = frozenset()

# Kinds that let current pass between nets that are apart on the board.
CONNECTORS = frozenset(
    ("bridge", "stuck-switch", "swapped-leads", "misplaced-lead", "miswired-key", "swapped-keys",
     "line-to-ground", "line-to-supply")
)  # fmt: skip

# Kinds that only ever add conduction, and kinds that only ever take it away (a line tied to the
# supply can turn either into the other).
ADDING = frozenset(("bridge", "stuck-switch", "shorted-diode", "line-to-ground"))
TAKING = frozenset(
    ("open-joint", "dead-switch", "open-diode", "open-lead", "broken-stretch", "dead-pin",
     "line-to-supply")
)  # fmt: skip

# Kinds after which the open places of a key are no longer alike.
INSIDE = frozenset(
    ("bridge", "stuck-switch", "shorted-diode", "open-joint", "dead-switch", "open-diode")
)

# Hypotheses this much less probable (natural log) than the best are dropped: 5e-4 of its weight.
SLACK = 7.6
# Sets kept per step of the search; the best explanations of one symptom group are few.
WIDTH = 60
# Faults per symptom group; independent groups do not add up.
DEPTH = 8
# Frames that are given a price for the bound; the others are taken to cost nothing.
MOST_PRICED = 16
# Of the sets one stands for, those this close (natural log) to the most probable are always kept.
NEAR_TOP = 2.0
# Open keys in one set whose places are combined with each other; beyond, one key at a time.
MOST_COMBINED = 4
# Wrong bits among which a path the wrong way round is looked for.
MOST_TURNED = 8
# Candidates looked at for one diagnosis, and for one symptom group: five ordinary faults take a few
# thousand.  Beyond, what was found so far is the answer, and it is said to be cut short.
MOST_TRIED = 30_000
MOST_TRIED_AT_ONCE = 10_000
# What a group gets in any case: enough for a key with one fault of its own.
LEAST_TRIED_AT_ONCE = 400
# How much one added fault may lower the score on the way to a set whose members only fit together.
DIP = 9.0


@dataclass(slots=True)
class Budget:
    """Candidates that may still be looked at.  Counted, not timed, so that the same evidence gives
    the same answer on any machine; what is remembered of earlier answers does not count either."""

    left: int = MOST_TRIED

    @property
    def spent(self) -> bool:
        return self.left <= 0

    def share(self) -> Budget:
        """What one search may use of it; give back what is left with `settle`."""
        return Budget(self._share())

    def settle(self, share: Budget) -> None:
        self.left = max(0, self.left - self._share() + share.left)

    def _share(self) -> int:
        return max(LEAST_TRIED_AT_ONCE, min(self.left, MOST_TRIED_AT_ONCE))


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
    _fits: dict[tuple[int, FaultSet], tuple[int, float]] = field(default_factory=dict)
    _showing: dict[Fault, int] = field(default_factory=dict)
    _lines: list[int] = field(default_factory=list)

    @property
    def frames(self) -> tuple[Frame, ...]:
        return self.evidence.frames

    def fit(self, number: int, faults: FaultSet) -> tuple[int, float]:
        """(wrong bits, log likelihood) of frame `number` under a fault set."""
        known = self._fits.get((number, faults))
        if known is None:
            frame, care = self.frames[number], self.care[number]
            bits, unknown = self.predicted(number, faults)
            wrong = ((bits ^ frame.seen) & care & ~unknown).bit_count()
            if unknown:
                unknown &= ~self.open_anyway(number, faults)
            doubt = (unknown & care).bit_count()
            known = self._fits[number, faults] = (wrong, frame.fit(wrong, doubt))
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
        return self.predictor.packed(faults | self.context, self.frames[number].held)

    def deviating(self, number: int, faults: FaultSet) -> int:
        """Packed mask of the frame's wrong bits under a fault set."""
        bits, unknown = self.predicted(number, faults)
        return (bits ^ self.frames[number].seen) & ~unknown & self.care[number]

    def showing(self, fault: Fault, faults: FaultSet) -> int:
        """Mask of the frames (bit n = frame n) that this fault can change when added to these.

        Sound: in any other frame the fault's lines are not connected to the keys held, and what it
        does at rest it does not change.
        """
        if not CONNECTORS.isdisjoint(f.kind for f in faults):
            return self._work_out_showing(fault, faults | self.context)
        known = self._showing.get(fault)
        if known is None:
            known = self._showing[fault] = self._work_out_showing(fault, self.context)
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
                held = [frame.held for frame in self.frames]
                return sum(1 << n for n, keys in enumerate(held) if not shows.isdisjoint(keys))
        packed = self.predictor.packed
        if packed(others | {fault}, NO_KEYS) != packed(others, NO_KEYS):
            return (1 << len(self.frames)) - 1
        connectors = [facts(o)[2] for o in others if o.kind in CONNECTORS]
        grown = True
        while grown:
            grown = False
            for more in connectors:
                if more & lines and more & ~lines:
                    lines |= more
                    grown = True
        return sum(1 << n for n, mask in enumerate(self.frame_lines()) if mask & lines)

    def frame_lines(self) -> list[int]:
        """Per frame, the mask of the pins whose lines the keys held stand on."""
        if not self._lines:
            self._lines.extend(self.predictor.lines_of(frame.held) for frame in self.frames)
        return self._lines

    def weight(self, fault: Fault) -> float:
        """Log odds of a fault in the search: one open place of a key stands for all of them."""
        return self.candidates.weight.get(fault) or self.priors.log_odds(fault)

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
    useless: frozenset[str] = frozenset()
    if not any(fault.kind == "line-to-supply" for fault in present):
        if not deviating & ~predicted:
            useless = ADDING  # nothing is seen that is not predicted
        elif not deviating & predicted:
            useless = TAKING  # nothing is predicted that is not seen
    special = _special_keys(present)
    if deviating & ~predicted:
        # Something conducts that should not: an open place may be only half of what is wrong here,
        # and which one it is may matter.
        special |= space.frames[number].held
    stands_for = space.candidates.stands_for
    for fault in space.candidates.touching(keys, deviating):
        if fault.kind in useless or fault in present:
            continue
        if stands_for.get(fault, fault) != fault and key_of(fault.at[0]) not in special:
            continue  # the same as another open place of this key
        yield fault


def _special_keys(faults: FaultSet, opens: FaultSet = NO_FAULTS) -> set[str]:
    """Keys whose open places are no longer alike: something else is wrong inside them.  One open
    place of each key in `opens` does not count."""
    return {
        key_of(place)
        for fault in faults
        if fault.kind in INSIDE and not (fault in opens and fault.kind in OPEN_IN_KEY)
        for place in fault.at
        if not place.startswith(("row ", "column "))
    }


def _with_look_alikes(space: Space, node: _Node, floor: float) -> list[_Node]:
    """The sets this one stands for: itself and those with other open places of the same keys, each
    with its own prior, down to the score `floor`; the most probable of them in any case."""
    alike, log_odds = space.candidates.alike, space.priors.log_odds
    stand_ins = sorted((f for f in node.faults if f in alike), key=space.candidates.order)
    if not stand_ins:
        return [node]
    choices = [[fault, *alike[fault]] for fault in stand_ins]
    most = sum(max(map(log_odds, places)) for places in choices)
    asked = sum(map(space.weight, stand_ins))
    floor = min(floor, node.score + most - asked - NEAR_TOP)
    if len(stand_ins) > MOST_COMBINED:
        # One at a time: the sum over all combinations would say the same about each key.
        first = [places[0] for places in choices]
        combined = [first] + [
            [*first[:n], other, *first[n + 1 :]]
            for n, places in enumerate(choices)
            for other in places[1:]
        ]
    else:
        combined = [[]]
        for places in choices:
            combined = [[*chosen, place] for chosen in combined for place in places]
    rest = node.faults.difference(stand_ins)
    special = _special_keys(node.faults.union(space.context), node.faults)
    same = special.isdisjoint(key_of(fault.at[0]) for fault in stand_ins)
    out = []
    for chosen in combined:
        prior = node.prior - asked + sum(map(log_odds, chosen))
        score = node.score - node.prior + prior
        if score < floor:
            continue
        faults = rest.union(chosen)
        fits = node.fits
        if not same:
            fits = tuple(space.fit(number, faults) for number in range(len(fits)))
            score = prior + sum(fit[1] for fit in fits)
        out.append(_Node(faults, node.left, prior, score, fits))
    return out


class Found(NamedTuple):
    """A fault set met by the search: log prior + log likelihood, the likelihood alone, and the bits
    it leaves unexplained, as (frame, packed mask)."""

    score: float
    likelihood: float
    leaves: tuple[tuple[int, int], ...]


@dataclass(slots=True)
class _Node:
    faults: FaultSet
    left: frozenset[int]  # frames left as they are
    prior: float
    score: float
    fits: tuple[tuple[int, float], ...]
    partial: bool = False  # only the rest frame was looked at: it deviates still


def explain(
    space: Space, hint: FaultSet = NO_FAULTS, width: int = WIDTH, depth: int = DEPTH
) -> dict[FaultSet, Found]:
    """Fault sets that explain the frames, best first, none below the best by more than SLACK.

    hint: a set likely to be good; it only saves work.  The empty set is always judged: its score is
    that of slips and flipped bits alone.
    """
    start = _node(space, NO_FAULTS)
    prices = _prices(space, start)
    found: dict[FaultSet, _Node] = {NO_FAULTS: start}
    frontier = [start]
    if hint:
        guess = _node(space, hint)
        found[hint] = guess
        frontier.append(guess)
    best = max(node.score for node in frontier)
    best = max(best, _dive(space, prices, max(frontier, key=lambda n: n.score), best))
    met: set[tuple[FaultSet, frozenset[int]]] = set()
    for _ in range(3 * depth):
        following: list[_Node] = []
        for node in frontier:
            for child in _children(space, prices, node, best - SLACK):
                if (child.faults, child.left) in met or len(child.faults) > depth:
                    continue
                met.add((child.faults, child.left))
                if not child.partial:
                    found[child.faults] = child
                    best = max(best, child.score)
                following.append(child)
        # A set's prior, with what it leaves unexplained for good, bounds all that grows from it.
        following = [n for n in following if _bound(space, prices, n) > best - SLACK]
        following.sort(
            key=lambda n: (-round(n.score, 6), len(n.faults), _sorted_order(space, n.faults))
        )
        frontier = following[:width]
        if not frontier:
            break
    kept = [start]
    for node in found.values():
        if node.faults and node.score > best - SLACK and not _redundant(space, node.faults):
            kept += _with_look_alikes(space, node, best - SLACK)
    out = [(node.faults, _as_found(space, node)) for node in kept]
    out.sort(key=lambda item: (-item[1].score, len(item[0]), _sorted_order(space, item[0])))
    return dict(out)


def _dive(space: Space, prices: dict[int, float], node: _Node, best: float) -> float:
    """The score reached by taking the best next fault again and again: a floor for the search."""
    while True:
        children = [c for c in _children(space, prices, node, best - SLACK) if not c.partial]
        if not children:
            return best
        node = max(children, key=lambda n: (round(n.score, 6), _sorted_order(space, n.faults)))
        best = max(best, node.score)


def _as_found(space: Space, node: _Node) -> Found:
    # Exactly rounded sums: the same whichever way the search came here.
    likelihood = math.fsum(fit[1] for fit in node.fits)
    score = math.fsum((likelihood, *map(space.priors.log_odds, node.faults)))
    leaves = tuple(
        (number, space.deviating(number, node.faults))
        for number, (wrong, _) in enumerate(node.fits)
        if wrong
    )
    return Found(score, likelihood, leaves)


def _node(space: Space, faults: FaultSet) -> _Node:
    fits = tuple(space.fit(number, faults) for number in range(len(space.frames)))
    prior = sum(map(space.weight, sorted(faults, key=space.candidates.order)))
    return _Node(faults, frozenset(), prior, prior + sum(fit[1] for fit in fits), fits)


def _prices(space: Space, start: _Node) -> dict[int, float]:
    """What mending a frame costs at least, in log odds: a fault's log odds shared out evenly over
    the deviating frames it can show in; per frame the cheapest share.  Whatever set of faults
    mends these frames costs at least the sum of their prices."""
    numbers = [n for n, (wrong, _) in enumerate(start.fits) if wrong][:MOST_PRICED]
    if numbers and not space.frames[numbers[0]].held:
        numbers = numbers[:1]  # what deviates at rest deviates everywhere, for the same reason
    among = sum(1 << n for n in numbers)
    share: dict[Fault, float] = {}
    prices = {}
    for number in numbers:
        price = start.fits[number][1]
        for fault in ways_on(space, number, NO_FAULTS):
            if fault not in share:
                count = (space.showing(fault, NO_FAULTS) & among).bit_count()
                share[fault] = space.weight(fault) / max(1, count)
            price = max(price, share[fault])
        prices[number] = price
    return prices


def _children(
    space: Space, prices: dict[int, float], node: _Node, floor: float
) -> Iterator[_Node]:
    """The ways on from a node; sets that cannot reach the score `floor` are not looked at."""
    worst = _worst_frame(node)
    if worst is None:
        return
    yield _left(space, node, worst)
    wrong = node.fits[worst][0]
    before = space.predicted(worst, node.faults)
    fixed_part = node.prior + sum(node.fits[number][1] for number in node.left)
    open_prices = [
        (1 << number, price)
        for number, price in prices.items()
        if node.fits[number][0] and number not in node.left
    ]
    all_prices = sum(price for _, price in open_prices)
    at_rest = not space.frames[0].held
    for fault in ways_on(space, worst, node.faults):
        hope = fixed_part + space.weight(fault)
        if hope < floor:
            continue
        if hope + all_prices < floor:
            shown = space.showing(fault, node.faults)
            if hope + sum(price for bit, price in open_prices if not bit & shown) < floor:
                continue
        if space.budget.spent:
            return
        space.budget.left -= 1
        faults = node.faults | {fault}
        if space.predicted(worst, faults) == before:
            continue
        floor_here = node.score - DIP
        if space.fit(worst, faults)[0] > wrong:
            if not _turned(space, worst, faults):
                continue
            floor_here = -math.inf
        # What a fault spoils at rest it spoils in every frame.
        if at_rest and worst and space.showing(fault, node.faults) & 1:
            if space.fit(0, faults)[0] > node.fits[0][0]:
                continue
        child = _grown(space, node, fault, floor_here)
        if child is not None:
            yield child


def _turned(space: Space, number: int, faults: FaultSet) -> bool:
    """True if all that is wrong in this frame is right the other way round: a diode on the path put
    in backwards would mend it."""
    wrong = bits_of(space.deviating(number, faults))
    if len(wrong) > MOST_TURNED:
        return False
    width = len(space.predictor.circuit.pins)
    bits = space.predicted(number, faults).bits
    pairs = {(bit // width - 1, bit % width): bool(bits >> bit & 1) for bit in wrong}
    return all(pairs.get((sense, drive)) is (not told) for (drive, sense), told in pairs.items())


def _left(space: Space, node: _Node, number: int) -> _Node:
    """The node with this frame left as it is."""
    score, fits = node.score, node.fits
    if node.partial:
        fits = tuple(space.fit(n, node.faults) for n in range(len(fits)))
        score = node.prior + sum(fit[1] for fit in fits)
    return _Node(node.faults, node.left | {number}, node.prior, score, fits)


def _grown(space: Space, node: _Node, fault: Fault, floor: float) -> _Node | None:
    """The node with one more fault, or None as soon as its score falls below `floor`.  Only frames
    in which the fault can show are simulated."""
    faults = node.faults | {fault}
    fits = list(node.fits)
    prior = node.prior + space.weight(fault)
    score = node.score - node.prior + prior
    if fits[0][0] and not space.frames[0].held and 0 not in node.left:
        fit = space.fit(0, faults)
        if fit[0]:
            # More is to come before the presses are worth a look.
            score += (fit[1] - fits[0][1]) * len(fits)
            fits[0] = fit
            return _Node(faults, node.left, prior, score, tuple(fits), partial=True)
        if node.partial:
            fits = [space.fit(number, faults) for number in range(len(fits))]
            score = prior + sum(fit[1] for fit in fits)
            return _Node(faults, node.left, prior, score, tuple(fits))
    # What the frames still to come could win back if all of them became perfect.
    showing = bits_of(space.showing(fault, node.faults))
    hope = -sum(fits[number][1] for number in showing)
    for number in showing:
        fit = space.fit(number, faults)
        score += fit[1] - fits[number][1]
        hope += fits[number][1]
        fits[number] = fit
        if score + hope < floor:
            return None
    return _Node(faults, node.left, prior, score, tuple(fits)) if score > floor else None


def _worst_frame(node: _Node) -> int | None:
    """The frame to work on: rest before presses, then the most wrong bits."""
    worst: int | None = None
    for number, (wrong, _) in enumerate(node.fits):
        if wrong and number not in node.left:
            if number == 0:
                return 0
            if worst is None or wrong > node.fits[worst][0]:
                worst = number
    return worst


def _bound(space: Space, prices: dict[int, float], node: _Node) -> float:
    """No set grown from this node can score higher: its prior, what it leaves as it is, and the
    price of what still deviates, at least one more fault or one more frame left."""
    bound = node.prior + sum(node.fits[number][1] for number in node.left)
    worst = _worst_frame(node)
    if worst is None:
        return bound
    price = sum(
        price
        for number, price in prices.items()
        if node.fits[number][0] and number not in node.left
    )
    return bound + min(price, max(space.candidates.highest, node.fits[worst][1]))


def _redundant(space: Space, faults: FaultSet) -> bool:
    """True if some member explains nothing: it is hidden behind the others, and its probability is
    still its prior.  Such keys are reported as not to be judged, not as explanations."""
    if len(faults) < 2:
        return False
    whole = space.likelihood(faults)
    return any(space.likelihood(faults - {fault}) > whole - 1e-9 for fault in faults)


def _sorted_order(space: Space, faults: FaultSet) -> list[int]:
    return sorted(space.candidates.order(fault) for fault in faults)


def bits_of(mask: int) -> list[int]:
    """Numbers of the bits that are set, lowest first."""
    out = []
    while mask:
        low = mask & -mask
        out.append(low.bit_length() - 1)
        mask ^= low
    return out


class Gain(NamedTuple):
    """What one more fault alone does to all frames: how many right bits it spoils, at most two
    counted in each frame (one more fault there may undo them all), and the bits it mends, as
    (frame, packed mask)."""

    fault: Fault
    harmed: int
    fixed: list[tuple[int, int]]


def gain_of(space: Space, fault: Fault, base: Sequence[int]) -> Gain:
    """Try one fault.  `base` holds each frame's wrong bits under the space's context.

    A fault that changes the rest reading is looked at in the rest frame and in the frames that
    share its lines; in the others it does what it does at rest.
    """
    single = frozenset((fault,))
    if not base[0] and not space.frames[0].held:
        spoilt = space.deviating(0, single)
        if spoilt:  # at rest, so in every frame: it explains nothing here
            return Gain(fault, 2 * len(base), [])
    showing = bits_of(space.showing(fault, NO_FAULTS))
    near, far = showing, []
    if len(showing) == len(base) and not space.frames[0].held and len(base) > 1:
        lines = space.predictor.facts(fault)[2]
        near = [0] + [n for n, mask in enumerate(space.frame_lines()) if mask & lines]
        far = sorted(set(showing) - set(near))
    spoilt = 0
    fixed = []
    mended_at_rest, harmed_at_rest = 0, 0
    for number in near:
        now = space.deviating(number, single)
        mended, harmed = base[number] & ~now, now & ~base[number]
        spoilt += min(2, harmed.bit_count())
        if mended:
            fixed.append((number, mended))
        if not number:
            mended_at_rest, harmed_at_rest = mended, harmed
    if far:
        spoilt += min(2, harmed_at_rest.bit_count()) * len(far)
        fixed += [(n, base[n] & mended_at_rest) for n in far if base[n] & mended_at_rest]
    return Gain(fault, spoilt, fixed)
