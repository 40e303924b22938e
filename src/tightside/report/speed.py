"""Engine speed over the recording."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from tightside.records import CrankClock
from tightside.report.svg import Drawing, envelope, round_steps

BOTTOM = 158.0
TOP = 12.0


def render_speed(clock: CrankClock | None, *, narrow: bool = False) -> Markup:
    """Speed from tooth to tooth, broken where the engine stood or the wheel was lost; empty without a clock."""
    if clock is None or len(clock.times_s) < 3:
        return Markup("")
    rpm = clock.speed_deg_s / 6.0
    left, right = (46.0, 372.0) if narrow else (60.0, 1030.0)
    end_s, high = float(clock.times_s[-1]), float(np.percentile(rpm, 99.8)) * 1.12
    start_s = round(float(clock.times_s[0]), 3)
    drawing = Drawing(right + 10, BOTTOM + 40, "Engine speed over time")
    for value in round_steps(0, high, 4):
        y = BOTTOM - value / high * (BOTTOM - TOP)
        drawing.line((left, y), (right, y), "rule")
        drawing.text((left - 8, y + 5), f"{value:.0f}", "scale", "end")
    for value in round_steps(start_s, end_s, 4 if narrow else 8):
        x = left + (value - start_s) / max(end_s - start_s, 1e-9) * (right - left)
        drawing.text((x, BOTTOM + 18), f"{value:g} s", "scale", "middle")
    for segment in np.unique(clock.segment):
        mine = clock.segment == segment
        xs = left + (clock.times_s[mine] - start_s) / max(end_s - start_s, 1e-9) * (right - left)
        ys = BOTTOM - np.clip(rpm[mine] / high, 0, 1.05) * (BOTTOM - TOP)
        drawing.path(envelope(xs, ys, 340 if narrow else 900), "signal")
    drawing.text((left, BOTTOM + 37), "rpm, tooth to tooth", "small")
    return drawing.to_svg("narrow" if narrow else "wide")
