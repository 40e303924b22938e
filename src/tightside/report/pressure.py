"""One cylinder's pressure over crank angle, and log p over log V, with its valve events; and in words."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from tightside.diagnosis import Diagnosis, PressurePart
from tightside.records import Floats, PressureFinding
from tightside.report.mechanism import Plot
from tightside.report.svg import Drawing, envelope
from tightside.report.words import capital, signed

NAMES = {"evo": "exhaust opens", "evc": "exhaust closes", "ivo": "intake opens", "ivc": "intake closes"}
SHORT = {"evo": "EVO", "evc": "EVC", "ivo": "IVO", "ivc": "IVC"}
APART_DEG = 6.0  # sensor and pressure may differ by so much before it is said


def render_pressure(found: PressureFinding, *, narrow: bool = False) -> Markup:
    """Pressure over the cycle from intake to exhaust, its low part magnified below; empty without a trace."""
    if len(found.theta_deg) < 10:
        return Markup("")
    theta, kpa = _turned(found.theta_deg), found.mean
    order = np.argsort(theta)
    theta, kpa = theta[order], kpa[order]
    low, high = found.low[order], found.high[order]
    size = (380.0, 500.0) if narrow else (1040.0, 560.0)
    left, right = (54.0, 372.0) if narrow else (76.0, 1020.0)
    drawing = Drawing(*size, f"Pressure of cylinder {found.cylinder} over crank angle")
    x_range = (-360.0, 360.0)
    whole = Plot(left, right, 30.0, 0.46 * size[1], x_range, (0.0, 1.12 * float(kpa.max())))
    foot = Plot(left, right, 0.46 * size[1] + 36, size[1] - 62, x_range, _foot_range(kpa))
    model = found.model[order] if len(found.model) else None
    for plot, about in ((whole, 4), (foot, 4)):
        plot.ground(drawing)
        plot.y_scale(drawing, about, "kPa")
        _curve(drawing, plot, theta, (low, high), "band-of")
        if model is not None and plot is foot:
            for piece in _pieces(plot, theta, model):
                drawing.path(piece, "ghost-line")
        for piece in _pieces(plot, theta, kpa):
            drawing.path(piece, "signal")
    drawing.line((whole.x(0.0), whole.top), (whole.x(0.0), foot.bottom), "zero")
    drawing.text((whole.x(0.0) + 6, whole.top + 16), "top", "small")
    _events(drawing, foot, found, narrow)
    ticks = [
        (float(a), f"{a:+d}°" if a else "top") for a in ((-360, -180, 0, 180, 360) if narrow else range(-360, 361, 90))
    ]
    title = "crank degrees from the compression top"
    foot.x_scale(
        drawing, ticks, title if narrow else f"{title}; intake and compression before, expansion and exhaust after"
    )
    return drawing.to_svg("narrow" if narrow else "wide")


def _turned(theta_deg: Floats) -> Floats:
    return np.asarray((theta_deg + 360.0) % 720.0 - 360.0)


def _foot_range(kpa: Floats) -> tuple[float, float]:
    low, typical = float(kpa.min()), float(np.percentile(kpa, 62))
    span = max(typical - low, 0.06 * float(np.ptp(kpa)))
    return low - 0.25 * span, low + 1.9 * span


def _pieces(plot: Plot, theta: Floats, kpa: Floats) -> list[list[tuple[float, float]]]:
    """The line, left out where it leaves the plot."""
    shown = [(plot.x(a), plot.y(p), plot.y_range[0] <= p <= plot.y_range[1]) for a, p in envelope(theta, kpa, 480)]
    pieces: list[list[tuple[float, float]]] = [[]]
    for x, y, inside in shown:
        if inside:
            pieces[-1].append((x, y))
        elif pieces[-1]:
            pieces.append([])
    return [piece for piece in pieces if len(piece) > 1]


def _curve(drawing: Drawing, plot: Plot, theta: Floats, sides: tuple[Floats, Floats], kind: str) -> None:
    """The space between the lowest and the highest cycles."""
    step = max(len(theta) // 400, 1)
    low, high = (np.clip(s, *plot.y_range)[::step] for s in sides)
    angle = theta[::step]
    up = [(plot.x(a), plot.y(p)) for a, p in zip(angle.tolist(), high.tolist(), strict=True)]
    down = [(plot.x(a), plot.y(p)) for a, p in zip(angle.tolist(), low.tolist(), strict=True)]
    drawing.path([*up, *down[::-1]], kind, closed=True)


def _events(drawing: Drawing, plot: Plot, found: PressureFinding, narrow: bool) -> None:
    """Each event as a line with its interval shaded, its name above; neighbours on different heights."""
    for row, event in enumerate(sorted(found.events, key=lambda e: float(_turned(np.array(e.angle_deg))))):
        at = float(_turned(np.array(event.angle_deg)))
        kind = "ok" if event.name.startswith("i") else "off"
        wide = plot.x(at + 1.96 * event.sd_deg) - plot.x(at - 1.96 * event.sd_deg)
        drawing.box((plot.x(at) - wide / 2, plot.top), wide, plot.bottom - plot.top, f"{kind} interval")
        drawing.line((plot.x(at), plot.top), (plot.x(at), plot.bottom), f"{kind} event")
        far = at > 200.0
        label = SHORT[event.name] if narrow else f"{NAMES[event.name]} {event.angle_deg:.0f}°"
        place = (plot.x(at) + (-5 if far else 5), plot.top + 18 + 20 * (row % 2))
        drawing.text(place, label, f"{kind} tag event-word", "end" if far else "start")


def render_polytrope(found: PressureFinding, *, narrow: bool = False) -> Markup:
    """Log p over log V: compression and expansion as nearly straight lines; empty without a trace."""
    good = found.mean > 0.0 if len(found.mean) else np.zeros(0, bool)
    if good.sum() < 100:
        return Markup("")
    order = np.argsort(_turned(found.theta_deg))
    theta, kpa = _turned(found.theta_deg)[order], np.maximum(found.mean[order], 1.0)
    volume = found.volume_m3[order] * 1e6
    x, y = np.log10(volume), np.log10(kpa)
    size = (380.0, 400.0) if narrow else (1040.0, 470.0)
    edges = (58.0, 372.0, 30.0, 330.0) if narrow else (90.0, 700.0, 30.0, 400.0)
    drawing = Drawing(*size, f"Log pressure over log volume of cylinder {found.cylinder}")
    plot = Plot(*edges, (float(x.min()) - 0.04, float(x.max()) + 0.04), (float(y.min()) - 0.06, float(y.max()) + 0.1))
    plot.ground(drawing)
    for value in (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000):
        if plot.y_range[0] < np.log10(value) < plot.y_range[1]:
            drawing.line((plot.left, plot.y(np.log10(value))), (plot.right, plot.y(np.log10(value))), "grid")
            drawing.text((plot.left - 8, plot.y(np.log10(value)) + 5), f"{value}", "scale", "end")
    drawing.text((plot.left - 8, plot.top - 10), "kPa", "small", "end")
    marks = [v for v in (10, 20, 50, 100, 200, 500, 1000, 2000) if plot.x_range[0] < np.log10(v) < plot.x_range[1]]
    plot.x_scale(drawing, [(float(np.log10(v)), f"{v}") for v in marks], "volume, cm³")
    for begin, end, kind in (
        (-360, -180, "path-gas"),
        (-180, 0, "path-in"),
        (0, 180, "path-out"),
        (180, 360, "path-gas"),
    ):
        mine = (theta >= begin) & (theta <= end)
        drawing.path(
            [(plot.x(a), plot.y(b)) for a, b in zip(x[mine][::2].tolist(), y[mine][::2].tolist(), strict=True)], kind
        )
    for event in found.events:
        at = int(np.argmin(np.abs(theta - float(_turned(np.array(event.angle_deg))))))
        kind = "ok" if event.name.startswith("i") else "off"
        here = plot.x(float(x[at])), plot.y(float(y[at]))
        drawing.dot(here, 6, f"{kind} point")
        near_edge = here[0] > plot.right - 56
        place = (here[0] + (-9 if near_edge else 9), here[1] - 8)
        drawing.text(place, SHORT[event.name], f"{kind} tag event-word", "end" if near_edge else "start")
    if not narrow:
        _beside(drawing, found, plot)
    return drawing.to_svg("narrow" if narrow else "wide")


def _beside(drawing: Drawing, found: PressureFinding, plot: Plot) -> None:
    lines = [
        ("path-in", "compression", found.compression_exponent),
        ("path-out", "expansion", found.expansion_exponent),
    ]
    for k, (kind, name, exponent) in enumerate(lines):
        y = plot.top + 26 + 54 * k
        drawing.line((plot.right + 28, y - 5), (plot.right + 66, y - 5), kind)
        drawing.text((plot.right + 76, y), name, "scale strong")
        if exponent is not None:
            drawing.text((plot.right + 76, y + 21), f"exponent {exponent[0]:.2f}", "small")


# -------------------------------------------------------------------------------------------------------------- words


def pressure_text(diagnosis: Diagnosis) -> list[tuple[int, str]]:
    """What is said of each cylinder's pressure, each line with its indent."""
    said: list[tuple[int, str]] = []
    for part in diagnosis.pressure or ():
        said.append((2, f"Cylinder {part.cylinder}: {_cycles(part)}"))
        if part.tdc_deg is not None:
            said.append((4, _top_words(part)))
        for cam, told in part.offsets.items():
            said.append((4, _cam_words(diagnosis, cam, told)))
        events = [f"{NAMES[n]} {getattr(part, f'{n}_deg'):.0f}" for n in NAMES if getattr(part, f"{n}_deg") is not None]
        if events:
            said.append((4, f"In degrees after its compression top: {', '.join(events)}."))
        said += [(4, f"{capital(note)}.") for note in part.notes]
    return said


def _cycles(part: PressurePart) -> str:
    if part.kind == "none":
        return "its pressure cannot be read."
    what = "compression without burning" if part.kind == "motored" else "burning"
    peak = f", peak {part.peak_kpa_abs:.0f} kPa absolute" if part.peak_kpa_abs is not None else ""
    about = "" if part.scale_known else " by estimate"
    seals = {"good": "; it seals", "suspect": "; its sealing is suspect", "poor": "; it leaks"}.get(part.sealing, "")
    return f"{what}, {part.cycles} cycles at {part.rpm or 0.0:.0f} rpm{peak}{about}{seals}."


def _top_words(part: PressurePart) -> str:
    assert part.tdc_deg is not None
    low, high = part.tdc_ci95 or (part.tdc_deg, part.tdc_deg)
    loss = (
        f"; the pressure peaks {part.loss_angle_deg:.1f} degrees before it" if part.loss_angle_deg is not None else ""
    )
    if low <= 0.0 <= high or abs(part.tdc_deg) < 1.5:
        return f"Its top dead centre is where the crank wheel puts it (±{(high - low) / 2:.1f}){loss}."
    return (
        f"Its top dead centre comes at {signed(part.tdc_deg, 1)} degrees by the crank wheel (±{(high - low) / 2:.1f}): "
        f"the wheel, its sensor or the engine file is off, and every cam seems off by as much{loss}."
    )


def _cam_words(diagnosis: Diagnosis, cam: str, told: dict[str, object]) -> str:
    late = float(told["offset_deg"])  # type: ignore[arg-type]
    low, high = told["ci95_deg"]  # type: ignore[misc]
    half = (float(high) - float(low)) / 2  # type: ignore[has-type]
    side = "late" if late > 0 else "early"
    word = f"By this pressure the {cam} valves stand {abs(late):.1f} degrees {side} (±{half:.1f})"
    sensor = next((c for c in diagnosis.judged if c.cam == cam and c.offset_deg is not None), None)
    if sensor is None or sensor.offset_deg is None:
        return f"{word}."
    apart = abs(sensor.offset_deg - late)
    if apart > max(APART_DEG, half + 3.0):
        told_by = f"but its sensor says {signed(sensor.offset_deg, 1)}"
        return f"{word}, {told_by}: look at the sensor and its wheel, not the chain."
    return f"{word}; its sensor agrees." if apart <= half + 2.0 else f"{word}."
