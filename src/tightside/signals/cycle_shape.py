"""What a sampled channel does over the engine's cycle: its mean, least and greatest value in each few degrees.

From this it is told what a channel measures whose heading does not say so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.records import CrankClock, Floats, Ints, Trace
from tightside.signals.clock import angle_at, time_at

BINS = 180
BIN_DEG = 720.0 / BINS
MOST_CYCLES = 40
CRANKING_RPM = 450.0
LEAST_SAMPLES = 2 * BINS  # in a cycle: fewer do not show a shape


@dataclass(frozen=True, slots=True, eq=False)
class CycleShape:
    """Cycles are counted from an arbitrary one of the crank's turns; bins from ``zero_deg`` on the crank clock."""

    mean: Floats  # (C, BINS) in the channel's unit
    low: Floats  # (C, BINS)
    high: Floats  # (C, BINS)
    speed: Floats  # (BINS,) of the crank over its mean, median over the cycles
    rpm: Floats  # (C,)
    zero_deg: float

    @property
    def profile(self) -> Floats:
        """Median over the cycles. (BINS,)"""
        return np.asarray(np.median(self.mean, axis=0))

    @property
    def noise(self) -> float:
        """Typical departure of one cycle from the others, its own level taken out."""
        levelled = self.mean - self.mean.mean(axis=1, keepdims=True)
        return float(1.482602 * np.median(np.abs(levelled - np.median(levelled, axis=0))))


def cycle_shape(trace: Trace, clock: CrankClock) -> CycleShape | None:
    """Look at up to 40 whole cycles, spread over the longest stretch that the clock runs. None if there are too few."""
    segments, counts = np.unique(clock.segment, return_counts=True)
    if not len(segments):
        return None
    segment = int(segments[np.argmax(counts)])
    angle = clock.angle_deg[clock.segment == segment]
    zero = float(angle[0]) + 1.0
    count = int((angle[-1] - zero) // 720.0)
    if count < 2:
        return None
    chosen = np.unique(np.linspace(0, count - 1, min(count, MOST_CYCLES)).astype(np.int64))
    rows = [row for k in chosen if (row := _one_cycle(trace, clock, zero + 720.0 * k, segment)) is not None]
    least = min((row[-1] for row in rows), default=0.0)
    slow = [row for row in rows if row[-1] < min(CRANKING_RPM, 1.4 * least)]
    rows = slow if len(slow) >= 2 else rows  # while the starter pulls, more can be told
    if len(rows) < 2:
        return None
    mean, low, high, speed, rpm = (np.array(part) for part in zip(*rows, strict=True))
    return CycleShape(mean, low, high, np.median(speed, axis=0), rpm, zero)


def _one_cycle(
    trace: Trace, clock: CrankClock, first_deg: float, segment: int
) -> tuple[Floats, Floats, Floats, Floats, float] | None:
    times = time_at(clock, np.asarray(first_deg + BIN_DEG * np.arange(BINS + 1)), segment)
    place = (times - trace.start_s) * trace.rate_hz
    if not np.isfinite(place).all() or place[0] < 0 or place[-1] > len(trace.raw) - 1:
        return None
    edges: Ints = np.round(place).astype(np.int64)
    if edges[-1] - edges[0] < LEAST_SAMPLES or np.any(np.diff(edges) < 1):
        return None
    values = trace.raw[edges[0] : edges[-1]] * trace.scale + trace.offset
    if not np.isfinite(values).all():
        return None
    starts = edges[:-1] - edges[0]
    _, speed, _ = angle_at(clock, 0.5 * (times[1:] + times[:-1]))
    turn_s = times[-1] - times[0]
    return (
        np.add.reduceat(values, starts) / np.diff(edges),
        np.minimum.reduceat(values, starts),
        np.maximum.reduceat(values, starts),
        speed / np.mean(speed),
        120.0 / turn_s,
    )


def without_drift(profile: Floats) -> Floats:
    """What swings more than once a cycle: level, slope and the first harmonic taken out."""
    at = np.linspace(0.0, 2 * np.pi, len(profile), endpoint=False)
    slow = np.stack([np.ones_like(at), at, np.cos(at), np.sin(at)], axis=1)
    return np.asarray(profile - slow @ np.linalg.lstsq(slow, profile, rcond=None)[0])


def swings_per_cycle(profile: Floats) -> tuple[int, float]:
    """How often a profile swings in a cycle, and the share of its power in that and its multiples.

    >>> swings_per_cycle(np.sin(6 * np.linspace(0, 2 * np.pi, 180, endpoint=False)))
    (6, 1.0)
    """
    power = np.abs(np.fft.rfft(profile - profile.mean())) ** 2
    total = float(power.sum())
    if total <= 0:
        return 0, 0.0
    shares = [float(power[n::n].sum()) / total for n in range(1, 17)]
    found = max((n for n in range(1, 17) if shares[n - 1] > 0.75 * max(shares[0], 1e-9)), default=1)
    return found, round(shares[found - 1], 6)
