"""Verdicts from slow logs: hand-built ones with known truth, what must be withheld, and what is wrong with a signal."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phase_logs import PITCH_DEG, answer, autoregressive, idle, log_of, pattern, sampled, steps
from tightside.records import Channel, Recording, Trace
from tightside.timing.log_convention import Said
from tightside.timing.log_judge import judge_log

SAID = Said("crank", "late")  # of an error: positive is late
ADVANCE = Said("crank", "early")  # of actual and desired


KNOWN = (pattern("1A"), pattern("2A"))


def judged(recording, said=None, known=KNOWN, idle_rpm=680.0):
    found = judge_log(recording, known, said=said, idle_rpm=idle_rpm)
    return found.cams[0], found.phasers[0]


def moved(offset_deg=0.0, *, seconds=60.0, rate_hz=10.0, tau_s=0.3, seed=0, sd=0.2, controlled=False, **more):
    """Actual and desired, counted in advance. ``controlled``: the module takes the offset out away from the stop."""
    rng = np.random.default_rng([seed, 13])
    wanted = steps(seconds, seed, more.get("places", (0.0, 20.0, 10.0, 26.0)))
    travel = 30.0
    corrected = np.where(wanted < 1.0, 0.0, np.clip(wanted + offset_deg, 0.0, travel))
    place = corrected if controlled else wanted
    t, seen, actual = sampled(rate_hz, wanted, answer(place, tau_s, 0.1) - offset_deg)
    actual = actual + autoregressive(rng, len(t), 0.4, sd)
    return log_of(
        t, more.get("headings"), actual_1A=np.round(actual, 1), desired_1A=seen, rpm=np.where(seen > 1, 2000.0, 680.0)
    )


# ------------------------------------------------------------------------------------------------------------ verdicts


@pytest.mark.parametrize("teeth", [-2, -1, 0, 1, 2])
@pytest.mark.parametrize("seed", range(3))
def test_steady_error_is_counted_in_teeth(teeth, seed):
    t, error, rpm = idle(seed, teeth * PITCH_DEG)
    cam, _ = judged(log_of(t, error_1A=error, error_2A=idle(seed + 50)[1], rpm=rpm), SAID)
    assert (cam.teeth_call, cam.evidence) == (teeth, "log")
    assert cam.state == ("slipped" if teeth else "in time")
    assert cam.ci95_deg[0] <= teeth * PITCH_DEG <= cam.ci95_deg[1]
    assert sum(p for _, p in cam.teeth) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("controlled", [False, True])
@pytest.mark.parametrize("teeth", [-1, 0, 1, 2])
def test_slip_is_found_though_control_takes_it_out_away_from_the_stop(teeth, controlled):
    cam, phaser = judged(moved(teeth * PITCH_DEG, controlled=controlled))
    assert cam.teeth_call == teeth
    assert cam.offset_deg == pytest.approx(teeth * PITCH_DEG, abs=0.3)
    assert (phaser.unit, phaser.sign) == ("crank", "advance positive")
    assert phaser.state == ("offset" if teeth else "follows")
    if controlled and abs(teeth) == 1:
        assert any("control" in note for note in cam.notes)


@pytest.mark.parametrize(("unit", "scale"), [("crank", 1.0), ("cam", 0.5)])
@pytest.mark.parametrize(("side", "sign"), [("late", 1.0), ("early", -1.0)])
def test_unit_and_side_said_by_hand_are_used(unit, scale, side, sign):
    t, error, rpm = idle(4, PITCH_DEG)
    cam, phaser = judged(log_of(t, "plain", error_1A=sign * scale * error, rpm=rpm), Said(unit, side))
    assert cam.teeth_call == 1
    assert cam.offset_deg == pytest.approx(PITCH_DEG, abs=0.2)
    assert phaser.steady_error_deg == pytest.approx(cam.offset_deg)


def test_interval_widens_with_the_autocorrelation_of_the_readings():
    widths = []
    for rho in (0.0, 0.9):
        t, error, rpm = idle(2, 0.0, rho=rho, sd=1.0)
        cam, _ = judged(log_of(t, error_1A=error, rpm=rpm), SAID)
        widths.append(cam.ci95_deg[1] - cam.ci95_deg[0])
    assert widths[1] > 1.5 * widths[0]


# Of the mean itself: 95 in 100 within counting error, or more, for the tool's rounding is counted on top.
@pytest.mark.parametrize("rho", [0.0, 0.6, 0.9])
def test_interval_holds_the_truth_at_least_as_often_as_it_says(rho):
    held = 0
    for seed in range(60):
        rng = np.random.default_rng([seed, 14])
        level = float(rng.normal(0, 1.0))
        t, error, rpm = idle(seed, level, rho=rho, sd=0.8, seconds=40.0)
        cam, _ = judged(log_of(t, error_1A=error, rpm=rpm), SAID, known=())
        held += cam.ci95_deg[0] <= level <= cam.ci95_deg[1]
    assert held / 60 >= 0.9


# ---------------------------------------------------------------------------------------------------- what is withheld


def test_offset_whose_side_does_not_show_is_not_called():
    t, error, rpm = idle(1, -PITCH_DEG)
    cam, _ = judged(log_of(t, actual_1A=error, desired_1A=np.zeros(len(t)), rpm=rpm))
    assert cam.teeth_call is None and cam.offset_deg is None and cam.state == "not enough data"
    assert any("crank degrees early" in n and "crank degrees late" in n for n in cam.notes)
    assert sum(p for _, p in cam.ways) == pytest.approx(1.0)
    likeliest = max(cam.ways, key=lambda way: way[1])[0]
    assert likeliest == pytest.approx(PITCH_DEG, abs=0.2)  # of actual and desired, most tools count advance up
    assert judged(log_of(t, actual_1A=error, desired_1A=np.zeros(len(t)), rpm=rpm), ADVANCE)[0].teeth_call == 1


def test_offset_whose_unit_does_not_show_is_not_called():
    t, error, rpm = idle(1, PITCH_DEG)
    cam, _ = judged(log_of(t, "plain", error_1A=error, rpm=rpm), Said(None, "late"))
    assert cam.teeth_call is None
    assert any("--phase-unit" in note for note in cam.notes)


def test_cam_in_time_is_in_time_in_every_unit_and_on_every_side():
    t, error, rpm = idle(1, 0.0)
    cam, _ = judged(log_of(t, "plain", error_1A=error, rpm=rpm))
    assert (cam.state, cam.teeth_call) == ("in time", 0)
    assert any("learned" in note for note in cam.notes)


def test_log_under_control_only_does_not_say_in_time():
    assert judged(moved(0.0), ADVANCE)[0].teeth_call == 0
    t, seen, actual = sampled(10.0, *(lambda w: (w, answer(w, 0.3, 0.1)))(8.0 + 0 * steps(60.0)))
    rng = np.random.default_rng(0)
    held = log_of(t, actual_1A=actual + 0.2 * rng.standard_normal(len(t)), desired_1A=seen, rpm=np.full(len(t), 2000.0))
    cam, _ = judged(held, ADVANCE)
    assert cam.teeth_call is None and cam.state == "not enough data"
    assert any("parked" in note for note in cam.notes)


def test_phaser_that_hangs_is_not_called_a_slip():
    rng = np.random.default_rng(0)
    t, seen = sampled(10.0, steps(60.0))
    hung = PITCH_DEG + 0.2 * rng.standard_normal(len(t))
    cam, phaser = judged(log_of(t, actual_1A=hung, desired_1A=seen, rpm=np.full(len(t), 900.0)))
    assert cam.teeth_call is None and phaser.state == "stuck"
    assert phaser.follows_ci95[1] < 0.2 and phaser.response_s is None


@pytest.mark.parametrize("at_deg", [5.0, 9.0, 12.0, 14.5])
def test_early_cam_whose_phaser_was_not_seen_to_move_is_called_only_near_a_tooth(at_deg):
    t, error, rpm = idle(0, -at_deg)
    cam, _ = judged(log_of(t, error_1A=error, rpm=rpm), SAID)
    assert cam.teeth_call != -1


@pytest.mark.parametrize("seed", range(4))
def test_loose_phaser_is_erratic_and_not_counted(seed):
    rng = np.random.default_rng(seed)
    t, _, rpm = idle()
    error = autoregressive(rng, len(t), 0.7, 4.0)
    cam, phaser = judged(log_of(t, error_1A=error, rpm=rpm), SAID)
    assert (cam.state, cam.teeth_call, phaser.state) == ("erratic", None, "wandering")
    assert phaser.wander_deg == pytest.approx(4.0, rel=0.25)
    assert phaser.wander_ci95_deg[0] < phaser.wander_deg < phaser.wander_ci95_deg[1]


def test_slow_phaser_is_slow_and_in_time():
    cam, phaser = judged(moved(0.0, tau_s=0.8, seconds=90.0))
    assert (cam.teeth_call, phaser.state) == (0, "slow")
    assert phaser.response_ci95_s[0] <= 0.8 <= phaser.response_ci95_s[1]


@pytest.mark.parametrize("teeth", [0, 1])
def test_phaser_that_is_never_left_alone_for_long_is_judged_less_surely(teeth):
    rng = np.random.default_rng(2)
    wanted = np.repeat(np.tile([0.0, 12.0, 24.0], 14), 300)  # a new command each 1.5 s
    t, seen, actual = sampled(10.0, wanted, answer(wanted, 0.45, 0.1) - teeth * PITCH_DEG)
    log = log_of(t, actual_1A=actual + 0.2 * rng.standard_normal(len(t)), desired_1A=seen, rpm=np.full(len(t), 900.0))
    cam, _ = judged(log)
    assert cam.ci95_deg[0] <= teeth * PITCH_DEG <= cam.ci95_deg[1]
    assert cam.ci95_deg[1] - cam.ci95_deg[0] > 2.0
    assert cam.teeth_call in (teeth, None)


def test_few_readings_are_a_result_that_says_so():
    t, error, rpm = idle(seconds=0.6)
    cam, phaser = judged(log_of(t, error_1A=error, rpm=rpm), SAID)
    assert (cam.state, phaser.state) == ("not enough data", "cannot tell")
    cam, _ = judged(log_of(t, actual_1A=error, rpm=rpm), SAID)
    assert "only one of actual and desired" in cam.notes[0]


def test_log_without_phase_columns_gives_no_cams():
    found = judge_log(log_of(np.arange(10.0), rpm=np.full(10, 700.0)), (pattern(),))
    assert found.cams == () == found.phasers


def test_standing_engine_is_left_out():
    t, error, rpm = idle(3, 0.0)
    error[:300], rpm[:300] = 60.0, 0.0
    cam, _ = judged(log_of(t, error_1A=error, rpm=rpm), SAID)
    assert cam.teeth_call == 0 and cam.cycles <= 300


def test_error_column_that_does_not_fit_is_said_not_averaged_in():
    recording = moved(0.0)
    desired, actual = recording.channels[1].data.values, recording.channels[0].data.values
    t = recording.channels[0].data.times_s
    for error, contradicted in (
        (desired - actual, False),
        ((actual - desired) / 2, False),
        (desired - actual + 9.0, True),
    ):
        log = log_of(t, actual_1A=actual, desired_1A=desired, error_1A=error, rpm=np.full(len(t), 900.0))
        cam, _ = judged(log)
        assert any("contradicted" in note for note in cam.notes) is contradicted
        assert cam.teeth_call == 0


@pytest.mark.parametrize(("scale", "call"), [(1.0, 1), (-1.0, None)])
def test_error_beside_a_desired_angle_shows_its_side_when_the_phaser_moves(scale, call):
    recording = moved(PITCH_DEG, tau_s=0.6, seconds=90.0)
    desired, actual = recording.channels[1].data.values, recording.channels[0].data.values
    t = recording.channels[0].data.times_s
    log = log_of(t, error_1A=scale * (desired - actual), desired_1A=desired, rpm=np.where(desired > 1, 2000.0, 680.0))
    cam, phaser = judged(log)
    assert phaser.evidence == "error only"
    assert cam.teeth_call == call  # headed by its role, an early error contradicts what the swings show: no call


def test_phaser_of_which_no_engine_file_tells_may_hang_too():
    t, error, rpm = idle(0, 9.0)
    bare = (pattern("1A", travel_deg=0.0),)
    from dataclasses import replace

    log = log_of(t, actual_1A=error, desired_1A=np.zeros(len(t)), rpm=rpm)
    cam, _ = judged(log, ADVANCE, known=(replace(bare[0], reference="log"),))
    assert cam.teeth_call is None


def test_evenly_sampled_columns_are_read_like_uneven_ones():
    t, error, rpm = idle(1, 0.0)
    log = log_of(t, error_1A=error, rpm=rpm)
    even = tuple(Channel(c.column, Trace(c.data.values, 10.0), c.unit, c.role) for c in log.channels)
    cam, _ = judged(Recording("log", "sensor", even), SAID)
    assert (cam.teeth_call, cam.cycles) == (0, judged(log, SAID)[0].cycles)


# ------------------------------------------------------------------------------------------------------- lost signals


def test_value_that_never_changes_while_told_to_move_is_no_signal():
    t, seen = sampled(10.0, steps(60.0))
    cam, phaser = judged(log_of(t, actual_1A=np.zeros(len(t)), desired_1A=seen, rpm=np.full(len(t), 1500.0)))
    assert (cam.state, phaser.state, phaser.signal) == ("no signal", "lost signal", "default value")


def test_value_that_never_changes_at_idle_is_not_called_in_time():
    t, _, rpm = idle()
    cam, phaser = judged(log_of(t, error_1A=np.zeros(len(t)), rpm=rpm), SAID)
    assert (cam.state, cam.teeth_call, phaser.signal) == ("not enough data", None, "frozen")
    assert "Rev the engine" in cam.notes[0]


def test_readings_where_no_cam_can_be_are_set_aside_or_end_it():
    t, error, rpm = idle(0, 0.0)
    some = error.copy()
    some[::10] = 511.5
    cam, phaser = judged(log_of(t, error_1A=some, rpm=rpm), SAID)
    assert (cam.teeth_call, phaser.signal) == (0, "out of range")
    cam, _ = judged(log_of(t, error_1A=error + 400.0, rpm=rpm), SAID)
    assert cam.state == "no signal"


def test_signal_that_drops_to_a_default_is_set_aside():
    recording = moved(0.0)
    actual = recording.channels[0].data.values.copy()
    actual[(recording.channels[1].data.values > 1.0) & (np.arange(len(actual)) % 200 < 60)] = 0.0
    columns = {c.role.split(":")[-2].removeprefix("cam_phase_") + "_1A": c.data.values for c in recording.channels[1:2]}
    t = recording.channels[0].data.times_s
    cam, phaser = judged(log_of(t, actual_1A=actual, rpm=np.full(len(t), 1500.0), **columns))
    assert phaser.signal == "dropouts" and cam.teeth_call == 0
    assert phaser.follows == pytest.approx(1.0, abs=0.1)


# --------------------------------------------------------------------------------------------------------------- speed


def test_verdict_from_a_minute_at_10_hz_takes_less_than_half_a_second_warm():
    one = [moved(PITCH_DEG, seed=k) for k in range(2)]
    parts = [c for k, r in enumerate(one) for c in _renamed(r, f"{k + 1}A")]
    recording = Recording("log.csv", "log", tuple(parts))
    known = (pattern("1A"), pattern("2A"))
    judge_log(recording, known)
    begin = time.process_time()
    judge_log(recording, known)
    assert time.process_time() - begin < 0.5


def _renamed(recording, cam):
    from dataclasses import replace

    return [
        replace(c, column=c.column.replace("1A", cam), role=c.role.replace("1A", cam))
        for c in recording.channels
        if cam == "1A" or ":1A" in (c.role or "")
    ]


# ------------------------------------------------------------------------------------------------------------ bad input

WILD = st.one_of(
    st.floats(-1e3, 1e3), st.sampled_from([0.0, np.nan, np.inf, -np.inf, 1e12, -40.0, 655.35]), st.just(0.0)
)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 60), st.data())
def test_no_log_breaks_the_verdict(rows, data):
    def cells():
        return np.array(data.draw(st.lists(WILD, min_size=rows, max_size=rows)))

    kinds = data.draw(st.sets(st.sampled_from(["actual", "desired", "error"]), min_size=1))
    steps_s = np.array(data.draw(st.lists(st.sampled_from([0.0, 0.1, 0.1, 5.0]), min_size=rows, max_size=rows)))
    recording = log_of(np.cumsum(steps_s), **{f"{kind}_1A": cells() for kind in sorted(kinds)}, rpm=cells())
    found = judge_log(recording, data.draw(st.sampled_from([(), KNOWN])))
    for cam, phaser in zip(found.cams, found.phasers, strict=True):
        assert cam.offset_deg is None or np.isfinite(cam.offset_deg)
        assert cam.teeth_call is None or cam.teeth
        assert phaser.follows is None or np.isfinite(phaser.follows)


def test_ten_minutes_at_20_hz_are_judged_in_a_few_seconds():
    recording = moved(PITCH_DEG, seconds=600.0, rate_hz=20.0)
    judge_log(moved(), KNOWN)
    begin = time.process_time()
    cam, _ = judged(recording)
    assert time.process_time() - begin < 3.0 and cam.teeth_call == 1
