"""Turning points and what they hold, against a plain walk over all samples."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tightside.signals.edge_swings import find_swings, held, surely_held
from tightside.signals.extrema import BLOCK, block_extrema, frozen

LEAST = 30.5  # no difference of whole numbers


def plain_turns(x: NDArray[Any], least: float) -> list[float]:
    """Values of the turning points, sample by sample."""
    top = bottom = float(x[0])
    way, found = 0, []
    for v in map(float, x):
        top, bottom = (max(top, v), min(bottom, v)) if way == 0 else (top, bottom)
        if way == 0 and top - bottom > least:
            way = 1 if v == top else -1
            found, peak = [bottom if way > 0 else top], v
        elif way and way * v > way * peak:
            peak = v
        elif way and way * (peak - v) > least:
            found, peak, way = [*found, peak], v, -way
    return [*found, peak] if way else found


def steps(n: int, longest: int, noise: float, seed: int) -> NDArray[np.float64]:
    """Levels that jump or ramp at random, up to ``longest`` samples apart."""
    rng = np.random.default_rng(seed)
    at = np.cumsum(rng.integers(1, longest, 2 * n // longest + 40))
    return np.asarray(np.interp(np.arange(n), at, rng.uniform(0.0, 200.0, len(at)).round()) + rng.normal(0.0, noise, n))


@pytest.mark.parametrize("dtype", [np.int16, np.uint8, np.float32, np.float64])
@pytest.mark.parametrize("longest", [6, 1000, 20_000])  # a wiggle on the flank of a step within one block is no turn
@pytest.mark.parametrize("noise", [0.0, 2.0, 6.0])
def test_find_swings_of_any_pace_turns_where_a_plain_walk_does(dtype: type, longest: int, noise: float) -> None:
    for seed in range(4):
        x = frozen(steps(3 * BLOCK * BLOCK + 17, longest, noise, seed).clip(0, 255).astype(dtype))
        swings = find_swings(x, block_extrema(x), LEAST)
        assert swings.value.tolist() == plain_turns(x, LEAST)
        assert (np.diff(swings.seen) >= 0).all()


def test_find_swings_with_square_teeth_turns_at_each() -> None:
    x = frozen((np.arange(200_000) // 370 % 2 * 200 + 10).astype(np.int16))
    swings = find_swings(x, block_extrema(x), LEAST)
    assert swings.value.tolist() == [10.0 + 200.0 * (k % 2) for k in range(len(swings))]
    assert (swings.seen[1:-1] % 370 == 0).all()


@pytest.mark.parametrize("length", [3, 40, BLOCK, 100])
@pytest.mark.parametrize("longest", [50, 1000])
def test_surely_held_is_no_more_than_held_and_the_same_where_it_is_not_enough(length: int, longest: int) -> None:
    x = frozen(steps(40_000, longest, 3.0, 1).astype(np.int16))
    extrema = block_extrema(x)
    swings = find_swings(x, extrema, LEAST)
    sign = np.sign(np.diff(swings.value))
    exact = np.diff(held(x, swings, length)) * sign
    sure = np.diff(surely_held(x, extrema, swings, length, LEAST)) * sign
    assert (sure <= exact).all()
    assert np.array_equal(sure[sure < LEAST], exact[sure < LEAST])
