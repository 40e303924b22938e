"""A clock from a cylinder's own pressure, where no crank sensor was recorded: one hump is one cycle."""

from __future__ import annotations

import numpy as np

from tightside.records import CrankClock, Floats, Trace

HALF_WAY = 0.5
AGAIN_BELOW = 0.25
FEWEST_HUMPS = 4
EVEN = 0.25  # intervals differ by at most this share of the usual one, else a hump was missed
ERROR_DEG = 3.0  # the crank does not turn evenly between humps


def clock_from_pressure(trace: Trace) -> CrankClock | None:
    """Crank angle from the humps of one cylinder's pressure, 720 degrees apart. None where they do not come regularly.

    The zero is a hump's middle, at about top dead centre. Between humps the speed is taken as even, which cranking is
    not: ``error_deg`` says so.
    """
    values = trace.values()
    middles = _middles(values)
    if len(middles) < FEWEST_HUMPS:
        return None
    times = trace.start_s + middles / trace.rate_hz
    each = np.diff(times)
    usual = float(np.median(each))
    cycles = np.round(each / usual)
    if np.any(cycles < 1) or np.mean(np.abs(each / (usual * np.maximum(cycles, 1)) - 1.0) < EVEN) < 0.9:
        return None
    angle = 720.0 * np.concatenate(([0.0], np.cumsum(cycles)))
    return CrankClock(
        times_s=times,
        angle_deg=angle,
        speed_deg_s=np.gradient(angle, times),
        segment=np.zeros(len(times), np.int64),
        repeat_deg=720.0,
        position_known=False,
        error_deg=ERROR_DEG,
    )


def _middles(values: Floats) -> Floats:
    """Place of each hump, in samples: half way between rising and falling through half its height."""
    low, high = np.percentile(values, [20, 99.5])
    if not high > low:
        return np.empty(0)
    cut, again = low + HALF_WAY * (high - low), low + AGAIN_BELOW * (high - low)
    state = np.where(values > cut, 1, np.where(values < again, -1, 0))
    told = np.flatnonzero(state)
    runs = state[told]
    begins = told[1:][(runs[1:] == 1) & (runs[:-1] == -1)]
    ends = told[1:][(runs[1:] == -1) & (runs[:-1] == 1)]
    if not len(begins) or not len(ends):
        return np.empty(0)
    ends = ends[np.searchsorted(ends, begins[0]) :]
    n = min(len(begins), len(ends))
    # the fall is read at the same height as the rise
    falls = np.array([b + np.flatnonzero(values[b:e] > cut)[-1] for b, e in zip(begins[:n], ends[:n], strict=True)])
    return np.asarray(0.5 * (begins[:n] + falls), dtype=np.float64)
