"""Gap between valve and piston against a search by brute force, and chances against plain drawing.

The engine's lengths are written out here again and the gap is computed from the definition alone, on a dense grid.
"""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tightside.engine.clearance import (
    ValveTrain,
    contact_at,
    draw_gaps,
    gap_curve,
    gap_over_cycle_mm,
    least_gap_mm,
    offset_of_contact_deg,
    worst_between,
)
from tightside.engine.lift import LiftCurve, curve_from_timing
from tightside.engine.slider_crank import CylinderGeometry

INTAKE = ValveTrain(CylinderGeometry(89.0, 79.5, 144.0), LiftCurve(350.0, 590.0, 9.8), 18.0, 2.9, 0.25)
FINE_DEG = np.arange(0.0, 720.0, 0.01)


def brute_force_mm(offset_deg, *, stroke, rod, pin=0.0, opens, closes, top, tilt, static, theta=FINE_DEG):
    """The definition, written out again."""
    a = stroke / 2
    phi = np.radians(theta) + np.arcsin(pin / (rod + a))
    x = np.sqrt((rod + a) ** 2 - pin**2) - a * np.cos(phi) - np.sqrt(rod**2 - (a * np.sin(phi) - pin) ** 2)
    share = ((theta - offset_deg - opens) % 720.0) / (closes - opens)
    lift = np.where(share < 1, top * np.sin(np.pi * share) ** 2, 0.0)
    return static + x - lift * np.cos(np.radians(tilt))


# ORIGIN: search of every hundredth of a degree, formula written out in the test.
@pytest.mark.parametrize("offset", [-80.0, -51.4, -34.3, -17.1, 0.0, 17.1, 34.3, 90.0, 180.0, 333.3])
def test_least_gap_matches_brute_force(offset):
    brute = brute_force_mm(offset, stroke=79.5, rod=144.0, opens=350.0, closes=590.0, top=9.8, tilt=18.0, static=2.9)
    gap, at = least_gap_mm(np.array([offset]), INTAKE)
    assert gap[0] == pytest.approx(brute.min(), abs=1e-4)
    assert gap_over_cycle_mm(at, INTAKE, offset)[0] == pytest.approx(gap[0], abs=1e-9)
    assert gap_curve(INTAKE).gap_at(np.array([offset]))[0] == pytest.approx(brute.min(), abs=1e-3)


# ORIGIN: as above, engines at random.
@settings(max_examples=25, deadline=None)
@given(
    st.floats(60, 120), st.floats(1.4, 2.2), st.floats(-1.5, 1.5), st.floats(300, 380), st.floats(200, 300),
    st.floats(6, 13), st.floats(0, 30), st.floats(-120, 120),
)  # fmt: skip
def test_least_gap_of_any_engine_matches_brute_force(stroke, ratio, pin, opens, duration, top, tilt, offset):
    train = ValveTrain(
        CylinderGeometry(80.0, stroke, ratio * stroke, pin), LiftCurve(opens, opens + duration, top), tilt, 3.0, 0.25
    )
    brute = brute_force_mm(
        offset,
        stroke=stroke,
        rod=ratio * stroke,
        pin=pin,
        opens=opens,
        closes=opens + duration,
        top=top,
        tilt=tilt,
        static=3.0,
    )
    assert least_gap_mm(np.array([offset]), train)[0][0] == pytest.approx(brute.min(), abs=1e-3)
    assert gap_curve(train).gap_at(np.array([offset]))[0] == pytest.approx(brute.min(), abs=2e-3)


# ORIGIN: search of every hundredth of a degree over a table joined by straight lines (numpy.interp).
@pytest.mark.parametrize("offset", [-60.0, -25.3, 0.0, 21.7])
def test_least_gap_of_a_lift_table_matches_brute_force(offset):
    u = np.linspace(0, 1, 25)
    degrees, lifts = 340 + 260 * u, 10.2 * np.sin(np.pi * u) ** 2
    curve = LiftCurve(340.0, 600.0, 10.2, tuple(zip(degrees.tolist(), lifts.tolist(), strict=True)))
    train = ValveTrain(CylinderGeometry(89.0, 79.5, 144.0), curve, 18.0, 2.9, 0.25)
    bare = brute_force_mm(offset, stroke=79.5, rod=144.0, opens=0.0, closes=1.0, top=0.0, tilt=0.0, static=2.9)
    shown = np.interp((FINE_DEG - offset - 340) % 720, degrees - 340, lifts, right=0.0) * np.cos(np.radians(18))
    assert least_gap_mm(np.array([offset]), train)[0][0] == pytest.approx((bare - shown).min(), abs=2e-3)


# ORIGIN: closed form: without lift the nearest place is the piston's top and the gap is the static length.
def test_gap_without_lift_is_the_static_length():
    shut = ValveTrain(INTAKE.geometry, LiftCurve(350.0, 590.0, 0.0), 18.0, 2.9, 0.25)
    gap, at = least_gap_mm(np.arange(-90.0, 91.0), shut)
    assert np.allclose(gap, 2.9, atol=1e-9)
    assert np.allclose(np.minimum(at % 360, 360 - at % 360), 0, atol=0.01)


# ORIGIN: symmetry: a curve mirrored about the exchange top, moved the other way, comes equally near.
@given(st.floats(-100, 100))
def test_gap_mirrors_about_top(offset):
    mirrored = ValveTrain(INTAKE.geometry, LiftCurve(720.0 - 590.0, 720.0 - 350.0, 9.8), 18.0, 2.9, 0.25)
    there, here = least_gap_mm(np.array([offset]), INTAKE)[0], least_gap_mm(np.array([-offset]), mirrored)[0]
    assert there[0] == pytest.approx(here[0], abs=1e-4)


def test_gap_is_the_same_after_a_whole_cycle():
    curve = gap_curve(INTAKE)
    assert curve.gap_at(np.array([-34.3 + 720]))[0] == pytest.approx(curve.gap_at(np.array([-34.3]))[0], abs=1e-9)
    assert curve.gap_mm[0] == pytest.approx(curve.gap_mm[-1], abs=1e-6)


def test_inclined_valve_comes_less_near():
    upright = ValveTrain(INTAKE.geometry, INTAKE.curve, 0.0, 2.9, 0.25)
    assert least_gap_mm(np.array([-40.0]), upright)[0] < least_gap_mm(np.array([-40.0]), INTAKE)[0]


def test_timing_lift_widens_the_curve_and_narrows_the_gap():
    wide = ValveTrain(INTAKE.geometry, curve_from_timing(350.0, 590.0, 9.8, 1.0), 18.0, 2.9, 0.25)
    assert least_gap_mm(np.array([-17.0]), wide)[0] < least_gap_mm(np.array([-17.0]), INTAKE)[0] - 0.5


# ------------------------------------------------------------------------------------------------- chances


# ORIGIN: plain Monte Carlo: every drawn engine searched every half degree of the exchange stroke, from the definition.
@pytest.mark.parametrize(
    ("offset", "offset_sd", "tolerance"),
    [(-33.0, 2.0, 0.25), (-30.0, 4.0, 0.25), (-34.5, 0.0, 0.25), (-36.0, 1.0, 0.6)],
)
def test_chance_of_contact_matches_plain_drawing(offset, offset_sd, tolerance):
    rng = np.random.default_rng(20_260)
    n = 100_000
    theta = np.arange(345.0, 395.0, 0.5)[:, None]
    moved = offset + offset_sd * rng.standard_normal(n)
    static = 2.9 + tolerance * rng.standard_normal(n)
    least = np.concatenate(
        [
            brute_force_mm(
                part, stroke=79.5, rod=144.0, opens=350.0, closes=590.0, top=9.8, tilt=18.0, static=0.0, theta=theta
            ).min(axis=0)
            for part in np.array_split(moved, 20)
        ]
    )
    gaps = np.minimum(least, 0.0) + static
    train = ValveTrain(INTAKE.geometry, INTAKE.curve, 18.0, 2.9, tolerance)
    contact = contact_at(gap_curve(train), offset, offset_sd)
    assert contact.probability == pytest.approx((gaps < 0).mean(), abs=0.005)
    assert contact.bend == pytest.approx((gaps < -0.3).mean(), abs=0.005)
    assert contact.gap_ci95_mm == pytest.approx(tuple(np.quantile(gaps, [0.025, 0.975])), abs=0.02)


# ORIGIN: closed form: at an exact offset the chance is the normal tail of gap over tolerance.
def test_chance_at_an_exact_offset_is_a_normal_tail():
    from scipy.stats import norm

    curve = gap_curve(INTAKE)
    for offset in (-50.0, -36.0, -33.0, -30.0, 0.0):
        gap = least_gap_mm(np.array([offset]), INTAKE)[0][0]
        assert contact_at(curve, offset).probability == pytest.approx(norm.cdf(-gap / 0.25), abs=2e-3)


def test_chance_without_tolerance_is_all_or_nothing():
    exact = gap_curve(ValveTrain(INTAKE.geometry, INTAKE.curve, 18.0, 2.9, 0.0))
    assert contact_at(exact, -60.0).probability == 1.0
    assert contact_at(exact, 0.0).probability == 0.0


def test_million_draws_over_the_cycle_agree_and_take_under_a_second():
    curve = gap_curve(INTAKE)
    rng = np.random.default_rng(5)
    started = time.perf_counter()
    gaps = draw_gaps(curve, -33.0, 2.0, draws=1_000_000, rng=rng)
    took_s = time.perf_counter() - started
    assert (gaps < 0).mean() == pytest.approx(contact_at(curve, -33.0, 2.0).probability, abs=0.003)
    assert took_s < 1.0


@given(st.floats(-90, 90), st.floats(0, 10))
def test_touch_and_bend_split_the_chance(offset, offset_sd):
    contact = contact_at(gap_curve_kept(), offset, offset_sd)
    assert 0 <= contact.bend <= contact.probability <= 1
    assert contact.touch == pytest.approx(contact.probability - contact.bend)
    assert contact.gap_ci95_mm[0] <= contact.gap_ci95_mm[1]


KEPT: list = []


def gap_curve_kept():
    if not KEPT:
        KEPT.append(gap_curve(INTAKE))
    return KEPT[0]


# ------------------------------------------------------------------------------------------------- how far to go


# ORIGIN: root of the brute-force gap by bisection.
@pytest.mark.parametrize("late", [False, True])
def test_offset_of_contact_is_where_brute_force_reaches_nothing(late):
    lengths = {"stroke": 79.5, "rod": 144.0, "opens": 350.0, "closes": 590.0, "top": 9.8, "tilt": 18.0, "static": 2.9}
    found = offset_of_contact_deg(gap_curve(INTAKE), late)
    step = 0.05 if late else -0.05
    assert found is not None
    assert brute_force_mm(found - step, **lengths).min() > 0 > brute_force_mm(found + step, **lengths).min()


def test_offset_of_contact_is_none_where_valves_never_reach():
    deep = ValveTrain(INTAKE.geometry, INTAKE.curve, 18.0, 12.0, 0.25)
    assert offset_of_contact_deg(gap_curve(deep), late=False) is None


def test_worst_place_of_a_phaser_is_at_an_end_or_between():
    curve = gap_curve(INTAKE)
    assert worst_between(curve, 0.0, -30.0) == -30.0
    assert curve.gap_at(np.array([worst_between(curve, -170.0, -60.0)]))[0] == pytest.approx(
        min(curve.gap_at(np.array([d]))[0] for d in np.arange(-170.0, -59.9, 0.5)), abs=1e-9
    )
