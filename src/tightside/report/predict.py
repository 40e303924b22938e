"""The prediction report: what a gauge would show at each cylinder, compression by tooth, pressure over the cycle."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from tightside.records import CylinderForecast, Floats, Forecast, ToothForecast
from tightside.report.mechanism import (
    Figure,
    MechanismPage,
    Plot,
    Row,
    Table,
    render_page,
    teeth_word,
)
from tightside.report.svg import Drawing
from tightside.units import System, pressure_text, psi_from_kpa

LIKELY = 0.05


def render_forecast(found: Forecast, system: System = "metric") -> str:
    """The report as one self-contained HTML document."""
    return render_page(page_of(found, system))


def page_of(found: Forecast, system: System) -> MechanismPage:
    """What the page shows."""
    headline, kind = _headline(found)
    return MechanismPage(
        what="Compression while cranking",
        engine=found.engine,
        kind=kind,
        headline=headline,
        under=_under(found, system),
        figures=(_gauges(found, system), *_by_tooth(found), _over_cycle(found, system)),
        tables=(_cylinder_table(found, system), _unknown_table(found)),
        assumed=found.assumed,
        notes=found.notes,
        cautions=found.cautions,
    )


def _changed(found: Forecast) -> list[CylinderForecast]:
    return [c for c in found.cylinders if abs(c.relative_to_in_time - 1.0) > 0.03]


def _headline(found: Forecast) -> tuple[str, str]:
    changed = _changed(found)
    if not changed:
        return "A gauge would show nothing wrong", "ok"
    worst = min(changed, key=lambda c: c.relative_to_in_time)
    share = f"{100 * worst.relative_to_in_time:.0f} %"
    banks = {c.bank for c in changed}
    alike = max(c.relative_to_in_time for c in changed) - worst.relative_to_in_time < 0.05
    if alike and len(changed) == len(found.cylinders):
        return f"Every cylinder would show {share} of its compression in time", "off"
    if alike and len(banks) == 1 and len(changed) > 1:
        return f"Bank {banks.pop()} would show {share} of its compression in time", "off"
    if worst.relative_to_in_time > 1.0:
        worst = max(changed, key=lambda c: c.relative_to_in_time)
        share = f"{100 * worst.relative_to_in_time:.0f} %"
    return f"Cylinder {worst.cylinder} would show {share} of its compression in time", "off"


def _under(found: Forecast, system: System) -> str:
    off = [f"cam {cam} {_offset(deg, n)}" for cam, deg, n in found.cams if abs(deg) > 0.05]
    leaks = [f"cylinder {c.cylinder} leaking {c.leak_mm2:g} mm²" for c in found.cylinders if c.leak_mm2]
    how = (
        "throttle open" if found.shut_throttle_kpa_abs else f"manifold {pressure_text(found.manifold_kpa_abs, system)}"
    )
    return f"With {', '.join([*off, *leaks]) or 'every cam in time'}; warm, {how}, {found.rpm:.0f} rpm."


def _offset(deg: float, teeth: int | None) -> str:
    if teeth:
        return teeth_word(teeth)
    return f"{abs(deg):.1f}° {'late' if deg > 0 else 'early'}"


def _in(kpa: float, system: System) -> float:
    return kpa if system == "metric" else psi_from_kpa(kpa)


def _unit(system: System) -> str:
    return "kPa" if system == "metric" else "psi"


# --------------------------------------------------------------------------------------------------------- gauges


def _gauges(found: Forecast, system: System) -> Figure:
    return Figure(
        title="On the gauge",
        text=(
            "Solid: what a compression gauge would show, and under it the share of in time. Dashed: the same engine "
            "with nothing wrong. The line holds the true reading 95 times in 100; shares are much surer than readings."
        ),
        wide=draw_gauges(found, system),
        narrow=draw_gauges(found, system, narrow=True),
    )


def draw_gauges(found: Forecast, system: System, *, narrow: bool = False) -> Markup:
    """A bar for each cylinder, in time outlined behind it."""
    n = len(found.cylinders)
    top = max(max(c.gauge_ci95_kpa[1], c.in_time_gauge_kpa) for c in found.cylinders)
    size = (380, 420) if narrow else (1040, 420)
    edges = (58.0, 372.0, 34.0, 330.0) if narrow else (86.0, 1012.0, 34.0, 330.0)
    drawing = Drawing(*size, "Gauge reading of each cylinder")
    plot = Plot(*edges, (0.5, n + 0.5), (0.0, _in(top, system) * 1.05))
    plot.ground(drawing)
    plot.y_scale(drawing, 5, _unit(system))
    for place, c in enumerate(found.cylinders, 1):
        _gauge(drawing, plot, c, (float(place), system), narrow and n > 4)
    drawing.text(((plot.left + plot.right) / 2, plot.bottom + 74), "cylinder, and share of in time", "small", "middle")
    return drawing.to_svg("narrow" if narrow else "wide")


def _gauge(drawing: Drawing, plot: Plot, c: CylinderForecast, at: tuple[float, System], tight: bool) -> None:
    place, system = at
    kind = "ok" if abs(c.relative_to_in_time - 1) <= 0.03 else "off"
    half = 0.32 * (plot.right - plot.left) / (plot.x_range[1] - plot.x_range[0])
    half = min(half, 46.0)
    x, base = plot.x(place), plot.y(0)
    now, good = plot.y(_in(c.gauge_kpa, system)), plot.y(_in(c.in_time_gauge_kpa, system))
    drawing.box((x - half, now), 2 * half, base - now, f"{kind} bar")
    drawing.box((x - half - 5, good), 2 * half + 10, base - good, "outline")
    low, high = (plot.y(_in(v, system)) for v in c.gauge_ci95_kpa)
    drawing.line((x, low), (x, high), "none whisker")
    drawing.text((x, plot.bottom + 22), str(c.cylinder), "scale strong", "middle")
    share = f"{100 * c.relative_to_in_time:.0f}" + ("" if tight else " %")
    drawing.text((x, plot.bottom + 46), share, f"{kind} tag", "middle")


# -------------------------------------------------------------------------------------------------------- by tooth


def _by_tooth(found: Forecast) -> tuple[Figure, ...]:
    return tuple(
        Figure(
            title=f"By tooth: cam of the {works} valves",
            text=(
                "Gauge reading of a sound cylinder as a share of in time, its cam off by whole teeth. The band holds "
                "the true share 95 times in 100. Triangles: valves may meet the piston; a bent one shows far less."
            ),
            wide=draw_by_tooth(found, works),
            narrow=draw_by_tooth(found, works, narrow=True),
        )
        for works in dict.fromkeys(t.works for t in found.by_tooth)
    )


def draw_by_tooth(found: Forecast, works: str, *, narrow: bool = False) -> Markup:
    """Share of in time against teeth."""
    rows = [t for t in found.by_tooth if t.works == works]
    size = (380, 400) if narrow else (1040, 400)
    edges = (52.0, 372.0, 34.0, 322.0) if narrow else (86.0, 1012.0, 34.0, 322.0)
    drawing = Drawing(*size, f"Compression by tooth, {works}")
    top = max(126.0, *(100 * t.relative_ci95[1] + 5 for t in rows))
    plot = Plot(*edges, (-4.4, 4.4), (0.0, top))
    plot.ground(drawing)
    plot.y_scale(drawing, 6, "%")
    drawing.line((plot.left, plot.y(100)), (plot.right, plot.y(100)), "zero")
    upper = [(plot.x(t.teeth), plot.y(100 * t.relative_ci95[1])) for t in rows]
    lower = [(plot.x(t.teeth), plot.y(100 * t.relative_ci95[0])) for t in rows]
    drawing.path([*upper, *reversed(lower)], "belt", closed=True)
    drawing.path([(plot.x(t.teeth), plot.y(100 * t.relative_to_in_time)) for t in rows], "curve")
    for t in rows:
        _tooth(drawing, plot, t, narrow)
    if narrow:
        drawing.text((plot.x(-2.5), plot.bottom + 46), "teeth early", "small", "middle")
        drawing.text((plot.x(2.5), plot.bottom + 46), "teeth late", "small", "middle")
    else:
        drawing.text(((plot.left + plot.right) / 2, plot.bottom + 54), "teeth off", "small", "middle")
    return drawing.to_svg("narrow" if narrow else "wide")


def _tooth(drawing: Drawing, plot: Plot, t: ToothForecast, narrow: bool) -> None:
    x, y = plot.x(t.teeth), plot.y(100 * t.relative_to_in_time)
    touching = t.contact >= LIKELY
    kind = "off" if touching else "ok"
    if touching:
        drawing.path([(x, y + 9), (x - 9, y - 8), (x + 9, y - 8)], f"{kind} point", closed=True)
    else:
        drawing.dot((x, y), 7, f"{kind} point")
    word = str(abs(t.teeth)) if narrow else teeth_word(t.teeth, short=True)
    drawing.text((x, plot.bottom + 24), word, "scale strong" if t.teeth == 0 else "scale", "middle")
    if not narrow or t.teeth % 2 == 0:
        drawing.text((x, y - 16), f"{100 * t.relative_to_in_time:.0f}", f"{kind} tag", "middle")


# ------------------------------------------------------------------------------------------------------ over cycle


def _over_cycle(found: Forecast, system: System) -> Figure:
    c = max(found.cylinders, key=lambda c: abs(np.log(c.relative_to_in_time)))
    return Figure(
        title=f"In cylinder {c.cylinder}",
        text=(
            "Pressure over the engine's cycle, as a transducer in the plug hole would show it, above the surroundings. "
            "Dashed: in time. The letters mark where exhaust and intake valves open (EVO, IVO) and close (EVC, IVC)."
        ),
        wide=draw_over_cycle(found, c, system),
        narrow=draw_over_cycle(found, c, system, narrow=True),
    )


def draw_over_cycle(found: Forecast, c: CylinderForecast, system: System, *, narrow: bool = False) -> Markup:
    """Gauge pressure of one cylinder from 360 before to 360 after its compression top."""
    i = found.cylinders.index(c)
    now, good = (_gauge_trace(p[:, i], found, system) for p in (found.pressure_kpa, found.in_time_kpa))
    size = (380, 400) if narrow else (1040, 420)
    edges = (58.0, 366.0, 34.0, 330.0) if narrow else (86.0, 1012.0, 34.0, 346.0)
    drawing = Drawing(*size, f"Pressure in cylinder {c.cylinder} over the cycle")
    top = float(max(now.max(), good.max()))
    plot = Plot(*edges, (-360.0, 360.0), (-0.06 * top, 1.08 * top))
    plot.ground(drawing)
    plot.y_scale(drawing, 5, _unit(system))
    events = (("EVO", c.evo_deg), ("EVC", c.evc_deg), ("IVO", c.ivo_deg), ("IVC", c.ivc_deg))
    for k, (name, deg) in enumerate(events):
        _event(drawing, plot, name, (deg + 360.0) % 720.0 - 360.0, 16 + 20 * (k % 2))
    step = 4 if narrow else 2
    for trace, kind in ((good, "curve faded"), (now, "curve strong off")):
        drawing.path(
            [(plot.x(a), plot.y(p)) for a, p in zip(found.theta_deg[::step], trace[::step], strict=True)], kind
        )
    marks = [(float(a), f"{a:+d}°" if a else "top") for a in range(-360, 361, 90)]
    at_ends = [(-340.0, "-360°"), (0.0, "top"), (335.0, "+360°")]
    plot.x_scale(drawing, at_ends if narrow else marks, "crank degrees about its compression top")
    return drawing.to_svg("narrow" if narrow else "wide")


def _gauge_trace(kpa: Floats, found: Forecast, system: System) -> Floats:
    above = kpa - found.ambient_kpa
    return above if system == "metric" else np.array([psi_from_kpa(float(p)) for p in above])


def _event(drawing: Drawing, plot: Plot, name: str, at_deg: float, down: float) -> None:
    x = plot.x(at_deg)
    drawing.line((x, plot.top), (x, plot.bottom), "event")
    anchor = "start" if at_deg < 0 else "end"
    drawing.text((x + (5 if anchor == "start" else -5), plot.top + down), name, "small", anchor)


# ---------------------------------------------------------------------------------------------------------- numbers


def _cylinder_table(found: Forecast, system: System) -> Table:
    heads = (
        "Cylinder",
        "Bank",
        f"Gauge, {_unit(system)}",
        "95 %",
        "In time",
        "Share",
        "95 %",
        "EVO",
        "EVC",
        "IVO",
        "IVC",
    )
    return Table(
        heads=heads,
        rows=tuple(_cylinder_row(c, system) for c in found.cylinders),
        text="Valve angles in degrees after the cylinder's own compression top, as the engine file counts them.",
    )


def _cylinder_row(c: CylinderForecast, system: System) -> Row:
    low, high = (_in(v, system) for v in c.gauge_ci95_kpa)
    cells = (
        str(c.cylinder),
        str(c.bank),
        f"{_in(c.gauge_kpa, system):.0f}",
        f"{low:.0f} to {high:.0f}",
        f"{_in(c.in_time_gauge_kpa, system):.0f}",
        f"{100 * c.relative_to_in_time:.0f} %",
        f"{100 * c.relative_ci95[0]:.0f} to {100 * c.relative_ci95[1]:.0f} %",
        *(f"{v:.0f}" for v in (c.evo_deg, c.evc_deg, c.ivo_deg, c.ivc_deg)),
    )
    return Row(cells, "off" if abs(c.relative_to_in_time - 1) > 0.03 else "")


def _unknown_table(found: Forecast) -> Table:
    return Table(
        heads=("What nobody measured", "Taken as", "Moves the reading by", "Moves the share by"),
        rows=tuple(
            Row((u.name, u.taken, f"{u.gauge_percent:.1f} %", f"{u.relative_percent:.1f} %")) for u in found.unknowns
        ),
        text=(
            "Each moved by one standard deviation and turned through the gas again; common practice, no source. What "
            "the model leaves out adds 5 % to a reading and 1 % to a share."
        ),
    )
