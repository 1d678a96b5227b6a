"""Learning a half from its wires: which pins are rows and columns, which key is on which crossing.

`Learner` is fed with readings of all free pins while the builder presses the keys in order;
`write` turns what it learned into a board file, and holds everything that was seen against it, so
that faults are findings and not part of the file. `listen` does that with a source. Not here: the
command line.
"""

from __future__ import annotations

from keydiag.learn.answers import Answer, Rest, rest_of
from keydiag.learn.infer import Learned, LearnedLine, infer
from keydiag.learn.learner import Learner
from keydiag.learn.listen import free_ports, listen
from keydiag.learn.write import Result, write

__all__ = [
    "Answer",
    "Learned",
    "LearnedLine",
    "Learner",
    "Rest",
    "Result",
    "free_ports",
    "infer",
    "listen",
    "rest_of",
    "write",
]
