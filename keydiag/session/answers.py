"""Meter answers as the session keeps them: read from events, dropped when the iron was near.

Here: pure functions. Not here: what an answer says about the faults (diagnosis/meter_answers.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from keydiag.circuit import Circuit, Point
from keydiag.diagnosis import Finding, MeterAnswer
from keydiag.diagnosis.meter import ANSWERS, parse_code, point_words, read
from keydiag.errors import UsageError

__all__ = ["added", "against_sound", "answer_of", "still_valid", "words"]


def answer_of(circuit: Circuit, code: str, value: str) -> MeterAnswer:
    """The answer of an event: `value` is the result ("open") or what the meter shows, in the words
    it was offered in. UsageError if it is no test of this board, or no result."""
    test = parse_code(circuit, code)
    for result, shows in ANSWERS.items():
        if value.strip() in (result, shows):
            return MeterAnswer(test, result)
    raise UsageError(f"{value!r} is nothing a meter shows; give {', '.join(ANSWERS)}")


def added(answers: Sequence[MeterAnswer], new: MeterAnswer) -> tuple[MeterAnswer, ...]:
    """The answers with a new one, which takes the place of what the same test showed before."""
    return (*(answer for answer in answers if answer.test != new.test), new)


def words(circuit: Circuit, answer: MeterAnswer) -> str:
    """What was measured, as a sentence."""
    red, black = (point_words(circuit, point) for point in (answer.test.red, answer.test.black))
    held = f", holding {'+'.join(answer.test.held)}" if answer.test.held else ""
    return f"Meter, red on {red}, black on {black}{held}: {ANSWERS[answer.result]}."


def against_sound(circuit: Circuit, answers: Iterable[MeterAnswer]) -> tuple[str, ...]:
    """The answers that a sound half would not give, one sentence each."""
    out = []
    for answer in answers:
        expected = read(circuit, frozenset(), answer.test)
        if expected != answer.result:
            said = words(circuit, answer).removesuffix(".").replace("Meter, ", "", 1)
            sound = ANSWERS[expected]
            out.append(f"{said}; a half that passes shows {sound}: measure there once more.")
    return tuple(out)


def still_valid(
    circuit: Circuit, answers: Iterable[MeterAnswer], reworked: Iterable[Finding]
) -> tuple[MeterAnswer, ...]:
    """The answers that the rework of these findings cannot have changed: none of their places lies
    at a key the finding names or wants pressed again, or on a line it names."""
    keys: set[str] = set()
    lines: set[str] = set()
    for finding in reworked:
        keys.update(finding.retest)
        for member in finding.members:
            for place in member.at:
                named = place.split()
                keys.update(word for word in named if word in circuit.parts)
                lines.update(
                    name
                    for name, line in circuit.line_file.items()
                    if named[:2] == name.split() or line.pin in named
                )
    return tuple(
        answer
        for answer in answers
        if not keys & {*answer.test.held, answer.test.red.key, answer.test.black.key}
        and not lines & {_line(circuit, answer.test.red), _line(circuit, answer.test.black)}
    )


def _line(circuit: Circuit, point: Point) -> str:
    """The line a point lies on, "" if it is one of a key's own or of a free pin."""
    if point.place == "line":
        return point.name
    if point.place == "pin":
        return next((n for n, line in circuit.line_file.items() if line.pin == point.name), "")
    return ""
