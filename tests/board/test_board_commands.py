"""keydiag board new, mirror and check, as a builder types them."""

import io

import pytest

from keydiag import board
from keydiag.cli import main
from keydiag.resources import fixture

LEFT = str(fixture("bramblewick-left.toml"))


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


class Terminal(io.StringIO):
    def isatty(self):
        return True


def new(*options):
    return main(["board", "new", *options])


# --- new ----------------------------------------------------------------------------------------


def test_new_from_options(here, capsys):
    assert new("a.toml", "--rows", "2", "--columns", "3", "--thumbs", "0,15", "--lead", "left") == 0
    out = capsys.readouterr().out
    assert "a.toml: My half: 8 keys, 3 rows and 3 columns on an atmega32u4." in out
    assert "keydiag board draw a.toml" in out
    assert main(["board", "check", "a.toml"]) == 0
    assert board.load("a.toml").row["R3"].path == ["L32", "L33"]


def test_new_on_standard_output(here, capsys):
    assert new("--rows", "1", "--columns", "2", "--name", "Out") == 0
    assert board.loads(capsys.readouterr().out).name == "Out"


def test_new_from_a_table(here, capsys):
    (here / "t.csv").write_text("key,x,y,turn,row,column,order\nA,0,0,,R1,C1,2\nB,20,0,5,R1,C2,1\n")
    assert new("t.toml", "--csv", "t.csv", "--name", "Table") == 0
    half = board.load("t.toml")
    assert half.name == "Table" and half.row["R1"].path == ["B", "A"]


def test_a_file_is_never_overwritten_unasked(here, capsys):
    (here / "a.toml").write_text("precious")
    assert new("a.toml", "--rows", "2", "--columns", "2") == 2
    assert "a.toml: already exists; give another name, or --force" in capsys.readouterr().err
    assert (here / "a.toml").read_text() == "precious"
    assert new("a.toml", "--rows", "2", "--columns", "2", "--force") == 0
    assert board.load("a.toml").name == "My half"
    assert [each.name for each in here.iterdir()] == ["a.toml"]


@pytest.mark.parametrize(
    ("options", "line"),
    [
        ([], "give --rows and --columns, or --csv TABLE; on a terminal it would ask"),
        (["--rows", "2"], "give both --rows and --columns"),
        (["--rows", "2", "--columns", "x"], "argument --columns: invalid int value: 'x'"),
        (["--rows", "2", "--columns", "2", "--stagger", "a,b"], '"a,b" is no list of numbers'),
        (["--rows", "2", "--columns", "2", "--controller", "1"], "controller: 1 figures; give x,y"),
        (["--csv", "no.csv"], "no.csv: cannot be read (No such file or directory)"),
        (["--csv", "no.csv", "--rows", "2"], "--csv: the table says the rows and columns"),
        (["no/a.toml", "--rows", "2", "--columns", "2"], "no/a.toml: cannot be written (No such"),
    ],
)
def test_new_says_what_is_wrong(here, capsys, options, line):
    assert new(*options) == 2
    assert line in capsys.readouterr().err
    assert list(here.iterdir()) == []


def test_new_asks(here, capsys, monkeypatch):
    monkeypatch.setattr("sys.stderr", Terminal())
    answers = "Nettle right\nmany\n2\n3\n1 2\n1,2,3\nnone\n\nrp\nrow\nc\n\n\n\n"
    monkeypatch.setattr("sys.stdin", Terminal(answers))
    assert new() == 0
    half = board.load("nettle-right.toml")
    assert (half.name, half.chip, half.cathode_at) == ("Nettle right", "rp2040", "row")
    assert half.diode_side == "column"
    assert list(half.key) == ["K11", "K12", "K13", "K21", "K22", "K23"]
    assert half.row["R1"].path == ["K11", "K12", "K13"]  # a right half: leads at the left
    assert [half.key[key].at[1] for key in ("K11", "K12", "K13")] == [1, 2, 3]
    import sys

    asked = sys.stderr.getvalue()
    assert "give a whole number, 1 to 30" in asked
    assert "stagger: 2 figures for 3 columns; give one each" in asked


def test_answers_that_end_early(here, capsys, monkeypatch):
    monkeypatch.setattr("sys.stderr", Terminal())
    monkeypatch.setattr("sys.stdin", Terminal("Half\n2\n"))
    assert new() == 2
    assert list(here.iterdir()) == []


# --- mirror -------------------------------------------------------------------------------------


def test_mirror(here, capsys):
    (here / "pins.csv").write_text("line,pin\nR1,PB0\n")
    assert main(["board", "mirror", LEFT, "r.toml", "--pins", "pins.csv", "--pin", "R2=PB1"]) == 0
    out = capsys.readouterr().out
    assert "r.toml: Bramblewick right, the mirror image of Bramblewick left" in out
    assert "row R1       PD1    PB0  (another)" in out
    right = board.load("r.toml")
    assert right.row["R1"].pin == "PB0" and right.row["R2"].pin == "PB1"
    assert main(["board", "mirror", "r.toml", "l.toml", "--pin", "R1=PD1", "--pin", "R2=PD0"]) == 0
    assert board.load("l.toml") == board.load(LEFT)


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (["--pin", "R1PB0"], '--pin: "R1PB0" makes no sense; write it like R1=PD4'),
        (["--rename", "L"], '--rename: "L" makes no sense; write it like L=K'),
        (["--pins", "no.csv"], "no.csv: cannot be read"),
        (["--pin", "R1=PF4"], "PF4 is already the pin of row R1"),
    ],
)
def test_mirror_says_what_is_wrong(here, capsys, options, line):
    assert main(["board", "mirror", LEFT, "r.toml", *options]) == 2
    assert line in capsys.readouterr().err
    assert list(here.iterdir()) == []


# --- check --------------------------------------------------------------------------------------


def test_check_warns_and_passes(capsys):
    assert main(["board", "check", LEFT]) == 0
    told = capsys.readouterr()
    assert "nothing wrong, nothing odd" in told.out and told.err == ""
    assert main(["board", "check", LEFT, "--supply", "3.3"]) == 0
    told = capsys.readouterr()
    assert "nothing wrong, 1 warning." in told.out
    assert f"warning: {LEFT}: chip (line 17): at 3.3 V" in told.err


def test_check_tells_everything_at_once_and_fails(here, capsys):
    text = open(LEFT, encoding="utf-8").read()
    text = text.replace('pin = "PD1"', 'pin = "PX1"').replace('"L17", "L16"', '"L17", "L61"')
    (here / "bad.toml").write_text(text)
    assert main(["board", "check", "bad.toml"]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) >= 3 and all(line.startswith("keydiag: bad.toml: ") for line in lines)


# --- draw ---------------------------------------------------------------------------------------


def test_draw_writes_both_sides_and_the_pdf(here, capsys):
    assert main(["board", "draw", LEFT]) == 0
    out = capsys.readouterr().out
    assert "joints: 185, of these 123 at the keys" in out
    names = [f"bramblewick-left-{each}" for each in ("key.svg", "map.pdf", "solder.svg")]
    assert sorted(each.name for each in here.iterdir()) == names
    assert (here / names[1]).read_bytes().startswith(b"%PDF-")
    before = {name: (here / name).read_bytes() for name in names}
    assert main(["board", "draw", LEFT]) == 2
    assert "already exists" in capsys.readouterr().err
    assert main(["board", "draw", LEFT, "--force"]) == 0
    assert {name: (here / name).read_bytes() for name in names} == before


@pytest.mark.parametrize(
    ("options", "files"),
    [
        (["--only", "bill"], []),
        (["--only", "svg", "--side", "key"], ["bramblewick-left-key.svg"]),
        (["--only", "pdf", "--paper", "letter", "-o", "map"], ["map-map.pdf"]),
    ],
)
def test_draw_only_what_is_wanted(here, capsys, options, files):
    assert main(["board", "draw", LEFT, *options]) == 0
    assert [each.name for each in here.iterdir()] == files


def test_draw_leaves_nothing_half_done(here, capsys):
    (here / "bramblewick-left-map.pdf").write_text("mine")
    assert main(["board", "draw", LEFT]) == 2
    assert [each.name for each in here.iterdir()] == ["bramblewick-left-map.pdf"]
    assert main(["board", "draw", LEFT, "-o", "x", "--paper", "b7"]) == 2
    assert "paper: b7 is not known" in capsys.readouterr().err
