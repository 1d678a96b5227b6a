"""What was written down beside the checks: one answer per line, ``code: answer``.

    look plug: ok             a look or a beep: ok, or anything else in words
    row R1 rails: ground      beeps to ground (or supply, or both); ok if to neither
    column C1: R2 0.00, R4 0.61    the lines that showed less than 0.9 V, and what; ok if none did
    L11: 0.61                 a diode, in volts; OL for over the limit
    L23: OL 0.60              the same, then with the leads exchanged

Everything after # is a remark. What was not answered is left out or empty.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from keydiag.diagnosis.meter import MeterAnswer, MeterTest
from keydiag.errors import UsageError
from keydiag.precheck.sheet import Check

# On the diode range: below this it is a wire (a good diode at 0.7 to 1 mA has 0.59 to 0.65 V, a
# germanium or Schottky one still 0.15 V; common practice), above that no single diode any more.
WIRE_V = 0.1
DIODE_V = 0.9
OL = math.inf
_OVER = {"ol", "o.l", "o.l.", "0l", "0.l", "1", "1.", "open", "inf"}  # as meters show it
_YES = {"ok", "yes", "y", "good", "none"}


@dataclass(frozen=True)
class MeterReading:
    """One reading: the test, what was shown in volts (infinite for OL), and what that is."""

    test: MeterTest
    volts: float

    @property
    def seen(self) -> str:
        """``"closed"``, ``"diode"`` or ``"open"``, as `diagnosis.meter.read` has it."""
        return "closed" if self.volts < WIRE_V else "diode" if self.volts < DIODE_V else "open"


@dataclass(frozen=True)
class Answer:
    """The answer to one check."""

    check: Check
    text: str
    ok: bool | None
    """For looks and rails: whether it is as it should be; None for readings in volts."""
    readings: tuple[MeterReading, ...] = ()

    @property
    def good(self) -> bool:
        """True if it is as a half without faults shows it."""
        if self.check.kind == "diode":
            return self.readings[0].seen == "diode" and all(
                reading.seen == "open" for reading in self.readings[1:]
            )
        return self.ok is not False and all(reading.seen == "open" for reading in self.readings)


def parse_answers(text: str, checks: Sequence[Check], file: str = "answers") -> dict[str, Answer]:
    """Code -> answer, in the order of the file; the last one stands if a code comes twice.

    Raises:
        UsageError: every line that cannot be read, one per line, with its number.
    """
    by_code = {check.code.lower(): check for check in checks}
    found: dict[str, Answer] = {}
    wrong: list[str] = []
    for number, raw in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        line = raw.split("#", 1)[0].strip()
        if not line:
            continue
        code, mark, value = (each.strip() for each in line.partition(":"))
        check = by_code.get(" ".join(code.lower().split()))
        if not mark:
            wrong.append(f'{file}: line {number}: "{line}" is no answer; write it like L11: 0.61')
        elif check is None:
            near = get_close_matches(code.lower(), by_code, n=1)
            hint = f'did you mean "{by_code[near[0]].code}"?' if near else "see the sheet"
            wrong.append(f'{file}: line {number}: there is no check "{code}"; {hint}')
        elif value:
            try:
                found[check.code] = parse_answer(check, value)
            except ValueError as error:
                wrong.append(f"{file}: line {number}: {check.code}: {error}")
    if wrong:
        raise UsageError("\n".join(wrong))
    return found


def parse_answer(check: Check, text: str) -> Answer:
    """One answer; ValueError says what cannot be read."""
    text = " ".join(text.split())
    if check.kind == "look":
        return Answer(check, text, text.lower().split()[0].rstrip(",;") in _YES)
    if check.kind == "rails":
        words = set(re.findall(r"[a-z]+", text.lower()))
        if words & _YES and not words & {"ground", "supply"}:
            return Answer(check, text, True)
        if not words & {"ground", "supply"}:
            raise ValueError(f'"{text}" makes no sense; write ok, ground, supply, or both of these')
        return Answer(check, text, False)
    if check.kind == "diode":
        return Answer(check, text, None, _diode(check, text))
    return Answer(check, text, None, _lines(check, text))


def _diode(check: Check, text: str) -> tuple[MeterReading, ...]:
    values = [_volts(word) for word in re.split(r"[\s;/]+", text)]
    if len(values) > 2:
        raise ValueError(f'"{text}" makes no sense; write one reading, or two: leads exchanged')
    (test,) = check.tests
    tests = (test, MeterTest(test.black, test.red, test.held))
    return tuple(MeterReading(t, v) for t, v in zip(tests, values, strict=False))


def _lines(check: Check, text: str) -> tuple[MeterReading, ...]:
    """A reading for every line touched: those named, and OL for all others."""
    shown: dict[str, float] = {}
    short = {name.split()[1].lower(): name for name in check.touched}
    if text.lower().split()[0].rstrip(",;") not in _YES:
        for part in re.split(r"[,;]", text):
            words = re.sub(r"\b(row|column)\s+", "", part.strip(), flags=re.I).split()
            if len(words) != 2 or words[0].lower() not in short:
                raise ValueError(
                    f'"{part.strip()}" makes no sense; write the line and its reading, '
                    f"like {next(iter(check.touched)).split()[1]} 0.00, or ok"
                )
            shown[short[words[0].lower()]] = _volts(words[1])
    return tuple(
        MeterReading(test, shown.get(name, OL))
        for test, name in zip(check.tests, check.touched, strict=True)
    )


def _volts(word: str) -> float:
    plain = word.lower().removesuffix("v").replace(",", ".")
    if plain in _OVER:
        return OL
    if plain == "beep":
        return 0.0
    try:
        value = float(plain)
    except ValueError as error:
        raise ValueError(f'"{word}" is no reading; write volts, like 0.61, or OL') from error
    if 100.0 <= value <= 3000.0 and "." not in plain:
        value /= 1000.0  # meters that show millivolts
    if not -0.05 <= value <= 4.0:
        raise ValueError(f'"{word}" is no reading of a diode range; write volts, like 0.61, or OL')
    return value


def evidence(answers: Mapping[str, Answer]) -> tuple[MeterAnswer, ...]:
    """The readings as evidence for a diagnosis: each is the answer to a meter test, which a
    journal files under the test's code."""
    return tuple(
        MeterAnswer(reading.test, reading.seen)
        for answer in answers.values()
        for reading in answer.readings
    )
