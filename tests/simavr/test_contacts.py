"""keydiag contacts on the probe's real image: ohms in the wiring, a lead that is off and a joint
that lets go, through the sketch in simavr to the lines that a builder reads.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
from pathlib import Path

from tests.simavr.harness import SimulatedProbe

BOARD = Path(__file__).parents[1] / "board" / "two-by-three.toml"

# The half of two-by-three.toml: R is PD1 (A1 - A2 - A3) and PD0 (B1 - B2 - B3); diodes to the rows.
# A2's switch has 2 kOhm in its path (0.751 V by ngspice), B1's 20 kOhm (2.128 V, which a pin does
# not read as low). Nothing is soldered to PF6, the pin of column C3.
HALF = """
pin PD1 ra
pin PD0 rb
pin PF4 c1
pin PF5 c2
capacitance ra 200
capacitance rb 180
capacitance c1 150
capacitance c2 150
switch A1 c1 a1
diode a1 ra
resistor c2 a2w 2000
switch A2 a2w a2
diode a2 ra
switch A3 c3 a3
diode a3 ra
resistor c1 b1w 20000
switch B1 b1w b1
diode b1 rb
switch B2 c2 b2
diode b2 rb
switch B3 c3 b3
diode b3 rb
"""


def loosen(probe: SimulatedProbe, key: str, stop: threading.Event) -> None:
    """Let this switch's joint go for 4 ms, 10 times a second."""
    while not stop.is_set():
        steps = [(at + off, key, on) for at in range(0, 300_000, 100_000)
                 for off, on in ((40_000, 0), (44_000, 1))]  # fmt: skip
        probe.play(steps)
        stop.wait(0.35)


def test_ohms_a_lead_that_is_off_and_a_joint_that_lets_go() -> None:
    with SimulatedProbe(HALF) as probe:
        process = subprocess.Popen(
            [sys.executable, "-u", "-m", "keydiag", "contacts", str(BOARD), "--port", probe.port,
             "--idle", "2", "--json"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert process.stdout and process.stderr
        said: list[str] = []
        down, stop, loose = "", threading.Event(), threading.Thread()
        try:
            for line in process.stderr:
                said.append(line)
                asked = re.fullmatch(r"Hold (\w+)( \(.+\))?\.", line.strip())
                if asked:
                    if down == "B2":
                        stop.set()
                        loose.join(10)
                    if down:
                        probe.release(down)
                    down = asked[1]
                    probe.press(down)
                    if down == "B2":
                        loose = threading.Thread(target=loosen, args=(probe, "B2", stop))
                        loose.start()
            out = process.stdout.read()
            assert process.wait(timeout=30) == 1, "".join(said)
        finally:
            stop.set()
            process.kill()
            process.wait(10)
            process.stdout.close()
            process.stderr.close()
            if loose.ident is not None:
                loose.join(10)
        assert not probe.drives().high
    text = " ".join("".join(said).split())
    found = json.loads(out)
    keys = found["keys"]
    # ngspice's figures (tests/simavr/test_voltages.py holds the simulated converter to them).
    assert abs(keys["A1"]["mv"] - 511) < 15 and abs(keys["A2"]["mv"] - 751) < 15, text
    assert abs(keys["B1"]["mv"] - 2128) < 30 and "does not read as closed" in text
    assert keys["A1"]["dropouts"] == 0 and keys["A1"]["gap_us"] <= 150
    told = {(each["kind"], *each["keys"]) for each in found["stands_out"]}
    assert told >= {("high", "A2"), ("high", "B1"), ("drop-outs", "B2"), ("silent", "A3", "B3")}
    assert 3_800 <= keys["B2"]["longest_us"] <= 4_400, text
    (fast,) = [each for each in found["stands_out"] if each["kind"] == "fast rise"]
    assert fast["places"] == ["column C3 lead"] and "no key of the line has answered" in text
    # 2 kOhm lies between what is told for the datasheet's two pull-ups.
    assert re.search(r"A2: 0\.75 V, the others 0\.51 V Too .* some 1\.1 kohm to 2\.\d kohm", text)
