"""The wiring map on paper: a PDF at true scale, cut into sheets that overlap where it is too large.

What lives here: paper sizes, tiling, and our own SVG elements as PDF. What does not: what is drawn
(wiring_map.py, bill.py). The PDF itself is written by reportlab, which is imported here only.
"""

from __future__ import annotations

import io
import math
import re
import textwrap
import xml.etree.ElementTree as ET
from typing import Any, NamedTuple

from keydiag.board import Board
from keydiag.drawing.bill import bill_lines
from keydiag.drawing.parts import Ink
from keydiag.drawing.pen import Pen, Side
from keydiag.drawing.style import INK
from keydiag.drawing.wiring_map import SIDE_WORDS, Sheet, draw_bar, draw_entry, line_list, map_sheet
from keydiag.errors import UsageError

# Upright sizes in mm: ISO 216; ANSI/ASME Y14.1 (letter, legal, tabloid; from memory).
PAPERS = {
    "a4": (210.0, 297.0),
    "a3": (297.0, 420.0),
    "letter": (215.9, 279.4),
    "legal": (215.9, 355.6),
    "tabloid": (279.4, 431.8),
}
MARGIN_MM = 10.0  # few printers come nearer to the edge
HEAD_MM = 11.0  # name and side, at the top of every sheet
FOOT_MM = 9.0  # the check bar, at the bottom of every sheet
OVERLAP_MM = 10.0  # what two sheets side by side both show
_STEP_MM = 4.6  # from one line of text to the next
_POINTS_PER_MM = 72.0 / 25.4  # a PDF's unit is 1/72 inch (ISO 32000-1, 8.3.2.3)
# Widest letters of Helvetica are about this wide, in units of the size; for breaking lines.
_LETTER = 0.52


class Tiling(NamedTuple):
    """How a drawing is laid on sheets of paper."""

    paper: tuple[float, float]
    """Width and height of the paper as it lies, in mm."""
    columns: int
    rows: int

    @property
    def window(self) -> tuple[float, float]:
        """Width and height of what one sheet shows of the drawing."""
        width, height = self.paper
        return width - 2 * MARGIN_MM, height - 2 * MARGIN_MM - HEAD_MM - FOOT_MM


def tiling(size: tuple[float, float], paper: str) -> Tiling:
    """The way of laying a drawing (width, height in mm) on paper that takes the fewest sheets,
    upright if it makes no difference.

    Raises:
        UsageError: there is no such paper.
    """
    if paper.lower() not in PAPERS:
        raise UsageError(f"paper: {paper} is not known; give one of {', '.join(PAPERS)}")
    short, long = PAPERS[paper.lower()]

    def lay(width: float, height: float) -> Tiling:
        window = Tiling((width, height), 1, 1).window
        count = [
            max(1, math.ceil((length - OVERLAP_MM) / (room - OVERLAP_MM) - 1e-9))
            for length, room in zip(size, window, strict=True)
        ]
        return Tiling((width, height), *count)

    return min(lay(short, long), lay(long, short), key=lambda each: each.columns * each.rows)


def map_pdf(board: Board, paper: str = "a4", sides: tuple[Side, ...] = ("solder", "key")) -> bytes:
    """The map of each side at true scale, then the list of the lines and the bill.

    Letters outside of the Latin ones that every PDF reader has (Windows-1252) are shown as "?".

    Raises:
        UsageError: there is no such paper, or the PDF library is not installed.
    """
    out = io.BytesIO()
    pdf = _canvas(out, f"{board.name}, wiring map")
    for side in sides:
        sheet = map_sheet(board, side)
        left, top, right, bottom = sheet.view
        lay = tiling((right - left, bottom - top), paper)
        count = lay.columns * lay.rows
        for number in range(count):
            row, column = divmod(number, lay.columns)
            _map_page(pdf, board, side, sheet, lay, column, row)
    _text_pages(pdf, board, paper)
    pdf.save()
    return out.getvalue()


def _canvas(out: io.BytesIO, title: str) -> Any:
    try:
        from reportlab.pdfgen.canvas import Canvas
    except ImportError as error:
        raise UsageError("a PDF needs the package reportlab; install it, or draw SVG") from error
    pdf = Canvas(out, pageCompression=1, invariant=1)  # invariant: the same board, the same bytes
    pdf.setTitle(title)
    pdf.setAuthor("")
    pdf.setSubject("wiring map at true scale")
    pdf.setCreator("keydiag")
    pdf.setViewerPreference("PrintScaling", "None")  # or printers shrink it to fit
    return pdf


# --- pages --------------------------------------------------------------------------------------


def _map_page(
    pdf: Any, board: Board, side: Side, sheet: Sheet, lay: Tiling, column: int, row: int
) -> None:
    width, height = lay.window
    left, top, right, bottom = sheet.view
    # A drawing that fits is centred; one that does not begins at the first sheet's corner.
    x = left + column * (width - OVERLAP_MM) if lay.columns > 1 else (left + right - width) / 2
    y = top + row * (height - OVERLAP_MM) if lay.rows > 1 else (top + bottom - height) / 2
    _begin_page(pdf, lay.paper)
    words = SIDE_WORDS[side]
    if lay.columns * lay.rows > 1:
        words += (
            f"; sheet {row * lay.columns + column + 1} of {lay.columns * lay.rows}: column "
            f"{column + 1}, row {row + 1}; lay the dashed lines of neighbours on each other"
        )
    page = Pen("key")
    _head(page, board.name, words)
    draw_bar(page, (MARGIN_MM, lay.paper[1] - MARGIN_MM - 2.5))
    if lay.columns * lay.rows > 1:
        _draw_seams(page, lay, column, row)
    _draw(pdf, page.content())
    pdf.saveState()
    box = pdf.beginPath()
    box.rect(MARGIN_MM, MARGIN_MM + HEAD_MM, width, height)
    pdf.clipPath(box, stroke=0, fill=0)
    pdf.translate(MARGIN_MM - x, MARGIN_MM + HEAD_MM - y)
    _draw(pdf, sheet.content)
    pdf.restoreState()
    pdf.showPage()


def _draw_seams(page: Pen, lay: Tiling, column: int, row: int) -> None:
    """Where a neighbour's sheet begins or ends: the line that both show."""
    width, height = lay.window
    left, top = MARGIN_MM, MARGIN_MM + HEAD_MM
    style = {"stroke": INK, "stroke_width": 0.2, "stroke_dasharray": "3 2"}
    half = OVERLAP_MM / 2
    for there, x in ((column > 0, left + half), (column + 1 < lay.columns, left + width - half)):
        if there:
            page.line([(x, top), (x, top + height)], **style)
    for there, y in ((row > 0, top + half), (row + 1 < lay.rows, top + height - half)):
        if there:
            page.line([(left, y), (left + width, y)], **style)


def _text_pages(pdf: Any, board: Board, paper: str) -> None:
    """The list of the lines and the bill, on as many pages as they take."""
    width, height = PAPERS[paper.lower()]
    room = width - 2 * MARGIN_MM
    letters = int((room - 17.0) / (_LETTER * 2.6))
    nothing: tuple[Ink | None, str] = (None, "")
    entries = [(None, "Every line, in the order of its wiring:"), nothing]
    entries += [*line_list(board, room), nothing, nothing]
    for text in bill_lines(board, aligned=False):
        broken = textwrap.wrap(text, letters, subsequent_indent="      ") or [""]
        entries += [(None, each) for each in broken]
    top, bottom = MARGIN_MM + HEAD_MM + 4.0, height - MARGIN_MM
    on_page = int((bottom - top) / _STEP_MM)
    for start in range(0, len(entries), on_page):
        _begin_page(pdf, (width, height))
        page = Pen("key")
        _head(page, board.name, "lines, and what it takes")
        for index, (ink, words) in enumerate(entries[start : start + on_page]):
            draw_entry(page, (MARGIN_MM, top + index * _STEP_MM), ink, words)
        _draw(pdf, page.content())
        pdf.showPage()


def _begin_page(pdf: Any, paper: tuple[float, float]) -> None:
    """A page whose unit is the millimetre, y down from its upper edge."""
    width, height = (each * _POINTS_PER_MM for each in paper)
    pdf.setPageSize((width, height))
    pdf.transform(_POINTS_PER_MM, 0, 0, -_POINTS_PER_MM, 0, height)


def _head(page: Pen, name: str, words: str) -> None:
    top = MARGIN_MM
    page.text((MARGIN_MM, top + 2.0), name, 4.2, "start", font_weight="bold", fill=INK)
    page.text((MARGIN_MM, top + 7.5), words, 2.6, "start", fill=INK)


# --- SVG elements as PDF ------------------------------------------------------------------------


def _draw(pdf: Any, content: str) -> None:
    """Draw what a pen has collected; it knows no other elements and attributes than these."""
    for element in ET.fromstring(f"<svg>{content}</svg>").iter():
        if element.tag in _SHAPES:
            _SHAPES[element.tag](pdf, element)


def _points(element: ET.Element) -> list[tuple[float, float]]:
    pairs = (pair.split(",") for pair in element.get("points", "").split())
    return [(float(x), float(y)) for x, y in pairs]


def _polyline(pdf: Any, element: ET.Element) -> None:
    path = pdf.beginPath()
    (x, y), *rest = _points(element)
    path.moveTo(x, y)
    for x, y in rest:
        path.lineTo(x, y)
    if element.tag == "polygon":
        path.close()
    stroke, fill = _set_style(pdf, element)
    pdf.drawPath(path, stroke=stroke, fill=fill)


def _circle(pdf: Any, element: ET.Element) -> None:
    stroke, fill = _set_style(pdf, element)
    x, y, radius = (float(element.get(name, "0")) for name in ("cx", "cy", "r"))
    pdf.circle(x, y, radius, stroke=stroke, fill=fill)


def _rect(pdf: Any, element: ET.Element) -> None:
    stroke, fill = _set_style(pdf, element)
    figures = (float(element.get(name, "0")) for name in ("x", "y", "width", "height", "rx"))
    pdf.roundRect(*figures, stroke=stroke, fill=fill)


def _text(pdf: Any, element: ET.Element) -> None:
    text = (element.text or "").encode("cp1252", "replace").decode("cp1252")
    size = float(element.get("font-size", "3"))
    font = "Helvetica-Bold" if element.get("font-weight") == "bold" else "Helvetica"
    share = {"middle": 0.5, "end": 1.0}.get(element.get("text-anchor", ""), 0.0)
    pdf.saveState()
    pdf.translate(float(element.get("x", "0")), float(element.get("y", "0")))
    turned = re.match(r"rotate\(([-\d.]+) ([-\d.]+) ([-\d.]+)\)", element.get("transform", ""))
    if turned:
        degrees, x, y = map(float, turned.groups())
        x, y = x - float(element.get("x", "0")), y - float(element.get("y", "0"))
        pdf.translate(x, y)
        pdf.rotate(degrees)
        pdf.translate(-x, -y)
    pdf.scale(1.0, -1.0)  # letters stand upright on a page whose y goes down
    start = -share * pdf.stringWidth(text, font, size)
    pdf.setFont(font, size)
    if element.get("stroke"):  # a halo lies under the letters
        _set_style(pdf, element)
        pdf.drawString(start, 0.0, text, mode=1)
    pdf.setFillColor(element.get("fill", INK))
    pdf.drawString(start, 0.0, text, mode=0)
    pdf.restoreState()


def _set_style(pdf: Any, element: ET.Element) -> tuple[int, int]:
    """Set colours, width and dash; whether to stroke and whether to fill, as reportlab wants it."""
    stroke, fill = element.get("stroke", "none"), element.get("fill", "none")
    if stroke != "none":
        pdf.setStrokeColor(stroke)
        pdf.setLineWidth(float(element.get("stroke-width", "1")))
        pdf.setLineJoin(1 if element.get("stroke-linejoin") == "round" else 0)
        pdf.setDash([float(each) for each in element.get("stroke-dasharray", "").split()])
    if fill != "none":
        pdf.setFillColor(fill)
    return int(stroke != "none"), int(fill != "none")


_SHAPES = {
    "polygon": _polyline,
    "polyline": _polyline,
    "circle": _circle,
    "rect": _rect,
    "text": _text,
}
