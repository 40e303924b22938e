"""Orifice, throttle and valve areas against closed forms, another library and numerical integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from tightside.engine.valve_flow import Poppet, open_area_mm2, stage_limits_mm, usual_poppet
from tightside.twin.flow import SOFT, butterfly_area_mm2, butterfly_share, conductance, critical_ratio, flux

R_AIR = 287.05


# ORIGIN: (2/(g+1))^(g/(g-1)) by plain arithmetic; 0.528282 also by fluids.compressible.P_critical_flow.
@pytest.mark.parametrize(("gamma", "ratio"), [(1.4, 0.528282), (1.35, 0.536851), (1.3, 0.545728)])
def test_critical_ratio_matches_table(gamma: float, ratio: float) -> None:
    assert critical_ratio(gamma) == pytest.approx(ratio, abs=1e-6)


# ORIGIN: Heywood app. C (from memory), plain arithmetic; CoolProp's real air differs by 0.06 %.
@pytest.mark.parametrize(
    ("kelvin", "down_kpa", "value"),
    [
        (288.15, 20.0, 241.240),
        (293.15, 20.0, 239.174),
        (293.15, 60.0, 237.012),
        (293.15, 80.0, 199.458),
        (293.15, 95.0, 119.220),
        (293.15, 100.0, 56.091),
    ],
)
def test_flux_of_air_matches_table(kelvin: float, down_kpa: float, value: float) -> None:
    assert flux(101325.0, kelvin, down_kpa * 1e3, 1.4, R_AIR, 0.0) == pytest.approx(value, rel=1e-5)


# ORIGIN: API 520 sizing (fluids.safety_valve.API520_A_g): 1 kg/s needs 1/239.167 m^2; another route to choked flow.
def test_choked_flux_matches_relief_valve_sizing() -> None:
    assert flux(101325.0, 293.15, 1e3, 1.4, 8314.46 / 28.9647, 0.0) == pytest.approx(239.167, rel=3e-5)


# ORIGIN: CoolProp 'Air' as a real gas: the greatest density times speed along an isentrope from rest.
def test_choked_flux_is_near_that_of_real_air() -> None:
    from CoolProp.CoolProp import PropsSI

    s, h = PropsSI("S", "T", 293.15, "P", 101325.0, "Air"), PropsSI("H", "T", 293.15, "P", 101325.0, "Air")
    p = np.linspace(0.45, 0.6, 400) * 101325.0
    speed = np.sqrt(2 * (h - PropsSI("H", "S", s, "P", p, "Air")))
    through = (PropsSI("D", "S", s, "P", p, "Air") * speed).max()
    assert flux(101325.0, 293.15, 1e3, 1.4, R_AIR, 0.0) == pytest.approx(through, rel=1e-3)


def test_eased_flux_is_straight_near_rest_and_unchanged_far_from_it() -> None:
    at = [flux(1e5, 300.0, 1e5 * (1 - x), 1.4, R_AIR, SOFT) for x in (1e-6, 2e-6)]
    assert at[1] / at[0] == pytest.approx(2.0, rel=1e-3)
    for down in (7e4, 9e4):
        assert flux(1e5, 300.0, down, 1.4, R_AIR, SOFT) == pytest.approx(
            flux(1e5, 300.0, down, 1.4, R_AIR, 0.0), rel=2e-4
        )


def test_conductance_bounds_the_slope_of_the_eased_flux() -> None:
    for x in np.geomspace(1e-7, 0.4, 60):
        down, step = 1e5 * (1 - x), 1e-3
        slope = (flux(1e5, 300.0, down - step, 1.4, R_AIR, SOFT) - flux(1e5, 300.0, down + step, 1.4, R_AIR, SOFT)) / (
            2 * step
        )
        assert abs(slope) <= 1.05 * conductance(1e5, 300.0, down, R_AIR)


# ORIGIN: scipy.integrate.quad of bore circle less ellipse and shaft strip.
@pytest.mark.parametrize(
    ("open_deg", "closed_deg", "shaft", "share"),
    [
        (10, 0, 0, 0.0151922),
        (20, 5, 0.1, 0.0566915),
        (30, 10, 0.15, 0.1204032),
        (45, 5, 0.1, 0.2899823),
        (60, 5, 0.1, 0.4974551),
        (80, 5, 0.1, 0.8185237),
        (85, 5, 0.1, 0.8728886),
        (5, 5, 0.1, 0.0),
    ],
)
def test_butterfly_share_matches_integration(open_deg: float, closed_deg: float, shaft: float, share: float) -> None:
    assert butterfly_share(open_deg, closed_deg, shaft) == pytest.approx(share, abs=1e-6)
    c = np.cos(np.radians(open_deg)) / np.cos(np.radians(closed_deg))

    def free(x: float) -> float:  # half height of the opening at a distance from the middle along the shaft
        circle = np.sqrt(1 - x**2)
        return circle - max(min(c * circle, circle), min(shaft, circle))

    # the shaft of relative diameter k covers heights up to k of the bore's radius
    assert share == pytest.approx(4 / np.pi * quad(free, 0, 1, limit=200)[0], abs=2e-4)
    assert butterfly_area_mm2(open_deg, 60.0, closed_deg, shaft) == pytest.approx(share * np.pi * 900, abs=0.01)


# ORIGIN: Heywood eqs 6.7-6.9 (from memory), plain arithmetic.
def test_valve_area_matches_table() -> None:
    valve = Poppet(34.0, 1.7, 30.0, 6.0)
    assert stage_limits_mm(valve) == pytest.approx((3.4000, 8.1676), abs=1e-4)
    areas = open_area_mm2(np.array([0.0, 1.0, 3.0, 5.0, 9.5]), valve)
    assert areas == pytest.approx([0.0, 69.087, 213.925, 376.684, 678.584], rel=1e-4)


def test_valve_area_is_continuous_and_never_shrinks() -> None:
    valve = usual_poppet(34.5)
    lift = np.linspace(0, 12, 24001)
    assert np.diff(open_area_mm2(lift, valve)).min() >= -1e-9
    assert np.abs(np.diff(open_area_mm2(lift, valve))).max() < 0.06
