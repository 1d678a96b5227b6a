"""What the panels say."""

from __future__ import annotations

from fake_desk import only, snapshot, views

from keydiag.screen import bars, bigtext, words


def finding():
    return only("L23").findings[0]


def test_figures_never_claim_certainty():
    figures = [words.percent(p) for p in (1.0, 0.9999, 0.99, 0.5, 0.004, 0.0)]
    assert figures == [">99%", ">99%", "99%", "50%", "<1%", "<1%"]


def test_probabilities_have_words():
    """The calibrated scale of the IPCC (2010), from memory: 99, 90, 66, 33, 10."""
    scale = {0.995: "virtually certain", 0.95: "very likely", 0.7: "likely",
             0.5: "about as likely as not", 0.2: "unlikely", 0.05: "very unlikely"}  # fmt: skip
    assert {p: words.likelihood(p) for p in scale} == scale


def test_why_gives_words_figures_members_and_what_else():
    text = words.why(finding()).plain
    assert "likely (87%)" in text
    assert "While L23 is held, nothing conducts." in text
    assert "(1) L23 diode-row joint open: 26%" in text and "(5) L23 diode open" in text
    assert text.count("the key was not pressed as asked") == 1


def test_mend_begins_with_the_cautions_and_ends_with_the_retest():
    text = words.mend(finding()).plain
    assert text.startswith("! Unplug the cable before soldering")
    assert text.index("Reflow") > text.index("Local safety rules")
    assert "Afterwards press L13, L22, L23, L24 and L33." in text


def test_outcomes_name_the_numbers_of_the_picture():
    test = next(t for t in finding().next_tests if t.kind == "meter")
    line = words.outcome_line(finding(), test, 0).plain
    assert line.endswith("open (OL)  56%: (1) (3) (5)")


def test_an_untestable_finding_says_so():
    reversed_diode = only("L45").findings[0]
    assert "No further test" in words.tests_intro(reversed_diode).plain


def test_a_hidden_key_tells_what_hides_it():
    found = only("R5")
    state = snapshot(step="findings", keys=views(L51="hidden"), diagnosis=found)
    text = words.key_info(state, "L51").plain
    assert "Mend first: row R5 between L54 and L53." in text


def test_a_stretch_is_short_in_the_list():
    member = only("R5").findings[0].members[0]
    assert words.short_place(member) == "L54–L53 broken"


def test_large_letters():
    rows = bigtext.lines("L4")
    assert len(rows) == bigtext.ROWS
    assert {len(row) for row in rows} == {bigtext.width("L4")}
    assert rows[4] == "██████      ██"[:14].ljust(14)
    assert bigtext.can_draw("pass") and not bigtext.can_draw("ß")


def test_the_bar_is_empty_half_and_full():
    assert bars.progress_bar(0, 41, 4) == "┄┄┄┄"
    assert bars.progress_bar(1, 2, 5) == "━━╸┄┄"
    assert bars.progress_bar(41, 41, 4) == "━━━━"
    assert bars.progress_bar(0, 0, 4) == "┄┄┄┄"


def test_the_status_line_cuts_the_journals_name_last():
    state = snapshot()
    assert bars.status(state, "half.jsonl", True, 200).plain.endswith("journal half.jsonl")
    short = bars.status(state, "/some/where/long/half.jsonl", True, 78).plain
    assert len(short) <= 78 and short.endswith("lf.jsonl") and "lost 0" in short
    assert "readings/s" in short
