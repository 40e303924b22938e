"""One cylinder's pressure, cut into engine cycles about its compression top, drift taken out, fired cycles told apart.

A motored rise is nearly a mirror image of its fall; where it burns, the fall is late at every level. How far the middle
between rise and fall leans from the top of the hump to its foot tells the two apart without knowing where top dead
centre is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tightside.records import AngleTrace, Bools, Floats, Record, array

HALF = 360.0
LEVELS = (0.25, 0.85)  # of the hump's height, between which its lean is read
FIRED_LEAN_DEG = 3.0  # the foot's middle later than the top's by more than this: it burned
SECOND_HUMP = 0.025  # of the height: a rise that comes back by as much is compression, then a late burn
QUIET_DEG = (235.0, 320.0)  # exhaust stroke, valve wide open: nearly still, once a cycle
LONGEST_HOLE_STEPS = 6.0
FEWEST = 2

Kind = Literal["motored", "fired"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PressureCycles(Record):
    """Whole cycles of one kind. ``theta_deg`` counts from about the compression top, ``origin_deg`` on the clock."""

    column: str
    unit: str
    kind: Kind
    origin_deg: float  # on the clock, in [0, 720)
    step_deg: float
    theta_deg: Floats = array()  # (A,) from -360
    values: Floats = array(ndim=2)  # (C, A) drift taken out
    speed_deg_s: Floats = array(ndim=2)  # (C, A)
    times_s: Floats = array()  # (C,) of the peak
    drift: float = 0.0  # what was taken out: spread of the exhaust stroke's level from cycle to cycle
    fired: int = 0  # cycles in which it burned
    motored: int = 0

    @property
    def mean(self) -> Floats:
        """Median over the cycles. (A,)"""
        return np.asarray(np.median(self.values, axis=0))

    @property
    def noise(self) -> float:
        """Standard deviation of one value of one cycle."""
        off = np.diff(self.values, axis=1)
        return float(1.482602 * np.median(np.abs(off - np.median(off, axis=0))) / np.sqrt(2.0))


def cut_cycles(trace: AngleTrace, origin_deg: float | None = None) -> PressureCycles | None:
    """Cut a pressure trace into cycles; motored ones where there are any, else fired ones. None if there are too few.

    Cycles count only if at least two are whole and of one kind. The zero of ``theta_deg`` is near the middle of the
    hump, not yet top dead centre; or at ``origin_deg`` on the clock where that is
    given, and then every cycle counts as fired.
    """
    rows, speeds, times, origins = _all_rows(trace, origin_deg)
    if len(rows) < FEWEST:
        return None
    values, speed, at = np.array(rows), np.array(speeds), np.array(times)
    theta = _grid(trace.step_deg)
    values, drift = _without_drift(values, theta, at)
    lean = np.array([lean_deg(theta, row) for row in values])
    full = _of_usual_height(values)
    twice = np.array([_comes_twice(theta, row) for row in values])
    burned = full & ((lean > FIRED_LEAN_DEG) | twice)
    still = full & (lean <= FIRED_LEAN_DEG) & ~twice
    motored = origin_deg is None and int(still.sum()) >= FEWEST
    burned = full & ~still if motored or origin_deg is None else full
    chosen: Bools = still & _of_usual_height(values, still) if motored else burned
    if chosen.sum() < FEWEST:
        return None
    return PressureCycles(
        column=trace.column,
        unit=trace.unit,
        kind="motored" if motored else "fired",
        origin_deg=origins % 720.0,
        step_deg=trace.step_deg,
        theta_deg=theta,
        values=values[chosen],
        speed_deg_s=speed[chosen],
        times_s=at[chosen],
        drift=drift,
        fired=int(burned.sum()),
        motored=int(still.sum()),
    )


def _grid(step_deg: float) -> Floats:
    return np.asarray(np.arange(round(2 * HALF / step_deg)) * step_deg - HALF, dtype=np.float64)


def _all_rows(trace: AngleTrace, origin: float | None) -> tuple[list[Floats], list[Floats], list[float], float]:
    """Every whole cycle of every segment: values, speeds, time of the top; and the origin on the clock."""
    rows: list[Floats] = []
    speeds: list[Floats] = []
    times: list[float] = []
    theta = _grid(trace.step_deg)
    for segment in np.unique(trace.segment):
        mine = trace.segment == segment
        angle, value, speed, time = (
            of[mine] for of in (trace.angle_deg, trace.values, trace.speed_deg_s, trace.times_s)
        )
        if len(angle) < 2 * len(theta):
            continue
        place = _place_of_hump(angle, value)
        if place is None:
            continue
        if origin is None:
            origin = place
        # another segment counts its turns anew: only which of the two turns it is may differ
        place = origin + 360.0 * round((place - origin) / 360.0)
        first = int(np.ceil((angle[0] + HALF - place) / 720.0))
        last = int(np.floor((angle[-1] - HALF - place) / 720.0))
        holes = np.flatnonzero(np.diff(angle) > LONGEST_HOLE_STEPS * trace.step_deg)
        for k in range(first, last + 1):
            at = place + 720.0 * k
            if np.any((angle[holes] < at + HALF) & (angle[holes + 1] > at - HALF)):
                continue
            rows.append(np.interp(theta + at, angle, value))
            speeds.append(np.interp(theta + at, angle, speed))
            times.append(float(np.interp(at, angle, time)))
    return rows, speeds, times, origin or 0.0


def _place_of_hump(angle_deg: Floats, values: Floats) -> float | None:
    """Middle of the mean hump at its upper part, modulo 720 on the clock."""
    bins = np.floor(angle_deg % 720.0).astype(np.int64)
    count = np.bincount(bins, minlength=720)
    if np.any(count == 0):
        return None
    profile = np.bincount(bins, values, minlength=720) / count
    turned = np.roll(profile, 360 - int(profile.argmax()))
    base = float(np.percentile(turned, 20))
    high = np.flatnonzero(turned[300:420] > base + 0.8 * (turned.max() - base))
    return float((int(profile.argmax()) + 300 - 360 + 0.5 * (high[0] + high[-1]) + 0.5) % 720.0) if len(high) else None


def _without_drift(values: Floats, theta_deg: Floats, times_s: Floats) -> tuple[Floats, float]:
    """The level of the exhaust stroke brought to one value, along a straight line from each cycle to the next."""
    quiet = (theta_deg >= QUIET_DEG[0]) & (theta_deg <= QUIET_DEG[1])
    level = np.median(values[:, quiet], axis=1)
    middle = 0.5 * sum(QUIET_DEG)
    usual = float(np.median(level))
    index = np.arange(len(level), dtype=np.float64)
    place = index[:, None] + (theta_deg[None, :] - middle) / (2 * HALF)
    # cycles that were left out between two rows are bridged by the same line; beyond the ends it goes on
    line = np.interp(place, index, level)
    if len(level) > 1:
        line += np.where(place < 0, place * (level[1] - level[0]), 0.0)
    spread = float(np.ptp(np.percentile(level, [5, 95]))) if len(level) > 1 else 0.0
    return values - line + usual, spread


def lean_deg(theta_deg: Floats, values: Floats) -> float:
    """Middle between rise and fall at the hump's foot, less that near its top. [deg] NaN where it has no foot.

    A mirror image leans 0, heat and leakage make it negative, burning makes it positive.
    """
    near = np.abs(theta_deg) < 130.0
    theta, y = theta_deg[near], values[near]
    peak = int(np.argmax(y))
    base = float(np.percentile(values, 20))
    middles = []
    for level in LEVELS:
        cut = base + level * (float(y[peak]) - base)
        before, after = np.flatnonzero(y[: peak + 1] < cut), np.flatnonzero(y[peak:] < cut)
        if not len(before):
            return float("nan")
        if not len(after):
            return float("inf")  # burning on and on: the fall does not come down
        i, j = int(before[-1]), peak + int(after[0])
        rise = theta[i] + (cut - y[i]) / (y[i + 1] - y[i]) * (theta[i + 1] - theta[i])
        fall = theta[j] - (cut - y[j]) / (y[j - 1] - y[j]) * (theta[j] - theta[j - 1])
        middles.append(0.5 * (rise + fall))
    return float(middles[0] - middles[1])


def _comes_twice(theta_deg: Floats, values: Floats) -> bool:
    """Whether the hump has two tops: compression, and a late burn after it."""
    y = values[np.abs(theta_deg) < 130.0]
    y = np.convolve(y, np.ones(9) / 9, mode="valid")
    peak = int(np.argmax(y))
    height = float(y[peak]) - float(np.percentile(values, 20))
    rise, fall = y[: peak + 1], y[peak:][::-1]
    back = max(float(np.max(np.maximum.accumulate(side) - side, initial=0.0)) for side in (rise, fall))
    return back > SECOND_HUMP * height


def _of_usual_height(values: Floats, among: Bools | None = None) -> Bools:
    """Cycles about as high as most: the first turns of a starter and the last of a coast-down are not."""
    height = values.max(axis=1) - np.percentile(values, 20, axis=1)
    usual = float(np.median(height if among is None else height[among]))
    share = 0.4 if among is None else 0.12
    return np.asarray(np.abs(height - usual) <= share * usual)
