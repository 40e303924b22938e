"""The clearance report: gap over crank angle with the touching zone, and gap tooth by tooth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from tightside.records import GapSurvey, GapTrace
from tightside.report.mechanism import (
    Figure,
    MechanismPage,
    Plot,
    Row,
    Table,
    chance_words,
    render_page,
    teeth_word,
)
from tightside.report.svg import Drawing

LIKELY = 0.05
CEILING_MM = 10.0  # further apart than this nobody asks
SHOWN_TEETH = (-3, -2, -1, 0, 1, 2, 3)


def render_clearance(survey: GapSurvey) -> str:
    """The report as one self-contained HTML document."""
    return render_page(page_of(survey))


def page_of(survey: GapSurvey) -> MechanismPage:
    """What the page shows."""
    headline, kind = _headline(survey)
    figures = [f for group in _groups(survey) for f in (_over_angle(group), _by_tooth(group, survey))]
    return MechanismPage(
        what="Valves and pistons",
        engine=survey.engine,
        kind=kind,
        headline=headline,
        under=_under(survey),
        figures=tuple(figures),
        tables=tuple(_table(group, survey) for group in _groups(survey)),
        assumed=survey.assumed,
        notes=survey.notes,
        cautions=survey.cautions,
    )


Group = tuple[GapTrace, ...]


def _groups(survey: GapSurvey) -> list[Group]:
    """Traces of like cams together, by tooth; a measured one goes with the cams that it is of."""
    keys = dict.fromkeys((t.cam, t.valve) for t in survey.traces if t.teeth is not None)
    return [
        tuple(
            t
            for t in survey.traces
            if t.valve == valve and (t.cam == cam or (t.teeth is None and t.cam in cam.split(", ")))
        )
        for cam, valve in keys
    ]


def _name(group: Group) -> str:
    cams = group[0].cam.split(", ")
    shafts = f"cam {cams[0]}" if len(cams) == 1 else f"cams {' and '.join(cams)}"
    return f"{group[0].valve.capitalize()} valves, {shafts}"


def _headline(survey: GapSurvey) -> tuple[str, str]:
    measured = [t for t in survey.traces if t.teeth is None]
    if measured:
        worst = max(measured, key=lambda t: t.probability)
        if worst.probability >= 0.5:
            return f"{worst.valve.capitalize()} valves of cam {worst.cam} have met the pistons", "off"
        if worst.probability >= LIKELY:
            return f"{worst.valve.capitalize()} valves of cam {worst.cam} may have met the pistons", "part"
        return "At the measured offset the valves clear the pistons", "ok"
    first = _first_touch(survey)
    if not first:
        return "No valve meets a piston within 4 teeth", "ok"
    nearest = min(first, key=lambda t: abs(t.teeth or 0))
    if nearest.teeth == 0:
        return f"{nearest.valve.capitalize()} valves may meet pistons even in time", "off"
    return f"{nearest.valve.capitalize()} valves meet pistons from {teeth_word(nearest.teeth or 0)}", "off"


def _first_touch(survey: GapSurvey) -> list[GapTrace]:
    return [t for t in survey.traces if t.teeth is not None and t.probability >= 0.5]


def _under(survey: GapSurvey) -> str:
    words = []
    for group in _groups(survey):
        moving = {n: gap for n, gap in _phaser(group, survey).items() if gap <= 0}
        touching = [t.teeth for t in group if t.teeth is not None and (t.probability >= LIKELY or t.teeth in moving)]
        early, late = (
            max((n for n in touching if n <= 0), default=None),
            min((n for n in touching if n >= 0), default=None),
        )
        sides = [teeth_word(n) for n in dict.fromkeys((early, late)) if n is not None]
        words.append(
            f"{group[0].valve} from {' and '.join(sides)}" if sides else f"{group[0].valve} not within 4 teeth"
        )
    return (
        f"A touch is possible, phasers moving: {'; '.join(words)}."
        if survey.phaser
        else f"A touch is possible: {'; '.join(words)}."
    )


# ------------------------------------------------------------------------------------------------------ over angle


def _over_angle(group: Group) -> Figure:
    return Figure(
        title=f"{_name(group)}: over the crank's turn",
        text=(
            "Gap between valve and piston around the top where both meet, one line for each tooth. In the shaded zone "
            "there is no room: valve and piston touch."
        ),
        wide=draw_over_angle(group),
        narrow=draw_over_angle(group, narrow=True),
    )


def draw_over_angle(group: Group, *, narrow: bool = False) -> Markup:
    """Gap over crank angle, the touching zone below zero."""
    shown = [t for t in group if t.teeth is None or t.teeth in (SHOWN_TEETH if not narrow else (-2, -1, 0, 1, 2))]
    low = min(-1.5, min(float(t.trace_mm.min()) for t in shown) - 0.6)
    size = (380, 430) if narrow else (1040, 470)
    edges = (52.0, 372.0, 34.0, 372.0) if narrow else (76.0, 1012.0, 34.0, 404.0)
    drawing = Drawing(*size, f"{_name(group)}: gap over crank angle")
    plot = Plot(*edges, (300.0, 420.0), (low, CEILING_MM))
    plot.ground(drawing)
    plot.y_scale(drawing, 6, "mm")
    drawing.box((plot.left, plot.y(0)), plot.right - plot.left, plot.bottom - plot.y(0), "zone")
    drawing.line((plot.left, plot.y(0)), (plot.right, plot.y(0)), "edge")
    for trace in sorted(shown, key=lambda t: t.teeth == 0):
        drawing.path(_clipped(trace, plot), _curve_kind(trace))
    _tags(drawing, plot, shown, narrow)
    drawing.text((plot.right - 8, plot.bottom - 10), "touching", "zone-word", "end")
    angles = [
        (a, f"{a - 360:+.0f}°" if a != 360 else "top") for a in ((320, 360, 400) if narrow else range(310, 411, 10))
    ]
    plot.x_scale(
        drawing,
        [(float(a), w) for a, w in angles],
        "crank degrees about top" if narrow else "crank degrees about the top between exhaust and intake",
    )
    return drawing.to_svg("narrow" if narrow else "wide")


def _clipped(trace: GapTrace, plot: Plot) -> list[tuple[float, float]]:
    inside = (
        (trace.theta_deg >= plot.x_range[0]) & (trace.theta_deg <= plot.x_range[1]) & (trace.trace_mm <= CEILING_MM)
    )
    each = zip(trace.theta_deg[inside].tolist(), trace.trace_mm[inside].tolist(), strict=True)
    return [(plot.x(a), plot.y(g)) for a, g in each]


def _curve_kind(trace: GapTrace) -> str:
    if trace.teeth is None:
        return "curve strong off" if trace.gap_mm <= 0 else "curve strong ok"
    if trace.teeth == 0:
        return "curve strong"
    return "curve off" if trace.gap_mm <= 0 else "curve"


def _tags(drawing: Drawing, plot: Plot, shown: Sequence[GapTrace], narrow: bool) -> None:
    """A word at each curve's lowest place, kept apart from one another."""
    taken: list[tuple[float, float]] = []
    wide = 60.0 if narrow else 96.0
    in_time = next((t.gap_mm for t in shown if t.teeth == 0), 0.0)
    told = [t for t in shown if not t.teeth or abs(t.gap_mm - in_time) > 0.4]
    for trace in sorted(told, key=lambda t: t.gap_mm):
        inside = np.flatnonzero((trace.theta_deg >= plot.x_range[0] + 8) & (trace.theta_deg <= plot.x_range[1] - 8))
        at = inside[trace.trace_mm[inside].argmin()]
        x = min(max(plot.x(float(trace.theta_deg[at])), plot.left + wide / 2 + 4), plot.right - wide / 2 - 4)
        below = plot.y(min(float(trace.trace_mm[at]), CEILING_MM)) + 19
        rows = [below + 18 * k for k in (0, 1, -2, 2, -3, 3, -4)]
        free = [y for y in rows if plot.top + 16 < y < plot.bottom - 4 and not _crowded((x, y), taken, wide)]
        if not free:
            continue
        y = free[0]
        taken.append((x, y))
        word = "as measured" if trace.teeth is None else teeth_word(trace.teeth, short=True)
        drawing.text((x, y), word, f"{'off' if trace.gap_mm <= 0 else 'none'} tag", "middle")


def _crowded(at: tuple[float, float], taken: Sequence[tuple[float, float]], wide: float) -> bool:
    return any(abs(at[0] - a) < wide and abs(at[1] - b) < 18 for a, b in taken)


# -------------------------------------------------------------------------------------------------------- by tooth


def _by_tooth(group: Group, survey: GapSurvey) -> Figure:
    moving = " Open circles: with the phaser at the worst place of its travel." if _phaser(group, survey) else ""
    return Figure(
        title=f"{_name(group)}: tooth by tooth",
        text=(
            "Least gap over the cycle; the line holds the true value 95 times in 100. Triangles are teeth at which "
            f"they more likely touch than not.{moving}"
        ),
        wide=draw_by_tooth(group, survey),
        narrow=draw_by_tooth(group, survey, narrow=True),
    )


def _phaser(group: Group, survey: GapSurvey) -> dict[int, float]:
    return {n: gap for cam, valve, n, gap in survey.phaser if (cam, valve) == (group[0].cam, group[0].valve)}


def draw_by_tooth(group: Group, survey: GapSurvey, *, narrow: bool = False) -> Markup:
    """Gap against teeth, with intervals and the chance of touching written under each."""
    rows = [t for t in group if t.teeth is not None]
    phaser = _phaser(group, survey)
    low = min(-1.5, min(t.gap_ci95_mm[0] for t in rows), *(phaser.values() or [0.0])) - 0.8
    high = min(max(t.gap_ci95_mm[1] for t in rows), CEILING_MM) + 0.8
    size = (380, 440) if narrow else (1040, 430)
    edges = (52.0, 372.0, 34.0, 352.0) if narrow else (76.0, 1012.0, 34.0, 336.0)
    drawing = Drawing(*size, f"{_name(group)}: least gap by tooth")
    plot = Plot(*edges, (-4.5, 4.5), (low, high))
    plot.ground(drawing)
    plot.y_scale(drawing, 5, "mm")
    drawing.box((plot.left, plot.y(0)), plot.right - plot.left, plot.bottom - plot.y(0), "zone")
    drawing.line((plot.left, plot.y(0)), (plot.right, plot.y(0)), "edge")
    drawing.text((plot.right - 8, plot.bottom - 10), "touching", "zone-word", "end")
    for trace in rows:
        _point(drawing, plot, trace, phaser.get(trace.teeth or 0))
    _under_teeth(drawing, plot, rows, narrow)
    return drawing.to_svg("narrow" if narrow else "wide")


def _point(drawing: Drawing, plot: Plot, trace: GapTrace, phaser_mm: float | None) -> None:
    kind = "off" if trace.probability >= 0.5 else "part" if trace.probability >= LIKELY else "ok"
    x = plot.x(float(trace.teeth or 0))
    low, high = (min(max(v, plot.y_range[0]), plot.y_range[1]) for v in trace.gap_ci95_mm)
    drawing.line((x, plot.y(low)), (x, plot.y(high)), f"{kind} whisker")
    y = plot.y(min(trace.gap_mm, plot.y_range[1]))
    if trace.probability >= 0.5:
        drawing.path([(x, y + 9), (x - 9, y - 8), (x + 9, y - 8)], f"{kind} point", closed=True)
    else:
        drawing.dot((x, y), 7, f"{kind} point")
    if phaser_mm is not None and abs(phaser_mm - trace.gap_mm) > 0.02:
        drawing.dot((x + 13, plot.y(min(phaser_mm, plot.y_range[1]))), 5.5, "outline")


def _under_teeth(drawing: Drawing, plot: Plot, rows: Sequence[GapTrace], narrow: bool) -> None:
    for trace in rows:
        x, n = plot.x(float(trace.teeth or 0)), trace.teeth or 0
        if narrow:
            drawing.text((x, plot.bottom + 22), f"{abs(n)}" if n else "0", "scale", "middle")
            continue
        drawing.text((x, plot.bottom + 24), teeth_word(n, short=True), "scale strong" if n == 0 else "scale", "middle")
        kind = "off" if trace.probability >= 0.5 else "part" if trace.probability >= LIKELY else "none"
        drawing.text((x, plot.bottom + 48), chance_words(trace.probability), f"{kind} tag", "middle")
    if narrow:
        drawing.text((plot.x(-2.5), plot.bottom + 44), "teeth early", "small", "middle")
        drawing.text((plot.x(2.5), plot.bottom + 44), "teeth late", "small", "middle")
    else:
        drawing.text(
            ((plot.left + plot.right) / 2, plot.bottom + 76), "teeth off, and the chance of a touch", "small", "middle"
        )


# ---------------------------------------------------------------------------------------------------------- numbers


def _table(group: Group, survey: GapSurvey) -> Table:
    phaser = _phaser(group, survey)
    return Table(
        heads=(
            _name(group),
            "Offset, °",
            "Gap, mm",
            "95 % interval, mm",
            "Touch",
            "Bend",
            "With the phaser moving, mm",
        ),
        rows=tuple(_row(t, phaser) for t in group),
        text=f"Standard deviation of the static lengths {survey.tolerance_mm:g} mm; estimates add theirs.",
    )


def _row(trace: GapTrace, phaser: dict[int, float]) -> Row:
    low, high = trace.gap_ci95_mm
    moving = phaser.get(trace.teeth) if trace.teeth is not None else None
    name = f"cam {trace.cam} as measured" if trace.teeth is None else teeth_word(trace.teeth)
    cells = (
        name,
        f"{trace.offset_deg:+.1f}",
        f"{trace.gap_mm:.2f}",
        f"{low:.2f} to {high:.2f}",
        chance_words(trace.probability),
        chance_words(trace.bend),
        "-" if moving is None else f"{moving:.2f}",
    )
    return Row(cells, "off" if trace.probability >= 0.5 else "")
