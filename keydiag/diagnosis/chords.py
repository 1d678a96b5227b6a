"""The chord check: the fewest chords that show every fault single presses cannot.

A blob of solder between the inner nodes of two keys on one line shows only while both are held: two
lines of the other sort then conduct to each other.  Nothing here assumes that; what a chord shows
is found by simulating each fault.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations

from keydiag.circuit import Circuit
from keydiag.faults import Fault, Predictor, enumerate_faults, near_keys
from keydiag.faults.predict import NO_KEYS

Chord = tuple[str, ...]

# Keys one hand can hold at once while the other rests on the half.
MOST_KEYS = 4


def hidden_faults(circuit: Circuit, predictor: Predictor | None = None) -> tuple[Fault, ...]:
    """Faults of the near catalogue that neither rest nor any single press shows for certain."""
    predictor = predictor or Predictor(circuit)
    return tuple(
        fault
        for fault in enumerate_faults(circuit)
        if not any(_shows(predictor, fault, held) for held in _singles(predictor, fault))
    )


def unrevealed(
    circuit: Circuit, chords: Iterable[Chord], predictor: Predictor | None = None
) -> tuple[Fault, ...]:
    """The proof: the faults that rest, all single presses and these chords together do not show;
    () means nothing near stays hidden."""
    predictor = predictor or Predictor(circuit)
    held = [frozenset(chord) for chord in chords]
    return tuple(
        fault
        for fault in hidden_faults(circuit, predictor)
        if not any(_shows(predictor, fault, keys) for keys in held)
    )


def fewest(pairs: Sequence[Chord]) -> int:
    """No plan has fewer chords than this, if each of these pairs of keys must be held together once
    and the pairs form no ring.

    A chord of four keys then holds three pairs at most, and three only if they hang together; of
    pairs that hang together, e in number, no more than e / 3 such threes can be made, and all other
    chords hold two at most.
    """
    parts: list[tuple[set[str], int]] = []
    for pair in pairs:
        keys, count = set(pair), 1
        for part in [part for part in parts if part[0] & keys]:
            parts.remove(part)
            keys, count = keys | part[0], count + part[1]
        parts.append((keys, count))
    threes = sum(count // (MOST_KEYS - 1) for _, count in parts)
    left = len(pairs) - threes * (MOST_KEYS - 1)
    return threes + -(-left // (MOST_KEYS - 2))


def small_chords(circuit: Circuit, predictor: Predictor | None = None) -> dict[Fault, Chord]:
    """For each hidden fault the smallest chord that shows it, if one of two or three keys does."""
    predictor = predictor or Predictor(circuit)
    out = {}
    for fault in hidden_faults(circuit, predictor):
        chord = _smallest(circuit, predictor, fault)
        if chord is not None:
            out[fault] = chord
    return out


def plan(circuit: Circuit) -> tuple[Chord, ...]:
    """Chords of at most MOST_KEYS keys, in board order, that show every hidden fault that any such
    chord shows.  Each next chord is the one that shows most of what is left."""
    predictor = Predictor(circuit)
    left = small_chords(circuit, predictor)
    out: list[Chord] = []
    while left:
        chord = _largest(circuit, list(left.values()))
        shown = [f for f in left if _shows(predictor, f, frozenset(chord))]
        if not shown:  # keys that get in each other's way: take the fault's own chord
            chord = next(iter(left.values()))
            shown = [f for f in left if _shows(predictor, f, frozenset(chord))]
        for fault in shown:
            del left[fault]
        out.append(chord)
    return tuple(out)


def _singles(predictor: Predictor, fault: Fault) -> Iterator[frozenset[str]]:
    """Rest and the single presses in which this fault can show.  A fault that leaves rest as it is
    shows while one of its own keys is held, or a key on one of its lines."""
    yield NO_KEYS
    shows, _, lines = predictor.facts(fault)
    keys: Iterable[str] = predictor.circuit.keys
    if shows is not None:
        keys = shows
    elif predictor.packed(frozenset((fault,)), NO_KEYS) == predictor.packed(frozenset(), NO_KEYS):
        keys = [key for key in keys if predictor.lines_of((key,)) & lines]
    for key in keys:
        yield frozenset((key,))


def _shows(predictor: Predictor, fault: Fault, held: frozenset[str]) -> bool:
    """True if some bit is certain with and without the fault, and differs."""
    with_it = predictor.packed(frozenset((fault,)), held)
    without = predictor.packed(frozenset(), held)
    return bool((with_it.bits ^ without.bits) & ~with_it.unknown & ~without.unknown)


def _smallest(circuit: Circuit, predictor: Predictor, fault: Fault) -> Chord | None:
    """The smallest chord, of the fault's own keys or one more, that shows it."""
    own = [word for place in fault.at for word in place.split() if word in circuit.parts]
    own = [key for key in circuit.keys if key in own]
    near = near_keys(circuit)
    others = [key for key in circuit.keys if any(key in near[k] for k in own) and key not in own]
    for size in (2, 3):
        for keys in combinations([*own, *others], size):
            if _shows(predictor, fault, frozenset(keys)):
                return tuple(key for key in circuit.keys if key in keys)
    return None


def _largest(circuit: Circuit, chords: Sequence[Chord]) -> Chord:
    """Keys that hold as many of these small chords as fit: started from each of them, grown by one
    that shares a key with what is there, if any does, and adds fewest keys; a run from one end
    of a line leaves no crumbs."""
    best: frozenset[str] = frozenset()
    most = (0, 0)
    sets = Counter(map(frozenset, chords))
    count = Counter(key for chord in chords for key in chord)
    worth: dict[frozenset[str], int] = {}

    def held(keys: frozenset[str]) -> int:
        """How many of the small chords these keys hold."""
        if keys not in worth:
            worth[keys] = sum(
                sets[frozenset(some)]
                for size in range(2, len(keys) + 1)
                for some in combinations(sorted(keys), size)
            )
        return worth[keys]

    for start in sets:
        keys = start
        while True:
            others = [more for more in sets if not more <= keys]
            sharing = [more for more in others if not more.isdisjoint(keys)]
            grown = [keys | more for more in sharing or others if len(keys | more) <= MOST_KEYS]
            if not grown:
                break
            keys = max(grown, key=lambda k: held(k) / len(k))
        # Of equals, the one with fewest chords sticking out of it.
        rank = (held(keys), -sum(count[key] for key in keys))
        if rank > most or not best:
            best, most = keys, rank
    return tuple(key for key in circuit.keys if key in best)
