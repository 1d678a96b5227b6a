"""The half as an electrical circuit: board -> lines, joints, parts; conduction -> reading.

Here: the addresses of everything solderable, and which pin reads low while another is driven, for
any set of electrical changes and any keys held.  Not here: what the changes are called and how
likely they are (`faults`), or anything that measures.

Conduction rule: a pulled-up sensing pin reads low while another pin is driven low if a path leads
from the sensing pin to the driven one.  Wires and closed switches conduct both ways, a diode from
anode to cathode only.  A path with one diode drop reads low with margin under every guaranteed
input threshold; one that needs two or more lies between the guaranteed limits (1N4148 on a
20-50 kOhm pull-up: 0.49-0.54 V for one, 0.97-1.06 V for two, against VIL max 0.9 V for the
ATmega32U4 at 5 V) and is therefore *unknown*, never evidence.

Rails: a net tied to the supply reads high and cannot be driven.  Where the supply also feeds a
driven or grounded net through diodes (a line shorted to the supply, a key held), the pin's sink and
the supply share the voltage in a way no datasheet promises: whatever leans on that net is unknown.
A net tied to ground and supply at once would leave the probe without power; it is read as tied to
the supply.
"""

from __future__ import annotations

from keydiag.circuit.half import Circuit, KeyParts, Stretch
from keydiag.circuit.values import GROUND, SUPPLY, Change, Point, Prediction, Reading
from keydiag.circuit.wiring import Wiring

__all__ = [
    "GROUND", "SUPPLY", "Change", "Circuit", "KeyParts", "Point", "Prediction", "Reading",
    "Stretch", "Wiring",
]  # fmt: skip
