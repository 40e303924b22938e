"""One engine cycle of a recording on the engine file's crank angle, for drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tightside.diagnosis import Examination
from tightside.records import CamEdges, CamOffset, CrankClock, Floats, Levels, Samples, Trace

CYCLE_DEG = 720.0


@dataclass(frozen=True, slots=True)
class CycleView:
    """Where one cycle lies: the clock's knots around it, and what to add to the clock's angle to start at 0."""

    times_s: Floats
    angle_deg: Floats  # 0 to 720 and a little beyond
    rpm: float

    @property
    def span_s(self) -> tuple[float, float]:
        """When the cycle begins and ends."""
        low, high = np.interp([0.0, CYCLE_DEG], self.angle_deg, self.times_s)
        return float(low), float(high)

    def angles_at(self, times_s: Floats) -> Floats:
        """Linear between teeth: good enough to look at."""
        return np.interp(times_s, self.times_s, self.angle_deg)


def choose_cycle(examination: Examination) -> CycleView | None:
    """A whole cycle from the middle of the recording; None when there is none."""
    clock = examination.clock
    if clock is None or len(clock.times_s) < 4:
        return None
    shift = frame_shift_deg(examination.cams, examination.edges, clock)
    starts = [
        (segment, start)
        for segment in np.unique(clock.segment)
        for start in _starts(clock.angle_deg[clock.segment == segment] + shift)
    ]
    if not starts:
        return None
    segment, start = starts[len(starts) // 2]
    mine = clock.segment == segment
    times, angle = clock.times_s[mine], clock.angle_deg[mine] + shift - start
    near = (angle > -60.0) & (angle < CYCLE_DEG + 60.0)
    seconds = float(np.ptp(np.interp([0.0, CYCLE_DEG], angle, times)))
    return CycleView(times[near], angle[near], 120.0 / seconds)


def _starts(angle_deg: Floats) -> list[float]:
    first = np.ceil(angle_deg[0] / CYCLE_DEG) * CYCLE_DEG
    return [float(s) for s in np.arange(first, angle_deg[-1] - CYCLE_DEG + 1e-6, CYCLE_DEG)]


def frame_shift_deg(cams: Sequence[CamOffset], edges: Sequence[CamEdges], clock: CrankClock) -> float:
    """The multiple of the wheel's repeat that turns the clock's angle into the engine file's frame.

    The one with which the edges fall on the mean edge angles that the cams' offsets were found at.
    """
    by_cam = {e.cam: e for e in edges}
    places = max(round(CYCLE_DEG / clock.repeat_deg), 1)
    misfit = np.zeros(places)
    for cam in cams:
        expected = np.array([a for a in cam.edge_angles_deg if a is not None and np.isfinite(a)])
        seen = by_cam.get(cam.cam)
        if seen is None or len(expected) == 0 or len(seen.angle_deg) == 0:
            continue
        for place in range(places):
            at = seen.angle_deg[:, None] + place * clock.repeat_deg - expected
            misfit[place] += np.median(np.abs((at + 360.0) % CYCLE_DEG - 360.0).min(axis=1))
    return float(misfit.argmin() * clock.repeat_deg)


def signal_in(samples: Samples, view: CycleView) -> tuple[Floats, Floats]:
    """Angle and value of a channel over the cycle. [deg, the channel's unit]

    Levels become steps: two points for each change.
    """
    begin, end = view.span_s
    if isinstance(samples, Trace):
        first = max(int((begin - samples.start_s) * samples.rate_hz), 0)
        last = min(int((end - samples.start_s) * samples.rate_hz) + 1, len(samples.raw))
        times = samples.start_s + np.arange(first, last) / samples.rate_hz
        return view.angles_at(times), samples.raw[first:last] * samples.scale + samples.offset
    values = samples.levels.astype(np.float64) if isinstance(samples, Levels) else samples.values
    inside = (samples.times_s >= begin) & (samples.times_s <= end)
    if not isinstance(samples, Levels):
        return view.angles_at(samples.times_s[inside]), values[inside]
    before = int(np.searchsorted(samples.times_s, begin, side="right")) - 1
    at = np.concatenate([[begin], samples.times_s[inside], [end]])
    held = np.concatenate([[values[max(before, 0)] if len(values) else 0.0], values[inside]])
    return view.angles_at(np.repeat(at, 2)[1:-1]), np.repeat(held, 2)


def edges_in(edges: CamEdges, view: CycleView) -> Floats:
    """Angles of a cam's edges within the cycle. [deg]"""
    begin, end = view.span_s
    return view.angles_at(edges.times_s[(edges.times_s >= begin) & (edges.times_s <= end)])
