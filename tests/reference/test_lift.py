"""Valve lift against closed forms of the cam handbooks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tightside.engine.lift import LiftCurve, curve_from_timing, lift_mm

CURVE = LiftCurve(350.0, 590.0, 9.8)


def at(theta_deg: float, curve: LiftCurve = CURVE) -> float:
    return float(lift_mm(np.array([theta_deg]), curve)[0])


# ORIGIN: closed form of harmonic lift, L/2 (1 - cos 2 pi u): mean L/2, L(1/4) = L/2, L(1/2) = L.
def test_harmonic_lift_matches_its_closed_form():
    theta = np.linspace(350, 590, 24001)
    u = (theta - 350) / 240
    assert np.allclose(lift_mm(theta, CURVE), 9.8 / 2 * (1 - np.cos(2 * np.pi * u)), atol=1e-12)
    assert at(350 + 60) == pytest.approx(4.9, abs=1e-12)
    assert at(470) == pytest.approx(9.8, abs=1e-12)
    assert np.trapezoid(lift_mm(theta, CURVE), theta) / 240 == pytest.approx(4.9, abs=1e-9)


# ORIGIN: harmonic rise of handbooks (Norton, from memory): peak velocity factor pi/2 over half the duration.
def test_steepest_lift_matches_the_peak_factor_of_harmonic_rise():
    theta = np.linspace(350, 470, 120_001)
    slope = np.gradient(lift_mm(theta, CURVE), theta)
    assert slope.max() == pytest.approx(np.pi / 2 * 9.8 / 120, rel=1e-6)


# ORIGIN: handbook factors of the 3-4-5 polynomial (Norton, from memory): peak velocity 1.8750.
def test_table_of_a_345_polynomial_keeps_its_peak_factor():
    u = np.linspace(0, 1, 121)
    lifts = 8.0 * (10 * u**3 - 15 * u**4 + 6 * u**5)
    curve = LiftCurve(0, 240, 8.0, tuple(zip(np.linspace(300, 420, 121).tolist(), lifts.tolist(), strict=True)))
    theta = np.arange(300.5, 420, 1.0)
    slope = lift_mm(theta + 0.4, curve) - lift_mm(theta - 0.4, curve)
    assert slope.max() / 0.8 == pytest.approx(1.875 * 8.0 / 120, rel=1e-3)


# ORIGIN: definition: the curve has the timing lift at the two given angles, and the same middle and top.
@given(st.floats(0.01, 4.0), st.floats(5.0, 12.0), st.floats(300, 400), st.floats(180, 260))
def test_curve_timed_at_a_lift_has_that_lift_at_its_angles(timing, top, opens, duration):
    curve = curve_from_timing(opens, opens + duration, top, timing)
    assert at(opens, curve) == pytest.approx(timing, abs=1e-9)
    assert at(opens + duration, curve) == pytest.approx(timing, abs=1e-9)
    assert at(opens + duration / 2, curve) == pytest.approx(top, abs=1e-9)
    assert curve.opens_deg < opens < opens + duration < curve.closes_deg


# ORIGIN: by hand: asin(sqrt(0.1)) / pi = 0.10242; 240 / (1 - 0.20483) = 301.82 deg, so 30.91 on each side.
def test_curve_timed_at_one_mm_of_ten_matches_hand_sums():
    curve = curve_from_timing(350.0, 590.0, 10.0, 1.0)
    assert curve.opens_deg == pytest.approx(350 - 30.91, abs=0.01)
    assert curve.closes_deg == pytest.approx(590 + 30.91, abs=0.01)


@given(st.floats(-1500, 1500), st.floats(-300, 700), st.floats(150, 400))
def test_lift_repeats_every_cycle_and_stays_within_its_top(theta, opens, duration):
    curve = LiftCurve(opens, opens + duration, 9.0)
    assert at(theta + 720, curve) == pytest.approx(at(theta, curve), abs=1e-6)
    assert 0 <= at(theta, curve) <= 9.0


def test_table_is_joined_by_lines_and_zero_outside():
    curve = LiftCurve(350, 450, 8, ((350.0, 0.0), (400.0, 8.0), (450.0, 0.0)))
    assert [at(t, curve) for t in (349.0, 375.0, 400.0, 440.0, 451.0, 375.0 + 720)] == pytest.approx(
        [0, 4, 8, 1.6, 0, 4]
    )


def test_valve_without_lift_stays_shut():
    assert not lift_mm(np.arange(720.0), curve_from_timing(350, 590, 0.0, 0.0)).any()
