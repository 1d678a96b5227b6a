"""Priors learned from confirmed repairs: Beta counts, on request, and visible."""

from __future__ import annotations

from pathlib import Path

import pytest

from keydiag.circuit import Circuit
from keydiag.diagnosis import Diagnostician
from keydiag.faults.priors import (
    Count,
    add_counts,
    built_in_table,
    count_repairs,
    differences,
    learn,
    load_table,
    write_table,
)
from tests.diagnosis.halves import bramblewick, named, sweep

CIRCUIT = Circuit(bramblewick())


def test_the_counts_of_one_half() -> None:
    faults = named(CIRCUIT, "L23 diode reversed", "L11 diode reversed")
    counts = count_repairs(CIRCUIT, dict.fromkeys(faults, 1.0))
    assert counts["reversed-diode", "prior"] == Count(2, 41)
    assert counts["open-joint", "prior"] == Count(0, 123)


def test_learning_by_hand() -> None:
    table = built_in_table()
    learned = learn(table, {("reversed-diode", "prior"): Count(2, 41)})
    assert learned["reversed-diode"]["prior"] == pytest.approx(3 / (1 / 0.006 + 41))
    assert learned["open-joint"] == table["open-joint"]
    assert table == built_in_table()  # the given table is left alone
    (line,) = differences(table, learned)
    assert line == "reversed-diode.prior: 0.006 -> 0.014"


def test_many_halves_outweigh_the_table() -> None:
    one = count_repairs(CIRCUIT, dict.fromkeys(named(CIRCUIT, "L23 diode shorted"), 1.0))
    many = one
    for _ in range(99):
        many = add_counts(many, one)
    learned = learn(built_in_table(), many)
    assert learned["shorted-diode"]["prior"] == pytest.approx(1 / 41, rel=0.3)
    assert learned["reversed-diode"]["prior"] < 0.001


def test_a_learned_table_can_be_kept_and_used(tmp_path: Path) -> None:
    counts = count_repairs(CIRCUIT, dict.fromkeys(named(CIRCUIT, "L23 switch dead"), 1.0))
    learned = learn(built_in_table(), counts)
    file = tmp_path / "mine.toml"
    file.write_text(write_table(learned), "utf-8")
    assert load_table(file) == learned
    dead = sweep(CIRCUIT, named(CIRCUIT, "L23 switch dead"))

    def share(engine: Diagnostician) -> float:
        (finding,) = engine.diagnose(dead).findings
        return next(m.probability for m in finding.members if m.kind == "dead-switch")

    assert share(Diagnostician(CIRCUIT, learned)) > share(Diagnostician(CIRCUIT))
