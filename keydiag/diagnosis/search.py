"""Search for fault sets that explain deviating frames, by exact simulation of every set.

A fault set is grown frame by frame: take the frame that fits worst; every fault that does not make
this frame worse is a way on, and so is leaving the frame as it is (a slip of the hand, a flipped
bit).  Each set met on the way is a hypothesis with its exact score, log prior plus log likelihood.
A set's prior bounds the score of everything grown from it, so branches that cannot come near the
best are dropped (branch and bound), and the width per step is limited (beam).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from keydiag.diagnosis.candidates import Candidates
from keydiag.diagnosis.evidence import Evidence, Frame
from keydiag.faults import Fault, Predictor
from keydiag.faults.predict import NO_KEYS, FaultSet
from keydiag.faults.priors import Priors

NO_FAULTS: FaultSet = frozenset()

# Kinds that let current pass between nets that are apart on the board.
CONNECTORS = frozenset(
    ("bridge", "stuck-switch", "swapped-leads", "misplaced-lead", "miswired-key", "swapped-keys",
     "line-to-ground", "line-to-supply")
)  # fmt: skip

# Hypotheses this much less probable (natural log) than the best are dropped: 5e-4 of its weight.
SLACK = 7.6
# Sets kept per step of the search; the best explanations of one symptom group are few.
WIDTH = 60
# Faults per symptom group; independent groups do not add up.
DEPTH = 8
# How much one added fault may lower the score on the way to a set whose members only fit together.
DIP = 9.0


@dataclass(slots=True)
class Space:
    """Everything the search asks: frames, masks of the bits that count, faults and their priors."""

    evidence: Evidence
    predictor: Predictor
    priors: Priors
    candidates: Candidates
    care: Sequence[int]  # per frame: the packed bits that belong to this search
    context: FaultSet = NO_FAULTS  # faults taken for granted, part of every prediction
    _fits: dict[tuple[int, FaultSet], tuple[int, float]] = field(default_factory=dict)
    _showing: dict[frozenset[str], list[int]] = field(default_factory=dict)
    _lines: list[int] = field(default_factory=list)

    @property
    def frames(self) -> tuple[Frame, ...]:
        return self.evidence.frames

    def fit(self, number: int, faults: FaultSet) -> tuple[int, float]:
        """(wrong bits, log likelihood) of frame `number` under a fault set."""
        known = self._fits.get((number, faults))
        if known is None:
            frame, care = self.frames[number], self.care[number]
            predicted = self.predictor.packed(faults | self.context, frame.held)
            wrong = predicted.mismatch(frame.seen, care)
            doubt = (predicted.unknown & care).bit_count() if predicted.unknown else 0
            known = self._fits[number, faults] = (wrong, frame.fit(wrong, doubt))
        return known

    def deviating(self, number: int, faults: FaultSet) -> int:
        """Packed mask of the frame's wrong bits under a fault set."""
        frame = self.frames[number]
        predicted = self.predictor.packed(faults | self.context, frame.held)
        return (predicted.bits ^ frame.seen) & ~predicted.unknown & self.care[number]

    def frames_showing(self, fault: Fault, faults: FaultSet) -> Sequence[int]:
        """Numbers of the frames that this fault can change when added to these faults.

        Sound: in any other frame the fault's lines are not connected to the keys held, and what it
        does at rest it does not change.
        """
        shows, _, lines = self.predictor.facts(fault)
        others = faults | self.context
        connectors = [o for o in others if o.kind in CONNECTORS]
        if shows is not None and fault.kind not in CONNECTORS and not connectors:
            numbers = self._showing.get(shows)
            if numbers is None:
                numbers = self._showing[shows] = [
                    n for n, frame in enumerate(self.frames) if not shows.isdisjoint(frame.held)
                ]
            return numbers
        packed = self.predictor.packed
        if packed(others | {fault}, NO_KEYS) != packed(others, NO_KEYS):
            return range(len(self.frames))
        grown = True
        while grown:
            grown = False
            for other in connectors:
                more = self.predictor.facts(other)[2]
                if more & lines and more & ~lines:
                    lines |= more
                    grown = True
        return [n for n, mask in enumerate(self.frame_lines()) if mask & lines]

    def frame_lines(self) -> list[int]:
        """Per frame, the mask of the pins whose lines the keys held stand on."""
        if not self._lines:
            self._lines.extend(self.predictor.lines_of(frame.held) for frame in self.frames)
        return self._lines

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


@dataclass(slots=True)
class _Node:
    faults: FaultSet
    left: frozenset[int]  # frames left as they are
    prior: float
    score: float
    fits: tuple[tuple[int, float], ...]


def explain(space: Space, width: int = WIDTH, depth: int = DEPTH) -> dict[FaultSet, float]:
    """Fault sets with their scores, best first, none below the best by more than SLACK.

    The empty set is always judged: its score is that of slips and flipped bits alone.
    """
    start = _start(space)
    found: dict[FaultSet, float] = {NO_FAULTS: start.score}
    best = start.score
    frontier = [start]
    met: set[tuple[FaultSet, frozenset[int]]] = set()
    for _ in range(3 * depth):
        following: list[_Node] = []
        for node in frontier:
            for child in _children(space, node, best - SLACK):
                if (child.faults, child.left) in met or len(child.faults) > depth:
                    continue
                met.add((child.faults, child.left))
                found[child.faults] = child.score
                best = max(best, child.score)
                following.append(child)
        # A set's prior, with what it leaves unexplained for good, bounds all that grows from it.
        following = [n for n in following if _bound(space, n) > best - SLACK]
        following.sort(key=lambda n: (-n.score, len(n.faults), _sorted_order(space, n.faults)))
        frontier = following[:width]
        if not frontier:
            break
    kept = [
        (s, f)
        for f, s in found.items()
        if f == NO_FAULTS or (s > best - SLACK and not _redundant(space, f))
    ]
    kept.sort(key=lambda item: (-item[0], len(item[1]), _sorted_order(space, item[1])))
    return {faults: score for score, faults in kept}


def _start(space: Space) -> _Node:
    fits = tuple(space.fit(number, NO_FAULTS) for number in range(len(space.frames)))
    return _Node(NO_FAULTS, frozenset(), 0.0, sum(f[1] for f in fits), fits)


def _children(space: Space, node: _Node, floor: float) -> Iterator[_Node]:
    """The ways on from a node; sets that cannot reach the score `floor` are not looked at."""
    worst = _worst_frame(node)
    if worst is None:
        return
    yield _Node(node.faults, node.left | {worst}, node.prior, node.score, node.fits)
    wrong = node.fits[worst][0]
    keys = space.active_keys(worst, node.faults)
    deviating = space.deviating(worst, node.faults)
    given_up = sum(node.fits[number][1] for number in node.left)
    at_rest = not space.frames[0].held
    for fault in space.candidates.touching(keys, deviating):
        if node.prior + space.priors.log_odds(fault) + given_up < floor:
            continue
        if fault in node.faults or fault in space.context:
            continue
        faults = node.faults | {fault}
        if space.fit(worst, faults)[0] > wrong:
            continue
        # What a fault spoils at rest it spoils in every frame.
        if at_rest and worst and space.fit(0, faults)[0] > node.fits[0][0]:
            continue
        child = _grown(space, node, fault, node.score - DIP)
        if child is not None:
            yield child


def _grown(space: Space, node: _Node, fault: Fault, floor: float) -> _Node | None:
    """The node with one more fault, or None as soon as its score falls below `floor`.  Only frames
    in which the fault can show are simulated."""
    faults = node.faults | {fault}
    fits = list(node.fits)
    prior = node.prior + space.priors.log_odds(fault)
    score = node.score - node.prior + prior
    # What the frames still to come could win back if all of them became perfect.
    showing = space.frames_showing(fault, node.faults)
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


def _bound(space: Space, node: _Node) -> float:
    """No set grown from this node can score higher: its prior, what it leaves as it is, and, if
    something else still deviates, at least one more fault or one more frame left."""
    bound = node.prior + sum(node.fits[number][1] for number in node.left)
    worst = _worst_frame(node)
    if worst is not None:
        bound += max(space.priors.highest, node.fits[worst][1])
    return bound


def _redundant(space: Space, faults: FaultSet) -> bool:
    """True if some member explains nothing: it is hidden behind the others, and its probability is
    still its prior.  Such keys are reported as not to be judged, not as explanations."""
    if len(faults) < 2:
        return False
    whole = space.likelihood(faults)
    return any(space.likelihood(faults - {fault}) > whole - 1e-9 for fault in faults)


def _sorted_order(space: Space, faults: FaultSet) -> list[int]:
    return sorted(space.candidates.order(fault) for fault in faults)


def gain_of(
    space: Space, fault: Fault, base: Sequence[int]
) -> tuple[int, int, list[tuple[int, int]]]:
    """What one more fault alone does to all frames: (bits fixed, bits harmed, [(frame, fixed
    bits)]).  `base` holds each frame's wrong bits under the space's context.

    A fault that changes the rest reading is looked at in the rest frame and in the frames that
    share its lines; in the others it does what it does at rest.
    """
    single = frozenset((fault,))
    showing = space.frames_showing(fault, NO_FAULTS)
    near, far = showing, ()
    if len(showing) == len(base) and not space.frames[0].held and len(base) > 1:
        lines = space.predictor.facts(fault)[2]
        near = [0] + [n for n, mask in enumerate(space.frame_lines()) if mask & lines]
        far = sorted(set(showing) - set(near))
    mended_bits, harmed_bits = 0, 0
    fixed = []
    mended_at_rest, harmed_at_rest = 0, 0
    for number in near:
        now = space.deviating(number, single)
        mended, harmed = base[number] & ~now, now & ~base[number]
        mended_bits += mended.bit_count()
        harmed_bits += harmed.bit_count()
        if mended:
            fixed.append((number, mended))
        if not number:
            mended_at_rest, harmed_at_rest = mended, harmed
    if far:
        mended_bits += mended_at_rest.bit_count() * len(far)
        harmed_bits += harmed_at_rest.bit_count() * len(far)
        fixed += [(n, base[n] & mended_at_rest) for n in far if base[n] & mended_at_rest]
    return mended_bits, harmed_bits, fixed
