"""The table of priors and costs: complete, sane, and open to the user's own figures."""

import math
import tomllib
from importlib import resources

import pytest
from fault_boards import BRAMBLEWICK, small

from keydiag.circuit import Circuit
from keydiag.errors import UsageError
from keydiag.faults import KINDS, Fault, enumerate_faults
from keydiag.faults.priors import REPAIR_FAILS, Priors, load_table

BUILT_IN = tomllib.loads(
    resources.files("keydiag.faults").joinpath("priors.toml").read_text("utf-8")
)


def test_every_kind_has_a_prior_and_a_cost():
    assert set(BUILT_IN) == set(KINDS)
    for figures in BUILT_IN.values():
        assert "prior" in figures
        assert figures["cost"] > 0
        assert all(0 < p <= 0.5 for name, p in figures.items() if name != "cost")


@pytest.mark.parametrize("reach", ["near", "any"])
def test_every_fault_of_a_board_has_its_figures(reach):
    circuit = Circuit(BRAMBLEWICK["bramblewick-left"])
    priors = Priors(circuit)
    for fault in enumerate_faults(circuit, reach):
        p = priors.probability(fault)
        assert p in BUILT_IN[fault.kind].values()
        assert priors.log_odds(fault) == pytest.approx(math.log(p / (1 - p)))
        assert priors.cost(fault) == BUILT_IN[fault.kind]["cost"]


def figure(circuit: Circuit, kind: str, *at: str) -> str:
    """The name of the figure that a fault's prior was taken from."""
    table = {
        name: {key: 0.01 * (n + 1) for n, key in enumerate(figures)}
        for name, figures in BUILT_IN.items()
    }
    p = Priors(circuit, table).probability(Fault(kind, at))
    return next(name for name, value in table[kind].items() if value == p)


def test_the_figure_follows_the_place():
    left = Circuit(BRAMBLEWICK["bramblewick-left"], ("PB0",))
    row, through = "row R6 between L64 and L63", "column C1 between L11 and L21"
    assert figure(left, "broken-stretch", "row R1 between L17 and L16") == "prior"
    assert figure(left, "broken-stretch", row) == "splice"
    assert figure(left, "broken-stretch", through) == "through"
    assert figure(left, "bridge", "row R1", "row R2") == "lines"
    assert figure(left, "bridge", "column C1", "L12 node") == "prior"
    assert figure(left, "bridge", "L11 node", "L12 node") == "node_to_node"
    assert figure(left, "bridge", "L11 node", "L47 node") == "far"
    assert figure(left, "bridge", "column C1", "L47 node") == "far"
    assert figure(left, "swapped-leads", "row R1 lead", "row R3 lead") == "prior"
    assert figure(left, "swapped-leads", "row R1 lead", "row R2 lead") == "neighbours"  # PD1, PD0
    assert figure(left, "swapped-leads", "row R1 lead", "column C1 lead") == "mixed"
    assert figure(left, "misplaced-lead", "row R1 lead", "pin PB0") == "prior"
    assert figure(left, "misplaced-lead", "row R1 lead", "pin PD0") == "used_pin"
    assert figure(left, "miswired-key", "L11 switch-column joint", "column C2") == "prior"
    assert figure(left, "miswired-key", "L11 switch-column joint", "column C7") == "far"
    assert figure(left, "swapped-keys", "L11", "L12") == "prior"
    assert figure(left, "swapped-keys", "L11", "L47") == "far"


def test_a_kind_that_is_none_is_refused():
    with pytest.raises(ValueError, match="melted-diode"):
        Priors(Circuit(small())).probability(Fault("melted-diode", ("K11 diode",)))


def test_a_users_figures_are_laid_over_ours(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("[reversed-diode]\nprior = 0.25\n[bridge]\nfar = 1e-9\ncost = 3\n")
    table = load_table(path)
    assert table["reversed-diode"] == {**BUILT_IN["reversed-diode"], "prior": 0.25}
    assert table["bridge"] == {**BUILT_IN["bridge"], "far": 1e-9, "cost": 3.0}
    for kind in set(KINDS) - {"reversed-diode", "bridge"}:
        assert table[kind] == BUILT_IN[kind]
    priors = Priors(Circuit(small()), table)
    assert priors.probability(Fault("reversed-diode", ("K11 diode",))) == 0.25
    # The built-in table is as it was.
    assert Priors(Circuit(small())).probability(Fault("reversed-diode", ("K11 diode",))) == 0.006


def test_an_empty_file_changes_nothing(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("")
    assert load_table(path) == BUILT_IN


@pytest.mark.parametrize(("text", "named"), [
    ("[melted-diode]\nprior = 0.1", ["[melted-diode]", "reversed-diode"]),
    ("reversed-diode = 0.1", ["reversed-diode", "written [reversed-diode]"]),
    ("[reversed-diode]\nodds = 0.1", ["reversed-diode.odds", "prior, cost"]),
    ("[reversed-diode]\nprior = 0", ["reversed-diode.prior", "above 0"]),
    ("[reversed-diode]\nprior = -0.1", ["reversed-diode.prior", "above 0"]),
    ("[reversed-diode]\nprior = 0.6", ["reversed-diode.prior", "at most 0.5"]),
    ("[reversed-diode]\nprior = nan", ["reversed-diode.prior"]),
    ("[reversed-diode]\nprior = true", ["reversed-diode.prior", "must be a number"]),
    ('[reversed-diode]\nprior = "0.1"', ["reversed-diode.prior", "must be a number"]),
    ("[reversed-diode]\ncost = 0", ["reversed-diode.cost", "above 0"]),
    ("[reversed-diode]\ncost = inf", ["reversed-diode.cost"]),
    ("[reversed-diode\nprior = 0.1", ["line 1"]),
    ("[reversed-diode]\nprior = " + "9" * 5000, ["cannot be read as a table of priors"]),
    ("a = " + "[" * 3000, ["cannot be read as a table of priors"]),
])  # fmt: skip
def test_mistakes_are_named_in_one_line(tmp_path, text, named):
    path = tmp_path / "mine.toml"
    path.write_text(text)
    with pytest.raises(UsageError) as caught:
        load_table(path)
    line = str(caught.value)
    assert line.isprintable()
    assert line.startswith(f"{path}: ")
    for each in named:
        assert each in line


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(UsageError, match=r"none\.toml"):
        load_table(tmp_path / "none.toml")


def test_a_file_that_is_no_text(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UsageError, match="cannot be read"):
        load_table(path)


def test_a_repair_without_effect_lowers_the_odds_of_that_fault_alone():
    circuit = Circuit(small())
    priors = Priors(circuit)
    fault, other = enumerate_faults(circuit)[:2]
    before, beside = priors.log_odds(fault), priors.log_odds(other)
    priors.note_tried({fault: 2})
    assert priors.log_odds(fault) == pytest.approx(before + 2 * math.log(REPAIR_FAILS))
    assert priors.log_odds(other) == beside
    priors.note_tried({})
    assert priors.log_odds(fault) == before
