"""The controllers keydiag knows, as read from shared/chips.toml.

The figures and their sources stand in that file, which the firmware build reads as well. What a
builder made of a chip (which line goes to which port) is the board file's matter: see board.py.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from functools import cache

from keydiag import resources


@dataclass(frozen=True)
class Chip:
    """One controller chip, by its datasheet.

    Attributes:
        name: name of the chip in board files, e.g. ``"atmega32u4"``.
        ports: general-purpose pins, in the probe's own index order (the first is probe pin 0).
        reserved: pad name -> why no line may be put on it (``"USB data"``).
        analog: the ports that can also measure a level.
        pull_up_ohm: lowest and highest internal pull-up, in ohms.
        vil_v: highest voltage surely read as low at ``supply_v``, in volts.
        vih_v: lowest voltage surely read as high at ``supply_v``, in volts.
        supply_v: the supply the thresholds belong to, in volts.
        vil_rule: (a, b) of the datasheet's ``VIL max = a * VCC + b``, if it gives one.
        supply_range_v: the supplies, in volts, for which that rule holds.
    """

    name: str
    ports: tuple[str, ...]
    reserved: dict[str, str] = field(hash=False)
    analog: tuple[str, ...]
    pull_up_ohm: tuple[float, float]
    vil_v: float
    vih_v: float
    supply_v: float
    vil_rule: tuple[float, float] | None = None
    supply_range_v: tuple[float, float] = (0.0, 0.0)

    def index(self, port: str) -> int:
        """The probe's pin index of a port; ValueError if the chip has no such port."""
        return self.ports.index(port)

    def vil_at(self, supply_v: float) -> float | None:
        """The highest voltage surely read as low at a supply; None where nothing is known."""
        if abs(supply_v - self.supply_v) < 0.01:
            return self.vil_v
        low, high = self.supply_range_v
        if self.vil_rule is None or not low <= supply_v <= high:
            return None
        return self.vil_rule[0] * supply_v + self.vil_rule[1]


@cache
def chips() -> dict[str, Chip]:
    """All known chips by name, in the order of shared/chips.toml. Do not change the result."""
    data = tomllib.loads(resources.shared("chips.toml").read_text(encoding="utf-8"))
    return {
        name: Chip(
            name=name,
            ports=tuple(entry["ports"]),
            reserved=dict(entry["reserved"]),
            analog=tuple(entry["analog"]),
            pull_up_ohm=(entry["pull_up_ohm"][0], entry["pull_up_ohm"][1]),
            vil_v=entry["vil_v"],
            vih_v=entry["vih_v"],
            supply_v=entry["supply_v"],
            vil_rule=tuple(entry["vil_rule"]) if "vil_rule" in entry else None,
            supply_range_v=tuple(entry.get("supply_range_v", (0.0, 0.0))),
        )
        for name, entry in data.items()
    }
