"""Piston motion against published and independently computed values."""

from math import degrees, pi

import numpy as np
import pytest
import sympy
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from tightside.engine.slider_crank import (
    CylinderGeometry,
    acceleration_mm_s2,
    below_top_mm,
    bottom_deg,
    clearance_volume_cm3,
    displacement_cm3,
    mean_speed_m_s,
    piston_speed_ratio,
    top_of_throw_deg,
    travel_mm,
    volume_cm3,
    volume_rate_cm3_deg,
)

SQUARE = CylinderGeometry(bore_mm=86.0, stroke_mm=86.0, rod_mm=143.0, compression_ratio=10.0)


def with_ratio(rod_over_throw: float, throw_mm: float = 1.0) -> CylinderGeometry:
    return CylinderGeometry(bore_mm=1.0, stroke_mm=2 * throw_mm, rod_mm=rod_over_throw * throw_mm)


# ORIGIN: plain arithmetic on Heywood (1988) eqs 2.4-2.6, bore 86, throw 43, rod 143 mm, ratio 10.
def test_volume_of_a_square_engine_matches_hand_sums():
    assert displacement_cm3(SQUARE) == pytest.approx(499.557, rel=1e-5)
    assert clearance_volume_cm3(SQUARE) == pytest.approx(55.5064, rel=1e-5)
    assert volume_cm3(90.0, SQUARE) == pytest.approx(343.729, rel=1e-5)
    assert volume_cm3(120.0, SQUARE) == pytest.approx(458.834, rel=1e-5)


# ORIGIN: as above.
@pytest.mark.parametrize(
    ("theta_deg", "x_mm"),
    [(0, 0), (30, 7.3864), (60, 26.4339), (90, 49.6182), (120, 69.4339), (150, 81.8646), (180, 86)],
)
def test_travel_of_a_square_engine_matches_hand_sums(theta_deg, x_mm):
    assert below_top_mm(float(theta_deg), SQUARE) == pytest.approx(x_mm, abs=1e-4)


# ORIGIN: plain arithmetic, rod four throws long.
@pytest.mark.parametrize(("theta_deg", "share"), [(60.0, 0.297438), (90.0, 0.563508), (120.0, 0.797438)])
def test_share_of_stroke_matches_hand_sums(theta_deg, share):
    geometry = with_ratio(4.0)
    assert below_top_mm(theta_deg, geometry) / travel_mm(geometry) == pytest.approx(share, abs=1e-6)


# ORIGIN: scipy minimize_scalar on Heywood eq. 2.11 written out independently.
@pytest.mark.parametrize(("ratio", "peak", "at_deg"), [(3.5, 1.63401, 75.136), (4.0, 1.61931, 76.721)])
def test_fastest_piston_matches_an_independent_search(ratio, peak, at_deg):
    found = minimize_scalar(
        lambda t: -piston_speed_ratio(t, with_ratio(ratio)), bounds=(30, 120), options={"xatol": 1e-7}
    )
    assert -found.fun == pytest.approx(peak, abs=1e-5)
    assert found.x == pytest.approx(at_deg, abs=2e-3)


# ORIGIN: the widely printed worked example of piston motion, rod 6, crank 2 (from memory): 73.1753 deg.
def test_fastest_piston_of_the_worked_example():
    geometry = with_ratio(3.0, throw_mm=2.0)
    found = minimize_scalar(lambda t: -piston_speed_ratio(t, geometry), bounds=(30, 120), options={"xatol": 1e-9})
    rod_deg = degrees(np.arcsin(2 * np.sin(np.radians(found.x)) / 6))
    assert found.x == pytest.approx(73.1753, abs=1e-3)
    assert rod_deg == pytest.approx(18.6064, abs=1e-3)
    assert 180 - found.x - rod_deg == pytest.approx(88.2183, abs=1e-3)


# ORIGIN: closed form: at 90 deg the rod's share is still, and a mean over a stroke is 1 by definition.
@pytest.mark.parametrize("ratio", [2.5, 3.3, 4.0, 6.0])
def test_speed_ratio_at_ninety_and_on_average(ratio):
    geometry = with_ratio(ratio)
    mean = quad(lambda t: piston_speed_ratio(t, geometry), 0, 180)[0] / 180
    assert piston_speed_ratio(90.0, geometry) == pytest.approx(pi / 2, abs=1e-9)
    assert mean == pytest.approx(1.0, abs=1e-9)


# ORIGIN: plain arithmetic, confirmed with scipy minimize_scalar.
@pytest.mark.parametrize(
    ("throw", "rod", "offset", "travel", "top", "bottom", "tol"),
    [(50, 200, 10, 100.1336, 2.29244, 183.82255, 1e-4), (43, 143, 0.8, 86.00148, 0.24643, None, 1e-5)],
)
def test_dead_centres_with_pin_offset_match_hand_sums(throw, rod, offset, travel, top, bottom, tol):
    geometry = CylinderGeometry(1.0, 2.0 * throw, float(rod), float(offset))
    assert travel_mm(geometry) == pytest.approx(travel, abs=tol)
    assert top_of_throw_deg(geometry) == pytest.approx(top, abs=1e-5)
    if bottom is not None:
        assert bottom_deg(geometry) + top_of_throw_deg(geometry) == pytest.approx(bottom, abs=1e-5)


# ORIGIN: our derivation from the picture: after top the throw is on the side of the pin, so the way down is longer.
def test_pin_offset_toward_the_throw_after_top_makes_the_way_down_longer():
    assert bottom_deg(CylinderGeometry(86, 86, 143, 0.8)) > 180
    assert bottom_deg(CylinderGeometry(86, 86, 143, -0.8)) < 180


# ORIGIN: sympy, exact derivatives of s = a cos + sqrt(l^2 - (a sin - e)^2).
def test_speed_and_acceleration_match_symbolic_derivatives():
    geometry = CylinderGeometry(86.0, 86.0, 143.0, 1.5)
    phi = sympy.symbols("phi")
    height = 43 * sympy.cos(phi) + sympy.sqrt(143**2 - (43 * sympy.sin(phi) - sympy.Rational(3, 2)) ** 2)
    for theta in (0.0, 17.0, 90.0, 200.0, 301.0):
        at = {phi: sympy.rad(theta + top_of_throw_deg(geometry))}
        speed = float(-sympy.diff(height, phi).subs(at))
        curve = float(-sympy.diff(height, phi, 2).subs(at))
        assert piston_speed_ratio(theta, geometry) * travel_mm(geometry) / pi == pytest.approx(speed, abs=1e-9)
        assert acceleration_mm_s2(theta, geometry, 30 / pi) == pytest.approx(curve, abs=1e-9)


# ORIGIN: sympy, d2s/dtheta2 at top = -43 (1 + 43/143) = -55.9301; ds/dtheta at 90 deg = -43.
def test_textbook_derivatives_at_top_and_ninety():
    assert acceleration_mm_s2(0.0, SQUARE, 30 / pi) == pytest.approx(55.9301, abs=1e-4)
    assert piston_speed_ratio(90.0, SQUARE) * 86 / pi == pytest.approx(43.0, abs=1e-9)


# ORIGIN: definition, two strokes per turn: 86 mm at 3000 rpm is 8.6 m/s.
def test_mean_piston_speed_of_86_mm_at_3000_rpm():
    assert mean_speed_m_s(SQUARE, 3000.0) == pytest.approx(8.6, rel=1e-9)


geometries = st.builds(
    lambda stroke, ratio, offset: CylinderGeometry(80.0, stroke, ratio * stroke, offset, 10.0),
    st.floats(30, 200),
    st.floats(1.2, 4),
    st.floats(-3, 3),
)


@given(geometries)
def test_piston_stays_between_its_dead_centres(geometry):
    x = below_top_mm(np.linspace(0, 720, 1441), geometry)
    assert x.min() >= -1e-9
    assert x.max() <= travel_mm(geometry) + 1e-9
    assert travel_mm(geometry) >= geometry.stroke_mm - 1e-9
    assert below_top_mm(0.0, geometry) == pytest.approx(0.0, abs=1e-9)
    assert below_top_mm(bottom_deg(geometry), geometry) == pytest.approx(travel_mm(geometry), abs=1e-9)


@given(geometries, st.floats(0, 720))
def test_motion_mirrors_when_offset_and_angle_change_sign(geometry, theta_deg):
    mirrored = CylinderGeometry(80.0, geometry.stroke_mm, geometry.rod_mm, -geometry.pin_offset_mm, 10.0)
    assert below_top_mm(theta_deg, geometry) == pytest.approx(below_top_mm(-theta_deg, mirrored), abs=1e-9)


@given(geometries, st.floats(0, 720))
def test_volume_rate_is_the_slope_of_volume(geometry, theta_deg):
    slope = (volume_cm3(theta_deg + 1e-3, geometry) - volume_cm3(theta_deg - 1e-3, geometry)) / 2e-3
    assert volume_rate_cm3_deg(theta_deg, geometry) == pytest.approx(slope, abs=1e-5)
