"""What the panels say: pure functions from findings and snapshots to text.

Here: wording and order. Not here: any judgement (diagnosis/ makes that), and widgets.
"""

from __future__ import annotations

from rich.text import Text
from textual.content import Content

from keydiag.diagnosis.model import Finding, Member, NextTest
from keydiag.diagnosis.words import list_words
from keydiag.drawing.pen import Side
from keydiag.faults.kinds import OPEN_IN_KEY
from keydiag.screen import bigtext, palette
from keydiag.screen.palette import MEANINGS
from keydiag.session import Snapshot

# Words for probabilities: the calibrated scale of the IPCC's guidance note on the treatment of
# uncertainties (2010; from memory), from the highest step down: (at least, words).
_SCALE = (
    (0.99, "virtually certain"),
    (0.90, "very likely"),
    (0.66, "likely"),
    (0.33, "about as likely as not"),
    (0.10, "unlikely"),
    (0.0, "very unlikely"),
)
STEPS = {
    "connect": "connect",
    "rest": "rest check",
    "sweep": "sweep",
    "findings": "findings",
    "rework": "rework",
    "retest": "retest",
    "chords": "chords",
    "signed-off": "signed off",
}


SURE = {
    "leave": "Press q once more to leave; the journal keeps everything.",
    "sweep": "Press n once more to press the whole half from the beginning; what was found goes.",
}
BEFORE_POWER = (
    "Before power: look and measure first.",
    "No bare wire or clipping may touch another; the meter may not beep between supply and ground.",
    "Every diode's dark band looks the way the board file says.",
    "With a smell, smoke or heat: unplug at once.",
)
NO_FINDING = Content("No finding is chosen.")


def percent(probability: float) -> str:
    """A probability as a figure that never claims certainty."""
    if probability > 0.99:
        return ">99%"
    if probability < 0.01:
        return "<1%"
    return f"{probability:.0%}"


def likelihood(probability: float) -> str:
    """A probability in words."""
    return next(words for least, words in _SCALE if probability >= least)


def finding_line(finding: Finding) -> Content:
    """A finding in the list: figure, then title."""
    return Content.assemble((f"{percent(finding.probability):>4} ", "bold"), finding.title)


def place_line(number: int, member: Member) -> Content:
    """One of the places a finding could mean, as it is numbered in the picture."""
    share = percent(member.probability)
    return Content.assemble((f"({number + 1}) ", "bold"), f"{share:>3} ", short_place(member))


def caption(number: int, member: Member) -> Content:
    """What the picture shows."""
    return Content(f"({number + 1}) {member.words}")


def short_place(member: Member) -> str:
    """A member's place without the key's name, where it is plain which key is meant."""
    if member.kind == "broken-stretch":
        near, far = member.at[0].split(" between ")[1].split(" and ")
        return f"{near}–{far} broken"
    if member.kind in OPEN_IN_KEY and member.at:
        key, _, rest = member.at[0].partition(" ")
        return rest.replace(" joint", "") or key
    return member.words


def why(finding: Finding) -> Content:
    """Probability, what was seen, what it means, which places, what else."""
    parts: list[Content] = [
        Content(finding.title).stylize("bold"),
        Content(f"{likelihood(finding.probability)} ({percent(finding.probability)})"),
        Content(""),
        Content(finding.explanation),
    ]
    seen = [line for line in finding.evidence if line not in finding.explanation]
    parts += _items("Seen", seen)
    if len(finding.members) > 1:
        parts += _items(
            "One of",
            [f"{m.words}: {percent(m.probability)}" for m in finding.members],
            numbered=True,
        )
    parts += _items("What else", [w for w in finding.what_else if w not in finding.explanation])
    return _stack(parts)


def mend(finding: Finding) -> Content:
    """Cautions first, then what to do."""
    parts = [
        Content.assemble(("! ", "bold $warning"), (" ".join(finding.cautions), "$warning")),
        Content(""),
        Content(finding.repair),
    ]
    if finding.retest:
        parts.append(Content(f"Afterwards press {list_words(finding.retest, 12)}."))
    return _stack(parts if finding.cautions else parts[2:])


def rework_choices(finding: Finding) -> list[tuple[str, str]]:
    """(what to send, what to show) for declaring what was reworked."""
    if len(finding.members) == 1:
        return [(finding.members[0].words, f"mended: {finding.members[0].words}")]
    choices = [(finding.title, f"all {len(finding.members)} places")]
    return choices + [(m.words, f"({i + 1}) {m.words}") for i, m in enumerate(finding.members)]


def tests_intro(finding: Finding) -> Content:
    """What stands over the meter's tests."""
    if not finding.next_tests:
        return Content("No further test would tell more about this finding: mend it.")
    presses = [test.what for test in finding.next_tests if test.kind != "meter"]
    parts = []
    if presses:
        parts.append(Content(f"Without the meter: {'; or '.join(presses)}."))
    if len(presses) < len(finding.next_tests):
        parts.append(Content("With the meter: unplug, then choose what it shows."))
    return _stack(parts)


def test_line(test: NextTest) -> Content:
    """One reading of the meter: where its leads go, and how much it would tell."""
    what = test.what.removeprefix("meter: ")
    return Content.assemble(
        f"{what[:1].upper()}{what[1:]}", (f" ({test.gain_bits:.1f} bits)", "dim")
    )


def outcome_line(finding: Finding, test: NextTest, index: int) -> Content:
    """One answer of the meter, how likely it is, and which places it would mean."""
    outcome = test.outcomes[index]
    number = {member.words: f"({i + 1})" for i, member in enumerate(finding.members)}
    means = [number.get(words, words) for words in outcome.means]
    known = sorted(words for words in means if words.startswith("("))
    others = [words.partition(":")[0] for words in means if not words.startswith("(")]
    meaning = ", ".join([" ".join(known)] * bool(known) + others[:2])
    return Content.assemble(
        "▪ ", (outcome.answer, "bold"), (f"  {percent(outcome.probability)}: {meaning}", "dim")
    )


def crossing(snapshot: Snapshot, key: str) -> Content:
    """The two lines a key joins, with their pins."""
    circuit = snapshot.circuit
    names = (circuit.row_of[key], circuit.column_of[key])
    return Content(", ".join(f"{name} ({circuit.line_file[name].pin})" for name in names))


def key_info(snapshot: Snapshot, key: str) -> Content:
    """Everything the snapshot says about one key."""
    view = {v.name: v for v in snapshot.keys}[key]
    legend = snapshot.board.key[key].legend
    parts = [
        Content.assemble((key, "bold"), f"  {legend}" if legend else ""),
        crossing(snapshot, key),
        Content(f"{view.status}: {MEANINGS[view.status]}"),
    ]
    if view.held:
        parts.append(Content(f"held: {MEANINGS['held']}"))
    if snapshot.diagnosis is not None:
        for each in snapshot.diagnosis.cannot_judge:
            if each.key == key:
                parts.append(Content(f"Mend first: {list_words(each.until)}."))
        for index, finding in enumerate(snapshot.diagnosis.findings):
            if concerns(finding, key):
                parts.append(Content(f"Finding {index + 1}: {finding.title}."))
    return _stack(parts)


def notes(snapshot: Snapshot, journal: str) -> Content:
    """What became of the repairs, where the report is to be had, and what happened last."""
    parts = []
    if snapshot.step == "connect":
        parts += [Content(line) for line in BEFORE_POWER] + [Content("")]
    if snapshot.step == "signed-off" and journal:
        parts += [Content(f"Report: keydiag report {journal}"), Content("")]
    if snapshot.step in ("findings", "signed-off") and snapshot.repairs:
        parts += [Content(str(repair)) for repair in snapshot.repairs] + [Content("")]
    recent = list(reversed(snapshot.notes))
    parts += [Content.styled(note, "" if i == 0 else "dim") for i, note in enumerate(recent)]
    return _stack(parts)


def side(which: Side) -> Content:
    """The heading of the map."""
    if which == "key":
        return Content("Key side, as you type on it")
    return Content.assemble(("Solder side", "bold"), ", left and right exchanged")


def found(snapshot: Snapshot, work: str = "") -> Content:
    """The heading of the list of findings; work: what is still going on about them."""
    heading = _found(snapshot)
    if not work:
        return heading
    known = snapshot.diagnosis is not None and snapshot.diagnosis.findings
    return Content.assemble(heading if known else "Findings", ": ", (work, "bold"))


def _found(snapshot: Snapshot) -> Content:
    diagnosis = snapshot.diagnosis
    if diagnosis is None or not diagnosis.findings:
        return Content("No findings" if snapshot.step == "signed-off" else "No findings so far")
    count = len(diagnosis.findings)
    return Content(f"{count} finding{'s' * (count != 1)}")


def legend(signs: dict[str, str], mode: palette.Mode) -> Text:
    """The signs of the map on two lines, as they look there."""
    text = Text(no_wrap=True)
    for index, role in enumerate(signs):
        paint = palette.Paint(f"{role}-ink", role, bold=True)
        text.append(f" {signs[role]} ", palette.style(mode, paint))
        text.append(f" {role}")
        text.append("\n" if index == 3 else " ")
    return text


def concerns(finding: Finding, key: str) -> bool:
    """True if a finding's places name this key."""
    return any(key in address.split() for member in finding.members for address in member.at)


def big_key(key: str, width: int) -> Content:
    """The key to press, as large as it fits."""
    if bigtext.can_draw(key) and bigtext.width(key) <= width:
        return Content("\n".join(bigtext.lines(key))).stylize("bold $accent")
    return Content(key).stylize("bold $accent")


def _items(heading: str, lines: list[str], numbered: bool = False) -> list[Content]:
    if not lines:
        return []
    signs = [f"({i + 1}) " if numbered else "· " for i in range(len(lines))]
    return [
        Content(""),
        Content(heading).stylize("bold"),
        *(Content(sign + line) for sign, line in zip(signs, lines, strict=True)),
    ]


def _stack(parts: list[Content]) -> Content:
    return Content("\n").join(parts)
