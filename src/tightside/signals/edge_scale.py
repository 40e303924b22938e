"""How large a tooth's swing is at each time, however much else moves between teeth.

Hum, brush noise and ringing turn many times between two teeth of a cam, so that counting swings says nothing of which
are large. What does not depend on their number: the largest nearby in time, and means that small ones do not weigh in.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tightside.records import Floats, Ints
from tightside.signals.edge_signal import quantile_of
from tightside.signals.edge_swings import Swings, held, merge_small, surely_held
from tightside.signals.extrema import BlockExtrema

RIPPLE = 0.2  # a swing below this part of the largest ones near it, on the side where they are smaller, is no tooth
_REACH = 12.0  # times the usual time between large swings: what counts as near
_LEAST_REACH_S, _MOST_REACH_S = 0.02, 1.5  # a cam with one tooth, cranked at 80 rpm
_LARGE = 0.3  # of the recording's large swings
_LONGER = 4.0  # times a spike: teeth that are told from spikes by their duration alone
_HOLDS = 0.02  # of what spikes reach
_MOST_OF_TIME = 0.2
_ALIKE = 0.6  # no spikes among swings that differ by no more
_PARTS = 4  # of a reach


def large_of(sizes: Floats) -> float:
    """Size that stands for the large ones, be they ever so few: half of the sum of fourth powers lies above it."""
    if len(sizes) == 0:
        return 0.0
    ordered = np.sort(sizes)
    weight = np.cumsum(ordered**4)
    return float(ordered[np.searchsorted(weight, 0.5 * weight[-1])])


def lasting_sizes(x: NDArray[np.float64], swings: Swings, brief: int) -> Floats:
    """Sizes of the swings between what each turning point holds for longer than a spike; (len - 1,).

    Where teeth themselves are as short as that, the sizes as they are.
    """
    sizes = swings.sizes()
    lasting = np.abs(np.diff(held(x, swings, brief)))
    large = large_of(sizes)
    if large_of(lasting) > 0.4 * large:
        return lasting
    alike = np.abs(sizes - large) < 0.25 * large
    return sizes if alike.sum() > 0.6 * (sizes > _LARGE * large).sum() else lasting


def reach_of(at: Ints, sizes: Floats, per_second: float) -> float:
    """How far around a swing others count as near: a dozen teeth, gaps included. [samples]"""
    large = at[1:][sizes > _LARGE * large_of(sizes)]
    apart = quantile_of(np.diff(large).astype(float), 0.9) if len(large) > 2 else np.inf
    return float(np.clip(_REACH * apart, _LEAST_REACH_S * per_second, _MOST_REACH_S * per_second))


def size_around(at: Ints, sizes: Floats, reach: float, *, either: bool = False) -> Floats:
    """The largest size within reach before and after each of them, the smaller (or ``either``) of the two.

    So a coil's teeth are held against those at their own speed, before it rises as well as after. Within half a reach
    of the recording's ends only the other side counts.
    """
    bucket = (at / max(reach / _PARTS, 1.0)).astype(np.int64)
    first = int(bucket[0])
    count = int(bucket[-1]) - first + 1
    top = np.zeros(count + 2 * _PARTS)
    np.maximum.at(top, bucket - first + _PARTS, sizes)
    runs = np.lib.stride_tricks.sliding_window_view(top, _PARTS + 1).max(axis=1)
    before, after = runs[:count].copy(), runs[_PARTS:].copy()
    if either:
        return np.asarray(np.maximum(before, after)[bucket - first])
    ends = min(_PARTS // 2, count)
    before[:ends] = np.maximum(before[:ends], after[:ends])
    after[count - ends :] = np.maximum(before[count - ends :], after[count - ends :])
    return np.asarray(np.minimum(before, after)[bucket - first])


def beneath_spikes(x: NDArray[np.float64], extrema: BlockExtrema, swings: Swings, brief: int) -> tuple[Swings, int]:
    """Swings with what they hold for longer than a spike in place of their peaks, and how many spikes that hid.

    As they are where teeth are hardly longer than spikes, or what is as short fills too much of the time to be spikes.
    """
    if len(swings) < 6:
        return swings, 0
    sizes = swings.sizes()
    if sizes[1:-1].min() > _ALIKE * sizes.max():
        return swings, 0
    least = 0.5 * RIPPLE * sizes.max()
    sure = np.diff(surely_held(x, extrema, swings, brief, least)) * np.sign(np.diff(swings.value))
    if sure.min() >= least:  # none holds so little that it could be a spike
        return swings, 0
    level = held(x, swings, brief)
    lasting = np.abs(np.diff(level))
    large = large_of(lasting)
    at = swings.at[1:][lasting > _LARGE * large]
    if len(at) < 4 or quantile_of(np.diff(at).astype(float), 0.1) < _LONGER * brief or large < _HOLDS * large_of(sizes):
        return swings, 0
    hidden = int(np.count_nonzero((sizes > _LARGE * large) & (lasting < 0.5 * RIPPLE * large)) // 2)
    if 2 * hidden * brief > _MOST_OF_TIME * (swings.at[-1] - swings.at[0]):
        return swings, 0
    return Swings(swings.at, level, swings.seen), hidden


def without_ripples(x: NDArray[np.float64], swings: Swings, brief: int, per_second: float) -> Swings:
    """Without the swings that are small beside those near them in time: ringing, hum, noise on a flat."""
    for part in (0.25, 0.5, 1.0, 1.0):
        sizes = swings.sizes()
        if len(swings) < 4 or sizes[1:-1].min() >= RIPPLE * sizes.max():  # those at the ends cannot be merged
            break
        lasting = lasting_sizes(x, swings, brief)
        near = size_around(swings.at[1:], lasting, reach_of(swings.at, lasting, per_second))
        swings = merge_small(swings, part * RIPPLE * near)
    return swings
