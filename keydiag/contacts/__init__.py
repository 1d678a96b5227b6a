"""Contacts by level, rise time and time: what a reading of zeros and ones cannot tell.

Here: `judge_levels`, `judge_rises`, `judge_steadiness`, pure functions from what the probe measured
to what stands out (`Notice`); `Round`, which asks for the keys and measures them; the words for all
of it. Not here: ports and files (cli), and faults as such (diagnosis).
"""

from __future__ import annotations

from keydiag.contacts.levels import Levels, judge_levels
from keydiag.contacts.places import Notice
from keydiag.contacts.rises import Rises, judge_rises
from keydiag.contacts.round import KeyFound, Round, Taken
from keydiag.contacts.steadiness import Steadiness, judge_steadiness, steadiness
from keydiag.contacts.summary import Summary, as_json, sum_up, summary_lines

__all__ = [
    "KeyFound",
    "Levels",
    "Notice",
    "Rises",
    "Round",
    "Steadiness",
    "Summary",
    "Taken",
    "as_json",
    "judge_levels",
    "judge_rises",
    "judge_steadiness",
    "steadiness",
    "sum_up",
    "summary_lines",
]
