"""Several vehicles to one expectation: against a statistics library, a hand calculation, and simulated vehicles."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from tightside.records import CamPattern
from tightside.timing.pooling import (
    BETWEEN_PRIOR_DEG,
    Shown,
    align_cams,
    hierarchy_of,
    pool_vehicles,
)

EDGES = np.array([36.0, 104.0, 208.0, 252.0, 396.0, 508.0, 584.0, 672.0])
RISING = np.arange(8) % 2 == 0


def test_hierarchy_with_a_known_spread_is_the_librarys_weighted_mean():
    """ORIGIN: statsmodels, combine_effects with a given random-effects variance (its weights 1 / (variance + tau2))."""
    y, s = np.array([0.3, -0.9, 1.4, 0.2, -0.4]), np.array([0.1, 0.3, 0.2, 0.5, 0.15])
    for spread in (0.0, 0.4, 1.1):
        found = hierarchy_of(y, s, between_sd=spread)
        weights = 1.0 / (s**2 + spread**2)
        library = combine_effects(y, s**2 + spread**2, method_re="chi2").summary_frame().loc["fixed effect"]
        assert found.centre == pytest.approx(library["eff"], abs=1e-9)
        assert found.centre_sd == pytest.approx(library["sd_eff"], abs=1e-9)
        assert found.centre_sd == pytest.approx(weights.sum() ** -0.5)


@pytest.mark.parametrize("seed", range(4))
def test_hierarchy_of_many_vehicles_is_the_librarys_random_effects_estimate(seed):
    """ORIGIN: statsmodels, Paule-Mandel ("iterated") between-group variance; the prior has no weight with 60 groups."""
    rng = np.random.default_rng(seed)
    sds = rng.uniform(0.05, 0.4, 60)
    y = 2.0 + 0.9 * rng.standard_normal(60) + sds * rng.standard_normal(60)
    found = hierarchy_of(y, sds)
    library = combine_effects(y, sds**2, method_re="iterated")
    assert found.centre == pytest.approx(library.mean_effect_re, abs=0.01)
    assert found.between_sd == pytest.approx(library.tau2**0.5, rel=0.06)
    assert found.centre_sd == pytest.approx(library.sd_eff_w_re, rel=0.06)


def test_hierarchy_of_two_equal_values_by_hand():
    """Both at 0 and error-free but for 0.1: the spread's posterior is prior(t) * (s^2 + t^2)^-1/2, integrated here."""
    found = hierarchy_of(np.zeros(2), np.full(2, 0.1))
    t = np.linspace(0.0, 8.0, 200_001)
    p = np.exp(-0.5 * (t / BETWEEN_PRIOR_DEG) ** 2) * (0.01 + t**2) ** -0.5
    variance = np.trapezoid(p * (0.01 + t**2) / 2.0, t) / np.trapezoid(p, t)
    assert found.centre == pytest.approx(0.0, abs=1e-12)
    assert found.centre_sd == pytest.approx(variance**0.5, rel=0.01)


def test_hierarchy_of_one_vehicle_knows_no_better_than_its_prior():
    found = hierarchy_of(np.array([0.0]), np.array([0.05]))
    assert found.between_sd == pytest.approx(BETWEEN_PRIOR_DEG, rel=0.02)  # a half-normal's second moment
    assert found.centre_sd == pytest.approx(np.hypot(BETWEEN_PRIOR_DEG, 0.05), rel=0.02)


def vehicles(rng: np.random.Generator, count: int, between: float, within: float) -> list[Shown]:
    """Vehicles whose cams stand ``between`` apart, each edge off by its own tooth and by its measurement."""
    return [
        Shown(
            f"v{i}",
            EDGES + between * rng.standard_normal() + 0.1 * rng.standard_normal(8) + within * rng.standard_normal(8),
            np.full(8, within),
        )
        for i in range(count)
    ]


@pytest.mark.parametrize("count", [1, 2, 3, 6])
def test_pool_intervals_cover_where_spread_is_as_the_prior_says(count):
    """Spread drawn from the prior itself: 95 in 100 intervals must hold the truth, within chance of 400."""
    rng = np.random.default_rng([11, count])
    held = 0
    for _ in range(400):
        shown = vehicles(rng, count, abs(BETWEEN_PRIOR_DEG * rng.standard_normal()), 0.05)
        pooled = pool_vehicles(shown)
        low, high = pooled.ci95_deg
        middle = float(np.mean(pooled.edges_deg - EDGES))
        held += middle + low <= 0.0 <= middle + high
    assert 0.92 <= held / 400 <= 0.98


@pytest.mark.parametrize("between", [0.2, 0.6, 1.2])
def test_pool_intervals_hold_where_spread_is_another(between):
    """One spread for all, which the prior does not know: never short of 90 in 100 with four vehicles or more."""
    rng = np.random.default_rng([12, int(10 * between)])
    held = []
    for _ in range(300):
        pooled = pool_vehicles(vehicles(rng, 4, between, 0.05))
        middle = float(np.mean(pooled.edges_deg - EDGES))
        held.append(middle + pooled.ci95_deg[0] <= 0.0 <= middle + pooled.ci95_deg[1])
    assert np.mean(held) >= 0.9


def test_pool_narrows_with_every_vehicle_and_tells_the_two_spreads_apart():
    rng = np.random.default_rng(5)
    fleets = [vehicles(rng, 40, 0.7, 0.05) for _ in range(12)]
    sds = [np.mean([pool_vehicles(f[:n]).mean_sd_deg for f in fleets]) for n in (1, 2, 4, 8, 16, 40)]
    assert all(b < a for a, b in itertools.pairwise(sds))
    shown = fleets[0]
    whole = pool_vehicles(shown)
    assert whole.vehicles == 40
    assert whole.between_sd_deg == pytest.approx(0.7, rel=0.25)
    assert np.abs(whole.edges_deg - EDGES).max() < 0.4
    assert whole.edge_sds_deg.max() < 0.2


def test_pool_counts_recordings_of_one_vehicle_once():
    rng = np.random.default_rng(6)
    one = vehicles(rng, 1, 0.7, 0.05)[0]
    often = [Shown("v0", one.edges_deg + 0.01 * k, one.sds_deg) for k in range(6)]
    assert pool_vehicles(often).vehicles == 1
    assert pool_vehicles(often).mean_sd_deg == pytest.approx(pool_vehicles([one]).mean_sd_deg, rel=0.01)


@pytest.mark.parametrize("turn", [0.0, 360.0])
def test_align_brings_the_turn_and_the_order_back(turn):
    rng = np.random.default_rng(7)
    first = CamPattern("1A", EDGES, RISING)
    moved = (EDGES + 1.5 + 0.1 * rng.standard_normal(8) + turn) % 720.0
    order = np.argsort(moved)
    aligned = align_cams([(first, CamPattern("1A", moved[order], RISING[order]))], 360.0)
    assert aligned is not None
    assert aligned.shift_deg == turn
    assert aligned.edges_deg["1A"] - EDGES == pytest.approx(1.5, abs=0.4)
    assert (moved[order][aligned.order["1A"]] - moved) == pytest.approx(0.0)


def test_align_of_another_cam_wheel_is_none():
    first = CamPattern("1A", EDGES, RISING)
    both_up = CamPattern("1A", EDGES, np.ones(8, np.bool_))
    assert align_cams([(first, both_up)], 360.0) is None
