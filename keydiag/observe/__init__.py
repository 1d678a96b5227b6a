"""From readings to observations: debounced presses, and a sweep aligned with the order of keys.

`presses` turns readings into press events; `sweep` lays them along the order in which the keys were
asked for, with `alignment` (the hidden Markov model), `answers` (what an event says of a key),
`exchanges` (whole lines or keys in each other's place), `following` (what is asked next) and
`bounce` (what the unsteady part tells).
"""

from keydiag.observe.presses import (
    CHATTER_US,
    REJOIN_US,
    REST,
    STEADY_US,
    Bit,
    Observation,
    Observer,
    PressEvent,
    RestState,
    Unsteady,
)

__all__ = [
    "CHATTER_US",
    "REJOIN_US",
    "REST",
    "STEADY_US",
    "Bit",
    "Observation",
    "Observer",
    "PressEvent",
    "RestState",
    "Unsteady",
]
