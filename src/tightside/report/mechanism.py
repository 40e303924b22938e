"""What the clearance and the prediction report have in common: the page, its figures and tables, and their axes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from markupsafe import Markup

from tightside.report.svg import Drawing, round_steps

if TYPE_CHECKING:
    from jinja2 import Template


@dataclass(frozen=True, slots=True)
class Figure:
    """One picture, drawn for a wide and for a narrow screen."""

    title: str
    text: str
    wide: Markup
    narrow: Markup


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table; ``kind`` colours it."""

    cells: tuple[str, ...]
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Numbers in rows."""

    heads: tuple[str, ...]
    rows: tuple[Row, ...]
    text: str = ""


@dataclass(frozen=True, slots=True)
class MechanismPage:
    """Everything that the template may use."""

    what: str
    engine: str
    kind: str  # "ok", "off", "part": colours the answer
    headline: str
    under: str
    figures: tuple[Figure, ...]
    tables: tuple[Table, ...]
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def render_page(page: MechanismPage) -> str:
    """One self-contained HTML document; every text from a file is escaped."""
    return _template().render(page=page)


@cache
def _template() -> Template:
    import jinja2

    loader = jinja2.PackageLoader("tightside.report", "templates")
    environment = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.get_template("mechanism.html")


@dataclass(frozen=True, slots=True)
class Plot:
    """A plot area: page pixels and the ranges that they show."""

    left: float
    right: float
    top: float
    bottom: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]

    def x(self, value: float) -> float:
        """Place across the page."""
        low, high = self.x_range
        return self.left + (value - low) / (high - low) * (self.right - self.left)

    def y(self, value: float) -> float:
        """Place down the page; greater values are higher."""
        low, high = self.y_range
        return self.bottom - (value - low) / (high - low) * (self.bottom - self.top)

    def ground(self, drawing: Drawing) -> None:
        """The card behind it."""
        drawing.box((self.left, self.top), self.right - self.left, self.bottom - self.top, "ground")

    def y_scale(self, drawing: Drawing, about: int, unit: str) -> None:
        """Horizontal lines at round values, the unit above."""
        for value in round_steps(*self.y_range, about):
            drawing.line((self.left, self.y(value)), (self.right, self.y(value)), "grid")
            drawing.text((self.left - 8, self.y(value) + 5), f"{value:g}", "scale", "end")
        drawing.text((self.left - 8, self.top - 12), unit, "small", "end")

    def x_scale(self, drawing: Drawing, values: list[tuple[float, str]], title: str) -> None:
        """Words under the axis."""
        for value, word in values:
            drawing.text((self.x(value), self.bottom + 22), word, "scale", "middle")
        drawing.text(((self.left + self.right) / 2, self.bottom + 46), title, "small", "middle")


def teeth_word(teeth: int, short: bool = False) -> str:
    """ "in time", "2 teeth late", or "2 late"."""
    if teeth == 0:
        return "in time"
    side = "late" if teeth > 0 else "early"
    if short:
        return f"{abs(teeth)} {side}"
    return f"{abs(teeth)} {'tooth' if abs(teeth) == 1 else 'teeth'} {side}"


def chance_words(probability: float) -> str:
    """A chance as people say it."""
    if probability < 0.005:
        return "under 1 %"
    return "over 99 %" if probability > 0.995 else f"{100 * probability:.0f} %"
