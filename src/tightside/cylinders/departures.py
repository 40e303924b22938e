"""Where a closed charge begins to leave its line: exhaust opening and intake closing without any valve data.

Compression and expansion keep to straight lines in log p over log V while all valves are shut. The line is drawn where
they surely are, with the bend that heat gives it, and the angle is taken where the trace stays off it.
"""

from __future__ import annotations

import numpy as np

from tightside.records import Floats

LINE_DEG = (45.0, 105.0)  # from top: surely shut
FURTHEST_DEG = 158.0  # nearer to the bottom the volume stands still, and no line can be left
OFF_SHARE = 0.012  # of the absolute pressure
STAYS_DEG = 8.0
EVENT_SD_DEG = 6.0  # where the trace leaves its line depends on the threshold: 120 to 150 on one engine


def departure_deg(theta_deg: Floats, pressure: Floats, volume: Floats, side: int) -> float | None:
    """Angle from top at which the trace leaves its line, on the expansion (+1) or the compression (-1). [deg]

    Returns
    -------
    float
        Positive on the expansion side, negative on the compression side; None where it never leaves, or where there is
        no line to leave.
    """
    away = side * theta_deg
    order = np.argsort(away)
    away, p, v = away[order], pressure[order], volume[order]
    inside = (away >= LINE_DEG[0]) & (away <= LINE_DEG[1])
    if inside.sum() < 20 or np.any(p[away > LINE_DEG[0]] <= 0.0):
        return None
    x, y = np.log(v), np.log(np.maximum(p, 1e-12))
    line = np.polyfit(x[inside], y[inside], 1)
    scatter = float(np.std(y[inside] - np.polyval(line, x[inside])))
    beyond = (away > LINE_DEG[0] + 30.0) & (away < FURTHEST_DEG)
    off = np.abs(y - np.polyval(line, x))[beyond] > max(OFF_SHARE, 5.0 * scatter)
    step = float(np.median(np.diff(away)))
    run = max(round(STAYS_DEG / step), 3)
    held = np.convolve(off.astype(np.float64), np.ones(run), mode="valid") >= run - 0.5
    if not held.any():
        return None
    return float(side * away[beyond][int(np.argmax(held))])
