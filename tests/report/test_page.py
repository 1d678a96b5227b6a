"""The report as a page and as JSON: complete, self-contained, unbreakable, the same every time."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from keydiag import board, journal
from keydiag.cli import main
from keydiag.report.history import follow
from keydiag.report.html import page
from keydiag.report.markup import Html, tag
from keydiag.report.summary import Report, as_json, gather

FAULTS = ("L23 diode reversed", "row R4 broken between L44 and L43", "L41 diode reversed",
          "row R1 bridged to column C5")  # fmt: skip
HOSTILE = "<script>alert('x')</script>\" onload=\"x"
# Elements of HTML that have no end (WHATWG HTML, "Void elements").
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source",
        "track", "wbr"}  # fmt: skip


class Reader(HTMLParser):
    """Reads a page, insists on balanced elements, collects text, elements and attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.elements: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == [] and self.rawdata == ""

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of a demo that ends with the sign-off."""
    path = tmp_path_factory.mktemp("page") / "whole.jsonl"
    args = ["demo", "--plain", "--journal", str(path)]
    assert main([*args, *(word for fault in FAULTS for word in ("--fault", fault))]) == 0
    return path


@pytest.fixture(scope="module")
def first(whole: Path) -> Path:
    """The same, up to the first verdict."""
    lines = whole.read_text("utf-8").splitlines(keepends=True)
    verdict = next(n for n, line in enumerate(lines) if '"verdict"' in line)
    path = whole.with_name("first.jsonl")
    path.write_text("".join(lines[: verdict + 1]), "utf-8")
    return path


@cache
def report(path: Path) -> Report:
    return told(path)


def told(path: Path) -> Report:
    read = journal.read(path)
    return gather(follow(read), read.header, path.name)


def test_every_finding_and_every_key_is_on_the_page(first):
    said = report(first)
    text = Reader(page(said)).text
    assert len(said.stories) == 3  # the fourth hides behind the break
    for number, story in enumerate(said.stories, start=1):
        assert f"{number}. {story.finding.title} (" in text
        for sentence in (story.finding.explanation, story.finding.repair):
            assert " ".join(sentence.split()) in text
        for caution in story.finding.cautions:
            assert caution in text
    rows = re.findall(r'<tr[^>]*><th scope="row">(L\d\d)</th>', page(said))
    assert rows == list(said.circuit.keys)
    for line in ("row R1", "column C7"):
        assert line in text


def test_before_the_repair_everything_is_missing(first):
    said = report(first)
    assert not said.signed_off
    assert [story.state for story in said.stories] == ["open"] * 3
    text = Reader(page(said)).text
    assert "Not signed off: faults found" in text and "Missing for the sign-off" in text
    kinds = [line.partition(":")[0].partition(",")[0] for line in said.missing]
    assert kinds == ["Rest check", *["Finding open"] * 3, *["Keys not judged"] * 2, "Final sweep",
                     "Chord check"]  # fmt: skip
    for line in (
        "Rest check: not clean. With nothing held, row R1 (PD1) and column C5 (PB4) conduct both"
        " ways.",
        "Keys not judged: L41, L42 and L43; first mend row R4 between L44 and L43.",
    ):
        assert line in said.missing and line in text
    assert said.proven == said.not_proven == () and "What was proven" not in text


def test_a_mended_finding_keeps_its_history(whole):
    said = report(whole)
    assert said.signed_off and said.missing == ()
    histories = {s.finding.title: [e.what for e in s.entries] for s in said.stories}
    assert histories["L23 diode reversed"] == ["found", "worked on", "confirmed"]
    assert histories["L41 diode reversed"] == ["came to light", "worked on", "confirmed"]
    assert {story.state for story in said.stories} == {"repaired"}
    text = Reader(page(said)).text
    assert "✓ Signed off" in text and "Missing for the sign-off" not in text
    assert said.proven[0] in text and "41 presses of one sweep after 4 confirmed" in said.proven[0]
    assert said.proven[2].startswith("Chords: 12 of 12 held")
    assert all(line in text for line in said.not_proven)
    assert "below a few kilo-ohms" in said.not_proven[0]
    assert "41 of 41 keys answer as wired." in text


def test_a_repair_whose_retest_is_not_over_says_so(whole, tmp_path):
    lines = whole.read_text("utf-8").splitlines(keepends=True)
    back = next(n for n, line in enumerate(lines) if '"link"' in line and '"up":true' in line)
    path = tmp_path / "in-between.jsonl"
    path.write_text("".join(lines[: back + 1]), "utf-8")
    said = report(path)
    assert {story.state for story in said.stories} == {"in repair"}
    assert sum(line.startswith("Finding in rework: ") for line in said.missing) == 3


def test_a_finding_that_was_left_as_it_was_is_still_there(tmp_path):
    """Unplugged and plugged in again with nothing mended: by the same readings once more."""
    path = tmp_path / "lazy.jsonl"
    assert main(["demo", "--plain", "--fault", FAULTS[0], "--journal", str(path)]) == 0
    lines = path.read_text("utf-8").splitlines()
    events = [json.loads(line) for line in lines]
    verdict = next(n for n, e in enumerate(events) if e["kind"] == "verdict")
    rework = next(n for n, e in enumerate(events) if e["kind"] == "link" and e["up"])
    sweep = [n for n in range(verdict) if events[n]["kind"] == "reading"]
    offset = events[rework]["t"] + 1_000
    again = [{**events[n], "t": events[n]["t"] + offset} for n in sweep]
    idle = {"kind": "idle", "t": again[-1]["t"] + 20_000_000}
    lived = [*events[: rework + 1], *again, *[{**idle, "t": idle["t"] + n} for n in range(3)]]
    path.write_text("".join(json.dumps(event) + "\n" for event in lived), "utf-8")
    (story,) = report(path).stories
    assert [entry.what for entry in story.entries[:3]] == ["found", "worked on", "still there"]
    assert story.state == "still there"


def test_the_page_needs_nothing_from_outside(whole):
    text = page(report(whole))
    assert set(re.findall(r"https?://[^\"' <]*", text)) == {"http://www.w3.org/2000/svg"}
    read = Reader(text)
    assert not {"script", "link", "img", "iframe", "object", "embed"} & set(read.elements)
    for name, value in read.attributes:
        assert name != "src" and not name.startswith("on")
        assert name != "href" or value.startswith("#")
    assert "url(" not in text and "@import" not in text


def test_links_lead_somewhere_and_marks_are_numbered(first):
    read = Reader(page(report(first)))
    ids = [value for name, value in read.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    assert {value[1:] for name, value in read.attributes if name == "href"} <= set(ids)


def test_drawings_are_sound_xml_one_for_each_side_and_finding(first):
    said = report(first)
    figure = r"<figure[^>]*>(<svg.*?</svg>\n)(?=</figure>|<figcaption>)"
    drawings = re.findall(figure, page(said), re.DOTALL)
    assert len(drawings) == 2 + len(said.stories)
    for drawing in drawings:
        ElementTree.fromstring(drawing)


def test_hostile_names_stay_text(first, tmp_path):
    lines = first.read_text("utf-8").splitlines()
    header = json.loads(lines[0])
    half = board.loads(header["board"], "header")
    keys = {**half.key, "L23": half.key["L23"].model_copy(update={"legend": HOSTILE})}
    half = half.model_copy(update={"name": HOSTILE, "key": keys})
    header |= {"board": board.dumps(half), "begun": HOSTILE, "keydiag": HOSTILE}
    path = tmp_path / "hostile.jsonl"
    path.write_text("\n".join([json.dumps(header), *lines[1:], ""]), "utf-8")
    said = replace(report(path), journal=HOSTILE)
    text = page(said)
    read = Reader(text)
    assert "<script" not in text and "script" not in read.elements
    assert not any(name.startswith("on") for name, _ in read.attributes)
    assert read.text.count("<script>alert('x')</script>") >= 5  # name, legend, begun, journal …
    assert json.loads(as_json(said))["half"] == HOSTILE


def test_text_is_escaped_and_markup_is_not():
    assert tag("p", "a<b", tag("b", "&"), title='"') == '<p title="&quot;">a&lt;b<b>&amp;</b></p>'
    assert tag("p", Html("<i>")) == "<p><i></p>"
    assert tag("p", "a\u202eb\x00") == "<p>a\ufffdb\ufffd</p>"
    assert tag("meta", http_equiv="x") == '<meta http-equiv="x">'


def test_the_same_journal_gives_the_same_bytes(first, tmp_path):
    copy = tmp_path / first.name
    copy.write_bytes(first.read_bytes())
    one, other = told(first), told(copy)
    assert page(one) == page(other)
    assert as_json(one) == as_json(other)


def test_json_says_what_the_page_says(whole):
    said = json.loads(as_json(report(whole)))
    assert said["signed_off"] is True and said["verdict"] == "pass" and said["missing"] == []
    assert len(said["proven"]) == 3 and len(said["not_proven"]) == 2
    assert {f["title"] for f in said["findings"]} >= {"L23 diode reversed", "L41 diode reversed"}
    assert {f["state"] for f in said["findings"]} == {"repaired"}
    assert len(said["keys"]) == 41 and {k["state"] for k in said["keys"]} == {"good"}
    assert len(said["lines"]) == 13


def test_a_session_that_was_only_begun_has_a_page_too(first, tmp_path):
    path = tmp_path / "begun.jsonl"
    path.write_text(first.read_text("utf-8").splitlines(keepends=True)[0], "utf-8")
    text = Reader(page(report(path))).text
    assert "Not signed off yet" in text and "0 of 41 keys answer as wired." in text


def test_files_are_not_overwritten_unless_forced(first, tmp_path, capsys):
    files = {"--html": tmp_path / "r.html", "--json": tmp_path / "r.json"}
    wanted = [word for option, path in files.items() for word in (option, str(path))]
    assert main(["report", str(first), *wanted]) == 0
    assert capsys.readouterr().out == ""
    assert files["--html"].read_text("utf-8").startswith("<!doctype html>")
    assert json.loads(files["--json"].read_text("utf-8"))["format"] == "keydiag report 1"
    files["--html"].write_text("mine", "utf-8")
    files["--json"].unlink()
    assert main(["report", str(first), *wanted]) == 2
    assert "already exists" in capsys.readouterr().err
    assert files["--html"].read_text("utf-8") == "mine" and not files["--json"].exists()
    assert main(["report", str(first), *wanted, "--force"]) == 0
    assert files["--html"].read_text("utf-8").startswith("<!doctype html>")
