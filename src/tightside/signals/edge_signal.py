"""What a sampled signal's noise and swing are, and how much of the noise has to be averaged away first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.records import Floats
from tightside.signals.extrema import BlockExtrema, block_extrema, frozen

_PROBES = 3000
_SD_PER_QUANTILE = ((0.1, 7.9577), (0.25, 3.1383), (0.5, 1.4826))  # of the absolute value of a normal deviate
_OUTER_64 = 7.6  # 99.5th percentile of their maximum less 0.5th of their minimum
_RUN = 48  # samples in a row
_DIFFERENCES = ((1, 2.0), (2, 6.0), (3, 20.0))  # order, and its variance in white noise of variance 1
_CLEAR = 30.0  # swing in standard deviations of the noise from which no averaging is needed


@dataclass(frozen=True, slots=True)
class Signal:
    """What is searched: the samples themselves, or running means of them. ``at_raw = first + step * index``."""

    x: NDArray[Any]
    extrema: BlockExtrema
    noise: float  # standard deviation
    swing: float  # robust range, less what noise adds to it
    least: float = 0.0  # smallest swing that is looked for
    brief: int = 1  # samples: as long as a spike may be
    step: int = 1
    width: int = 1
    per_second: float = 1.0
    sizes: Floats | None = None  # of all swings that stand out of the noise, whatever they are

    def to_raw(self, index: Floats) -> Floats:
        """Places in the raw trace. [samples]"""
        return index * self.step + 0.5 * (self.width - 1)


def quantile_of(values: Floats, part: float) -> float:
    """Quantile by the straight line between order statistics, as np.quantile's, without its overhead. Not for NaN."""
    rank = part * (len(values) - 1)
    below = int(rank)
    above = min(below + 1, len(values) - 1)
    ordered = np.partition(values, (below, above))
    return float(ordered[below] + (rank - below) * (ordered[above] - ordered[below]))


def _probes(n: int, every: int = 1) -> NDArray[np.int64]:
    """Evenly spread, slightly irregular places, so that they do not beat with teeth; of some thousand every so many."""
    count = min(n, _PROBES)
    k = np.arange(0, count, every)
    return np.asarray((k + (k * 0.618034) % 1.0) * (n / max(count, 1)), dtype=np.int64).clip(0, n - 1)


def _quantum(runs: Floats) -> float:
    """Smallest step between neighbouring samples, (runs, samples)."""
    steps = np.abs(np.diff(runs, axis=1))
    steps = steps[steps > 1e-9 * float(np.max(steps, initial=1e-300, where=np.isfinite(steps)))]
    return float(steps.min()) if len(steps) else 0.0


def _spread(values: Floats) -> float:
    """Standard deviation from the smaller deviations, because where teeth are dense the larger ones are edges."""
    size = np.abs(values[np.isfinite(values)])
    for part, sd_per_quantile in _SD_PER_QUANTILE if len(size) else ():
        smaller = quantile_of(size, part)
        if smaller > 0:
            return sd_per_quantile * smaller
    return 0.0


def _measure(x: NDArray[Any], extrema: BlockExtrema, known: float | None = None) -> tuple[float, float]:
    """Noise standard deviation and robust swing of a signal, from a few thousand probes."""
    blocks = _probes(len(extrema.low))
    low, high = extrema.low[blocks].astype(float), extrema.high[blocks].astype(float)
    filled = low <= high
    low, high = low[filled], high[filled]
    if len(low) == 0 or len(x) < 4:
        return 0.0, 0.0
    few = int(0.005 * len(low))
    full = float(np.partition(high, len(high) - 1 - few)[-1 - few] - np.partition(low, few)[few])
    length = min(len(x), _RUN)
    runs = x[_probes(len(x) - length + 1, _RUN)[:, None] + np.arange(length)].astype(float)
    noise = min(_spread(np.diff(runs, k, axis=1).ravel()) / np.sqrt(power) for k, power in _DIFFERENCES)
    quantum = _quantum(runs)
    noise = max(noise, 0.29 * quantum if quantum < 0.3 * full else 0.0) if known is None else known
    return noise, max(full - _OUTER_64 * noise, 0.0)


def _means(x: NDArray[Any], width: int, step: int) -> NDArray[np.float64]:
    """Running means of ``width`` samples at every ``step``-th one, a chunk at a time."""
    parts = width // step
    rows = len(x) // step
    sums = np.empty(rows)
    chunk = 1 << 16
    for a in range(0, rows, chunk):
        b = min(rows, a + chunk)
        sums[a:b] = x[a * step : b * step].reshape(b - a, step).sum(axis=1, dtype=np.float64)
    if rows < parts:
        return np.empty(0)
    out = sums[: rows - parts + 1].copy()
    for k in range(1, parts):
        out += sums[k : rows - parts + 1 + k]
    return np.asarray(out / width)


def smoothed(plain: Signal) -> Signal:
    """The samples, or means over just enough of them for the noise to sink well below the swing."""
    best = plain
    width = 4
    while best.swing < _CLEAR * best.noise and width * 64 <= len(plain.x) and width <= 1024:
        means = averaged(plain, width)
        if means.swing / means.noise > 1.2 * best.swing / best.noise:
            best = means
        width *= 2
    return best


def plain_signal(x: NDArray[Any], extrema: BlockExtrema) -> Signal:
    """The samples as they are."""
    noise, swing = _measure(x, extrema)
    return Signal(x, extrema, noise, swing)


def averaged(plain: Signal, width: int) -> Signal:
    """Means over ``width`` samples, a quarter of that apart."""
    step = max(1, width // 4)
    means = frozen(_means(plain.x, width, step))
    extrema = block_extrema(means)
    noise = plain.noise / np.sqrt(width)
    _, swing = _measure(means, extrema, noise)
    return Signal(means, extrema, noise, swing, step=step, width=width)
