"""A coil's rest level along the recording, and which of its swings are teeth.

What a coil gives is the derivative of a flux that is the same after each tooth. So its mean over whole periods is its
rest level, however that drifts, and a swing's size times its duration is the same at any speed.

Source: Faraday's law; our derivation of the rest; ``tests/test_edges_coil.py`` shows both on simulated truth.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tightside.records import Bools, Floats
from tightside.signals.edge_scale import reach_of, size_around
from tightside.signals.edge_signal import quantile_of
from tightside.signals.edge_swings import Swings, merge_small

FLUX_LEAST = 0.3  # of the usual flux: a tooth bent away gives 0.4 of it
ACROSS = 0.2  # of what its neighbours reach beyond rest: a tooth's peak reaches as far ...
ACROSS_NOISE, ACROSS_MOST = 5.0, 0.4  # ... and beyond noise by so many deviations, though not by more than that part
_AVERAGED_S = 0.25  # as many periods as this make a mean, 1 to 16 on either side
_MOST_PERIODS = 16
_STEADY = 0.01  # of the swing: a rest level that moves less is taken as fixed
_MOST_QUIET = 64  # rests that are looked at
_LONG_REST, _AT_REST = 6.0, 0.15  # crossing times that a rest lasts; how far it moves, as part of the swing
_A_WHILE_S, _SMALL = 1.5, 0.5  # a swing of little flux is a tooth's if none in that time is twice as large


@njit(cache=True, nogil=True)
def _sums(x: Any, bounds: Any, total: Any, count: Any) -> None:
    for k in range(total.size):
        for i in range(bounds[k], bounds[k + 1]):
            v = float(x[i])
            if np.isfinite(v):
                total[k] += v
                count[k] += 1


def _by_period(x: NDArray[Any], bounds: NDArray[np.int64]) -> tuple[Floats, Floats]:
    total, count = np.zeros(len(bounds) - 1), np.zeros(len(bounds) - 1)
    _sums(x, bounds, total, count)
    return total, count


def _running(values: Floats, half: int) -> Floats:
    """Sum of the values from ``half`` before each to ``half`` behind it, fewer at the ends."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    k = np.arange(len(values))
    return np.asarray(total[np.minimum(k + half + 1, len(values))] - total[np.maximum(k - half, 0)])


def rest_along(x: NDArray[Any], swings: Swings, cross: Floats, per_second: float, limits: list[float]) -> Floats:
    """A coil's rest level at each of its changes. (E,)

    One level for the whole recording where it does not move by more than a hundredth of the swing; else a mean over the
    periods around. A period runs from one steep crossing to the next, where the flux is the same. Those with tops or
    bottoms cut off at ``limits`` are left out as long as there are others.
    """
    known = np.where(np.isfinite(cross), cross, 0.5 * (swings.at[1:] + swings.at[:-1]))
    first = steeper_of(swings)
    bounds = np.maximum.accumulate(np.ceil(known[first::2]).astype(np.int64).clip(0, len(x)))
    if len(bounds) < 2 or bounds[-1] <= bounds[0]:
        return np.full(len(cross), float(np.mean(swings.value)))
    total, count = _by_period(x, bounds)
    if limits:
        at = swings.at[np.isin(swings.value, limits)]
        cut = np.zeros(len(total), np.bool_)
        cut[np.searchsorted(bounds, at, side="right").clip(1, len(total)) - 1] = True
        if count[~cut].sum() > 0.05 * count.sum():
            total, count = np.where(cut, 0.0, total), np.where(cut, 0.0, count)
    overall = total.sum() / max(count.sum(), 1.0)
    half = int(np.clip(_AVERAGED_S * per_second / max(np.median(np.diff(bounds)), 1.0), 1, _MOST_PERIODS))
    samples = _running(count, half)
    local = np.where(samples > 0, _running(total, half) / np.maximum(samples, 1.0), overall)
    middles = 0.5 * (bounds[1:] + bounds[:-1])
    along = np.interp(known, middles, local)
    steady = quantile_of(np.abs(along - overall) / np.maximum(swings.sizes(), 1e-300), 0.9) < _STEADY
    return np.full(len(cross), overall) if steady else along


def steeper_of(swings: Swings) -> int:
    """Which changes are the quicker ones from peak to peak, 0 for the first, third ..., else 1."""
    lasts = np.diff(swings.at)
    if len(lasts) < 4:
        return 0
    return int(np.median(lasts[1::2]) < np.median(lasts[0::2]))


def quiet_of(x: NDArray[Any], swings: Swings, rest: Floats, lasts: Floats) -> float:
    """What moves the signal between teeth where a coil rests there, as means over the time of a crossing. 0 where it
    does not rest."""
    first = steeper_of(swings)
    quick = lasts[first::2]
    width = max(1, int(quantile_of(quick[np.isfinite(quick)], 0.5))) if np.isfinite(quick).any() else 1
    blunt = np.arange(1 - first, len(rest), 2)
    seen = []
    for k in blunt[:: 1 + len(blunt) // _MOST_QUIET]:
        length = (swings.at[k + 1] - swings.at[k]) // 4
        if length * 2 < _LONG_REST * width:
            continue
        still = x[swings.at[k] + length : swings.at[k] + 3 * length].astype(float) - rest[k]
        means = still[: len(still) // width * width].reshape(-1, width).mean(axis=1)
        if np.max(np.abs(means)) < _AT_REST * np.abs(swings.value[k + 1] - swings.value[k]):
            seen.append(np.mean(means**2))
    return float(np.sqrt(np.median(seen))) if 2 * len(seen) > min(len(blunt), _MOST_QUIET) else 0.0


def without_weak_flux(swings: Swings, per_second: float) -> Swings:
    """Without swings whose flux is small beside a tooth's: ripple between teeth, hum before the engine turns.

    They are also smaller than others a while before or after: a tooth that is cut off has lost flux, but not size.
    """
    if len(swings) < 6:
        return swings
    sizes, lasts = swings.sizes(), np.maximum(np.diff(swings.at), 1)
    near = size_around(swings.at[1:], sizes, reach_of(swings.at, sizes, per_second))
    flux, large = sizes * lasts, sizes > 0.5 * near
    usual = min(quantile_of((flux[k::2])[large[k::2]], 0.5) for k in (0, 1) if large[k::2].any())
    largest = size_around(swings.at[1:], sizes, _A_WHILE_S * per_second, either=True)
    return merge_small(swings, np.minimum(FLUX_LEAST * usual / lasts, _SMALL * largest))


def across_rest(swings: Swings, rest: Floats, per_second: float, noise: float) -> Swings:
    """Only turning points clearly on their own side of rest, as far as those near them; of several in a row the
    outermost."""
    if len(swings) < 3:
        return swings
    level = np.concatenate([rest[:1], 0.5 * (rest[1:] + rest[:-1]), rest[-1:]])
    sign = np.where(np.arange(len(swings)) % 2 == int(swings.value[0] < swings.value[1]), 1.0, -1.0)
    beyond = sign * (swings.value - level)
    margin = np.empty(len(swings))
    for k in (0, 1):
        own = np.maximum(beyond[k::2], 0.0)
        reach = reach_of(np.concatenate([swings.at[:1], swings.at[k::2]]), own, per_second)
        near = size_around(swings.at[k::2], own, reach)
        margin[k::2] = np.clip(ACROSS_NOISE * noise, ACROSS * near, ACROSS_MOST * near)
    return _outermost(swings, sign, beyond > margin)


def _outermost(swings: Swings, sign: Floats, keep: Bools) -> Swings:
    kept = np.flatnonzero(keep)
    if len(kept) == len(swings):
        return swings
    if len(kept) == 0:
        return swings.take(kept)
    run = np.concatenate([[0], np.cumsum(np.diff(sign[kept]) != 0)])
    order = np.lexsort((-sign[kept] * swings.value[kept], run))
    first = np.concatenate([[True], np.diff(run[order]) > 0])
    return swings.take(kept[order[first]])
