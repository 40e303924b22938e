"""The crank clock between teeth, held to crank motion in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tightside.records import CrankClock, ToothTrack
from tightside.signals.clock import angle_at, clock_error_deg, make_clock, rpm_of, time_at
from turning import ANGLES, REPEAT_DEG, Turning, teeth_passed, wheel_named

CRANKING = Turning(rpm=220.0, ripple=0.35, per_turn=2.0)
# Largest error between teeth in this motion. What a wheel leaves grows with its longest interval.
MOST_OFF_DEG = {"60-2": 0.05, "36-1": 0.05, "36-2-2-2": 0.3, "12+1": 0.3, "uneven 4": 11.0, "even 24": 0.04}


def clock_of(name: str, turning: Turning = CRANKING, turns: float = 8.0) -> CrankClock:
    _, angle = teeth_passed(ANGLES[name], turns)
    track = ToothTrack(times_s=turning.time_s(angle), turn_deg=angle, segment=np.zeros(len(angle), np.int64))
    return make_clock(track, wheel_named(name))


def between(clock: CrankClock, per_turn: int = 720) -> np.ndarray:
    """Angles spread over the clock, its first and last two intervals left out."""
    first, last = clock.angle_deg[2], clock.angle_deg[-3]
    return np.arange(first, last, 360.0 / per_turn)


def two_segments() -> CrankClock:
    _, angle = teeth_passed(ANGLES["60-2"], 3.0)
    times = CRANKING.time_s(angle)
    track = ToothTrack(
        times_s=np.concatenate((times, times + 5.0)),
        turn_deg=np.concatenate((angle, angle)),
        segment=np.repeat([0, 1], len(angle)),
    )
    return make_clock(track, wheel_named("60-2"))


@pytest.mark.parametrize("name", ANGLES)
def test_angle_at_while_cranking_follows_the_closed_form(name):
    clock = clock_of(name)
    angle = between(clock)
    got, _, segment = angle_at(clock, CRANKING.time_s(angle))
    assert np.abs(got - angle).max() <= MOST_OFF_DEG[name]
    assert np.all(segment == 0)


@pytest.mark.parametrize("name", ANGLES)
def test_angle_at_while_cranking_beats_straight_lines(name):
    # four pulses a turn cannot show two swings a turn to any interpolation: there one swing a turn
    turning = Turning(rpm=220.0, ripple=0.35, per_turn=1.0) if name == "uneven 4" else CRANKING
    clock = clock_of(name, turning)
    angle = between(clock)
    times = turning.time_s(angle)
    curved = angle_at(clock, times)[0] - angle
    straight = np.interp(times, clock.times_s, clock.angle_deg) - angle
    factor = 1.3 if name == "uneven 4" else 2.5
    assert np.abs(straight).max() > factor * np.abs(curved).max()
    assert np.sqrt(np.mean(straight**2)) > factor * np.sqrt(np.mean(curved**2))


@pytest.mark.parametrize("name", ANGLES)
def test_angle_at_a_tooth_is_the_tooths_own_angle(name):
    clock = clock_of(name)
    got, _, _ = angle_at(clock, clock.times_s[:-1])
    assert got == pytest.approx(clock.angle_deg[:-1], abs=1e-9)


@pytest.mark.parametrize("name", ANGLES)
def test_angle_at_increases_all_the_way(name):
    clock = clock_of(name)
    times = np.linspace(clock.times_s[0], clock.times_s[-1], 20_000)[:-1]
    angle, speed, _ = angle_at(clock, times)
    assert np.all(np.diff(angle) > 0.0)
    assert np.all(speed > 0.0)


def test_angle_at_gives_the_speed_of_the_closed_form():
    clock = clock_of("60-2")
    angle = between(clock)
    _, speed, _ = angle_at(clock, CRANKING.time_s(angle))
    truth = 6.0 * CRANKING.rpm / (1.0 + CRANKING.ripple / 2.0 * np.cos(np.deg2rad(CRANKING.per_turn * angle)))
    assert speed == pytest.approx(truth, rel=0.03)


@pytest.mark.parametrize("name", ANGLES)
def test_time_at_undoes_angle_at(name):
    clock = clock_of(name)
    times = np.linspace(clock.times_s[0], clock.times_s[-1], 3_000)[1:-1]
    back = time_at(clock, angle_at(clock, times)[0], 0)
    assert back == pytest.approx(times, abs=1e-7)


def test_time_at_in_each_segment_stays_in_it():
    clock = two_segments()
    angle = np.array([100.0, 363.0, 700.0])
    first, second = time_at(clock, angle, 0), time_at(clock, angle, 1)
    assert second - first == pytest.approx(np.full(3, 5.0), abs=1e-7)
    assert np.all(np.isnan(time_at(clock, np.array([-1.0, 5000.0]), 0)))
    assert np.all(np.isnan(time_at(clock, angle, 7)))


def test_angle_at_outside_and_between_segments_is_nan():
    clock = two_segments()
    end, start = clock.times_s[clock.segment == 0][-1], clock.times_s[clock.segment == 1][0]
    silent = np.array([clock.times_s[0] - 0.01, (end + start) / 2.0, end + 1e-6, clock.times_s[-1] + 0.01])
    angle, speed, segment = angle_at(clock, silent)
    assert np.all(np.isnan(angle)) and np.all(np.isnan(speed))
    assert np.all(segment == -1)
    inside, _, segment = angle_at(clock, np.array([end - 1e-4, start + 1e-4]))
    assert np.all(np.isfinite(inside))
    assert segment.tolist() == [0, 1]


def test_angle_at_across_a_long_dropout_is_nan():
    _, angle = teeth_passed(ANGLES["60-2"], 6.0)
    keep = (angle < 800.0) | (angle > 900.0)
    angle = angle[keep]
    track = ToothTrack(times_s=CRANKING.time_s(angle), turn_deg=angle, segment=np.zeros(len(angle), np.int64))
    clock = make_clock(track, wheel_named("60-2"))
    got, _, _ = angle_at(clock, CRANKING.time_s(np.array([790.0, 850.0, 910.0])))
    assert np.isfinite(got).tolist() == [True, False, True]


@pytest.mark.parametrize("count", [0, 1])
def test_angle_at_without_two_teeth_is_nan(count):
    track = ToothTrack(times_s=np.zeros(count), turn_deg=np.zeros(count), segment=np.zeros(count, np.int64))
    clock = make_clock(track, wheel_named("60-2"))
    assert np.all(np.isnan(angle_at(clock, np.array([0.0, 1.0]))[0]))
    assert np.all(np.isnan(time_at(clock, np.array([0.0]), 0)))
    assert len(rpm_of(clock)) == 0


def test_make_clock_adds_the_wheels_place_and_repeat():
    wheel = wheel_named("36-2-2-2")
    clock = clock_of("36-2-2-2")
    assert clock.repeat_deg == REPEAT_DEG["36-2-2-2"]
    assert clock.angle_deg[0] == wheel.position_0_deg
    assert clock.position_known == wheel.position_known


@pytest.mark.parametrize("name", ANGLES)
def test_rpm_of_takes_cranking_ripple_out(name):
    assert rpm_of(clock_of(name)) == pytest.approx(CRANKING.rpm, rel=1e-6)


@pytest.mark.parametrize("name", ["60-2", "36-1", "even 24"])
def test_clock_error_deg_of_jitter_is_of_its_size(name):
    """Angle errors of 0.2 deg at the teeth: between teeth some 0.1 to 0.25 deg can be off."""
    rng = np.random.default_rng(5)
    _, angle = teeth_passed(ANGLES[name], 20.0)
    running = Turning(rpm=900.0, ripple=0.0)
    times = running.time_s(angle) + rng.normal(0.0, 0.2, len(angle)) / (6.0 * 900.0)
    track = ToothTrack(times_s=times, turn_deg=angle, segment=np.zeros(len(angle), np.int64))
    clock = make_clock(track, wheel_named(name))
    said = clock_error_deg(clock)
    true_times = running.time_s(between(clock))
    off = angle_at(clock, true_times)[0] - between(clock)
    really = float(np.sqrt(np.mean(off**2)))
    assert 0.25 * really < said < 2.0 * really


def test_clock_error_deg_grows_from_fine_to_coarse_wheels():
    errors = [clock_error_deg(clock_of(name)) for name in ("60-2", "even 24", "12+1", "uneven 4")]
    assert errors == sorted(errors)
    assert errors[0] < 0.02


def test_clock_error_deg_of_too_few_teeth_is_a_whole_degree():
    assert clock_error_deg(clock_of("60-2", turns=0.05)) == 1.0


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from(sorted(ANGLES)),
    shift=st.floats(-100.0, 100.0),
    stretch=st.floats(0.1, 10.0),
)
def test_clock_shifted_and_stretched_in_time_keeps_its_angles(name, shift, stretch):
    clock = clock_of(name, turns=3.0)
    track = ToothTrack(
        times_s=clock.times_s * stretch + shift,
        turn_deg=clock.angle_deg,
        segment=np.zeros(len(clock.times_s), np.int64),
    )
    other = make_clock(track, wheel_named(name))
    times = np.linspace(clock.times_s[0], clock.times_s[-1], 200)[1:-1]
    one, speed, _ = angle_at(clock, times)
    two, slower, _ = angle_at(other, times * stretch + shift)
    assert two == pytest.approx(one, abs=1e-5)
    assert slower * stretch == pytest.approx(speed, rel=1e-4)
