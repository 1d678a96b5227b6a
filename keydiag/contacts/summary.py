"""What a round found: the table, what stands out and where to look, and what is not proven.

Here: `sum_up`, which judges all that was measured, and its words and JSON. Pure. Not here: the
figures and their limits (levels.py, rises.py, steadiness.py).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from keydiag.chips import Chip
from keydiag.circuit import Circuit
from keydiag.contacts.levels import Levels, judge_levels, ohms, two_drops
from keydiag.contacts.places import Notice, NoticeKind
from keydiag.contacts.rises import Rises, judge_rises
from keydiag.contacts.round import KeyFound, State, Taken, milliseconds, times
from keydiag.contacts.steadiness import BOUNCE_US, judge_steadiness
from keydiag.diagnosis.words import CAUTIONS_SOLDER, list_words

__all__ = ["Summary", "as_json", "sum_up", "summary_lines"]

FORMAT = "keydiag contacts 1"
WIDTH = 79

NOT_PROVEN = (
    "A joint that let go neither while its key was held nor while the half was flexed may do so "
    "later.",
    "Crossings that conduct where they should not: that is what keydiag test looks for.",
)


@dataclass(frozen=True, slots=True)
class Summary:
    """A round, judged. supply_mv: what the levels were judged with. notices: all that stands out,
    levels first."""

    circuit: Circuit
    chip: Chip
    supply_mv: int
    taken: Taken
    levels: Levels
    rises: Rises
    notices: tuple[Notice, ...]

    @property
    def incomplete(self) -> tuple[str, ...]:
        """Keys that were to be measured and were not held."""
        return tuple(k for k, found in self.taken.keys.items() if found.state == "not asked")


def sum_up(circuit: Circuit, chip: Chip, supply_mv: int, taken: Taken) -> Summary:
    """Judge all that was measured."""
    mv = {key: found.mv for key, found in taken.keys.items() if found.mv is not None}
    watched = {k: found.watched for k, found in taken.keys.items() if found.watched is not None}
    levels = judge_levels(circuit, mv, chip, supply_mv)
    rises = judge_rises(circuit, taken.rise_ns)
    # A line whose keys answer has its lead, however fast it rises.
    fast = [n for n in rises.notices if n.kind != "fast rise" or not _answers(circuit, taken, n)]
    notices = [*levels.notices, *judge_steadiness(circuit, watched), *fast]
    states: tuple[tuple[NoticeKind, State], ...] = (
        ("silent", "silent"), ("at rest", "conducts at rest"),
    )  # fmt: skip
    for key, found in taken.keys.items():
        if found.openings:
            notices.append(Notice("long opening", (), (key,)))
    for kind, state in states:
        keys = tuple(key for key, found in taken.keys.items() if found.state == state)
        if keys:
            notices.append(Notice(kind, (), keys))
    return Summary(circuit, chip, supply_mv, taken, levels, rises, tuple(notices))


def _answers(circuit: Circuit, taken: Taken, notice: Notice) -> bool:
    """True if a key of the line whose lead is named was held and answered."""
    line = circuit.line_of_piece[notice.places[0]]
    return any(taken.keys[k].state == "held" for k in circuit.keys_on[line] if k in taken.keys)


# --- words ---


def summary_lines(done: Summary) -> list[str]:
    """The whole end of a round."""
    out = ["", *_table(done), "", *_wrapped("", _rise_lines(done)), ""]
    if not done.notices:
        out.append("Nothing stands out.")
    else:
        out.append("What stands out:")
        for number, notice in enumerate(done.notices, start=1):
            title, meaning, look = notice_words(done, notice)
            out += _wrapped(f"{number}. ", [title])
            out += _wrapped("   ", [meaning, look] if look else [meaning])
        if any(notice.places for notice in done.notices):
            out += ["", "Before you touch anything:", *_wrapped("  - ", CAUTIONS_SOLDER)]
    return [*out, "", "Not proven:", *_wrapped("  - ", not_proven(done))]


def _wrapped(first: str, texts: Iterable[str]) -> list[str]:
    """Each text on lines of its own that fit a terminal, the first of them beginning so."""
    rest = " " * len(first)
    return [
        line
        for text in texts
        for line in wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest)
    ]


def _table(done: Summary) -> list[str]:
    odd: dict[str, list[str]] = {}
    for notice in done.notices:
        for key in notice.keys:
            odd.setdefault(key, []).append(notice.kind)
    levels = done.levels
    whose = "median of this half" if levels.own else "one 1N4148, too few levels to compare"
    out = [f"Levels are held against {levels.reference_mv / 1000:.2f} V ({whose})."]
    out.append(f"  {'key':6} {'level':>7} {'bounce':>8} {'drop-outs':>14} {'closed':>7}")
    for key, found in done.taken.keys.items():
        said = _row(found) if found.state == "held" else _STATES[found.state]
        mark = f"  <- {', '.join(odd[key])}" if key in odd and found.state == "held" else ""
        out.append(f"  {key:6} {said}{mark}")
    return out


def _row(found: KeyFound) -> str:
    level = "-" if found.mv is None else f"{found.mv / 1000:.2f} V"
    seen = found.watched
    if seen is None:
        return f"{level:>7}"
    bounce = "-" if seen.bounce_us is None else milliseconds(seen.bounce_us)
    drops = f"{seen.dropouts} ({milliseconds(seen.longest_us)})" if seen.dropouts else "none"
    return f"{level:>7} {bounce:>8} {drops:>14} {seen.closed_us / 1e6:>5.1f} s"


_STATES = {
    "silent": "no answer",
    "conducts at rest": "conducts with nothing held, not measured",
    "not asked": "not pressed",
}


def _rise_lines(done: Summary) -> list[str]:
    ns = done.taken.rise_ns
    if not ns:
        return ["Rise times: the probe has told none."]
    pins = done.circuit.pins
    lines = zip(done.circuit.line_names, ns, strict=False)
    each = [f"{name} ({pins[n]}) {took / 1000:g}" for n, (name, took) in enumerate(lines)]
    out = [f"Rise times in microseconds: {', '.join(each)}."]
    if not done.rises.told:
        out.append("The steps are too coarse, or the lines too few, to tell a bare pin by them.")
    return out


def notice_words(done: Summary, notice: Notice) -> tuple[str, str, str]:
    """(what was seen, what it means, where to look) of one notice; the last may be empty."""
    keys = list_words(notice.keys)
    places = list_words(notice.places, last="or")
    if notice.shared:
        title = list_words(notice.places, last="or")
        iron = f"Reflow {places}: its solder at both ends first."
    else:
        title = keys
        iron = f"Look, in this order, at {list_words(notice.places)}; reflow the joints."
    match notice.kind:
        case "high":
            return _high_words(done, notice, title, iron)
        case "all high":
            return (
                "the whole half: all levels lie above that of one 1N4148",
                "Another kind of diode, or resistance in all of these paths.",
                "Unplugged, measure one diode with the meter on its diode range.",
            )
        case "no drop":
            return (
                f"{keys}: {_volts(done, notice)}, no diode in the path",
                "The diode is bypassed or shorted: solder across its legs, or a wire past it.",
                f"Look at {places}; clear the bridge or change the diode.",
            )
        case "low":
            return (
                f"{keys}: {_volts(done, notice)}, clearly below the others",
                "A diode of another kind, or one that is partly bypassed.",
                f"Compare {places} with its neighbours.",
            )
        case "drop-outs":
            seen = [done.taken.keys[key].watched for key in notice.keys]
            count = sum(each.dropouts for each in seen if each)
            longest = max(each.longest_us for each in seen if each)
            shared = "All keys beyond it are unsteady. " if notice.shared else ""
            return (
                f"{title}: opened {times(count)} while held, {milliseconds(longest)} at the most",
                f"{shared}A joint that lets go, or a worn contact.",
                iron,
            )
        case "no rest":
            return f"{title}: never closed for good", "A contact or joint that barely closes.", iron
        case "bounce":
            watched = done.taken.keys[notice.keys[0]].watched
            took = watched.bounce_us if watched and watched.bounce_us else 0
            return (
                f"{keys}: took {milliseconds(took)} to close",
                f"Makers' limits end at {BOUNCE_US // 1000} ms: a worn or dirty contact, a slow "
                "finger, or a joint that moves with the key.",
                f"Press it again; if it stays so, look at {places}.",
            )
        case "fast rise":
            line = done.circuit.line_of_piece[notice.places[0]]
            n = done.circuit.pin_of_line[line]
            asked = any(key in done.taken.keys for key in done.circuit.keys_on[line])
            keys_say = "no key of the line has answered" if asked else "press its keys to be sure"
            return (
                f"{line} ({done.circuit.pins[n]}): rises in {done.taken.rise_ns[n] / 1000:g} us, "
                f"the others in {done.rises.median_ns / 1000:g} us",
                "Little wire hangs on this pin: the lead may have come off there. By itself that "
                f"proves nothing, pull-ups and wires differ; {keys_say}.",
                f"Look at {places} where it is soldered to the pin.",
            )
        case "no rise":
            line = notice.places[0]
            return (
                f"{line}: does not rise",
                "It is tied to ground or to the supply, or leaky.",
                "Unplug, look for solder between it and its neighbours; keydiag test says more.",
            )
        case "long opening":
            count = done.taken.keys[notice.keys[0]].openings
            return (
                f"{keys}: opened {times(count)} for long while the half was flexed",
                "A joint that comes apart, or the finger: flex it once more to be sure.",
                "",
            )
        case "silent":
            return f"{keys}: no answer", "Not measured; keydiag test finds out why.", ""
        case "at rest":
            why = "a stuck switch or a bridge; keydiag test finds out which."
            return f"{keys}: closed with nothing held", f"Not measured: {why}", ""
    raise AssertionError(notice.kind)


def _high_words(done: Summary, notice: Notice, title: str, iron: str) -> tuple[str, str, str]:
    reference = done.levels.reference_mv
    mv = [_mv(done, key) for key in notice.keys]
    low = min(ohms(each, reference, done.chip, done.supply_mv)[0] for each in mv)
    high = max(ohms(each, reference, done.chip, done.supply_mv)[1] for each in mv)
    others = "the others" if done.levels.own else "one 1N4148"
    seen = f"{title}: {_volts(done, notice)}, {others} {reference / 1000:.2f} V"
    if notice.shared:
        seen += f" (keys {list_words(notice.keys)})"
    meaning = f"Too much resistance in the path: some {_ohm(low)} to {_ohm(high)}."
    if notice.shared:
        meaning += " All keys beyond it that were measured are high."
    elif two_drops(mv[0], reference):
        meaning += " Two diodes in series read the same: only looking tells."
    else:
        meaning += " Or a worn contact, or a diode of another kind."
    return seen, meaning, iron


def _mv(done: Summary, key: str) -> int:
    mv = done.taken.keys[key].mv
    assert mv is not None
    return mv


def _volts(done: Summary, notice: Notice) -> str:
    mv = sorted(_mv(done, key) for key in notice.keys)
    low, high = (f"{each / 1000:.2f}" for each in (mv[0], mv[-1]))
    return f"{low} V" if low == high else f"{low} to {high} V"


def _ohm(value: float) -> str:
    """Two figures are more than is known."""
    return f"{value / 1000:.1f} kohm" if value >= 1000 else f"{round(value, -1):.0f} ohm"


def not_proven(done: Summary) -> list[str]:
    """What this round does not say, one sentence each."""
    keys = done.taken.keys
    held = {key: found for key, found in keys.items() if found.state == "held"}
    out = []
    if done.incomplete:
        out.append(f"Not pressed, so nothing is known of them: {list_words(done.incomplete, 12)}.")
    blind = [key for key, found in held.items() if found.mv is None and not found.analog]
    if blind:
        out.append(
            f"Level not measured, as the sensing pin has no analogue input: {_few(blind)}. "
            "Nothing is said about resistive joints there."
        )
    short = [key for key, found in held.items() if found.mv is None and found.analog]
    if short:
        out.append(f"Let go too soon, level not measured: {_few(short)}.")
    still = [key for key, found in held.items() if not found.flexed]
    if still and len(still) == len(held):
        out.append("No key was held while the half was flexed (--flex does it).")
    elif still:
        out.append(f"Not flexed: {_few(still)}.")
    low, high = ohms(
        done.levels.reference_mv + done.levels.limit_mv,
        done.levels.reference_mv,
        done.chip,
        done.supply_mv,
    )
    out.append(
        f"Levels tell a resistive joint from a good one above some {_ohm(low)} to {_ohm(high)}, as "
        "the pull-up is: nothing is said about less, nor about the ohms of any joint by itself."
    )
    out += NOT_PROVEN
    return out


def _few(keys: Iterable[str]) -> str:
    return list_words(keys, 12)


# --- for programs ---


def as_json(done: Summary) -> str:
    """The same as one JSON object."""
    data: dict[str, Any] = {
        "format": FORMAT,
        "board": done.circuit.board.name,
        "supply_mv": done.supply_mv,
        "reference_mv": done.levels.reference_mv,
        "reference": "this half" if done.levels.own else "one 1N4148",
        "limit_mv": done.levels.limit_mv,
        "keys": {key: _key_json(done, key) for key in done.taken.keys},
        "rise_ns": dict(zip(done.circuit.line_names, done.taken.rise_ns, strict=False)),
        "rise_tells": done.rises.told,
        "stands_out": [_notice_json(done, notice) for notice in done.notices],
        "not_proven": not_proven(done),
    }
    return json.dumps(data, indent=2)


def _key_json(done: Summary, key: str) -> dict[str, Any]:
    found = done.taken.keys[key]
    out: dict[str, Any] = {"state": found.state, "mv": found.mv, "analog": found.analog}
    if found.watched is not None:
        seen = found.watched
        out |= {
            "bounce_us": seen.bounce_us,
            "dropouts": seen.dropouts,
            "longest_us": seen.longest_us,
            "closed_us": seen.closed_us,
            "gap_us": seen.gap_us,
            "flexed": found.flexed,
        }
    return out


def _notice_json(done: Summary, notice: Notice) -> dict[str, Any]:
    seen, meaning, look = notice_words(done, notice)
    return {
        "kind": notice.kind,
        "places": list(notice.places),
        "keys": list(notice.keys),
        "shared": notice.shared,
        "seen": seen,
        "meaning": meaning,
        "look": look,
    }
