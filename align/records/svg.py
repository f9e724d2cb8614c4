"""Drawings as inline SVG: escaped elements, and a frame with title and description for who hears it.

Colours are class names that the page's style sheet fills in: one drawing serves light, dark and paper.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

#: All drawings are this wide in their own units: a phone's width, so that text is as large there as it says.
WIDTH = 360.0
#: Text heights in the same units.
TEXT, SMALL_TEXT = 12.5, 11.0

Point = tuple[float, float]


def element(tag: str, content: str = "", **attributes: object) -> str:
    """One element; `class_` and `stroke_width` become class and stroke-width; content is markup already."""
    words = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{escape(_shown(value))}"'
        for name, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{words}>{content}</{tag}>" if content else f"<{tag}{words}/>"


def _shown(value: object) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def frame(name: str, title: str, description: str, height: float, parts: Iterable[str]) -> str:
    """A whole drawing. `name` is its id on the page; title and description are its alternative text."""
    head = element("title", escape(title), id=f"{name}-title")
    head += element("desc", escape(description), id=f"{name}-desc")
    return element(
        "svg",
        head + "".join(parts),
        viewBox=f"0 0 {WIDTH:g} {height:g}",
        role="img",
        aria_labelledby=f"{name}-title {name}-desc",
        class_="drawing",
    )


def text(
    x: float, y: float, words: str, *, anchor: str = "start", size: float = TEXT, class_: str = "words"
) -> str:
    """A line of text."""
    return element("text", escape(words), x=x, y=y, text_anchor=anchor, font_size=size, class_=class_)


def line(a: Point, b: Point, class_: str) -> str:
    """A straight line."""
    return element("line", x1=a[0], y1=a[1], x2=b[0], y2=b[1], class_=class_)


def polygon(points: Iterable[Point], class_: str) -> str:
    """A closed outline."""
    return element("polygon", points=" ".join(f"{x:.2f},{y:.2f}" for x, y in points), class_=class_)


def box(left: float, top: float, width: float, height: float, class_: str) -> str:
    """An upright rectangle."""
    return element("rect", x=left, y=top, width=width, height=height, class_=class_)


def dot(x: float, y: float, radius: float, class_: str) -> str:
    """A disc."""
    return element("circle", cx=x, cy=y, r=radius, class_=class_)


def scale_bar(x: float, y: float, px_per_mm: float, room_px: float) -> str:
    """A bar of a round number of millimetres that fits into the room."""
    longest = room_px / px_per_mm
    length = max((v for v in (5, 10, 20, 50, 100, 200, 500, 1000) if v <= longest), default=5)
    end = x + length * px_per_mm
    ticks = line((x, y - 3), (x, y + 3), "ink") + line((end, y - 3), (end, y + 3), "ink")
    return line((x, y), (end, y), "ink") + ticks + text(x, y - 6, f"{length} mm", size=SMALL_TEXT)
