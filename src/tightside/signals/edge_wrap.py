"""Recorders whose readings wrap: what lies beyond one end of the range re-appears at the other end.

A wrap and a Hall edge are both a jump across the range. Before a wrap the signal was on its way to the end that it then
leaves, and after the jump back it is on its way from there; before and after a Hall edge it rests.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tightside.records import Ints
from tightside.signals.extrema import BLOCK, BlockExtrema, block_extrema, frozen

_JUMP = 0.5  # of the range, from one sample to the next
_USUAL_JUMP = 0.6  # what noise or steep teeth reach only now and then
_ON_ITS_WAY = 0.008  # of the range, in a quarter of the time to the next jump
_FEWEST = 6
_LOOKED_AT = 256  # blocks
_MOST_JUMPS = 4000


@njit(cache=True, nogil=True)
def _jumps_in(x: Any, blocks: Any, size: float, at: Any) -> int:
    n = 0
    for b in blocks:
        for i in range(b * BLOCK, min(x.size - 1, b * BLOCK + BLOCK)):
            if abs(float(x[i + 1]) - float(x[i])) >= size and n < at.size:
                at[n] = i
                n += 1
    return n


def _wide_blocks(extrema: BlockExtrema, size: float) -> Ints:
    """Blocks that range over ``size`` or more. Short integers stay short: a wrapped difference is right unsigned."""
    low, high = extrema.low, extrema.high
    if low.dtype.kind in "iu" and low.dtype.itemsize <= 2:
        unsigned = np.dtype(f"u{low.dtype.itemsize}")
        return np.flatnonzero((high - low).view(unsigned) >= unsigned.type(np.ceil(size)))
    return np.flatnonzero(np.subtract(high, low, dtype=np.float32) >= size)


def _jumps(x: NDArray[Any], extrema: BlockExtrema, size: float) -> Ints:
    """Samples after which the signal jumps by ``size`` or more; none if a look at a few blocks shows almost none."""
    blocks = _wide_blocks(extrema, size)
    at = np.empty(_MOST_JUMPS, np.int64)
    some = blocks[np.linspace(0, len(blocks) - 1, min(len(blocks), _LOOKED_AT)).astype(int)]
    if _jumps_in(x, some, size, at) < 2 * _FEWEST:
        return at[:0]
    return at[: int(_jumps_in(x, blocks, size, at))]


def wrap_side(x: NDArray[Any], extrema: BlockExtrema) -> int:
    """+1 where tops re-appear at the bottom, -1 where bottoms re-appear at the top, 0 where nothing wraps."""
    low, high = float(extrema.low.min()), float(extrema.high.max())
    span = high - low
    if not np.isfinite(span) or span <= 0:
        return 0
    at = _jumps(x, extrema, _JUMP * span)
    if len(at) < 2 * _FEWEST:
        return 0
    jump = x[at + 1].astype(float) - x[at].astype(float)
    apart = np.diff(at)
    pace = np.maximum(1, np.minimum(np.concatenate([apart[:1], apart]), np.concatenate([apart, apart[-1:]])) // 4)
    before = x[at].astype(float) - x[np.maximum(at - pace, 0)]
    after = x[np.minimum(at + 1 + pace, len(x) - 1)].astype(float) - x[at + 1]
    for side in (1, -1):
        out, back = side * jump < 0, side * jump > 0
        if min(out.sum(), back.sum()) < _FEWEST or np.median(np.abs(jump)) < _USUAL_JUMP * span:
            continue
        leaving = side * before[out] > _ON_ITS_WAY * span
        returning = side * after[back] < -_ON_ITS_WAY * span
        if leaving.mean() > 0.75 and returning.mean() > 0.75:
            return side
    return 0


@njit(cache=True, nogil=True)
def _unwrap(x: Any, limit: float, shift: Any, side: int, out: Any) -> int:
    beyond = False
    for i in range(1, x.size):  # the first jump says on which side the recording begins
        step = side * (float(x[i]) - float(x[i - 1]))
        if abs(step) > limit:
            beyond = step > 0
            break
    count = 0
    out[0] = x[0] + shift if beyond else x[0]
    for i in range(1, x.size):
        step = side * (float(x[i]) - float(x[i - 1]))
        if step < -limit and not beyond:
            beyond = True
            count += 1
        elif step > limit:
            beyond = False
        out[i] = x[i] + shift if beyond else x[i]
    return count


def unwrapped(x: NDArray[Any], extrema: BlockExtrema) -> tuple[NDArray[Any], BlockExtrema, list[str]]:
    """The trace without its recorder's wrap-around, and a note about it; as it came where nothing wraps.

    This is the one place where a whole trace is copied. The shift is the range itself and one step: all that the
    converter can say. Notes name raw values as ``{number}``.
    """
    side = wrap_side(x, extrema) if len(x) > 2 * BLOCK else 0
    if side == 0:
        return x, extrema, []
    low, high = float(extrema.low.min()), float(extrema.high.max())
    steps = np.abs(np.diff(x[: 1 << 16].astype(float)))
    steps = steps[steps > 1e-6 * (high - low)]
    quantum = float(steps.min()) if len(steps) and x.dtype.kind == "f" else 1.0
    shift = high - low + (quantum if quantum < 0.02 * (high - low) else 0.0)
    wide = np.int32 if x.dtype.kind in "iu" else x.dtype.type
    out = np.empty(len(x), wide)
    count = int(_unwrap(x, _JUMP * shift, wide(side * shift), side, out))
    out = frozen(out)
    end = high if side > 0 else low
    return out, block_extrema(out), [f"readings wrap at {{{end!r}}}: unwrapped {count} times"]
