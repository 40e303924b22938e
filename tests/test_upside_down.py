"""A crank signal read upside down: by how much every angle is then off, and what the cams make of it."""

from __future__ import annotations

import numpy as np
import pytest

from cam_signals import PITCH_DEG, cycles_of, pattern_of
from tightside.records import EdgeTrain, ToothTrack, WheelPattern
from tightside.signals.clock import make_clock
from tightside.signals.upside_down import angle_too_large_deg
from tightside.timing.judge import CamEvidence, judge_cams

SPEED_DEG_S = 6.0 * 700.0
WIDTH_DEG = 2.4


def wheel_signal(missing, tooth_is_high, active="falling", turns=20):
    """A 60-tooth wheel at even speed: its train, pattern and clock. Every tooth is WIDTH_DEG wide."""
    places = np.array([p for p in range(60) if p not in missing]) * 6.0
    lead = (np.arange(turns)[:, None] * 360.0 + places[None, :]).ravel() + 10.0
    angle = np.sort(np.concatenate((lead, lead + WIDTH_DEG)))
    rising = np.tile([tooth_is_high, not tooth_is_high], len(lead))
    train = EdgeTrain("crank", angle / SPEED_DEG_S, rising, kind="hall", end_s=turns * 360.0 / SPEED_DEG_S)
    wheel = WheelPattern("60-2", places - places[0], 0.0, active)
    mine = angle[rising == (active == "rising")]
    track = ToothTrack(mine / SPEED_DEG_S, mine - mine[0], np.zeros(len(mine), np.int64))
    return train, wheel, make_clock(track, wheel)


@pytest.mark.parametrize(("tooth_is_high", "expected"), [(True, -WIDTH_DEG), (False, WIDTH_DEG)])
def test_gap_shows_on_which_side_of_the_active_edge_the_tooth_is(tooth_is_high, expected):
    # high teeth: the fall that is taken for the active edge ends the tooth, the other edge is the rise before it
    found = angle_too_large_deg(*wheel_signal((58, 59), tooth_is_high))
    assert found == (pytest.approx(expected, abs=0.02),)


def test_even_wheel_leaves_both_sides_open():
    found = sorted(angle_too_large_deg(*wheel_signal((), True)))
    assert found == [pytest.approx(-WIDTH_DEG, abs=0.02), pytest.approx(6.0 - WIDTH_DEG, abs=0.02)]


def test_coil_that_shows_its_steep_crossing_is_never_doubted():
    train, wheel, clock = wheel_signal((58, 59), True)
    coil = EdgeTrain("crank", train.times_s, train.rising, kind="vr", sharper="falling")
    assert angle_too_large_deg(coil, wheel, clock) == ()


# ------------------------------------------------------------------------------------------------ what the cams say


def judged(turned_deg, offsets, **pattern):
    rng = np.random.default_rng(3)
    cams = []
    for cam, at in offsets.items():
        p = pattern_of(cam, **pattern)
        cams.append(CamEvidence(p, cycles_of(at + 0.05 * rng.standard_normal(40), p), "", 0.0, 40.0))
    return {c.cam: c for c in judge_cams(tuple(cams), 360.0, turned_deg)}


def test_cams_off_alike_by_a_tooths_width_are_put_right_and_it_is_said():
    found = judged((-4.0,), {"1A": -4.0, "1B": -4.1, "2A": -3.9, "2B": PITCH_DEG - 4.0})
    assert [found[c].teeth_call for c in ("1A", "1B", "2A", "2B")] == [0, 0, 0, 1]
    assert found["1A"].offset_deg == pytest.approx(0.0, abs=0.1)
    assert any("upside down" in note for note in found["1A"].notes)


def test_cams_in_time_are_left_where_they_are():
    found = judged((-4.0,), {"1A": 0.3, "2A": -0.2})
    assert found["1A"].offset_deg == pytest.approx(0.3, abs=0.1)
    assert found["1A"].ci95_deg[0] > -1.0
    assert not found["1A"].notes


def test_narrow_tooth_is_not_held_against_cams_in_time():
    found = judged((1.1,), {"1A": 0.1, "1B": -0.2})
    assert found["1A"].offset_deg == pytest.approx(0.1, abs=0.1)
    assert not found["1A"].notes


def test_lateness_that_wear_explains_as_well_widens_the_interval_over_both_readings():
    cam = judged((2.5,), {"1A": 2.5, "1B": 2.5})["1A"]
    assert cam.ci95_deg[0] <= 0.0
    assert cam.ci95_deg[1] >= 2.5
    assert cam.teeth_call == 0
