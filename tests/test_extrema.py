"""Block extrema against NumPy's own."""

from __future__ import annotations

import numpy as np
import pytest

from tightside.signals import extrema
from tightside.signals.extrema import BLOCK, block_extrema

DTYPES = [np.int8, np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64]


@pytest.mark.parametrize("n", [0, 1, BLOCK - 1, BLOCK, BLOCK + 1, 10 * BLOCK + 17])
@pytest.mark.parametrize("dtype", DTYPES)
def test_block_extrema_any_length_and_dtype_are_those_of_numpy(n: int, dtype: type) -> None:
    x = np.random.default_rng(n).integers(0, 120, n).astype(dtype)
    e = block_extrema(x)
    parts = np.split(x, range(BLOCK, n, BLOCK)) if n else []
    assert e.low.dtype == dtype
    assert e.low.tolist() == [p.min() for p in parts]
    assert e.high.tolist() == [p.max() for p in parts]
    assert (e.block, e.missing) == (BLOCK, 0)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_block_extrema_missing_samples_are_left_out_and_counted(dtype: type) -> None:
    x = np.random.default_rng(1).normal(size=5 * BLOCK + 9).astype(dtype)
    x[[3, 70, -1]] = np.nan
    x[2 * BLOCK : 3 * BLOCK] = np.nan
    e = block_extrema(x)
    assert e.missing == 3 + BLOCK
    assert (e.low[2], e.high[2]) == (np.inf, -np.inf)
    for b in (0, 1, 3, 4, 5):
        part = x[b * BLOCK : (b + 1) * BLOCK]
        assert (e.low[b], e.high[b]) == (np.nanmin(part), np.nanmax(part))


def test_block_extrema_two_threads_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    x = np.random.default_rng(2).integers(-2000, 2000, 1_000_037).astype(np.int16)
    one = block_extrema(x)
    monkeypatch.setattr(extrema, "_THREADED_BYTES", 1000)
    two = block_extrema(x)
    assert np.array_equal(one.low, two.low)
    assert np.array_equal(one.high, two.high)


def test_block_extrema_strided_and_swapped_arrays_are_read_right() -> None:
    x = np.arange(1000, dtype=">i2").reshape(500, 2)[:, 1]
    e = block_extrema(x)
    assert e.low[0] == 1
    assert e.high[-1] == 999
