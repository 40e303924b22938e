"""Least and greatest value of short blocks of a sampled trace: one pass at the speed of memory.

Everything that has to look at a whole recording (finding edges, drawing it) looks at these instead.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

BLOCK = 64
"""Samples per block. A compile-time constant, which is what lets the compiler use vector instructions."""

INNER: dict[str, Any] = {"cache": True, "nogil": True, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
"""How to compile what only other kernels call: without a door from Python."""

_THREADED_BYTES = 64 << 20
_THREADS = 2


@dataclass(frozen=True, slots=True)
class BlockExtrema:
    """Extrema of consecutive blocks; the last block may be short.

    A block without one finite sample has ``low`` = +inf and ``high`` = -inf.
    """

    low: NDArray[Any]  # (ceil(S / block),) of the samples' own dtype
    high: NDArray[Any]
    block: int
    missing: int  # samples that are not finite


@njit(cache=True, nogil=True)
def _whole_blocks(x: Any, start_low: Any, start_high: Any, low: Any, high: Any) -> int:
    missing = 0
    for b in range(low.size):
        block = x[b * BLOCK : b * BLOCK + BLOCK]
        least = start_low
        greatest = start_high
        for j in range(BLOCK):
            v = block[j]
            missing += v - v != 0
            least = v if v < least else least
            greatest = v if v > greatest else greatest
        low[b] = least
        high[b] = greatest
    return missing


def _starts(dtype: np.dtype[Any]) -> tuple[Any, Any]:
    if dtype.kind == "f":
        return dtype.type(np.inf), dtype.type(-np.inf)
    limits = np.iinfo(dtype)
    return dtype.type(limits.max), dtype.type(limits.min)


def frozen(x: NDArray[Any]) -> NDArray[Any]:
    """A plain, contiguous, read-only view in native byte order, so that kernels are compiled once per dtype."""
    x = np.ascontiguousarray(x, dtype=x.dtype.newbyteorder("="))
    view = x.view()
    view.flags.writeable = False
    return view


def _fill(x: NDArray[Any], low: NDArray[Any], high: NDArray[Any]) -> int:
    """Whole blocks in as many threads as the size is worth; gives the count of missing samples."""
    least, greatest = _starts(x.dtype)
    if x.nbytes < _THREADED_BYTES:
        return int(_whole_blocks(x, least, greatest, low, high))
    cuts = np.linspace(0, len(low), _THREADS + 1).astype(int)

    def part(k: int) -> int:
        a, b = cuts[k], cuts[k + 1]
        return int(_whole_blocks(x[a * BLOCK : b * BLOCK], least, greatest, low[a:b], high[a:b]))

    with ThreadPoolExecutor(_THREADS) as pool:
        return sum(pool.map(part, range(_THREADS)))


def block_extrema(x: NDArray[Any]) -> BlockExtrema:
    """Least and greatest sample of each block of 64.

    Parameters
    ----------
    x : (S,) array of an integer or floating dtype, memory-mapped or not. Samples that are not finite are left out,
        except that an infinity enters the extremum on its own side.

    Returns
    -------
    BlockExtrema, of the samples' dtype. Arrays above 64 MB are shared between two threads.

    Examples
    --------
    >>> e = block_extrema(np.arange(130, dtype=np.int16))
    >>> e.low.tolist(), e.high.tolist()
    ([0, 64, 128], [63, 127, 129])
    """
    x = frozen(x)
    whole, rest = divmod(len(x), BLOCK)
    low = np.empty(whole + (rest > 0), x.dtype)
    high = np.empty_like(low)
    missing = _fill(x, low[:whole], high[:whole])
    if rest:
        tail = x[whole * BLOCK :]
        finite = tail[np.isfinite(tail)]
        least, greatest = _starts(x.dtype)
        low[whole] = finite.min(initial=least)
        high[whole] = finite.max(initial=greatest)
        missing += rest - len(finite)
    return BlockExtrema(low, high, BLOCK, missing)
