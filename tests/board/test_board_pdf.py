"""The PDF, read back with pypdf (written independently): pages, true scale, every word."""

import io
import re
from itertools import pairwise

import pypdf
import pytest
from pypdf.generic import ContentStream

from keydiag import board
from keydiag.board.new import Plan, new_board
from keydiag.drawing.pdf import OVERLAP_MM, PAPERS, map_pdf, tiling
from keydiag.drawing.wiring_map import inks_of, map_sheet
from keydiag.errors import UsageError

LEFT = board.example("bramblewick-left")
RIGHT = board.example("bramblewick-right")
WIDE = board.loads(new_board(Plan("Wide", 2, 15)))
POINTS = 72 / 25.4  # a PDF's unit is 1/72 inch (ISO 32000-1, 8.3.2.3)


def read(data):
    return pypdf.PdfReader(io.BytesIO(data), strict=True)


def lines_of(page, reader):
    """Every straight line on a page as ((x1, y1), (x2, y2)) in points, with its dash."""
    matrix, stack, here, dash, found = (1, 0, 0, 1, 0, 0), [], (0, 0), (), []

    def to_page(x, y):
        a, b, c, d, e, f = matrix
        return a * x + c * y + e, b * x + d * y + f

    for operands, operator in ContentStream(page.get_contents(), reader).operations:
        if operator == b"q":
            stack.append((matrix, dash))
        elif operator == b"Q":
            matrix, dash = stack.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = map(float, operands)
            p, q, r, s, t, u = matrix
            matrix = (
                a * p + b * r, a * q + b * s, c * p + d * r, c * q + d * s,
                e * p + f * r + t, e * q + f * s + u,
            )  # fmt: skip
        elif operator == b"d":
            dash = tuple(float(each) for each in operands[0])
        elif operator == b"m":
            here = to_page(*map(float, operands))
        elif operator == b"l":
            there = to_page(*map(float, operands))
            found.append((here, there, dash))
            here = there
    return found


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("half", [LEFT, RIGHT], ids=["left", "right"])
def test_one_sheet_a_side_and_the_list(half, paper):
    reader = read(map_pdf(half, paper))
    assert len(reader.pages) == 3
    for page in reader.pages:
        size = sorted(float(each) / POINTS for each in page.mediabox[2:])
        assert size == pytest.approx(sorted(PAPERS[paper]), abs=0.01)


def test_the_bar_is_50_mm_long_on_every_sheet_of_the_map():
    for half in (LEFT, WIDE):
        reader = read(map_pdf(half))
        sheets = [page for page in reader.pages if "50 mm" in page.extract_text()]
        assert len(sheets) >= 2
        for page in sheets:
            bars = [
                (a, b)
                for a, b, _ in lines_of(page, reader)
                if b[0] - a[0] == pytest.approx(50 * POINTS, abs=0.01) and b[1] == a[1]
            ]
            assert len(bars) == 1


def test_keys_are_at_their_true_distance():
    reader = read(map_pdf(LEFT, sides=("key",)))
    # The caps of L11 and L12 are 18 mm wide and 19.05 mm apart.
    edges = [
        a for a, b, _ in lines_of(reader.pages[0], reader) if abs(b[0] - a[0] - 18 * POINTS) < 0.01
    ]
    xs = sorted({round(x / POINTS, 2) for x, _ in edges})
    assert all(abs(b - a - 19.05) < 0.02 for a, b in pairwise(xs[:7]))


def test_every_name_number_and_flag_can_be_read():
    reader = read(map_pdf(LEFT, sides=("solder",)))
    words = reader.pages[0].extract_text().split()
    for key in LEFT.key:
        assert words.count(key) == 2  # the letters, and the halo under them
    for group in (LEFT.row, LEFT.column):
        for name, line in group.items():
            assert f"{name} {line.pin}" in reader.pages[0].extract_text()
            for number, _ in enumerate(board.keys_of(line), start=1):
                assert words.count(f"{name}.{number}") == 2
    last = reader.pages[1].extract_text()
    assert "row R6, pin PE6, chained: L64 > (L65 > L66) > L63 > L62 > L61" in last
    assert "41 switches, 41 diodes, one atmega32u4" in last


def test_every_dash_is_there():
    reader = read(map_pdf(LEFT, sides=("solder",)))
    drawn = {dash for _, _, dash in lines_of(reader.pages[0], reader)}
    for ink in inks_of(LEFT).values():
        assert tuple(float(each) for each in ink.dash.split()) in drawn


# --- sheets -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "columns", "rows", "upright"),
    [
        ((100, 100), 1, 1, True),
        ((190, 257), 1, 1, True),  # all of A4 less margins, head and foot
        ((190.1, 257), 2, 1, True),
        ((200, 150), 1, 1, False),  # lies better across
        ((277, 170), 1, 1, False),
        ((370, 257), 2, 1, True),  # 190 + 190 - 10
        ((370.1, 257), 3, 1, True),
        ((800, 800), 3, 5, False),
    ],
)
def test_tiling_by_eye(size, columns, rows, upright):
    lay = tiling(size, "A4")
    assert (lay.columns, lay.rows) == (columns, rows)
    assert (lay.paper[0] < lay.paper[1]) == upright


def test_sheets_together_show_everything_and_overlap():
    left, top, right, bottom = map_sheet(WIDE, "solder").view
    lay = tiling((right - left, bottom - top), "a4")
    assert lay.columns * lay.rows > 1
    for count, room, length in zip(
        (lay.columns, lay.rows), lay.window, (right - left, bottom - top), strict=True
    ):
        assert count * room - (count - 1) * OVERLAP_MM >= length
    pages = read(map_pdf(WIDE, sides=("solder",))).pages
    told = [re.search(r"sheet (\d) of (\d)", page.extract_text()) for page in pages]
    assert [each.groups() for each in told if each] == [("1", "2"), ("2", "2")]


def test_letters_beyond_the_readers_own_are_marked():
    half = LEFT.model_copy(update={"name": "Жук left", "row": LEFT.row})
    text = read(map_pdf(half)).pages[0].extract_text()
    assert "??? left" in text


def test_the_same_board_gives_the_same_bytes():
    assert map_pdf(LEFT) == map_pdf(LEFT)


def test_unknown_paper():
    with pytest.raises(UsageError, match="paper: b7 is not known; give one of a4, a3"):
        map_pdf(LEFT, "b7")
