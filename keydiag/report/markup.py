"""HTML that cannot be broken from outside: plain strings are escaped, only `Html` is markup.

Here: building elements. Not here: what a page says (html.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

__all__ = ["Html", "join", "tag"]

_VOID = frozenset({"br", "meta"})  # of those HTML elements without an end, the ones used here


class Html(str):
    """Text that is markup already."""

    __slots__ = ()


def tag(name: str, /, *children: str, **attributes: str) -> Html:
    """One element. A child that is no `Html` is text and is escaped, so are the attributes'
    values; the attribute ``class_`` is written ``class``, ``http_equiv`` is ``http-equiv``."""
    written = "".join(
        f' {attribute.rstrip("_").replace("_", "-")}="{_clean(value)}"'
        for attribute, value in attributes.items()
    )
    if name in _VOID:
        return Html(f"<{name}{written}>")
    return Html(f"<{name}{written}>{join(children, '')}</{name}>")


def join(children: Iterable[str], between: str = "\n") -> Html:
    """Children one after the other; text among them is escaped."""
    return Html(between.join(c if isinstance(c, Html) else _clean(c) for c in children))


def _clean(text: str) -> str:
    """Escaped, and without characters that are not meant to be seen (control characters, and
    those that turn the direction of writing)."""
    return escape("".join(c if c.isprintable() else "\ufffd" for c in text))
