"""The chips keydiag knows, held against the datasheets."""

from keydiag.chips import chips


def test_atmega32u4_ports_in_the_probe_order():
    # ATmega16U4/32U4 datasheet (Atmel-7766): 26 programmable I/O lines on ports B, C, D, E, F;
    # the order is the wire protocol's, shared with the firmware.
    expected = "PB0 PB1 PB2 PB3 PB4 PB5 PB6 PB7 PC6 PC7 PD0 PD1 PD2 PD3 PD4 PD5 PD6 PD7 PE2 PE6 "
    expected += "PF0 PF1 PF4 PF5 PF6 PF7"
    assert chips()["atmega32u4"].ports == tuple(expected.split())
    assert chips()["atmega32u4"].index("PB0") == 0
    assert chips()["atmega32u4"].index("PF7") == 25


def test_counts_of_pins_and_analogue_inputs():
    # 32U4: 26 I/O lines, 12 ADC channels (datasheet, features). RP2040: 30 GPIO, 4 of them with
    # ADC (datasheet, features). 328P: 23 I/O lines (datasheet, features) less reset, the crystal
    # and the two of the serial link.
    counts = {name: (len(chip.ports), len(chip.analog)) for name, chip in chips().items()}
    assert counts == {"atmega32u4": (26, 12), "rp2040": (30, 4), "atmega328p": (23 - 5, 6)}


def test_thresholds_follow_the_datasheet_formulas():
    # 32U4 (from memory): 0.2 VCC - 0.1 V and 0.2 VCC + 0.9 V. 328PB table 33-1: 0.3 and 0.6 VCC.
    for name, low, high in [
        ("atmega32u4", 0.2 * 5 - 0.1, 0.2 * 5 + 0.9),
        ("atmega328p", 0.3 * 5, 0.6 * 5),
        ("rp2040", 0.8, 2.0),  # RP2040 datasheet 5.2.3.4
    ]:
        chip = chips()[name]
        assert abs(chip.vil_v - low) < 1e-9
        assert abs(chip.vih_v - high) < 1e-9


def test_one_diode_reads_low_on_every_chip():
    # One 1N4148 behind an internal pull-up drops 0.45-0.54 V (ngspice 39, the published NXP
    # model, 25 ohm to ground): inside every guaranteed VIL, or a healthy key could not be read.
    assert all(chip.vil_v > 0.54 for chip in chips().values())


def test_figures_are_sane():
    for chip in chips().values():
        assert len(set(chip.ports)) == len(chip.ports)
        assert not set(chip.ports) & set(chip.reserved)
        assert set(chip.analog) <= set(chip.ports)
        assert 0 < chip.pull_up_ohm[0] < chip.pull_up_ohm[1]
        assert 0 < chip.vil_v < chip.vih_v < chip.supply_v
        assert all(why for why in chip.reserved.values())
