"""A learner on a source: pumps readings until there is nothing more to ask.

The only part of this room that touches a source, and so perhaps a port.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from keydiag.chips import Chip
from keydiag.errors import UsageError
from keydiag.learn.learner import Learner
from keydiag.sources.base import Ended, LinkDown, LinkUp, ProbeSaid, ReadingAt, Source

PERIOD_US = 1_000  # as in a test; a probe that needs longer for all its pins takes longer
LOOK_S = 0.05  # how long one look at the source may take


def free_ports(chip: Chip, only: Iterable[str] = (), leave: Iterable[str] = ()) -> tuple[str, ...]:
    """The ports to read: all of the chip, or only some, less those to leave alone.

    Raises:
        UsageError: the chip has no such port, or fewer than two are left.
    """
    only, leave = tuple(only), tuple(leave)
    for port in (*only, *leave):
        if port not in chip.ports:
            raise UsageError(f"the {chip.name} has no pin {port}; pins: {', '.join(chip.ports)}")
    ports = tuple(p for p in chip.ports if (not only or p in only) and p not in leave)
    if len(ports) < 2:
        raise UsageError("a crossing has two pins: leave at least two to be read")
    return ports


def listen(
    source: Source,
    learner: Learner,
    tell: Callable[[Learner], None] = lambda learner: None,
    say: Callable[[str], None] = lambda line: None,
) -> None:
    """Read until the learner is done. The source is open already.

    Args:
        source: where readings come from.
        learner: what is fed; its ports are the ones that are read.
        tell: called whenever the key that is asked for has changed.
        say: called with what the probe says and when the link breaks.
    """
    source.start(learner.ports, PERIOD_US)
    last: object = None
    while learner.phase != "done":
        for event in source.read(LOOK_S):
            match event:
                case ReadingAt(t_us, reading):
                    learner.feed(t_us, reading)
                case LinkDown(reason):
                    learner.restart()
                    say(f"The probe is gone ({reason}); plug it in again.")
                case LinkUp(_):
                    say("The probe is back.")
                case ProbeSaid(code, text):
                    say(f"The probe says: {text} ({code}).")
                case Ended():
                    learner.finish()
        now = learner.phase, learner.asked, learner.count
        if now != last:
            last = now
            tell(learner)
