"""A small SVG pen: shapes in mm as seen from the top, drawn as seen from the chosen side.

The solder side is the mirror image of the key side. The pen mirrors every coordinate it is given
and no glyph, so text stays readable; whoever draws need not think about sides. What is drawn is
decided elsewhere (picture.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html import escape
from typing import Any, Literal

from keydiag.drawing.geometry import Point

Side = Literal["key", "solder"]

Anchor = Literal["start", "middle", "end"]

# Width to allow for a letter of a wide sans-serif face, in units of its size (measured by eye).
LETTER = 0.62
BOLD_LETTER = 0.67
_FLIPPED: dict[Anchor, Anchor] = {"start": "end", "middle": "middle", "end": "start"}


class Pen:
    """Collects SVG elements and how far they reach.

    With a window (left, top, right, bottom in picture coordinates), what lies well outside it is
    left out.
    """

    def __init__(self, side: Side, window: tuple[float, float, float, float] | None = None) -> None:
        self.sign = -1.0 if side == "solder" else 1.0
        self._window = window
        self._parts: list[str] = []
        self._reach: list[Point] = []

    def to_view(self, point: Point) -> Point:
        """A point seen from the top, in the coordinates of the picture."""
        return point[0] * self.sign, point[1]

    def polygon(self, points: Sequence[Point], **style: Any) -> None:
        if self._unseen(points):
            return
        self._add("polygon", points=self._list(points), **style)

    def line(self, points: Sequence[Point], **style: Any) -> None:
        if self._unseen(points):
            return
        self._add("polyline", points=self._list(points), **{"fill": "none", **style})

    def dot(self, point: Point, radius: float, **style: Any) -> None:
        if self._unseen([point]):
            return
        x, y = self.to_view(point)
        self._add("circle", cx=_number(x), cy=_number(y), r=_number(radius), **style)

    def box(self, limits: tuple[float, float, float, float], round_mm: float, **style: Any) -> None:
        """An upright rectangle (left, top, right, bottom) with rounded corners."""
        left, top, right, bottom = limits
        if self._unseen([(left, top), (right, bottom)]):
            return
        x = min(left * self.sign, right * self.sign)
        self._add(
            "rect",
            x=_number(x),
            y=_number(top),
            width=_number(right - left),
            height=_number(bottom - top),
            rx=_number(round_mm),
            **style,
        )

    def text(
        self,
        point: Point,
        text: str,
        size: float,
        anchor: Anchor = "middle",
        turn: float = 0.0,
        **style: Any,
    ) -> None:
        """Text around a point, on its vertical middle. The anchor is meant as seen from the top:
        "start" runs to the right there, and so to the left of the mirrored picture."""
        if self._unseen([point]):
            return
        if self.sign < 0:
            anchor, turn = _FLIPPED[anchor], -turn
        x, y = self.to_view(point)
        y += 0.35 * size  # from the middle of the letters down to their base line
        if turn:
            style["transform"] = f"rotate({_number(turn)} {_number(x)} {_number(y - 0.35 * size)})"
        self._add(
            "text",
            text,
            x=_number(x),
            y=_number(y),
            font_size=_number(size),
            text_anchor=anchor,
            **style,
        )

    @contextmanager
    def group(self, **style: Any) -> Iterator[None]:
        """Everything drawn inside becomes one group, e.g. with ``data_address=...``."""
        before = len(self._parts)
        self._parts.append(f"<g{_attributes(style)}>")
        yield
        if len(self._parts) == before + 1:
            self._parts.pop()  # nothing of it is to be seen
        else:
            self._parts.append("</g>")

    def reach(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of what was drawn so far, in picture coordinates."""
        xs, ys = [p[0] for p in self._reach], [p[1] for p in self._reach]
        return min(xs), min(ys), max(xs), max(ys)

    def content(self) -> str:
        return "\n".join(self._parts)

    def _unseen(self, points: Sequence[Point]) -> bool:
        """Note how far the picture reaches; True if the points are well outside the window."""
        viewed = [self.to_view(point) for point in points]
        if self._window is not None:
            left, top, right, bottom = self._window
            xs, ys = [x for x, _ in viewed], [y for _, y in viewed]
            wide = 12.0  # mm: letters and strokes reach further than their points
            if max(xs) < left - wide or min(xs) > right + wide:
                return True
            if max(ys) < top - wide or min(ys) > bottom + wide:
                return True
        self._reach += viewed
        return False

    def _list(self, points: Sequence[Point]) -> str:
        viewed = (self.to_view(point) for point in points)
        return " ".join(f"{_number(x)},{_number(y)}" for x, y in viewed)

    def _add(self, name: str, text: str = "", /, **attributes: Any) -> None:
        self._parts.append(element(name, text, **attributes))


def element(name: str, text: str = "", /, **attributes: Any) -> str:
    """One SVG element; ``stroke_width`` becomes ``stroke-width``; everything is escaped."""
    start = f"<{name}{_attributes(attributes)}"
    return f"{start}>{_clean(text)}</{name}>" if text else f"{start}/>"


def document(
    content: str, view: tuple[float, float, float, float], scale: float, label: str
) -> str:
    """A whole SVG file of the view (left, top, right, bottom in mm), at mm times scale."""
    left, top, right, bottom = view
    width, height = right - left, bottom - top
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{_clean(label)}" '
        f'width="{_number(width * scale)}mm" height="{_number(height * scale)}mm" '
        f'viewBox="{_number(left)} {_number(top)} {_number(width)} {_number(height)}" '
        'font-family="Helvetica, Arial, sans-serif">\n'
        f"<title>{_clean(label)}</title>\n"
        f"{content}\n</svg>\n"
    )


def inset(content: str, window: tuple[float, float, float, float]) -> str:
    """What of the content lies in the window (left, top, right, bottom), cut off at its edge."""
    left, top, right, bottom = (_number(each) for each in window)
    width, height = _number(window[2] - window[0]), _number(window[3] - window[1])
    where = f'x="{left}" y="{top}" width="{width}" height="{height}"'
    return (
        f'<svg {where} viewBox="{left} {top} {width} {height}" overflow="hidden">\n'
        f"{content}\n</svg>\n"
        f'<rect {where} fill="none" stroke="#bdb5a3" stroke-width="0.2"/>'
    )


def _attributes(attributes: dict[str, Any]) -> str:
    written = (
        (name.replace("_", "-"), _number(value) if isinstance(value, float) else value)
        for name, value in attributes.items()
    )
    return "".join(f' {name}="{_clean(value)}"' for name, value in written)


def _clean(value: object) -> str:
    """Escaped, and without the characters XML has no way to write (control characters)."""
    return escape("".join(c if c.isprintable() else "\ufffd" for c in str(value)))


def _number(value: float) -> str:
    """At most three decimals, no trailing zeros, no minus zero: a micrometre is plenty."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
