"""What correlated readings are worth, and the mean of stretches with its interval."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import toeplitz
from scipy.stats import t as student

from tightside.timing.serial import level_of, pooled_rho, worth_of_mean, worth_of_spread


def autoregressive(rng, n, rho):
    x = rng.standard_normal(n)
    for i in range(1, n):
        x[i] = rho * x[i - 1] + np.sqrt(1 - rho**2) * x[i]
    return x


# ORIGIN: n^2 over the sum of the correlation matrix itself, scipy.linalg.toeplitz.
@pytest.mark.parametrize(("n", "rho", "worth"), [(100, 0.5, 33.784), (200, 0.8, 22.727), (50, -0.3, 91.649)])
def test_worth_of_a_mean_is_that_of_the_correlation_matrix(n, rho, worth):
    assert worth_of_mean(n, rho) == pytest.approx(worth, abs=1e-3)
    assert worth_of_mean(n, rho) == pytest.approx(n**2 / toeplitz(rho ** np.arange(n)).sum(), rel=1e-9)


@given(st.integers(1, 400), st.floats(0.0, 0.99))
def test_worth_of_a_mean_stays_between_one_and_all(n, rho):
    assert 1.0 - 1e-9 <= worth_of_mean(n, rho) <= n + 1e-9


# ORIGIN: variance of the sample variance of a first-order autoregression, summed from its own correlations rho^(2k).
@pytest.mark.parametrize("rho", [0.0, 0.3, 0.7])
def test_worth_of_a_spread_is_that_of_the_squared_correlations(rho):
    n = 4000
    assert worth_of_spread(n, rho) == pytest.approx(n**2 / toeplitz(rho ** (2 * np.arange(n))).sum(), rel=2e-3)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_correlation_is_found_though_each_stretch_has_its_own_level(rho):
    rng = np.random.default_rng(5)
    pieces = [10.0 * rng.standard_normal() + autoregressive(rng, 80, rho) for _ in range(40)]
    assert pooled_rho(pieces) == pytest.approx(rho, abs=0.04)


# ORIGIN: scipy.stats.t.interval of independent readings.
def test_level_of_one_uncorrelated_stretch_is_students():
    x = np.tile([1.0, 3.0], 15)  # takes turns about its mean: no credit, no penalty
    level = level_of([x])
    low, high = student.interval(0.95, 29, loc=x.mean(), scale=x.std(ddof=1) / 30**0.5)
    assert level.mean == pytest.approx(2.0)
    assert level.mean + level.half_width() == pytest.approx(high, rel=1e-3)
    assert level.mean - level.half_width() == pytest.approx(low, rel=1e-3)


@pytest.mark.parametrize(
    ("stretches", "rho", "between"), [((200,), 0.7, 0.0), ((40,) * 6, 0.5, 0.5), ((15,) * 12, 0.8, 0.3)]
)
def test_interval_of_a_level_holds_the_truth_as_often_as_it_says(stretches, rho, between):
    rng = np.random.default_rng([1, len(stretches)])
    held = 0
    for _ in range(400):
        level = level_of([between * rng.standard_normal() + autoregressive(rng, n, rho) for n in stretches])
        held += abs(level.mean) <= level.half_width()
    assert 0.915 <= held / 400 <= 0.985


def test_what_does_not_average_out_widens_the_interval():
    level = level_of([np.tile([0.99, 1.01], 200)])
    assert level.half_width(0.5) > 0.95 > 0.1 > level.half_width()
    assert level_of([]) is None
