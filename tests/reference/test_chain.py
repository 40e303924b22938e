"""Sprockets and chains against published tables, and our own derivations against geometry done another way."""

from math import acos, hypot, inf, pi, sin

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from tightside.engine.chain import (
    bowed_length_mm,
    cam_deg_from_shaft_deg,
    chordal_variation,
    guide_piece_to_jump_mm,
    late_from_elongation,
    late_from_guide_wear,
    late_from_strand,
    length_pitches,
    lift_from_slack_mm,
    pitch_diameter_mm,
    realignment_turns,
    slack_to_climb_mm,
    slack_to_lift_mm,
    tooth_height_range_mm,
    tooth_pitch_deg,
)
from tightside.records import DriveStage


# ORIGIN: table of pitch diameters for 1-inch chain, www.tandwiel.info/en/gears/pitch-diameter-of-roller-chain-wheels/.
@pytest.mark.parametrize(
    ("teeth", "diameter_mm"),
    [(17, 138.23), (18, 146.27), (19, 154.32), (20, 162.37), (36, 291.43), (38, 307.58), (40, 323.74)],
)
def test_pitch_diameter_of_inch_chain_matches_the_published_table(teeth, diameter_mm):
    assert pitch_diameter_mm(25.4, teeth) == pytest.approx(diameter_mm, abs=0.006)


# ORIGIN: plain arithmetic on ISO 606, d = p / sin(pi / N).
@pytest.mark.parametrize(
    ("pitch", "teeth", "diameter", "tol"),
    [
        (1, 18, 5.75877, 1e-5),
        (1, 19, 6.07553, 1e-5),
        (1, 36, 11.47371, 1e-5),
        (1, 38, 12.10957, 1e-5),
        (9.525, 19, 57.870, 1e-3),
        (9.525, 38, 115.344, 1e-3),
        (8.0, 18, 46.070, 1e-3),
        (8.0, 36, 91.790, 1e-3),
    ],
)
def test_pitch_diameter_matches_hand_sums(pitch, teeth, diameter, tol):
    assert pitch_diameter_mm(pitch, teeth) == pytest.approx(diameter, abs=tol)


# ORIGIN: plain arithmetic, 360 / crank teeth = 720 / cam teeth in a 2:1 drive.
@pytest.mark.parametrize(("driver", "driven", "pitch_deg"), [(19, 38, 18.947), (18, 36, 20.000), (21, 42, 17.143)])
def test_tooth_of_a_single_stage_matches_hand_sums(driver, driven, pitch_deg):
    assert tooth_pitch_deg([DriveStage(driver, driven)]) == pytest.approx(pitch_deg, abs=1e-3)


# ORIGIN: by hand, 24/36 then 24/32: a tooth of 32 is 11.25 cam deg; one of 36 turns the idler 10 deg, 7.5 at
# the cam.
def test_tooth_of_two_stages_matches_hand_sums():
    stages = [DriveStage(24, 36), DriveStage(24, 32)]
    assert tooth_pitch_deg(stages) == pytest.approx(22.5, abs=1e-12)
    assert tooth_pitch_deg(stages, 1) == pytest.approx(22.5, abs=1e-12)
    assert tooth_pitch_deg(stages, 0) == pytest.approx(15.0, abs=1e-12)
    assert cam_deg_from_shaft_deg(stages, 0) == pytest.approx(1.5, abs=1e-12)


# ORIGIN: Shigley's polygon-effect formula (from memory), plain arithmetic.
@pytest.mark.parametrize(("teeth", "per_cent"), [(17, 1.7124), (38, 0.3419)])
def test_chordal_variation_matches_hand_sums(teeth, per_cent):
    assert 100 * chordal_variation(teeth) == pytest.approx(per_cent, abs=1e-4)


# ORIGIN: our derivation, plain arithmetic: half a per cent over 30 pitches on a 38-tooth cam.
def test_lateness_of_a_worn_chain_matches_hand_sums():
    assert late_from_elongation(0.005, 30, 38) == pytest.approx(2.839, abs=1e-3)
    assert late_from_elongation(0.005, 30, 38) == pytest.approx(0.005 * 30 * 720 / 38, rel=0.002)


# ORIGIN: math.lcm.
@pytest.mark.parametrize(
    ("links", "driver", "driven", "turns"), [(126, 18, 36, 14), (127, 18, 36, 254), (152, 19, 38, 8)]
)
def test_marks_meet_again_after_the_turns_of_the_least_common_multiple(links, driver, driven, turns):
    assert realignment_turns(links, driver, driven) == turns


# ORIGIN: counting it out: turn the crank, look whether all three marks stand as at first.
@given(st.integers(30, 90), st.integers(9, 14), st.integers(18, 28))
def test_marks_meet_again_when_counted_out_turn_by_turn(links, driver, driven):
    turns = next(n for n in range(1, 10**6) if (n * driver) % links == 0 and (n * driver) % driven == 0)
    assert realignment_turns(links, driver, driven) == turns


# ORIGIN: the exact length of an open belt around two circles of the same circumference in pitches.
@pytest.mark.parametrize(("centre", "driver", "driven"), [(200.0, 19, 38), (150.0, 18, 36), (300.0, 21, 42)])
def test_length_in_pitches_matches_an_exact_open_belt(centre, driver, driven):
    pitch = 8.0
    r1, r2 = driver * pitch / (2 * pi), driven * pitch / (2 * pi)
    straight = (centre**2 - (r2 - r1) ** 2) ** 0.5
    half = acos((r2 - r1) / centre)
    exact = 2 * straight + 2 * half * r1 + 2 * (pi - half) * r2
    assert length_pitches(centre, pitch, driver, driven) == pytest.approx(exact / pitch, rel=1e-4)


def test_length_in_pitches_of_equal_sprockets_is_two_strands_and_one_sprocket():
    assert length_pitches(80.0, 8.0, 20, 20) == 40.0


def test_elongation_and_a_long_strand_are_the_same_thing():
    assert late_from_elongation(0.004, 25, 42) == pytest.approx(late_from_strand(0.004 * 25 * 8.0, 8.0, 42), rel=1e-12)


# ORIGIN: closed forms: a flat arc is 8 b^2 / 3 s longer than its chord; a half circle is pi/2 times it.
def test_bowed_strand_matches_closed_forms():
    assert bowed_length_mm(200.0, 2.0) - 200 == pytest.approx(8 * 4 / 600, rel=1e-3)
    assert bowed_length_mm(200.0, 100.0) == pytest.approx(100 * pi, rel=1e-9)
    assert bowed_length_mm(200.0, 0.0) == 200.0


def test_guide_wear_is_late_and_stops_when_the_strand_is_straight():
    late = [late_from_guide_wear(w, 180.0, 8.0, pitch_mm=8.0, driven_teeth=42) for w in (0.0, 1.0, 4.0, 8.0, 12.0)]
    assert late[0] == 0.0
    assert late == sorted(late)
    assert (
        late[3] == late[4] == pytest.approx((bowed_length_mm(180, 8) - 180) * 720 / (pi * 8 / sin(pi / 42)), rel=1e-9)
    )


def polygon_excess_mm(lift_mm: float, radius_mm: float) -> float:
    """Way over a raised point less the way around: half a turn of a taut string as the hull of many points."""
    angles = np.linspace(-pi / 2, pi / 2, 100_001)
    points = np.column_stack([radius_mm * np.cos(angles), radius_mm * np.sin(angles)])
    hull = ConvexHull(np.vstack([points, [radius_mm + lift_mm, 0.0]]))
    return hull.area - 2 * radius_mm - pi * radius_mm  # in the plane scipy's "area" is the perimeter


# ORIGIN: the same way measured on a polygon of 100,000 chords (convex hull by qhull).
@pytest.mark.parametrize(("lift", "radius"), [(1.0, 20.0), (4.5, 26.8), (5.0, 53.5)])
def test_slack_to_lift_matches_a_polygon(lift, radius):
    assert slack_to_lift_mm(lift, radius) == pytest.approx(polygon_excess_mm(lift, radius), abs=2e-3)


@given(st.floats(0.05, 15), st.floats(10, 100))
def test_lift_and_slack_are_inverses(lift, radius):
    assert lift_from_slack_mm(slack_to_lift_mm(lift, radius), radius) == pytest.approx(lift, rel=1e-4)


# ORIGIN: ISO 606 tooth form (from memory): 0.625 p at most; 8 mm pitch gives 5.0 mm.
def test_tooth_height_of_an_eight_mm_chain():
    low, high = tooth_height_range_mm(8.0, 20)
    assert high == 5.0
    assert low == pytest.approx(3.68, abs=1e-9)


def test_climbing_may_begin_well_before_it_must():
    may, must = slack_to_climb_mm(8.0, 21, tooth_height_mm=4.5, wrap_deg=170.0)
    assert 0 < may < must
    assert must == pytest.approx(4.5 * 170 * pi / 180)


@given(st.floats(0, 6), st.floats(2, 6))
def test_guide_piece_needed_shrinks_as_slack_grows(slack, height):
    thick = guide_piece_to_jump_mm(8.0, 21, tooth_height_mm=height)
    thinner = guide_piece_to_jump_mm(8.0, 21, tooth_height_mm=height, slack_mm=slack)
    assert thick == height
    assert 0 <= thinner <= thick
    enough = slack_to_lift_mm(height, pitch_diameter_mm(8.0, 21) / 2) * (1 + 1e-9)
    assert guide_piece_to_jump_mm(8.0, 21, tooth_height_mm=height, slack_mm=enough) == pytest.approx(0, abs=1e-3)


def test_guide_piece_jams_where_the_chain_cannot_come_off():
    assert guide_piece_to_jump_mm(8.0, 21, tooth_height_mm=4.5, slack_mm=0.5, tensioner_gives_mm=0.5) == inf


@given(st.integers(8, 60), st.floats(3, 30))
def test_pitch_polygon_closes(teeth, pitch):
    radius = pitch_diameter_mm(pitch, teeth) / 2
    angle = 2 * pi / teeth
    chord = hypot(radius * (1 - np.cos(angle)), radius * np.sin(angle))
    assert chord == pytest.approx(pitch, rel=1e-9)
