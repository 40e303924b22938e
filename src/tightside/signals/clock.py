"""The crank clock: time to crank angle between teeth, and back.

Between two teeth the engine does not turn evenly, least of all while cranking; a cubic through both teeth with the
speeds found at them follows compression, where a straight line is off by up to a degree across a gap.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tightside.records import Bools, CrankClock, Floats, Ints, ToothTrack, WheelPattern

LONGEST_SILENCE = 2.6  # knots further apart than this many of the wheel's longest gaps give no angle


def make_clock(track: ToothTrack, wheel: WheelPattern, transition_s: float = 0.0) -> CrankClock:
    """Clock from the teeth that were followed.

    Returns
    -------
    CrankClock
        ``angle_deg`` is in the engine file's frame, modulo the wheel's repeat, when the wheel's place is known;
        otherwise it counts from the wheel's position 0.
    """
    angle = track.turn_deg + wheel.position_0_deg
    clock = CrankClock(
        times_s=track.times_s,
        angle_deg=angle,
        speed_deg_s=_slopes(track.times_s, angle, track.segment),
        segment=track.segment,
        repeat_deg=wheel.repeat_deg,
        position_known=wheel.position_known,
        transition_s=transition_s,
    )
    return replace(clock, error_deg=clock_error_deg(clock))


def _slopes(t: Floats, y: Floats, segment: Ints) -> Floats:
    """Speed at each knot: slope of the parabola through it and its neighbours, one-sided at the ends of a segment."""
    n = len(t)
    if n < 2:
        return np.zeros(n)
    dt = np.diff(t)
    secant = np.diff(y) / dt
    inside = np.diff(segment) == 0
    left = np.concatenate(([False], inside))
    right = np.concatenate((inside, [False]))
    sl, sr = np.concatenate(([0.0], secant)), np.concatenate((secant, [0.0]))
    hl, hr = np.concatenate(([1.0], dt)), np.concatenate((dt, [1.0]))
    slope = np.where(left & right, (sl * hr + sr * hl) / (hl + hr), np.where(left, sl, sr))
    # ends: the parabola's own end slope where there are two intervals to make one
    for k, towards in ((np.flatnonzero(~left & right), 1), (np.flatnonzero(left & ~right), -1)):
        j = k + towards
        ok = (j > 0) & (j < n - 1)
        ok[ok] &= (left & right)[j[ok]]
        near = np.where(towards > 0, sr[k[ok]], sl[k[ok]])
        slope[k[ok]] = 2.0 * near - slope[j[ok]]
    # monotone (Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238, from memory): at most three secants
    least = np.minimum(np.where(left, sl, np.inf), np.where(right, sr, np.inf))
    out: Floats = np.clip(slope, 0.05 * least, 3.0 * least)
    return out


def _place(clock: CrankClock, times_s: Floats) -> tuple[Ints, Bools]:
    """Index of the knot before each time, and whether the clock runs there."""
    k = np.searchsorted(clock.times_s, times_s, side="right") - 1
    ok = (k >= 0) & (k < len(clock.times_s) - 1)
    k = np.clip(k, 0, max(len(clock.times_s) - 2, 0))
    if len(clock.times_s) < 2:
        return k, np.zeros(len(times_s), dtype=np.bool_)
    gap = np.diff(clock.angle_deg)
    same = np.diff(clock.segment) == 0
    usual = gap[same].max(initial=0.0) if same.sum() < 20 else float(np.percentile(gap[same], 99))
    good = same & (gap <= max(LONGEST_SILENCE * usual, 30.0))
    return k, ok & good[k]


def angle_at(clock: CrankClock, times_s: Floats) -> tuple[Floats, Floats, Ints]:
    """Crank angle, speed and segment at each time. NaN angle and speed, segment -1, where the clock does not run.

    Returns
    -------
    angle_deg, speed_deg_s : (E,) float64
    segment : (E,) int64
    """
    times_s = np.asarray(times_s, dtype=np.float64)
    k, ok = _place(clock, times_s)
    if len(clock.times_s) < 2:
        nan = np.full(len(times_s), np.nan)
        return nan, nan.copy(), np.full(len(times_s), -1)
    t, y, d = clock.times_s, clock.angle_deg, clock.speed_deg_s
    h = t[k + 1] - t[k]
    x = (times_s - t[k]) / h
    y0, y1, d0, d1 = y[k], y[k + 1], d[k] * h, d[k + 1] * h
    rise = y1 - y0
    a, b = d0 + d1 - 2.0 * rise, 3.0 * rise - 2.0 * d0 - d1
    angle = y0 + x * (d0 + x * (b + x * a))
    speed = (d0 + x * (2.0 * b + x * 3.0 * a)) / h
    return (
        np.where(ok, angle, np.nan),
        np.where(ok, speed, np.nan),
        np.where(ok, clock.segment[k], -1),
    )


def time_at(clock: CrankClock, angle_deg: Floats, segment: int) -> Floats:
    """Time at which the clock of one segment passes each angle; NaN outside it. Inverse of ``angle_at``."""
    mine = clock.segment == segment
    t, y = clock.times_s[mine], clock.angle_deg[mine]
    if len(t) < 2:
        return np.full(len(angle_deg), np.nan)
    guess: Floats = np.interp(angle_deg, y, t, left=np.nan, right=np.nan)
    for _ in range(4):
        got, speed, _ = angle_at(clock, np.where(np.isnan(guess), t[0], guess))
        step = np.where(np.isfinite(got), (got - angle_deg) / np.maximum(speed, 1e-9), 0.0)
        guess = np.asarray(np.clip(guess - step, t[0], np.nextafter(t[-1], t[0])))
    return guess


def rpm_of(clock: CrankClock) -> Floats:
    """Mean speed over each whole turn that can be followed, one value for each tooth that begins one. [rpm]

    Over a whole turn compression and expansion even out. Segments shorter than a turn give their single intervals.
    """
    out = []
    for s in np.unique(clock.segment):
        t, y = clock.times_s[clock.segment == s], clock.angle_deg[clock.segment == s]
        if len(t) < 3:
            continue
        begins = y <= y[-1] - 360.0
        if begins.any():
            out.append(60.0 / (np.interp(y[begins] + 360.0, y, t) - t[begins]))
        else:
            out.append(np.diff(y) / np.diff(t) / 6.0)
    return np.concatenate(out) if out else np.empty(0)


def clock_error_deg(clock: CrankClock) -> float:
    """How far the clock's angle between teeth may be off, as a standard deviation. [deg]

    Each tooth is left out in turn and its angle read from a cubic through its neighbours; half the spacing leaves about
    a quarter of that (an eighth to a sixteenth of it if all came from curvature, most of it if all came from jitter).
    """
    t, y, segment = clock.times_s, clock.angle_deg, clock.segment
    if len(t) < 6:
        return 1.0
    k = np.arange(2, len(t) - 2)
    k = k[segment[k - 2] == segment[k + 2]]
    if len(k) < 3:
        return 1.0
    x = np.stack([t[k + j] - t[k] for j in (-2, -1, 1, 2)])
    guess = np.zeros(len(k))
    for i, j in enumerate((-2, -1, 1, 2)):  # Lagrange's interpolation at the tooth left out
        weight = np.ones(len(k))
        for m in range(4):
            if m != i:
                weight *= -x[m] / (x[i] - x[m])
        guess += weight * y[k + j]
    off = guess - y[k]
    return float(1.482602 * np.median(np.abs(off)) / 4.0)
