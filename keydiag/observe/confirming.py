"""Pressing once more: how keys are asked for so that each answer is certainly that key's.

Here: how likely a key in doubt that is asked for on its own answers what, and which keys that are
known to answer go between and behind the ones in doubt (`arranged`). Not here: which keys are in
doubt (sweep.py).

Of two neighbours of which one gives no sign, the order cannot tell which one it is, if the other
answers with a crossing that might be either's. A key known to answer, pressed between them, can.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace

from keydiag.circuit import Circuit
from keydiag.observe.alignment import ODDS
from keydiag.observe.answers import Answer

__all__ = ["ALONE_ODDS", "arranged", "like_alone", "on_their_own"]

# Hands that were asked for one key by its name, with time to look. Own judgement, no source.
ALONE_ODDS = replace(ODDS, wrong=0.002, double=0.005, jump=1e-4, leave_order=1e-5)
# What a key does that is asked for once more: it is in doubt already, so something is wrong with
# it rather often. Of one answer of that sort, spread as in `alignment.spread`. Own judgement.
ALONE_MORE, ALONE_PART, ALONE_NEAR, ALONE_ELSEWHERE = 0.1, 0.05, 0.2, 0.1


def like_alone(answer: Answer, pins: int) -> float:
    """How likely at least a key in doubt, pressed on its own, gives this one answer of that sort,
    on a half with `pins` pins; 0 where it is no likelier than any key."""
    match answer:
        case Answer.MORE:
            return ALONE_MORE / pins
        case Answer.PART:
            return ALONE_PART
        case Answer.NEAR:
            return ALONE_NEAR / (2 * pins)
        case Answer.ELSEWHERE:
            return ALONE_ELSEWHERE / (pins * pins)
    return 0.0


def on_their_own(asked: Sequence[str], good: Collection[str]) -> Iterator[int]:
    """The places of the keys asked for that are not known to answer (`good`) and have no neighbour
    in this order of which the same is true."""
    for n, key in enumerate(asked):
        beside = (*asked[max(0, n - 1) : n], *asked[n + 1 : n + 2])
        if key not in good and all(other in good for other in beside):
            yield n


def arranged(
    circuit: Circuit,
    keys: Sequence[str],
    good: Sequence[str],
    apart: Callable[[str, str], bool],
    close: bool,
) -> tuple[str, ...]:
    """`keys` in this order, with keys of `good` in between where two are to be kept `apart`, and
    one behind the last if `close`.

    A key in between shares no line with the keys around it and is no neighbour of theirs in the
    order of the board, lest their answers be taken for its own; if there is none like that, any
    other than the keys themselves.
    """
    out: list[str] = []
    for n, key in enumerate(keys):
        out.append(key)
        after = keys[n + 1 : n + 2]
        if (after and apart(key, after[0])) or (close and not after):
            free = [k for k in good if k not in keys]
            used = [k for k in free if k in out]
            far = [k for k in free if all(_far(circuit, k, other) for other in (key, *after))]
            fresh = [k for k in far if k not in used] or far
            fresh = fresh or [k for k in free if k not in used] or free
            out += fresh[-1:]
    return tuple(out)


def _far(circuit: Circuit, one: str, other: str) -> bool:
    number = circuit.keys.index
    on_line = set(circuit.crossing[one]) & set(circuit.crossing[other])
    return not on_line and abs(number(one) - number(other)) > 1
