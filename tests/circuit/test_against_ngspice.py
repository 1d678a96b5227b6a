"""What keydiag calls low, unknown and high, held against voltages from ngspice.

The diode is a published SPICE model of the 1N4148 (spice.py); pull-ups and input limits are those
of shared/chips.toml.  A voltage at or below VIL max is guaranteed low, one at or above VIH min
guaranteed high, and between the two the datasheet promises nothing.
"""

import math
import random

import pytest
from explicit_half import ExplicitHalf, contradictory, small_text
from spice import MODELS, SINK_OHM, Netlist

from keydiag.board import loads
from keydiag.chips import Chip, chips
from keydiag.circuit import Circuit
from keydiag.faults import Fault, parse_fault, predict

CHIPS = [chips()["atmega32u4"], chips()["rp2040"]]
PORTS = ("PD0", "PD1", "PF4", "PF5", "PF6")  # of two-by-three.toml, in file order


def corners():
    """Every chip with its weakest and its strongest pull-up, with either model of the diode."""
    return [
        pytest.param(chip, ohms, model, id=f"{chip.name}-{ohms / 1000:g}k-{model}")
        for chip in CHIPS
        for ohms in chip.pull_up_ohm
        for model in MODELS
    ]


def verdict(volts: float, chip: Chip) -> str:
    if volts <= chip.vil_v:
        return "low"
    return "high" if volts >= chip.vih_v else "unknown"


def crossing_volts(
    chip: Chip, pull_up: float, model: str, diodes: str = ">", joint_ohm: float = 0.0
) -> float:
    """Volts at a sensing pin: pull-up, a joint, diodes (">" towards the sink, "<" against it)."""
    net = Netlist(chip.supply_v, model)
    net.resistor("vcc", "sense", pull_up)
    net.resistor("sense", "n0", max(joint_ohm, 0.1))  # 0.1 ohm: new contacts and wire
    for i, points in enumerate(diodes):
        above, below = f"n{i}", f"n{i + 1}"
        net.diode(*((above, below) if points == ">" else (below, above)))
    net.sink(f"n{len(diodes)}")
    return net.solve()["sense"]


def on_chip(chip: Chip) -> str:
    """The small half with its leads on this chip's first ports."""
    text = small_text().replace('"atmega32u4"', f'"{chip.name}"')
    for old, new in zip(PORTS, chip.ports, strict=False):
        text = text.replace(f'pin = "{old}"', f'pin = "{new}"')
    return text


def predicted(chip: Chip, drive: str, sense: str, held: set[str], *faults: str) -> str:
    """keydiag's word for one bit: low, unknown or high."""
    circuit = Circuit(loads(on_chip(chip)))
    answer = predict(circuit, [parse_fault(circuit, text) for text in faults], held)
    i, j = circuit.pin_of_line[drive], circuit.pin_of_line[sense]
    if answer.unknown[i] >> j & 1:
        return "unknown"
    return "low" if answer.low[i] >> j & 1 else "high"


def test_the_model_keeps_to_the_datasheet():
    """VF at 10 mA is at most 1.0 V (PANJIT 1N4148 datasheet, rev 0.2, 2010)."""
    for model in MODELS:
        net = Netlist(5.0, model)
        net.resistor("vcc", "anode", 427.0)
        net.diode("anode", "0")
        volts = net.solve()["anode"]
        milliamps = (5.0 - volts) / 0.427
        assert milliamps == pytest.approx(10.0, abs=0.3)
        assert 0.6 < volts <= 1.0


@pytest.mark.parametrize("pull_up", [20e3, 50e3])
def test_the_netlist_obeys_the_diode_equation(pull_up):
    """One crossing worked by hand from I = IS (exp(V / N Vt) - 1), Vt = kT/q at 27 degrees C, with
    the NXP figures: the simulator was given the circuit that was meant."""
    thermal_v = 1.380649e-23 * 300.15 / 1.602176634e-19
    low, high = 0.0, 5.0 / pull_up
    for _ in range(60):
        amps = (low + high) / 2
        volts = amps * (0.1 + 0.6458 + SINK_OHM) + 1.906 * thermal_v * math.log1p(amps / 4.352e-9)
        low, high = (amps, high) if volts + amps * pull_up < 5.0 else (low, amps)
    found = crossing_volts(chips()["atmega32u4"], pull_up, "nxp")
    assert found == pytest.approx(volts, abs=1e-3)


@pytest.mark.parametrize(("chip", "pull_up", "model"), corners())
def test_a_good_crossing(chip, pull_up, model):
    """The key held: low from the column's pin while the row is driven, high the other way round."""
    forward = verdict(crossing_volts(chip, pull_up, model, ">"), chip)
    backward = verdict(crossing_volts(chip, pull_up, model, "<"), chip)
    assert (forward, backward) == ("low", "high")
    assert predicted(chip, "row R1", "column C1", {"K11"}) == forward
    assert predicted(chip, "column C1", "row R1", {"K11"}) == backward


@pytest.mark.parametrize(("chip", "pull_up", "model"), corners())
def test_a_reversed_diode(chip, pull_up, model):
    fault = "K11 diode reversed"
    forward = verdict(crossing_volts(chip, pull_up, model, "<"), chip)
    backward = verdict(crossing_volts(chip, pull_up, model, ">"), chip)
    assert predicted(chip, "row R1", "column C1", {"K11"}, fault) == forward == "high"
    assert predicted(chip, "column C1", "row R1", {"K11"}, fault) == backward == "low"


@pytest.mark.parametrize(("chip", "pull_up", "model"), corners())
def test_a_shorted_diode(chip, pull_up, model):
    wire = verdict(crossing_volts(chip, pull_up, model, ""), chip)
    fault = "K11 diode shorted"
    assert predicted(chip, "row R1", "column C1", {"K11"}, fault) == wire == "low"
    assert predicted(chip, "column C1", "row R1", {"K11"}, fault) == wire


@pytest.mark.parametrize(("chip", "pull_up", "model"), corners())
def test_two_diodes_in_series_promise_nothing(chip, pull_up, model):
    """K11 good and K12 reversed, both held: from C1 through R1 to C2 there are two drops."""
    volts = crossing_volts(chip, pull_up, model, ">>")
    held, fault = {"K11", "K12"}, "K12 diode reversed"
    assert chip.vil_v < volts < chip.vih_v
    assert predicted(chip, "column C2", "column C1", held, fault) == verdict(volts, chip)
    # The halves of the same way, one drop each, are sure.
    assert predicted(chip, "row R1", "column C1", held, fault) == "low"
    assert predicted(chip, "column C2", "row R1", held, fault) == "low"


@pytest.mark.parametrize(("chip", "pull_up", "model"), corners())
def test_a_resistive_joint_reads_as_a_good_one(chip, pull_up, model):
    """A cold joint of 1 kOhm passes every digital test, which is what keydiag predicts; only the
    level tells.  One of 200 kOhm reads as an open joint."""
    cold = crossing_volts(chip, pull_up, model, joint_ohm=1e3)
    told = predicted(chip, "row R1", "column C1", {"K11"}, "K11 switch-column joint resistive")
    assert told == verdict(cold, chip) == "low"
    assert cold > crossing_volts(chip, pull_up, model) + 0.02
    gone = crossing_volts(chip, pull_up, model, joint_ohm=200e3)
    told = predicted(chip, "row R1", "column C1", {"K11"}, "K11 switch-column joint open")
    assert told == verdict(gone, chip) == "high"


def half_volts(
    half: ExplicitHalf, faults: list[Fault], held: set[str], net: Netlist, pull_up: float, name: str
) -> list[list[str]]:
    """Add the half to the netlist once at rest and once per driven pin; per turn, the node of
    every pin.  `name` keeps the nodes of several halves apart."""
    graph = half.draw(faults, held)
    nets = half.nets(graph)
    dead = {fault.at[0].removeprefix("pin ") for fault in faults if fault.kind == "dead-pin"}
    rails = {nets["ground"]: "0", nets["supply"]: "vcc"}
    numbers = {each: number for number, each in enumerate(dict.fromkeys(nets.values()))}
    out = []
    for turn, driven in enumerate([None, *half.ports]):
        node = {
            place: rails.get(each, f"{name}t{turn}n{numbers[each]}") for place, each in nets.items()
        }
        for port in half.ports:
            if port not in dead:
                net.resistor("vcc", node["pin", port], pull_up)
        if driven is not None and driven not in dead:
            net.sink(node["pin", driven])
        for anode, cathode, drops in graph.edges(data="drops"):
            if drops:
                net.diode(node[anode], node[cathode])
        out.append([node["pin", port] for port in half.ports])
    return out


def some_frames(half: ExplicitHalf, free: str, count: int) -> list[tuple[list[Fault], set[str]]]:
    """Fault sets and held keys, the same each time; every other set has a fault to a rail."""
    rng = random.Random(4148)
    every = half.every_fault((free,))
    frames: list[tuple[list[Fault], set[str]]] = []
    while len(frames) < count:
        kinds = rng.choices(sorted(every), k=rng.randint(1, 3))
        if len(frames) % 2:
            kinds[0] = rng.choice(["line-to-supply", "line-to-ground"])
        faults = sorted({rng.choice(every[kind]) for kind in kinds})
        held = set(rng.sample(half.keys, rng.randint(1, 3)))
        # Ground wired to the supply: no probe would run, so there is nothing to compare.
        dark = "ground" in half.nets(half.draw(faults, held))["supply"]
        if not dark and not contradictory(faults):
            frames.append((faults, held))
    return frames


@pytest.mark.parametrize(("chip", "pull_up", "model"), corners())
def test_whole_halves(chip, pull_up, model):
    """Every bit keydiag is sure of, for many faulty halves with chords held, is one the datasheet
    guarantees at the voltage found: no sure low above VIL max, no sure high below VIH min."""
    text = on_chip(chip)
    circuit, half = Circuit(loads(text)), ExplicitHalf(text)
    net = Netlist(chip.supply_v, model)
    frames = some_frames(half, chip.ports[-1], 80)
    nodes = [half_volts(half, *frame, net, pull_up, f"h{i}") for i, frame in enumerate(frames)]
    volts = net.solve()
    lows = unknowns = 0
    for (faults, held), turns in zip(frames, nodes, strict=True):
        dead = {fault.at[0] for fault in faults if fault.kind == "dead-pin"}
        answer = predict(circuit, faults, held)
        low, unknown = (answer.rest, *answer.low), (answer.rest_unknown, *answer.unknown)
        for turn, pins in enumerate(turns):
            for j, node in enumerate(pins):
                unknowns += unknown[turn] >> j & 1
                if unknown[turn] >> j & 1 or f"pin {half.ports[j]}" in dead:
                    continue  # a dead pin reads high whatever voltage is on the line
                told = "low" if low[turn] >> j & 1 else "high"
                lows += told == "low"
                about = (faults, held, f"turn {turn}", half.ports[j], volts[node])
                assert verdict(volts[node], chip) == told, about
    assert lows > 500 and 20 < unknowns < 500  # the comparison has something to compare
