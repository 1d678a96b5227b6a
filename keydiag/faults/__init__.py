"""The fault catalogue: kinds, places, names, and what a half with given faults must read."""

from keydiag.faults.catalogue import enumerate_faults, meeting_places, near_keys
from keydiag.faults.kinds import KINDS, Fault, Kind, changes, conducts_at_rest, keys_that_show
from keydiag.faults.names import describe, parse_fault
from keydiag.faults.predict import Packed, Predictor, pack, predict, unpack

__all__ = [
    "KINDS",
    "Fault",
    "Kind",
    "Packed",
    "Predictor",
    "changes",
    "conducts_at_rest",
    "describe",
    "enumerate_faults",
    "keys_that_show",
    "meeting_places",
    "near_keys",
    "pack",
    "parse_fault",
    "predict",
    "unpack",
]
