"""Robust, serial and circular statistics, Student's quantiles, and degrees of a tooth, against outside values."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import toeplitz
from scipy.stats import circmean, median_abs_deviation, norm
from scipy.stats import t as student

from tightside.records import CamEdges, CycleOffsets, DriveStage, tooth_pitch_deg
from tightside.timing.learn import seen_angles
from tightside.timing.offset import MAD_TO_SD, effective_count, lag1, robust_sd, summarise

# ------------------------------------------------------------------------------------------------- robust spread


# ORIGIN: 1 / Phi^-1(3/4), scipy.stats.norm.ppf.
def test_consistency_factor_of_the_median_deviation_is_that_of_the_normal():
    assert pytest.approx(1.0 / norm.ppf(0.75), abs=1e-6) == MAD_TO_SD
    assert pytest.approx(1.4826022, abs=1e-6) == MAD_TO_SD


# ORIGIN: the usual textbook sample, median 2, deviations 1 1 0 0 2 4 7: by hand, MAD 1.
def test_robust_sd_of_the_textbook_sample_is_the_scaled_one():
    assert robust_sd(np.array([1.0, 1, 2, 2, 4, 6, 9])) == pytest.approx(1.4826022, abs=1e-6)


# ORIGIN: scipy.stats.median_abs_deviation(scale="normal").
@pytest.mark.parametrize("count", [1, 2, 3, 10, 101])
def test_robust_sd_matches_scipy_on_heavy_tails(count):
    x = np.random.default_rng(count).standard_t(2, count)
    assert robust_sd(x) == pytest.approx(median_abs_deviation(x, scale="normal"), rel=1e-6, abs=1e-12)


# ORIGIN: scipy.stats.median_abs_deviation(nan_policy="omit").
def test_robust_sd_leaves_out_cycles_that_could_not_be_used():
    x = np.array([0.1, np.nan, 0.4, -0.3, np.nan, 0.2])
    assert robust_sd(x) == pytest.approx(median_abs_deviation(x, scale="normal", nan_policy="omit"), rel=1e-6)
    assert np.isnan(robust_sd(np.array([np.nan])))


# ------------------------------------------------------------------------------------- correlation from one to next


# ORIGIN: NIST StRD, univariate summary statistics, NumAcc1: certified lag-1 autocorrelation -0.5 (from memory).
def test_lag1_of_nist_numacc1_is_the_certified_value():
    assert lag1(np.array([10000001.0, 10000003.0, 10000002.0])) == pytest.approx(-0.5, abs=1e-9)


# ORIGIN: NIST StRD NumAcc2, 1.2 and then 500 times (1.1, 1.3): mean 1.2, sd 0.1, lag-1 -0.999 (from memory).
def test_lag1_of_nist_numacc2_is_the_certified_value():
    x = np.concatenate(([1.2], np.tile([1.1, 1.3], 500)))
    assert x.mean() == pytest.approx(1.2, abs=1e-12)
    assert x.std(ddof=1) == pytest.approx(0.1, abs=1e-12)
    assert lag1(x) == pytest.approx(-0.999, abs=1e-9)


def test_lag1_of_what_does_not_vary_is_zero():
    assert lag1(np.full(9, 0.3)) == 0.0
    assert lag1(np.array([1.0, 2.0])) == 0.0


# ORIGIN: n (1 - r) / (1 + r), plain arithmetic; "exact" is n^2 over the sum of the correlation matrix, from
# scipy.linalg.toeplitz: 33.784, 22.727.
@pytest.mark.parametrize(("n", "rho", "worth", "exact"), [(100, 0.5, 33.333, 33.784), (200, 0.8, 22.222, 22.727)])
def test_effective_count_matches_the_autoregression_and_never_exceeds_the_exact_one(n, rho, worth, exact):
    from_matrix = n**2 / toeplitz(rho ** np.arange(n)).sum()
    assert from_matrix == pytest.approx(exact, abs=1e-3)
    assert effective_count(n, rho) == pytest.approx(worth, abs=1e-3)
    assert effective_count(n, rho) <= from_matrix


# ORIGIN: same formula: n 50, r -0.3 are worth 92.857 (exactly 91.649); alternation is given no credit here.
def test_effective_count_of_alternating_values_is_held_at_their_number():
    assert effective_count(50, -0.3) == 50.0


@given(st.integers(1, 2000), st.floats(-1.0, 1.0))
def test_effective_count_stays_between_one_and_all(n, rho):
    assert 1.0 <= effective_count(n, rho) <= n


# ------------------------------------------------------------------------------------------------------- intervals


def _cycles(x, systematic_sd_deg=0.0):
    return CycleOffsets(
        cam="1A", column="cam", times_s=np.arange(len(x)), offset_deg=x, rpm=np.full(len(x), 700.0),
        edge_offset_deg=np.zeros(1), edge_count=np.full(1, len(x)), edges_per_cycle=1, cycles=len(x),
        systematic_sd_deg=systematic_sd_deg, edge_angles_deg=np.zeros(1),
    )  # fmt: skip


# ORIGIN: tables of Student's t, 97.5 % point at 4, 9, 19 and 29 degrees of freedom; scipy.stats.t.interval. Values that
# take turns about their mean are no less than independent, so the interval is the classical one.
@pytest.mark.parametrize(("n", "quantile"), [(5, 2.77645), (10, 2.26216), (20, 2.09302), (30, 2.04523)])
def test_interval_of_independent_cycles_is_students(n, quantile):
    normal = norm.ppf((np.arange(n) + 0.5) / n)
    x = 3.0 + 0.2 * normal[np.argsort(-np.abs(normal) + 1e-9 * normal, kind="stable")]  # low, high, low, high ...
    assert lag1(x) < 0
    mean, (low, high), _ = summarise(_cycles(x))
    error = x.std(ddof=1) / n**0.5
    assert (high - low) / 2 / error == pytest.approx(quantile, abs=1e-5)
    assert (low, high) == pytest.approx(student.interval(0.95, n - 1, loc=x.mean(), scale=error), abs=1e-9)
    assert mean == pytest.approx(x.mean(), abs=1e-12)


def test_interval_of_correlated_cycles_is_wider_than_students():
    x = np.random.default_rng(8).standard_normal(60).cumsum() * 0.05
    _, (low, high), _ = summarise(_cycles(x))
    classical = 2 * student.ppf(0.975, 59) * x.std(ddof=1) / 60**0.5
    assert high - low > 2 * classical


def test_interval_never_falls_below_what_does_not_average_out():
    x = 0.01 * (-1.0) ** np.arange(400)
    _, (low, high), _ = summarise(_cycles(x, systematic_sd_deg=0.1))
    assert (high - low) / 2 >= norm.ppf(0.975) * 0.1


# -------------------------------------------------------------------------------------------------- around the circle


def _folded(angles, cycle_deg, cycles=12):
    """One rising edge a cycle that stands at each of the angles in turn."""
    place = np.resize(np.asarray(angles, dtype=float), cycles)
    near = np.where(place > cycle_deg / 2, place - cycle_deg, place)
    angle = np.sort(near + cycle_deg * np.arange(1, cycles + 1))
    some = np.ones(cycles)
    return CamEdges(
        cam="1A", column="cam", times_s=angle / 3600.0, angle_deg=angle, rising=some > 0, speed_deg_s=3600.0 * some,
        segment=np.zeros(cycles),
    )  # fmt: skip


# ORIGIN: scipy.stats.circmean; both are 0 modulo the period by symmetry.
@pytest.mark.parametrize(("angles", "cycle_deg"), [([359, 1], 360.0), ([715, 5, 2, 718], 720.0)])
def test_edge_on_the_seam_of_the_cycle_has_its_mean_there(angles, cycle_deg):
    outside = circmean(angles, high=cycle_deg)
    found, rising, sd = seen_angles(_folded(angles, cycle_deg), cycle_deg)
    assert len(found) == 1
    assert rising[0]
    assert (found[0] - outside + cycle_deg / 2) % cycle_deg == pytest.approx(cycle_deg / 2, abs=1e-9)
    assert sd[0] < 6.0


# --------------------------------------------------------------------------------------------------- tooth by tooth


# ORIGIN: plain arithmetic, 360 / crank teeth = 720 / cam teeth in a 2:1 drive.
@pytest.mark.parametrize(("driver", "driven", "degrees"), [(19, 38, 18.947), (18, 36, 20.000), (21, 42, 17.143)])
def test_tooth_of_a_single_stage_is_worth_the_published_degrees(driver, driven, degrees):
    assert tooth_pitch_deg((DriveStage(driver, driven),)) == pytest.approx(degrees, abs=1e-3)


# ORIGIN: by hand, 24/36 then 24/32: a tooth of 32 is 11.25 cam deg; one of 36 turns the idler 10, the cam 7.5.
def test_tooth_of_either_of_two_stages_is_worth_the_hand_sum():
    stages = (DriveStage(24, 36), DriveStage(24, 32))
    assert tooth_pitch_deg(stages) == pytest.approx(22.5, abs=1e-12)
    assert tooth_pitch_deg(stages, 0) == pytest.approx(15.0, abs=1e-12)


STAGE = st.builds(DriveStage, driver_teeth=st.integers(9, 80), driven_teeth=st.integers(9, 80))


# ORIGIN: exact fractions, turning each driven sprocket by one tooth and carrying the turn on to the cam.
@given(st.lists(STAGE, min_size=1, max_size=4))
def test_tooth_of_any_stage_is_worth_what_turning_its_sprocket_moves_the_cam(stages):
    for k in range(len(stages)):
        turn = Fraction(360, stages[k].driven_teeth)
        for later in stages[k + 1 :]:
            turn *= Fraction(later.driver_teeth, later.driven_teeth)
        assert tooth_pitch_deg(stages, k) == pytest.approx(float(2 * turn), rel=1e-12)
    assert tooth_pitch_deg(stages) == tooth_pitch_deg(stages, len(stages) - 1)
