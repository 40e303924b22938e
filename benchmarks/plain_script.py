"""The opponent: what a good engineer writes in an afternoon with NumPy and SciPy, and stands by.

Schmitt trigger between the levels that the trace shows (a coil's about its own rest, from the amplitude round about),
wheel found by matching the ratios of neighbouring intervals turn by turn, turns that do not match left out, linear
interpolation between teeth, each cam edge given to the nearest listed edge of its polarity after the best shift, mean
of the cycles, 1.96 sd / sqrt(n), nearest whole tooth with a Gaussian's probability. It knows nothing of the rest of the
project but the records it reads.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d
from scipy.stats import norm

from tightside.records import CamPattern, Floats, Levels, Recording, Trace, WheelPattern

ERRATIC_DEG = 2.0
TOOTH_SD_DEG = 1.5
INVERTED_DEG = 1.0  # how much better it must fit upside down
SHIFTS_DEG = np.arange(-80.0, 80.5, 1.0)


@dataclass
class PlainOffset:
    cam: str
    offset_deg: float | None = None
    ci95_deg: tuple[float, float] | None = None
    teeth: dict[int, float] = field(default_factory=dict)
    teeth_call: int | None = None
    erratic: bool = False
    cycles: int = 0


def find_edges(data: Trace | Levels, coil: bool) -> tuple[Floats, np.ndarray]:
    """Times and polarity of the edges of one channel."""
    if isinstance(data, Levels):
        return np.asarray(data.times_s), np.asarray(data.levels) == 1
    volts = data.values()
    if coil:
        rest = float(np.median(volts))
        window = max(int(0.3 * data.rate_hz), 3)
        swing = np.maximum(maximum_filter1d(volts - rest, window), -minimum_filter1d(volts - rest, window))
        low, high = rest - 0.25 * swing, rest + 0.25 * swing
        middle = np.full_like(volts, rest)
        floor = max(6 * 1.4826 * float(np.median(np.abs(np.diff(volts)))) / 2**0.5, 0.02)
        low, high = np.minimum(low, rest - floor), np.maximum(high, rest + floor)
    else:
        bottom, top = np.percentile(volts, (1.0, 99.0))
        low, high = (
            np.full_like(volts, bottom + 0.4 * (top - bottom)),
            np.full_like(volts, bottom + 0.6 * (top - bottom)),
        )
        middle = (low + high) / 2
    return _schmitt(volts, low, middle, high, data.rate_hz)


def _schmitt(volts: Floats, low: Floats, middle: Floats, high: Floats, rate_hz: float) -> tuple[Floats, np.ndarray]:
    state = np.zeros(len(volts), dtype=np.int8)
    state[volts > high] = 1
    state[volts < low] = -1
    known = np.flatnonzero(state)
    if len(known) < 2:
        return np.empty(0), np.empty(0, dtype=bool)
    at = np.flatnonzero(np.diff(state[known]))
    rising = state[known[at + 1]] > 0
    times = np.empty(len(at))
    for i, (a, b) in enumerate(zip(known[at], known[at + 1], strict=True)):
        part = volts[a : b + 1] - middle[a : b + 1]
        k = int(np.flatnonzero((part[:-1] < 0) != (part[1:] < 0))[-1]) if len(part) > 1 else 0
        step = part[k + 1] - part[k]
        times[i] = (a + k - part[k] / step if step else a + k) / rate_hz
    return times, rising


def follow_wheel(times_s: Floats, wheel: WheelPattern) -> tuple[Floats, Floats]:
    """Times and unwrapped angles of the crank edges that could be placed. Resynchronised each turn."""
    pattern = np.asarray(wheel.angles_deg)
    n = len(pattern)
    if len(times_s) < 2 * n + 2:
        return np.empty(0), np.empty(0)
    gaps = np.diff(pattern, append=pattern[0] + 360.0)
    interval = np.diff(times_s)
    ratio = np.log(interval[1:] / interval[:-1])
    expected = np.log(gaps / np.roll(gaps, 1))  # at tooth j: the interval after it over the one before it
    if np.ptp(gaps) < 1e-6:
        index = np.arange(len(times_s))
        return times_s, pattern[index % n] + 360.0 * (index // n)
    index = np.empty(len(times_s), dtype=np.int64)
    good = np.ones(len(times_s), dtype=bool)
    place: int | None = None
    for begin in range(0, len(ratio), n):
        block = np.arange(begin, min(begin + n, len(ratio)))
        if len(block) < n:
            block = np.arange(len(ratio) - n, len(ratio))
        costs = [np.sum(np.clip(np.abs(ratio[block] - expected[(block + 1 + s) % n]), 0, 1.5)) for s in range(n)]
        shift = int(np.argmin(costs))
        if min(costs) > (
            0.05 * n + 1.2 if n >= 24 else 0.25 * n
        ):  # a pulse too many or too few, or hardly turning: not to be used
            good[begin : begin + n + 2] = False
        if place is None:
            place = shift
        place += (shift - place + n // 2) % n - n // 2
        index[begin : begin + n + 2] = np.arange(begin, min(begin + n + 2, len(times_s))) + place
    keep = np.concatenate([[True], np.diff(index) > 0]) & good
    index, times_s = index[keep], times_s[keep]
    return times_s, pattern[index % n] + 360.0 * (index // n)


def judge_timing(recording: Recording, wheel: WheelPattern, cams: tuple[CamPattern, ...], kinds: dict[str, str]):
    """A PlainOffset for each cam with a channel."""
    crank = recording.with_role("crank")
    times, rising = find_edges(crank.data, wheel.kind == "vr")
    active = times[rising == (wheel.active_edge == "rising")]
    if wheel.kind == "vr" and isinstance(crank.data, Trace) and "-" in wheel.name:
        active = _sharper(times, rising, active)
    teeth_s, angle = follow_wheel(_longest_stretch(active, len(wheel.angles_deg)), wheel)
    found = []
    for cam in cams:
        channel = recording.with_role(f"cam:{cam.cam}")
        found.append(find_edges(channel.data, kinds[cam.cam] == "vr"))
    if len(teeth_s) < 2:
        return [PlainOffset(c.cam) for c in cams]
    placed = [_placed(edges, teeth_s, angle + wheel.position_0_deg) for edges in found]
    turn = _which_turn(placed, cams, wheel.repeat_deg)
    return [_offset(cam, seen[0] + turn, seen[1]) for cam, seen in zip(cams, placed, strict=True)]


def _longest_stretch(times_s: Floats, pulses: int) -> Floats:
    """The longest run without a stop: no interval of more than a third of a slow turn, none much longer than before."""
    interval = np.diff(times_s)
    stops = np.flatnonzero(interval > max(2.0 / pulses, 0.12))
    ends = np.concatenate([[0], stops + 1, [len(times_s)]])
    k = int(np.argmax(np.diff(ends)))
    return times_s[ends[k] : ends[k + 1]]


def _sharper(times: Floats, rising: np.ndarray, active: Floats) -> Floats:
    """Of a coil's two polarities the one whose gaps stand out: the probe may be the wrong way round."""
    other = np.setdiff1d(times, active)

    def widest(t: Floats) -> float:
        if len(t) < 20:
            return 0.0
        d = np.diff(t)
        return float(np.percentile(d / median_filter(d, 9), 99.6))

    return active if widest(active) >= widest(other) - 0.3 else other


def _placed(edges: tuple[Floats, np.ndarray], teeth_s: Floats, angle: Floats) -> tuple[Floats, np.ndarray]:
    times, rising = edges
    inside = (times > teeth_s[0]) & (times < teeth_s[-1])
    times, rising = times[inside], rising[inside]
    after = np.searchsorted(teeth_s, times)
    bridged = angle[after] - angle[after - 1] > 130.0  # a turn was left out here
    return np.interp(times, teeth_s, angle)[~bridged], rising[~bridged]


def _residuals(angle: Floats, nominal: Floats) -> Floats:
    away = (angle[:, None] - nominal[None, :] + 360.0) % 720.0 - 360.0
    return away[np.arange(len(angle)), np.argmin(np.abs(away), axis=1)]


def _fits(angle: Floats, rising: np.ndarray, cam: CamPattern) -> Floats:
    """Mean distance to the nearest listed edge of the same polarity, for each shift."""
    costs = np.zeros(len(SHIFTS_DEG))
    both = len(set(cam.rising.tolist())) == 2
    for polarity in set(cam.rising.tolist()):
        mine = angle[rising == polarity]
        if len(mine) == 0:
            return np.full(len(SHIFTS_DEG), 60.0)
        nominal = cam.edges_deg[cam.rising == polarity]
        costs += [np.mean(np.minimum(np.abs(_residuals(mine - s, nominal)), 30.0)) for s in SHIFTS_DEG]
    return costs / (2.0 if both else 1.0) + 0.02 * np.abs(SHIFTS_DEG)


def _which_turn(placed: list[tuple[Floats, np.ndarray]], cams: tuple[CamPattern, ...], repeat_deg: float) -> float:
    turns = np.arange(round(720.0 / repeat_deg)) * repeat_deg
    totals = []
    for turn in turns:
        costs = [
            min(np.min(_fits(a + turn, r, c)), np.min(_fits(a + turn, ~r, c)) + INVERTED_DEG)
            for (a, r), c in zip(placed, cams, strict=True)
            if len(a)
        ]
        totals.append(np.sum(np.minimum(costs, 15.0)))
    return float(turns[int(np.argmin(totals))]) if len(totals) else 0.0


def _offset(cam: CamPattern, angle: Floats, rising: np.ndarray) -> PlainOffset:
    if len(angle) < 2:
        return PlainOffset(cam.cam)
    costs = [_fits(angle, rising, cam), _fits(angle, ~rising, cam)]
    if np.min(costs[1]) < np.min(costs[0]) - INVERTED_DEG:  # probe the wrong way round
        rising, costs = ~rising, costs[::-1]
    shift = float(SHIFTS_DEG[int(np.argmin(costs[0]))])
    off, at = [], []
    for polarity in set(cam.rising.tolist()):
        mine = angle[rising == polarity]
        off.append(shift + _residuals(mine - shift, cam.edges_deg[cam.rising == polarity]))
        at.append(mine)
    off, at = np.concatenate(off), np.concatenate(at)
    cycle = np.floor(at / 720.0).astype(np.int64)
    means = np.array([off[cycle == c].mean() for c in np.unique(cycle)])
    return _verdict(cam, means)


def _verdict(cam: CamPattern, means: Floats) -> PlainOffset:
    n = len(means)
    mean = float(means.mean())
    sd = float(means.std(ddof=1)) if n > 1 else 10.0
    half = 1.96 * sd / n**0.5
    erratic = 1.4826 * float(np.median(np.abs(means - np.median(means)))) > ERRATIC_DEG
    pitch = 720.0 / cam.stages[-1].driven_teeth
    teeth = np.arange(-4, 5)
    weight = norm.pdf(mean, teeth * pitch, max(half / 1.96, TOOTH_SD_DEG)) + 1e-12
    share = weight / weight.sum()
    call = None if erratic or n < 2 else int(teeth[int(np.argmax(share))])
    probabilities = {int(k): float(p) for k, p in zip(teeth, share, strict=True)}
    return PlainOffset(cam.cam, mean, (mean - half, mean + half), probabilities, call, erratic, n)
