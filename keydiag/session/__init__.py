"""The session: a fold over the journal's events, and the steps of the job.

`Session` takes in journal events and knows what to do next; `Snapshot` is the view of it that
the screen, the plain text and the report show; `replay` folds a whole journal. Not here: any
port, clock or file (bench.py), and any layout.
"""

from __future__ import annotations

from keydiag.session.fold import Session
from keydiag.session.repairs import Repair
from keydiag.session.replay import replay
from keydiag.session.signoff import missing, not_proven, proven
from keydiag.session.timeline import PERIOD_US
from keydiag.session.views import KeyStatus, KeyView, LinkView, Snapshot, Step

__all__ = [
    "PERIOD_US",
    "KeyStatus",
    "KeyView",
    "LinkView",
    "Repair",
    "Session",
    "Snapshot",
    "Step",
    "missing",
    "not_proven",
    "proven",
    "replay",
]
