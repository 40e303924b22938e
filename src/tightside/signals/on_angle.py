"""A sampled channel over crank angle instead of time: its mean over even steps of the crank clock."""

from __future__ import annotations

import numpy as np

from tightside.records import AngleTrace, Channel, CrankClock, Floats, Trace
from tightside.signals.clock import angle_at

STEPS_DEG = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)  # each divides a cycle
LONGEST_S = 120.0  # of turning that is looked at
FEW = 3.0  # samples in a step below which values are read between samples instead of averaged


def trace_on_clock(channel: Channel, clock: CrankClock, least_step_deg: float = 0.5) -> AngleTrace | None:
    """The channel's values over crank angle; None where it was not sampled while the crank turned.

    Parameters
    ----------
    least_step_deg : the step where the samples are dense enough; else the finest step that holds two samples.

    Returns
    -------
    AngleTrace
        Steps without a value are left out, so that neighbours may be further apart than a step.
    """
    trace = channel.data
    if not isinstance(trace, Trace) or len(clock.times_s) < 3:
        return None
    first = max(int((clock.times_s[0] - trace.start_s) * trace.rate_hz), 0)
    until_s = min(float(clock.times_s[-1]), float(clock.times_s[0]) + LONGEST_S)
    last = min(int((until_s - trace.start_s) * trace.rate_hz) + 2, len(trace.raw))
    if last - first < 10:
        return None
    times = trace.start_s + np.arange(first, last) / trace.rate_hz
    values = trace.raw[first:last] * trace.scale + trace.offset
    angle, speed, segment = angle_at(clock, times)
    good = np.isfinite(angle) & np.isfinite(values)
    if good.sum() < 10:
        return None
    times, values, angle, speed, segment = times[good], values[good], angle[good], speed[good], segment[good]
    per_sample = float(np.median(speed)) / trace.rate_hz
    step = next((s for s in STEPS_DEG if s >= least_step_deg and s >= 2.0 * per_sample), STEPS_DEG[-1])
    rows = [
        _stepped(step, per_sample, *(a[segment == s] for a in (angle, values, speed, times)))
        for s in np.unique(segment)
    ]
    kept = [np.full(len(row[0]), s) for s, row in zip(np.unique(segment), rows, strict=True)]
    angle, values, speed, times = (np.concatenate(column) for column in zip(*rows, strict=True))
    return AngleTrace(
        column=channel.column,
        role=channel.role or "",
        unit=channel.unit,
        step_deg=step,
        angle_deg=angle,
        values=values,
        speed_deg_s=speed,
        times_s=times,
        segment=np.concatenate(kept),
    )


def speed_trace(clock: CrankClock) -> AngleTrace:
    """The clock itself as a trace: its speed at each tooth. [deg/s]"""
    return AngleTrace(
        column="",
        role="crank",
        unit="deg/s",
        step_deg=float(np.median(np.diff(clock.angle_deg))) if len(clock.angle_deg) > 1 else 0.0,
        angle_deg=clock.angle_deg,
        values=clock.speed_deg_s,
        speed_deg_s=clock.speed_deg_s,
        times_s=clock.times_s,
        segment=clock.segment,
    )


def _stepped(
    step: float, per_sample: float, angle: Floats, values: Floats, speed: Floats, times: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Middle of each step, and means in it."""
    place = np.floor(angle / step).astype(np.int64)
    place -= (low := int(place.min()))
    count = np.bincount(place)
    there = np.flatnonzero(count)
    middle = np.asarray((there + low + 0.5) * step, dtype=np.float64)
    if step < FEW * per_sample:
        v, s, t = (np.interp(middle, angle, of) for of in (values, speed, times))
        return middle, v, s, t
    means = [np.bincount(place, of)[there] / count[there] for of in (values - 0.0, speed, times, angle)]
    slope = np.gradient(means[0], means[3]) if len(there) > 2 else np.zeros(len(there))
    return middle, means[0] + slope * (middle - means[3]), means[1], means[2]
