"""When a swing crosses its level, what the levels beside it are, and how long the change takes. All in samples."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from tightside.records import Bools, Floats, Ints
from tightside.signals.extrema import BLOCK, INNER

_POINTS = 9  # samples behind one level estimate
_WIDEST_HOLE = 3  # missing samples that an edge may be interpolated across
_SHIFT = BLOCK.bit_length() - 1
_SETTLED = 0.25  # samples: a line that moved the place less need not be drawn again
_MOST_POINTS = 256  # samples behind one straight line


@njit(**INNER)
def _between(x: Any, i: int, mid: float) -> float:
    """Where the straight line from sample i to the next finite one meets mid; NaN across a hole."""
    j = i + 1
    while j < x.size and not np.isfinite(x[j]):
        j += 1
    while i > 0 and not np.isfinite(x[i]):
        i -= 1
    if j >= x.size or j - i > _WIDEST_HOLE + 1:
        return np.nan
    a = float(x[i])
    b = float(x[j])
    if a == b:
        return 0.5 * (i + j)
    return i + (j - i) * min(1.0, max(0.0, (mid - a) / (b - a)))


@njit(**INNER)
def _tip(x: Any, a: int, b: int, mid: float, sign: float, reach: float) -> int:
    """Last sample before the change: the split of a..b that leaves most below on its left and most above on its right.

    The likeliest place of a step in white noise; on a clean signal simply the crossing. Deviations are cut at
    ``reach``, so that a spike weighs no more than an ordinary sample.
    """
    total = 0.0
    best = -np.inf
    at = a
    for i in range(a, b + 1):
        d = sign * (mid - float(x[i]))
        if d == d:
            total += min(reach, max(-reach, d))
        if total > best:
            best = total
            at = i
    return at


@njit(**INNER)
def _first_past(x: Any, low: Any, high: Any, a: int, b: int, mid: float, sign: float) -> int:
    i = a
    while i <= b:
        k = i >> _SHIFT
        stop = min(b, k * BLOCK + BLOCK - 1)
        if (sign > 0 and high[k] > mid) or (sign < 0 and low[k] < mid):
            while i <= stop:
                if sign * (float(x[i]) - mid) > 0:
                    return i
                i += 1
        i = stop + 1
    return b


@njit(**INNER)
def _last_before(x: Any, low: Any, high: Any, a: int, b: int, mid: float, sign: float) -> int:
    i = b
    while i >= a:
        k = i >> _SHIFT
        stop = max(a, k * BLOCK)
        if (sign > 0 and low[k] <= mid) or (sign < 0 and high[k] >= mid):
            while i >= stop:
                if sign * (float(x[i]) - mid) <= 0:
                    return i
                i -= 1
        i = stop - 1
    return a


@njit(**INNER)
def _stays_past(x: Any, low: Any, high: Any, a: int, b: int, mid: float, sign: float) -> bool:
    """Whether all samples a..b are past mid: whole blocks by their extrema, the rest many samples at a time."""
    while a <= b:
        k = a >> _SHIFT
        stop = min(b, k * BLOCK + BLOCK - 1)
        if (sign > 0 and not low[k] > mid) or (sign < 0 and not high[k] < mid):
            outside = 0
            for i in range(a, stop + 1):
                outside += sign * (float(x[i]) - mid) <= 0
            if outside:
                return False
        a = stop + 1
    return True


@njit(cache=True, nogil=True)
def _crossings(
    x: Any, low: Any, high: Any, start: Any, stop: Any, levels: Any, size: Any, centre: bool, out: Any
) -> None:
    for k in range(out.size):
        mid = levels[k]
        sign = 1.0 if size[k] > 0 else -1.0
        first = _first_past(x, low, high, start[k], stop[k], mid, sign)
        before = max(first - 1, 0)
        last = before
        if not _stays_past(x, low, high, first, stop[k], mid, sign):
            last = max(before, _last_before(x, low, high, first, stop[k], mid, sign))
            if not centre:
                last = before = _tip(x, before, last, mid, sign, 0.3 * abs(size[k]))
        total = 0.0
        for i in (before, last):
            total += _between(x, i, mid)
        out[k] = 0.5 * total


def cross_levels(
    x: Any, extrema: Any, start: Ints, stop: Ints, *, levels: Floats, size: Floats, centre: bool = False
) -> Floats:
    """Where each change, somewhere from ``start`` to ``stop``, crosses its level. (E,) [samples]

    ``size`` is signed, and says which way the change goes. Where noise crosses several times, the place that splits
    low from high best, or with ``centre`` the middle of the first and last crossing. NaN where the change fell into a
    hole of missing samples.
    """
    out = np.empty(len(start))
    _crossings(x, extrema.low, extrema.high, start, stop, levels, size, centre, out)
    return out


@njit(**INNER)
def _sorted3(a: float, b: float, c: float) -> tuple[float, float, float]:
    low = min(a, b)
    high = max(a, b)
    return min(low, c), max(low, min(high, c)), max(high, c)


@njit(inline="always", **INNER)
def _median_of_9(p: Any) -> float:
    """Without a branch: of three sorted triples, the middle of (greatest low, middle middle, least high)."""
    l0, m0, h0 = _sorted3(p[0], p[1], p[2])
    l1, m1, h1 = _sorted3(p[3], p[4], p[5])
    l2, m2, h2 = _sorted3(p[6], p[7], p[8])
    low = max(l0, max(l1, l2))
    high = min(h0, min(h1, h2))
    middle: float = _sorted3(low, _sorted3(m0, m1, m2)[1], high)[1]
    return middle


@njit(inline="always", **INNER)
def _median(buffer: Any, n: int) -> float:
    if n == _POINTS:
        nine: float = _median_of_9(buffer)
        return nine
    for i in range(1, n):
        v = buffer[i]
        j = i - 1
        while j >= 0 and buffer[j] > v:
            buffer[j + 1] = buffer[j]
            j -= 1
        buffer[j + 1] = v
    half: float = 0.5 * (buffer[(n - 1) // 2] + buffer[n // 2])
    return half


@njit(inline="always", **INNER)
def _gather(x: Any, a: float, b: float, buffer: Any) -> int:
    """Up to nine finite samples evenly from a to b."""
    lo = int(np.ceil(a))
    hi = int(np.floor(b))
    if hi < lo:
        lo = int(np.round(0.5 * (a + b)))
        hi = lo
    lo = min(max(lo, 0), x.size - 1)
    hi = min(max(hi, lo), x.size - 1)
    points = min(_POINTS, hi - lo + 1)
    pace = (hi - lo) / max(points - 1, 1)
    n = 0
    for j in range(points):
        v = float(x[lo + int(j * pace + 1e-9)])
        if np.isfinite(v):
            buffer[n] = v
            n += 1
    return n


@njit(inline="always", **INNER)
def _thirds(buffer: Any, n: int) -> float:
    """Mean of the first third less mean of the last."""
    third = max(1, n // 3)
    total = 0.0
    for j in range(third):
        total += buffer[j] - buffer[n - 1 - j]
    return total / third


@njit(cache=True, nogil=True)
def _plateaus(x: Any, cross: Any, longest: float, begins: Any, ends: Any, noise: Any, dome: Any) -> None:
    buffer = np.empty(_POINTS)
    for p in range(cross.size + 1):
        a = cross[p - 1] if p > 0 else max(0.0, cross[0] - longest)
        b = cross[p] if p < cross.size else min(x.size - 1.0, cross[p - 1] + longest)
        w = min(b - a, longest)
        begins[p] = ends[p] = noise[p] = np.nan
        dome[p] = 0.0
        for at_end in (False, True):
            n = _gather(x, b - 0.5 * w if at_end else a + 0.15 * w, b - 0.15 * w if at_end else a + 0.5 * w, buffer)
            if n == 0:
                dome[p] = np.nan
                continue
            dome[p] += (0.5 if at_end else -0.5) * _thirds(buffer, n)
            begins[p] = ends[p]
            ends[p] = _median(buffer, n)
        total = 0.0
        for j in range(n):
            total += abs(buffer[j] - ends[p])
        if n:
            noise[p] = total / n


def measure_plateaus(x: Any, cross: Floats, longest: float) -> tuple[Floats, Floats, Floats, Floats]:
    """The level after and before each change, how noisy and how flat it is.

    A plateau lies before, between and after the changes: there is one more of them. Levels are medians of nine samples
    of the near half of the plateau (its near ``longest`` samples at most), clear of the change itself.

    Returns
    -------
    begins, ends : (E + 1,) level at the plateau's beginning and end
    noise : (E + 1,) mean absolute deviation there
    dome : (E + 1,) how much higher its middle is than its shoulders; a steady droop does not count
    """
    room = [np.empty(len(cross) + 1) for _ in range(4)]
    _plateaus(x, cross, longest, *room)
    return room[0], room[1], room[2], room[3]


@njit(inline="always", **INNER)
def _walk(x: Any, c: float, goal: float, way: int, sign: float, furthest: float) -> float:
    """From a crossing outward to where the signal first reaches goal; NaN if it does not."""
    i = int(np.floor(c)) if way < 0 else int(np.ceil(c))
    side = way * sign
    while 0 <= i < x.size and abs(i - c) <= furthest:
        v = float(x[i])
        if side * (v - goal) >= 0:
            inner = i - way
            if way * (inner - c) < 0:
                return float(i) if side * (v - goal) == 0 else c + 0.5 * (i - c)
            u = float(x[inner])
            return i if u == v or not np.isfinite(u) else inner + way * (goal - u) / (v - u)
        i += way
    return np.nan


@njit(cache=True, nogil=True)
def _transitions(x: Any, cross: Any, before: Any, after: Any, out: Any) -> None:
    for k in range(cross.size):
        step = after[k] - before[k]
        sign = 1.0 if step > 0 else -1.0
        out[k] = 0.0
        for way in (-1, 1):
            near = k + way
            room = abs(cross[near] - cross[k]) if 0 <= near < cross.size else float(x.size)
            goal = after[k] - 0.1 * step if way > 0 else before[k] + 0.1 * step
            out[k] += way * _walk(x, cross[k], goal, way, sign, room)


def measure_transitions(x: Any, cross: Floats, before: Floats, after: Floats) -> Floats:
    """10 to 90 % time of each change from level ``before`` to ``after``. (E,) [samples]  NaN where not reached."""
    out = np.empty(len(cross))
    _transitions(x, cross, before, after, out)
    return out


@njit(**INNER)
def _line(x: Any, c: float, half: float, mid: float, rising: bool) -> float:
    """Where the straight line through the samples within half of c meets mid; NaN where there is no such line."""
    lo = max(0, int(np.ceil(c - half)))
    hi = min(x.size - 1, int(np.floor(c + half)))
    stride = 1 + max(0, hi - lo) // _MOST_POINTS
    n = 0
    st = 0.0
    sx = 0.0
    stt = 0.0
    stx = 0.0
    for i in range(lo, hi + 1, stride):
        v = float(x[i]) - mid
        if np.isfinite(v):
            t = i - c
            n += 1
            st += t
            sx += v
            stt += t * t
            stx += t * v
    if n < 3:
        return np.nan
    slope = (stx - st * sx / n) / (stt - st * st / n)
    if slope == 0 or (slope > 0) != rising:
        return np.nan
    return c + (st - sx / slope) / n


@njit(**INNER)
def _halfway(c: float, neighbour: float) -> float:
    """Half-way to the neighbouring change; all the way where that is only a few samples."""
    return 0.5 * (c + neighbour) if abs(c - neighbour) > 4 else neighbour


@njit(**INNER)
def _step_near(x: Any, i: int, a: int, b: int, mid: float, sign: float) -> int:
    """Last sample before the change, where only one is about: a few steps from i."""
    while i > a and sign * (float(x[i]) - mid) > 0:
        i -= 1
    while i < b - 1 and sign * (float(x[i + 1]) - mid) <= 0:
        i += 1
    return i


@njit(cache=True, nogil=True)
def _refine(
    x: Any, coarse: Any, rising: Any, mid: Any, reach: Any, window: Any, half: Any, calm: bool, out: Any
) -> None:
    n = coarse.size
    for k in range(n):
        c = coarse[k]
        sign = 1.0 if rising[k] else -1.0
        first = max(c - window[k], _halfway(c, coarse[k - 1]) if k > 0 else 0.0)
        last = min(c + window[k], _halfway(c, coarse[k + 1]) if k + 1 < n else x.size - 1.0)
        a = min(max(0, int(np.ceil(first))), int(np.floor(c)))
        b = max(min(x.size - 1, int(np.floor(last))), int(np.ceil(c)))
        at = _step_near(x, int(np.floor(c)), a, b, mid[k], sign) if calm else _tip(x, a, b, mid[k], sign, reach[k])
        c = _between(x, at, mid[k])
        if half[k] >= 1.5:
            for _ in range(2):
                better = _line(x, c, half[k], mid[k], rising[k])
                moved = abs(better - c)
                if not moved < half[k]:
                    break
                c = better
                if moved < _SETTLED:
                    break
        out[k] = c


def refine(
    x: Any, coarse: Floats, rising: Bools, mid: Floats, *, reach: Floats, window: Floats, half: Floats, calm: bool
) -> Floats:
    """Sub-sample place of each change. (E,) [samples]

    Parameters
    ----------
    coarse : (E,) where to look, within ``window`` and no further than half-way to the neighbours
    mid : (E,) the level to cross; reach : (E,) where deviations from it are cut off
    half : (E,) half the length over which the change is straight; from 1.5 samples on, a least-squares line over it
        replaces the line between two samples, which averages the noise on the slope.
    calm : the noise is so low that no sample is on the wrong side but at the change itself
    """
    out = np.empty(len(coarse))
    _refine(x, coarse, rising, mid, reach, window, half, calm, out)
    return out


@njit(cache=True, nogil=True)
def _steadied(own: Any, bound: float, out: Any) -> None:
    for k in range(own.size):
        total = 0.0
        n = 0
        for j in range(max(k % 2, k - 8), min(own.size, k + 9), 2):
            if own[j] == own[j]:
                total += min(bound, max(-bound, own[j] - own[k]))
                n += 1
        out[k] = own[k] + (total / n if n else 0.0)


def steady_levels(own: Floats, bound: float) -> Floats:
    """Levels averaged over the eight nearest changes of the same polarity, each counted no further away than ``bound``.

    Averages noise of a level away, and leaves a level that really differs where it is.
    """
    out = np.empty(len(own))
    _steadied(own, bound, out)
    return out
