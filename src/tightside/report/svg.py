"""Small drawings as SVG text. Colours come from classes, so that a page can turn them for dark rooms and for paper."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from markupsafe import Markup, escape

from tightside.records import Floats

Point = tuple[float, float]


class Drawing:
    """A canvas in page pixels, filled from back to front. Every text and attribute is escaped."""

    def __init__(self, width: float, height: float, label: str) -> None:
        self.width, self.height, self.label = width, height, label
        self._parts: list[Markup] = []

    def element(self, tag: str, content: str = "", **attributes: object) -> None:
        """Any element; ``class_`` and ``text_anchor`` are written class and text-anchor."""
        written = Markup("").join(
            Markup(' {}="{}"').format(name.rstrip("_").replace("_", "-"), _number(value))
            for name, value in attributes.items()
        )
        self._parts.append(Markup("<{0}{1}>{2}</{0}>").format(Markup(tag), written, content))

    def line(self, start: Point, end: Point, kind: str) -> None:
        """A straight stroke."""
        self.element("line", x1=start[0], y1=start[1], x2=end[0], y2=end[1], class_=kind)

    def box(self, corner: Point, width: float, height: float, kind: str, round_: float = 0) -> None:
        """A rectangle from its upper left corner."""
        self.element(
            "rect", x=corner[0], y=corner[1], width=max(width, 0), height=max(height, 0), rx=round_, class_=kind
        )

    def dot(self, centre: Point, radius: float, kind: str) -> None:
        """A filled circle."""
        self.element("circle", cx=centre[0], cy=centre[1], r=radius, class_=kind)

    def path(self, points: Iterable[Point], kind: str, closed: bool = False) -> None:
        """A line through points."""
        places = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.element("polygon" if closed else "polyline", points=places, class_=kind)

    def mark(self, tip: Point, size: float, down: bool, kind: str) -> None:
        """A triangle whose tip touches a place: a timing mark."""
        x, y = tip
        base = y - size if down else y + size
        self.path([(x, y), (x - 0.6 * size, base), (x + 0.6 * size, base)], kind, closed=True)

    def text(self, at: Point, text: str, kind: str, anchor: str = "start") -> None:
        """One line of text, its baseline at a place."""
        self.element("text", text, x=at[0], y=at[1], class_=kind, text_anchor=anchor)

    def to_svg(self, kind: str = "") -> Markup:
        """The whole drawing, scaled to its box, with a label for those who do not see it."""
        return Markup(
            '<svg class="{}" viewBox="0 0 {} {}" role="img" aria-label="{}" xmlns="http://www.w3.org/2000/svg">{}</svg>'
        ).format(kind, _number(self.width), _number(self.height), escape(self.label), Markup("").join(self._parts))


def _number(value: object) -> object:
    return f"{value:.1f}".removesuffix(".0") if isinstance(value, float | np.floating) else value


def envelope(x: Floats, y: Floats, columns: int) -> list[tuple[float, float]]:
    """Points to draw of a long signal: per column of the picture its least and greatest value, in the order they come.

    ``envelope([0, 1, 2, 3], [5, 9, 1, 2], 1) -> [(1, 9), (2, 1)]``
    """
    if len(x) <= 2 * columns:
        return list(zip(x.tolist(), y.tolist(), strict=True))
    starts = np.linspace(0, len(x), columns, endpoint=False).astype(np.int64)
    points: list[tuple[float, float]] = []
    for begin, end in zip(starts, [*starts[1:], len(x)], strict=True):
        part = y[begin:end]
        for at in sorted({int(part.argmin()), int(part.argmax())}):
            points.append((float(x[begin + at]), float(part[at])))
    return points


def round_steps(low: float, high: float, about: int) -> Sequence[float]:
    """Round values between two limits, about so many: steps of 1, 2 or 5 times a power of ten."""
    span = max(high - low, 1e-12)
    raw = span / max(about, 1)
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
    first = np.ceil(low / step - 1e-9)
    return [float(k * step) + 0.0 for k in np.arange(first, np.floor(high / step + 1e-9) + 1)]
