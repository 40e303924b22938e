"""An examination as one HTML file: the answer first, in letters that read at two metres; no net, no other files."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from markupsafe import Markup

from tightside.diagnosis import CamVerdict, Diagnosis, Examination
from tightside.report.causes import CamCauses, cam_causes, conflict_words, disagreements, quiet_words
from tightside.report.codes import code_text, phaser_text
from tightside.report.cylinders import cylinder_text, render_cylinders
from tightside.report.marks import KIND, render_marks
from tightside.report.offsets import SHORT, render_offsets
from tightside.report.pressure import pressure_text, render_polytrope, render_pressure
from tightside.report.speed import render_speed
from tightside.report.text import Answer, answers, headline, with_words
from tightside.report.traces import cycle_rpm, render_traces
from tightside.report.words import capital, chances, give_or_take, is_placed, short_name, signed, teeth_words

if TYPE_CHECKING:
    from jinja2 import Template


@dataclass(frozen=True, slots=True)
class CamShown:
    """One camshaft's line in the report."""

    cam: str
    name: str
    said: str
    number: str
    kind: str  # class that colours it
    marks: Markup
    chances: str


@dataclass(frozen=True, slots=True)
class Pictures:
    """Each picture drawn twice: for a screen or sheet, and for a phone held upright."""

    offsets: tuple[Markup, Markup]
    traces: tuple[Markup, Markup]
    speed: tuple[Markup, Markup]
    cylinders: tuple[Markup, Markup]
    pressure: tuple[tuple[int, tuple[Markup, Markup], tuple[Markup, Markup]], ...]  # cylinder, over angle, log-log


@dataclass(frozen=True, slots=True)
class Page:
    """Everything that the template may use."""

    diagnosis: Diagnosis
    headline: str
    kind: str
    first: Answer | None
    others: tuple[Answer, ...]
    cams: tuple[CamShown, ...]
    pictures: Pictures
    cycle_rpm: float | None
    causes: tuple[CamCauses, ...]
    said_of_causes: tuple[str, ...]
    codes: tuple[tuple[int, str], ...]  # indent, text
    phasers: tuple[str, ...]
    cylinders: tuple[str, ...]
    pressure: tuple[tuple[int, str], ...]
    from_log: bool  # every cam is judged by a log's readings, not by engine cycles


def render_html(examination: Examination) -> str:
    """The report as one self-contained HTML document.

    Every text that came with a recording or an engine file is escaped. The same examination gives the same bytes.
    """
    return _template().render(page=page_of(examination))


def page_of(examination: Examination) -> Page:
    """What the page shows, computed once and without any markup of its own but the pictures."""
    told = with_words(examination.diagnosis)
    found = answers(told)
    return Page(
        diagnosis=told,
        headline=headline(told),
        kind=KIND[found[0].state] if found else "none",
        first=found[0] if found else None,
        others=found[1:],
        cams=tuple(_shown(cam, told.judged) for cam in told.judged),
        pictures=_pictures(examination, told),
        cycle_rpm=cycle_rpm(examination),
        causes=cam_causes(told),
        said_of_causes=(*disagreements(told), *conflict_words(told), *filter(None, [quiet_words(told)])),
        codes=tuple(code_text(told)),
        phasers=tuple(text for _, text in phaser_text(told)),
        cylinders=tuple(text for _, text in cylinder_text(told, examination.cylinders)),
        pressure=tuple(pressure_text(told)),
        from_log=bool(told.judged) and all(cam.evidence == "log" for cam in told.judged),
    )


def _pictures(examination: Examination, told: Diagnosis) -> Pictures:
    return Pictures(
        offsets=(
            render_offsets(told.judged, examination.cams),
            render_offsets(told.judged, examination.cams, narrow=True),
        ),
        traces=(render_traces(examination), render_traces(examination, narrow=True)),
        speed=(render_speed(examination.clock), render_speed(examination.clock, narrow=True)),
        cylinders=(render_cylinders(examination.cylinders), render_cylinders(examination.cylinders, narrow=True)),
        pressure=tuple(
            (
                found.cylinder,
                (render_pressure(found), render_pressure(found, narrow=True)),
                (render_polytrope(found), render_polytrope(found, narrow=True)),
            )
            for found in examination.pressure
            if len(found.theta_deg)
        ),
    )


def _shown(cam: CamVerdict, every: tuple[CamVerdict, ...]) -> CamShown:
    said = teeth_words(cam.teeth_call) if cam.teeth_call is not None else SHORT[cam.state]
    number = ""
    if cam.offset_deg is not None:
        give = f" {give_or_take(cam.offset_deg, cam.ci95_deg)}" if cam.ci95_deg else ""
        number = signed(cam.offset_deg, 1) + give
    name = capital(short_name(cam.cam, every))
    return CamShown(
        cam.cam if is_placed(cam.cam) else "", name, said, number, KIND[cam.state], render_marks(cam), chances(cam)
    )


@cache
def _template() -> Template:
    import jinja2

    loader = jinja2.PackageLoader("tightside.report", "templates")
    environment = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.get_template("report.html")
