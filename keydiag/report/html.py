"""The report as one HTML page that needs nothing else: to keep with the half, or to print.

Here: the layout of the page. Not here: what is said (summary.py), escaping (markup.py), the style
sheet (sheet.py), the drawings themselves (drawing/). No state is told by colour alone: each has
its sign and its words. The same journal gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable

from keydiag import __version__
from keydiag.board.pins import pin_map
from keydiag.diagnosis import Finding, NextTest
from keydiag.diagnosis.words import list_words
from keydiag.drawing import svg, zoom_svg
from keydiag.drawing.pen import Side
from keydiag.drawing.places import lay_out
from keydiag.errors import UsageError
from keydiag.report.history import Entry, State, Story
from keydiag.report.markup import Html, join, tag
from keydiag.report.sheet import SHEET
from keydiag.report.summary import KEY_WORDS, STATE_WORDS, Report, marks
from keydiag.report.text import percent
from keydiag.session import KeyStatus

__all__ = ["page"]

STATE_SIGNS: dict[State, str] = {
    "open": "!", "still there": "!!", "in repair": "…", "not retested": "?", "repaired": "✓",
    "gone": "–",
}  # fmt: skip
KEY_SIGNS: dict[KeyStatus, str] = {
    "good": "✓", "odd": "≠", "silent": "×", "unsure": "?", "hidden": "…", "waiting": "·",
    "next": "·",
}  # fmt: skip
# Nothing may be loaded, not even by a mistake of ours: the browser itself is told so.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
_SIDES: tuple[Side, ...] = ("solder", "key")
_LIMITS = (
    "What was measured is all that is claimed: a digital reading tells a conducting path below a "
    "few kilo-ohms from none; it does not prove a good solder joint. Local safety rules and "
    "licensed practice come first."
)


def page(report: Report) -> str:
    """The whole page."""
    title = f"Report on {report.board.name}"
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title),
        tag("style", Html(SHEET)),
    )
    places = [_places(report, story.finding) for story in report.stories]
    sections = [
        _head(report, title),
        *_outcome(report),
        *_findings(report, places),
        *_drawings(report, places),
        *_meter(report),
        *_keys(report),
        *_pins(report),
        tag("footer", tag("p", _LIMITS), tag("p", f"Written by keydiag {__version__}.")),
    ]
    body = tag("body", tag("main", join(sections)))
    return f"<!doctype html>\n{tag('html', head, Html(chr(10)), body, lang='en')}\n"


# --- how it ended ---


def _head(report: Report, title: str) -> Html:
    circuit = report.circuit
    facts = {
        "Half": report.board.name,
        "Size": f"{len(circuit.keys)} keys, {len(circuit.rows)} rows, "
        f"{len(circuit.columns)} columns",
        "Controller": report.board.chip,
        "Session begun": report.begun,
        "Journal": report.journal,
        "Journal written by": report.written_by,
    }
    return tag("header", tag("h1", title), _facts(facts, "facts"))


def _outcome(report: Report) -> list[Html]:
    kind = report.diagnosis.verdict
    if report.signed_off:
        headline = "✓ Signed off"
    elif kind == "faults":
        headline = "! Not signed off: faults found"
    else:
        headline, kind = "? Not signed off yet", "incomplete"
    out = [
        tag("section", tag("strong", headline), tag("p", report.in_words), class_=f"verdict {kind}")
    ]
    if report.missing:
        out += [tag("h2", "Missing for the sign-off"), _list(report.missing)]
    if report.proven:
        out += [tag("h2", "What was proven, and with what"), _list(report.proven)]
        out += [tag("h2", "What was not proven"), _list(report.not_proven)]
    if report.noted:
        out += [tag("h2", "Also noted"), _list(report.noted)]
    return out


# --- findings ---


def _findings(report: Report, places: list[tuple[str, ...]]) -> list[Html]:
    if not report.stories:
        return [tag("h2", "Findings"), tag("p", "None.")]
    rows = [
        (
            tag("a", str(number), href=f"#finding-{number}"),
            story.finding.title,
            percent(story.finding.probability),
            _state(story.state),
        )
        for number, story in enumerate(report.stories, start=1)
    ]
    out = [
        tag("h2", "Findings"),
        _table(("No.", "Finding", "Probability", "State"), rows),
    ]
    cautions = dict.fromkeys(c for story in report.stories for c in story.finding.cautions)
    if cautions:
        box = [tag("strong", "Before you touch anything"), _list(cautions)]
        out.append(tag("section", *box, class_="cautions"))
    for number, story in enumerate(report.stories, start=1):
        out.append(_finding(report, number, story, places[number - 1]))
    return out


def _finding(report: Report, number: int, story: Story, marked: tuple[str, ...]) -> Html:
    finding = story.finding
    alike = [f"{member.words} ({percent(member.probability)})" for member in finding.members]
    parts: dict[str, Html | str] = {
        "What became of it": tag("ol", *(tag("li", _happened(entry)) for entry in story.entries)),
        "Seen": _list(finding.evidence) if finding.evidence else "",
        "Meaning": finding.explanation,
        "Places, best first": _list(alike, "ol") if len(alike) > 1 else "",
        "Repair": finding.repair,
        "What else it might be": _list(finding.what_else) if finding.what_else else "",
        "Tests that would tell": _list(map(_test, finding.next_tests))
        if finding.next_tests
        else "",
        "Press after the repair": list_words(finding.retest, 60),
    }
    heading = tag("h3", f"{number}. {finding.title} ({percent(finding.probability)})")
    return tag(
        "article",
        heading,
        tag("p", _state(story.state)),
        _facts(parts),
        _zoom(report, number, marked),
        class_="finding",
        id=f"finding-{number}",
    )


def _happened(entry: Entry) -> str:
    what = {
        "found": "found",
        "found again": "found again",
        "reads as": "after more evidence",
        "worked on": "worked on",
        "confirmed": "retested: gone, the repair is confirmed",
        "still there": "retested: still there",
        "not retested": "not retested, its keys were not all pressed",
        "new harm": "found, new since a repair",
        "came to light": "found, hidden until then by what was repaired",
    }[entry.what]
    seconds = entry.t_us // 1_000_000
    words = f"{what}: {entry.words}" if entry.words else what
    return f"At {seconds // 60}:{seconds % 60:02d} {words}."


def _test(test: NextTest) -> Html:
    outcomes = [
        f"If {each.answer} ({percent(each.probability)}): {list_words(each.means, 6, 'or')}."
        for each in test.outcomes
    ]
    return join([f"{test.what}.", _list(outcomes)])


def _state(state: State) -> Html:
    return tag("span", f"{STATE_SIGNS[state]} {STATE_WORDS[state]}", class_="state")


# --- drawings ---


def _places(report: Report, finding: Finding) -> tuple[str, ...]:
    """What to mark for a finding, without what no picture has, such as ground."""
    layout = lay_out(report.board)
    found = []
    for address in marks(report.circuit, finding):
        try:
            if layout.locate(address):
                found.append(address)
        except UsageError:
            continue
    return tuple(found)


def _zoom(report: Report, number: int, marked: tuple[str, ...]) -> Html:
    if not marked:
        return tag("p", "The board file gives no place for it, so there is no picture.")
    drawing = zoom_svg(report.board, marked, "solder", title=f"Finding {number}")
    words = f"Finding {number} on the solder side: {list_words(marked, 6)}."
    return tag("figure", Html(drawing), tag("figcaption", words), class_="zoom")


def _drawings(report: Report, places: list[tuple[str, ...]]) -> list[Html]:
    """Both sides, each with the best place of every finding marked."""
    marked: dict[str, list[str]] = {}
    for number, (story, found) in enumerate(zip(report.stories, places, strict=True), start=1):
        for address in found[:1]:
            words = f"finding {number} ({STATE_WORDS[story.state]})"
            marked.setdefault(address, []).append(words)
    legend = [f"{address}: {list_words(words)}" for address, words in marked.items()]
    out = [tag("h2", "Both sides of the half")]
    if legend:
        out += [tag("p", "Marked is the most worthwhile place of every finding:")]
        out += [_list(legend, "ol")]
    for side in _SIDES:
        drawing = Html(svg(report.board, side, tuple(marked)))
        out.append(tag("figure", drawing))
    return [tag("section", join(out), class_="sides")]


# --- tables ---


def _meter(report: Report) -> list[Html]:
    if not report.readings:
        return []
    rows = [(each.code, each.value) for each in report.readings]
    return [tag("h2", "Meter readings"), _table(("From, to", "The meter said"), rows)]


def _keys(report: Report) -> list[Html]:
    legends = any(key.legend for key in report.keys)
    rows, look = [], []
    for key in report.keys:
        words = f"{KEY_SIGNS[key.status]} {KEY_WORDS[key.status]}"
        if key.until:
            words += f": {list_words(key.until)}"
        rows.append(
            (
                key.name,
                *([key.legend] if legends else []),
                words,
                join([_link(number) for number in key.findings], ", "),
                key.row,
                key.column,
                f"{key.anode_pin} → {key.cathode_pin}",
            )
        )
        look.append(key.status != "good")
    good = sum(key.status == "good" for key in report.keys)
    head = ["Key", *(["Legend"] if legends else []), "How it stands", "Open findings", "Row",
            "Column", "Pins, anode → cathode"]  # fmt: skip
    return [
        tag("h2", "Keys"),
        tag("p", f"{good} of {len(report.keys)} keys answer as wired."),
        _table(head, rows, look),
    ]


def _pins(report: Report) -> list[Html]:
    paths = {
        (kind, name): line.path
        for kind, group in (("row", report.board.row), ("column", report.board.column))
        for name, line in group.items()
    }
    rows = [
        (
            each["pin"],
            f"{each['kind']} {each['line']}",
            str(sum(1 for _ in _flat(paths[each["kind"], each["line"]]))),
        )
        for each in pin_map(report.board)["lines"]
    ]
    at = report.board.cathode_at
    words = f"Every diode has its cathode, the banded end, towards the {at} wire."
    return [
        tag("h2", "Pin map"),
        tag("p", words),
        _table(("Pin", "Line", "Keys on it"), rows),
    ]


def _flat(path: Iterable[object]) -> Iterable[str]:
    for each in path:
        if isinstance(each, str):
            yield each
        else:
            yield from _flat(each)  # type: ignore[arg-type]


# --- pieces ---


def _link(number: int) -> Html:
    return tag("a", str(number), href=f"#finding-{number}")


def _list(items: Iterable[str], kind: str = "ul") -> Html:
    return tag(kind, *(tag("li", item) for item in items))


def _facts(facts: dict[str, Html | str] | dict[str, str], class_: str = "parts") -> Html:
    """Terms and what is said of each; what says nothing is left out."""
    pairs = [tag("dt", term) + tag("dd", said) for term, said in facts.items() if said]
    return tag("dl", *map(Html, pairs), class_=class_)


def _table(
    head: Iterable[str], rows: Iterable[tuple[str, ...]], look: Iterable[bool] | None = None
) -> Html:
    """A table whose first column names the rows; `look` marks those that want the eye."""
    rows = list(rows)
    marked = list(look) if look is not None else [False] * len(rows)
    body = []
    for cells, wants in zip(rows, marked, strict=True):
        inside = [tag("th", cells[0], scope="row"), *(tag("td", cell) for cell in cells[1:])]
        body.append(tag("tr", *inside, **({"class_": "look"} if wants else {})))
    top = tag("tr", *(tag("th", name, scope="col") for name in head))
    return tag("table", tag("thead", top), tag("tbody", join(body)))
