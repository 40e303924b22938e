"""Swings: the alternating turning points of a signal, first all that stand out of the noise, then those that count.

A tooth is a swing up and a swing down, whatever its levels, its drift or its speed, so nothing here needs to know them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tightside.records import Floats, Ints
from tightside.signals.edge_signal import quantile_of
from tightside.signals.extrema import BLOCK, INNER, BlockExtrema, block_extrema

_OUTER = 0.65  # quantile of the highs that stands for them: ringing may add as many again, spikes a third
_GROUP = 16  # swings whose upper quartile is the local measure of "large"


@dataclass(frozen=True, slots=True)
class Swings:
    """Turning points, highs and lows by turns."""

    at: Ints  # sample index
    value: Floats  # the sample there
    seen: Ints  # sample at which the swing that follows had grown to the least size looked for

    def tamed(self, x: NDArray[Any], length: int) -> Floats:
        """Values cut to what their neighbours reach for longer than ``length`` samples, plus half as much again."""
        value = self.value
        if len(value) < 6:
            return value
        size = float(np.mean(self.sizes()))
        if np.ptp(value[0::2]) < 0.5 * size and np.ptp(value[1::2]) < 0.5 * size:
            return value
        usual = grouped(value, _GROUP, 0.5)
        other = np.concatenate([usual[1:], usual[-2:-1]])
        stray = np.abs(value - usual) > 0.3 * size
        if grouped(stray.astype(np.float64), _GROUP, 0.75).max() > 0:  # spikes may have made the usual value
            below = grouped(held(x, self, length), _GROUP, 0.5)
            beside = np.concatenate([below[1:], below[-2:-1]])
            if np.median(np.abs(below - beside)) >= 0.4 * size:  # else they are narrow teeth, not spikes
                usual, other = below, beside
        room = 0.6 * np.abs(usual - other)
        return np.asarray(np.clip(value, usual - room, usual + room))

    def __len__(self) -> int:
        return len(self.at)

    def sizes(self) -> Floats:
        """Size of the swing from each turning point to the next. (len - 1,)"""
        return np.abs(np.diff(self.value))

    def take(self, points: Any) -> Swings:
        """Those points (a slice, mask or index array)."""
        return Swings(self.at[points], self.value[points], self.seen[points])

    def without(self, points: Ints) -> Swings:
        """All but those points."""
        keep = np.ones(len(self), np.bool_)
        keep[points] = False
        return self.take(keep)


@njit(**INNER)
def _place(x: Any, i: int, wanted: Any) -> int:
    while i < x.size - 1 and x[i] != wanted:
        i += 1
    return i


_ONE, _NONE = np.int16(1), np.int16(0)  # narrow counters: more samples to a vector


@njit(inline="always", **INNER)
def _one_step(x: Any, a: int, upper: float, lower: float, whole: bool) -> int:
    """Where the block from a steps once, and for good, across both levels: how many samples are above upper.

    -1 if it does not. Without a branch and of known length, hence many samples at a time. ``whole``: x holds integers.
    """
    if a + BLOCK > x.size:
        return -1
    high = x.dtype.type(np.floor(upper) if whole else upper)
    low = x.dtype.type(np.floor(lower) if whole else lower)
    block = x[a : a + BLOCK]
    above = _NONE
    changes = _NONE
    for i in range(BLOCK):
        above += _ONE if block[i] > high else _NONE
    for i in range(BLOCK - 1):
        changes += (_ONE if block[i] > high else _NONE) ^ (_ONE if block[i + 1] > high else _NONE)
        changes += (_ONE if block[i] > low else _NONE) ^ (_ONE if block[i + 1] > low else _NONE)
    return int(above) if changes == 2 else -1


@njit(**INNER)
def _begin(x: Any, low: Any, high: Any, least_swing: float) -> tuple[int, int, int]:
    """Sample at which the range reaches least_swing, which way it went there (0 if it never does), and from where."""
    top = -np.inf
    bottom = np.inf
    top_at = 0
    bottom_at = 0
    for b in range(low.size):
        quiet = max(top, float(high[b])) - min(bottom, float(low[b])) <= least_swing
        wanted_top = high[b]
        wanted_bottom = low[b]
        for i in range(b * BLOCK, min(x.size, b * BLOCK + BLOCK)):
            v = float(x[i])
            if v > top:
                top = v
                top_at = i
            if v < bottom:
                bottom = v
                bottom_at = i
            if not quiet and top - bottom > least_swing:
                return (i, 1, bottom_at) if top_at == i else (i, -1, top_at)
            if quiet and top >= wanted_top and bottom <= wanted_bottom:
                break
    return 0, 0, 0


@njit(inline="always", **INNER)
def _reach(low: Any, high: Any, b: int, up: bool) -> tuple[float, float]:
    """What block b reaches on the way to the next turn, and against it."""
    return (float(high[b]), float(low[b])) if up else (-float(low[b]), -float(high[b]))


@njit(inline="always", **INNER)
def _quiet(blocks: Any, rows: Any, b: int, up: bool, peak: float, least_swing: float) -> tuple[int, float, int]:
    """Pass over blocks in which nothing turns: the first in which something may, the peak there, and its block or -1.

    ``blocks`` and ``rows`` hold the lows and highs of blocks of samples, and of blocks of these.
    """
    record = -1
    while b < blocks[0].size:
        if b % BLOCK == 0:
            far, near = _reach(rows[0], rows[1], b // BLOCK, up)
            if near > peak - least_swing and far <= peak:
                b += BLOCK
                continue
        far, near = _reach(blocks[0], blocks[1], b, up)
        further = max(peak, far)
        if not near > further - least_swing:
            break
        record = b if far > peak else record
        peak = further
        b += 1
    return b, peak, record


@njit(**INNER)
def _place_in(x: Any, low: Any, high: Any, b: int, up: bool, room: float) -> int:
    """Where in block b its furthest sample is; the block's first sample where all are within ``room`` of it."""
    far, near = _reach(low, high, b, up)
    wanted = high[b] if up else low[b]
    return b * BLOCK if near > far - room else _place(x, b * BLOCK, wanted)


@njit(inline="always", **INNER)
def _note(points: Any, n: int, at: int, value: float, seen: int) -> int:
    """Write one turning point down where there is room for it; how many there are."""
    if n < points[0].size:
        points[0][n] = at
        points[1][n] = value
        points[2][n] = seen
    return n + 1


@njit(**INNER)
def _scan(
    x: Any, i: int, stop: int, sign: float, peak: float, peak_at: int, least_swing: float, points: Any, n: int
) -> tuple[float, float, int, int]:
    """Sample by sample from i to stop: sign, peak, where it is, and how many turning points there are then."""
    for j in range(i, stop):
        v = sign * float(x[j])
        if v > peak:
            peak, peak_at = v, j
        elif v < peak - least_swing:
            n = _note(points, n, peak_at, sign * peak, j)
            sign, peak, peak_at = -sign, -v, j
    return sign, peak, peak_at, n


@njit(cache=True, nogil=True)
def _turns(x: Any, blocks: Any, rows: Any, least_swing: float, whole: bool, points: Any) -> int:
    """Turning points of swings larger than least_swing; gives how many there are, also beyond the room for them.

    Where the next turn is a low, all is multiplied by a ``sign`` of -1, so that ups and downs take the same path.
    """
    low, high = blocks
    begun, way, first_at = _begin(x, low, high, least_swing)
    if way == 0:
        return 0
    sign = float(way)
    n = _note(points, 0, first_at, float(x[first_at]), begun)
    b = begun // BLOCK + 1
    sign, peak, peak_at, n = _scan(
        x, begun + 1, min(x.size, b * BLOCK), sign, sign * float(x[begun]), begun, least_swing, points, n
    )
    while True:
        b, peak, record = _quiet(blocks, rows, b, sign > 0, peak, least_swing)
        if record >= 0:
            peak_at = _place_in(x, low, high, record, sign > 0, 0.5 * least_swing)
        if b >= low.size:
            break
        far, near = _reach(low, high, b, sign > 0)
        i = b * BLOCK
        b += 1
        bound = max(peak, far) - least_swing
        above = _one_step(x, i, sign * bound, sign * (near + least_swing), whole)
        before = above if sign > 0 else BLOCK - above
        if above > 0 and 0 < before < BLOCK and sign * float(x[i]) > bound:
            n = _note(points, n, i if far > peak else peak_at, sign * max(peak, far), i + before)
            sign, peak, peak_at = -sign, -near, i + BLOCK - 1
        else:
            sign, peak, peak_at, n = _scan(x, i, min(x.size, i + BLOCK), sign, peak, peak_at, least_swing, points, n)
    count: int = _note(points, n, peak_at, sign * peak, peak_at)
    return count


def find_swings(x: NDArray[Any], extrema: BlockExtrema, least_swing: float) -> Swings:
    """All turning points of swings above ``least_swing``, visiting only blocks that can hold one."""
    whole = x.dtype.kind in "iu"
    blocks = (extrema.low, extrema.high)
    rows = (block_extrema(extrema.low).low, block_extrema(extrema.high).high)
    room = max(1024, len(x) // 256)
    while True:
        found = Swings(np.empty(room, np.int64), np.empty(room), np.empty(room, np.int64))
        points = (found.at, found.value, found.seen)
        n = int(_turns(x, blocks, rows, least_swing, whole, points))
        if n <= room:
            return found.take(slice(0, n))
        room = n


@njit(cache=True, nogil=True)
def _merge(at: Any, value: Any, seen: Any, limit: Any) -> int:
    """Take out, in place, swings below their limit that lie within both neighbours; gives how many points stay."""
    n = 0
    for k in range(at.size):
        at[n] = at[k]
        value[n] = value[k]
        seen[n] = seen[k]
        bound = limit[max(k - 1, 0)]
        n += 1
        while n >= 4:
            last = abs(value[n - 1] - value[n - 2])
            inner = abs(value[n - 2] - value[n - 3])
            if inner >= bound or inner > last or inner > abs(value[n - 3] - value[n - 4]):
                break
            at[n - 3] = at[n - 1]
            value[n - 3] = value[n - 1]
            seen[n - 3] = seen[n - 1]
            n -= 2
    return n


def merge_small(swings: Swings, limit: Floats) -> Swings:
    """Without the swings that are below ``limit`` (one per swing) and inside both their neighbours."""
    if len(swings) < 4 or bool(np.all(swings.sizes() >= limit)):
        return swings
    merged = Swings(swings.at.copy(), swings.value.copy(), swings.seen.copy())
    n = int(_merge(merged.at, merged.value, merged.seen, np.ascontiguousarray(limit)))
    return merged.take(slice(0, n))


def _running_median(values: Floats, length: int) -> Floats:
    padded = np.pad(values, length // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, length), axis=1))


def trim(swings: Swings, least: float) -> Swings:
    """Without swings below ``least`` anywhere, the ends included."""
    if len(swings) < 2:
        return swings.take(slice(0, 0))
    swings = merge_small(swings, np.full(len(swings) - 1, least))
    kept = np.flatnonzero(swings.sizes() >= least)
    return swings.take(slice(kept[0], kept[-1] + 2) if len(kept) else slice(0, 0))


@njit(cache=True, nogil=True)
def _held(x: Any, at: Any, value: Any, points: Any, length: int, out: Any) -> None:
    for k in points:
        sign = 1.0 if value[k] > value[k - 1 if k > 0 else 1] else -1.0
        a = at[k]
        b = a
        worst = sign * float(x[a])
        for _ in range(length):
            left = sign * float(x[a - 1]) if a > 0 else -np.inf
            right = sign * float(x[b + 1]) if b + 1 < x.size else -np.inf
            if left > right:
                a -= 1
                worst = min(worst, left)
            elif right > -np.inf:
                b += 1
                worst = min(worst, right)
        out[k] = sign * worst


def held(x: NDArray[Any], swings: Swings, length: int) -> Floats:
    """What each turning point reaches for longer than ``length`` samples in a row: the level below a spike. (len,)"""
    out = np.empty(len(swings))
    if len(swings) > 1:
        _held(x, swings.at, swings.value, np.arange(len(swings)), length, out)
    return out


def surely_held(x: NDArray[Any], extrema: BlockExtrema, swings: Swings, length: int, enough: float) -> Floats:
    """No more than what ``held`` gives, and quicker: where that leaves ``enough`` of a swing, by its block's far end.

    A block is looked at in place of the samples where it is longer than ``length`` and none is missing.
    """
    if len(swings) < 2 or length >= extrema.block or extrema.missing:
        return held(x, swings, length)
    block = swings.at // extrema.block
    high = np.diff(swings.value, prepend=swings.value[1]) > 0
    out = np.where(high, extrema.low[block], extrema.high[block]).astype(np.float64)
    out[block >= len(x) // extrema.block] = np.nan  # the last one may be short
    unsure = ~(np.diff(out) * np.sign(np.diff(swings.value)) >= enough)
    points = np.flatnonzero(np.append(unsure, False) | np.append(False, unsure))
    _held(x, swings.at, swings.value, points, length, out)
    return out


def grouped(values: Floats, size: int, quantile: float) -> Floats:
    """Quantile of each run of ``size`` values of the same parity (highs, or lows), given back value by value.

    Between two order statistics it takes their mean where it falls half-way, so that lows are treated as highs are.
    """
    out = np.empty(len(values))
    for parity in (0, 1):
        own = values[parity::2]
        whole = len(own) // size * size
        if whole < len(own):
            out[parity::2][whole:] = quantile_of(own[-size:], quantile)
        if whole:
            rank = quantile * (size - 1)
            ranks = (int(np.floor(rank)), int(np.ceil(rank)))
            parts = np.partition(own[:whole].reshape(-1, size), ranks, axis=1)[:, ranks]
            out[parity::2][:whole] = (parts @ np.array([1 - rank % 1, rank % 1])).repeat(size)
    return out


def _apart(value: Floats, margin: float) -> bool:
    """Whether every high is above, and every low below, any middle that could be found among them."""
    low, high = sorted(((value[0::2].min(), value[0::2].max()), (value[1::2].min(), value[1::2].max())))
    room = margin * (high[1] - low[0])
    return bool(high[0] > 0.5 * (high[1] + low[1]) + room and low[1] < 0.5 * (high[0] + low[0]) - room)


def reach_across(swings: Swings, margin: float) -> Swings:
    """Only turning points on their own side of the local middle, by ``margin`` of the local swing.

    The middle lies between the outer ones of the highs and of the lows around. Ringing and
    noise turn on one side of it. Of turning points left on the same side in a row, the outermost stays.
    """
    if len(swings) < 3:
        return swings
    if _apart(swings.value, margin):
        return swings
    high = quantile_of(np.diff(swings.value)[: 2 * _GROUP : 2], 0.5) < 0
    sign = np.ones(len(swings))
    sign[int(high) :: 2] = -1.0
    outer = sign * grouped(sign * swings.value, _GROUP, _OUTER)
    other = np.concatenate([outer[1:], outer[-2:-1]])
    beyond = sign * (swings.value - 0.5 * (outer + other)) - margin * np.abs(outer - other)
    keep = np.flatnonzero(beyond > 0)
    if len(keep) == len(swings):
        return swings
    if len(keep) == 0:
        return swings.take(keep)
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(sign[keep])) + 1, [len(keep)]])
    outermost = keep[bounds[:-1]]
    for run in np.flatnonzero(np.diff(bounds) > 1):
        points = keep[bounds[run] : bounds[run + 1]]
        outermost[run] = points[np.argmax(sign[points] * swings.value[points])]
    return swings.take(outermost)
