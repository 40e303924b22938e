"""The twin's sensors and recorders: when edges pass, what volts they make, what the recorder keeps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tightside.records import CamPattern, WheelPattern
from tightside.twin.crossings import find_passes
from tightside.twin.motion import DT_S, Motion
from tightside.twin.recorder import listed, sampled
from tightside.twin.scene import Recorder, Sensor
from tightside.twin.sensors import (
    Switching,
    Turning,
    cam_target,
    coil_volts,
    crank_target,
    find_switching,
    hall_volts,
    with_extra,
    without,
)

CLEAN = Sensor(jitter_deg=0.0, jitter_s=0.0, delay_s=0.0)
QUIET = Recorder(noise_v=0.0, bits=16)


def wheel(kind: str = "hall", active: str = "falling") -> WheelPattern:
    return WheelPattern(name="60-2", angles_deg=np.arange(58) * 6.0, position_0_deg=84.0, active_edge=active, kind=kind)  # type: ignore[arg-type]


def steady(rpm: float, seconds: float = 1.0) -> Turning:
    t = np.arange(round(seconds / DT_S) + 2) * DT_S
    return Turning(angle_deg=10.0 + 6.0 * rpm * t, speed_deg_s=np.full(len(t), 6.0 * rpm))


def motion_of(turning: Turning) -> Motion:
    none = np.empty(0)
    return Motion(
        angle_deg=turning.angle_deg,
        speed_deg_s=turning.speed_deg_s,
        firing=none,
        burning=none,
        starter=np.zeros(len(turning.angle_deg)),
    )


# --------------------------------------------------------------------------------------------------------- passes


def test_passes_at_constant_acceleration_agree_with_the_closed_form() -> None:
    t = np.arange(round(0.5 / DT_S) + 2) * DT_S
    speed0, gain = 300.0, 4000.0
    passes = find_passes(speed0 * t + gain * t**2 / 2, speed0 + gain * t, np.array([5.0, 125.0, 245.0]), 360.0)
    levels = passes.turn * 360.0 + np.array([5.0, 125.0, 245.0])[passes.edge]
    expected = (-speed0 + np.sqrt(speed0**2 + 2 * gain * levels)) / gain
    assert len(levels) == 6
    assert passes.times_s == pytest.approx(expected, abs=1e-9)
    assert passes.speed_deg_s == pytest.approx(speed0 + gain * expected, rel=1e-6)


def test_passes_when_rocking_back_come_again_backward() -> None:
    t = np.arange(round(1.0 / DT_S) + 2) * DT_S
    passes = find_passes(20.0 * np.sin(2 * np.pi * t), 40 * np.pi * np.cos(2 * np.pi * t), np.array([10.0]), 360.0)
    expected = np.array([1 / 12, 5 / 12])
    assert passes.times_s == pytest.approx(expected, abs=1e-8)
    assert passes.forward.tolist() == [True, False]


# ----------------------------------------------------------------------------------------------------------- coil


def test_coil_amplitude_grows_in_proportion_to_speed() -> None:
    # Faraday: a coil gives the rate of change of flux, here slope times speed.
    target = crank_target(wheel("vr"), CLEAN, 0.0, np.random.default_rng(0))
    speeds = np.array([150.0, 300.0, 1200.0])
    peaks = [np.abs(coil_volts(target, CLEAN, steady(r), 500e3, 400_000)).max() for r in speeds]
    assert np.array(peaks) / speeds == pytest.approx(peaks[0] / speeds[0], rel=0.002)
    assert peaks[2] == pytest.approx(4.0 * 1.2, rel=0.15)


@pytest.mark.parametrize("active", ["falling", "rising"])
def test_coil_crosses_zero_in_the_active_direction_at_tooth_centres(active: str) -> None:
    rate_hz, rpm = 1e6, 1000.0
    target = crank_target(wheel("vr", active), CLEAN, 0.0, np.random.default_rng(0))
    volts = coil_volts(target, CLEAN, steady(rpm), rate_hz, 900_000) * (1 if active == "rising" else -1)
    at = np.flatnonzero((volts[:-1] < 0) & (volts[1:] >= 0))
    angle = 10.0 + 6.0 * rpm * (at + volts[at] / (volts[at] - volts[at + 1])) / rate_hz
    off = (angle - 84.0 + 3.0) % 6.0 - 3.0
    turns = 0.9 * rpm / 60
    assert len(at) == pytest.approx(58 * turns, abs=2)
    assert np.median(np.abs(off)) < 0.01
    assert np.abs(off).max() < 0.35  # beside the gap stray flux moves the crossing


def test_coil_swings_most_slowly_through_the_gap() -> None:
    target = crank_target(wheel("vr"), CLEAN, 0.0, np.random.default_rng(0))
    volts = coil_volts(target, CLEAN, steady(1000.0), 1e6, 120_000)
    down = np.flatnonzero((volts[:-1] > 0) & (volts[1:] <= 0))
    gaps = np.diff(down)
    assert gaps.max() / np.median(gaps) == pytest.approx(3.0, abs=0.1)


def test_coil_levels_agree_with_the_zero_crossings_of_its_volts() -> None:
    target = crank_target(wheel("vr"), CLEAN, 0.0, np.random.default_rng(0))
    turning = steady(1000.0)
    signal = find_switching(target, CLEAN, turning, np.random.default_rng(1))
    volts = coil_volts(target, CLEAN, turning, 1e6, 900_000)
    down = np.flatnonzero((volts[:-1] > 0) & (volts[1:] <= 0)) / 1e6
    falls = signal.times_s[~signal.high]
    assert falls[falls < 0.899] == pytest.approx(down[down < 0.899], abs=3e-6)


# ----------------------------------------------------------------------------------------------------------- hall


def test_hall_rise_takes_the_time_that_was_asked_for() -> None:
    sensor = replace(CLEAN, low_v=0.0, high_v=5.0, rise_s=100e-6, fall_s=20e-6)
    signal = Switching(times_s=np.array([0.001, 0.005]), high=np.array([True, False]))
    volts = hall_volts(signal, sensor, 1e7, 80_000)
    t = np.arange(80_000) / 1e7
    up = t < 0.005
    rise = np.interp(4.5, volts[up], t[up]) - np.interp(0.5, volts[up], t[up])
    fall = np.interp(-0.5, -volts[~up], t[~up]) - np.interp(-4.5, -volts[~up], t[~up])
    assert rise == pytest.approx(100e-6, rel=0.01)
    assert fall == pytest.approx(20e-6, rel=0.01)


def test_hall_edges_stand_where_the_pattern_says() -> None:
    pattern = CamPattern(cam="1A", edges_deg=np.array([30.0, 62.0, 400.0, 500.0]), rising=np.array([1, 0, 1, 0], bool))
    target = cam_target(pattern, "hall", CLEAN, np.random.default_rng(0))
    signal = find_switching(target, CLEAN, steady(600.0), np.random.default_rng(1))
    angle = (10.0 + 3600.0 * signal.times_s) % 720.0
    place = np.searchsorted(pattern.edges_deg - 1.0, angle) - 1
    assert len(angle) == 20
    assert angle == pytest.approx(pattern.edges_deg[place], abs=1e-5)
    assert np.array_equal(signal.high, pattern.rising[place])


def test_runout_moves_edges_once_a_turn_by_its_amplitude() -> None:
    bent = replace(CLEAN, runout_deg=0.15, runout_phase_deg=40.0)
    straight, real = (crank_target(wheel(), s, 0.0, np.random.default_rng(0)) for s in (CLEAN, bent))
    off = np.sort(real.edges_deg) - np.sort(straight.edges_deg)
    expected = 0.15 * np.sin(np.radians(straight.edges_deg + 40.0))
    assert off == pytest.approx(expected, abs=1e-6)


def test_missing_takes_out_whole_pulses_and_extra_puts_short_ones_in() -> None:
    target = crank_target(wheel(), CLEAN, 0.0, np.random.default_rng(0))
    turning = steady(1200.0, 5.0)
    whole = find_switching(target, CLEAN, turning, np.random.default_rng(1))
    lossy = find_switching(target, replace(CLEAN, missing=0.05), turning, np.random.default_rng(1))
    lost = (len(whole.times_s) - len(lossy.times_s)) / len(whole.times_s)
    assert lost == pytest.approx(0.05, abs=0.01)
    assert np.all(np.diff(lossy.high.astype(int)) != 0)
    more = with_extra(whole, replace(CLEAN, extra_per_s=20.0), 5.0, np.random.default_rng(2))
    assert 100 <= len(more.times_s) - len(whole.times_s) <= 300
    assert np.all(np.diff(more.high.astype(int)) != 0)


def test_lost_wire_hangs_at_its_level() -> None:
    signal = find_switching(
        crank_target(wheel(), CLEAN, 0.0, np.random.default_rng(0)), CLEAN, steady(600.0), np.random.default_rng(1)
    )
    cut = without(signal, ((0.3, 0.6),))
    assert not np.any((cut.times_s > 0.3) & (cut.times_s < 0.6))
    assert np.all(np.diff(cut.high.astype(int)) != 0)


# ------------------------------------------------------------------------------------------------------- recorder


def test_converter_steps_and_clips_at_its_span() -> None:
    turning = steady(600.0, 0.1)
    trace = sampled(np.linspace(-12.0, 12.0, 5000), replace(QUIET, bits=8, span_v=10.0), motion_of(turning), _rng())
    values = trace.values()
    assert values.min() == -10.0
    assert values.max() == pytest.approx(10.0 - 20.0 / 256)
    inside = slice(600, 4400)
    assert np.abs(values[inside] - np.linspace(-12.0, 12.0, 5000)[inside]).max() < 0.0401


def test_ac_coupling_forgets_a_level_with_its_time_constant() -> None:
    volts = np.full(100_000, 5.0)
    volts[:10] = 0.0
    recorder = replace(QUIET, rate_hz=10e3, coupling_hz=1.0)
    seen = sampled(volts, recorder, motion_of(steady(600.0, 0.1)), _rng()).values()
    tau = round(10e3 / (2 * np.pi))
    assert seen[10 + tau] == pytest.approx(5.0 / np.e, rel=0.01)


def test_noise_has_the_standard_deviation_that_was_asked_for() -> None:
    trace = sampled(np.zeros(200_000), replace(QUIET, noise_v=0.2), motion_of(steady(600.0, 0.1)), _rng())
    assert trace.values().std() == pytest.approx(0.2, rel=0.01)


def test_edge_list_times_are_ticks_and_too_short_pulses_vanish() -> None:
    times = np.array([0.00103, 0.00107, 0.0025, 0.0041])
    signal = Switching(times_s=times, high=np.array([True, False, True, False]))
    data = listed(signal, Recorder(kind="edges", resolution_s=1e-3), 0.01)
    assert data.times_s == pytest.approx([0.002, 0.004])
    assert data.levels.tolist() == [1, 0]


def _rng() -> np.random.Generator:
    return np.random.default_rng(0)
