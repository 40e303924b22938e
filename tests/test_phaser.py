"""How a phaser follows, from hand-built logs with known answers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lsim

from phase_logs import FINE_S, answer, autoregressive, log_of, sampled, steps
from tightside.timing.log_phase import find_phase_logs
from tightside.timing.phaser import Following, count_moves, measure_following


def following(actual, desired, times) -> Following | None:
    (log,) = find_phase_logs(log_of(times, actual_1A=actual, desired_1A=desired, rpm=np.full(len(times), 1500.0)))
    return measure_following(log, np.isfinite(log.actual))


@pytest.mark.parametrize(
    ("wanted", "moves"),
    [([0, 0, 10, 10, 9, 10, 2], 2), ([0, 5, 0, 5, 0], 4), (range(7), 1), ([0] * 5, 0), ([10, 6, 2, -3, 5], 2)],
)
def test_moves_are_swings_from_turn_to_turn(wanted, moves):
    assert count_moves(np.array(list(wanted), float)) == moves


@pytest.mark.parametrize(("rate_hz", "tau_s"), [(10, 0.3), (20, 0.15), (5, 0.8), (2, 1.5), (40, 0.2)])
def test_time_constant_lag_and_share_of_a_first_order_phaser_are_found(rate_hz, tau_s):
    rng = np.random.default_rng(3)
    wanted = steps(120.0)
    t, seen, actual = sampled(rate_hz, wanted, 0.9 * answer(wanted, tau_s, 0.12))
    found = following(actual + 0.2 * rng.standard_normal(len(t)), seen, t)
    assert found.response_s == pytest.approx(tau_s, rel=0.15, abs=0.1 / rate_hz)
    assert found.lag_s == pytest.approx(0.12, abs=0.3 / rate_hz)
    assert found.share == pytest.approx(0.9, abs=0.02)


# Intervals must hold the truth at least about as often as they say, whatever the noise.
@pytest.mark.parametrize("rho", [0.0, 0.7])
def test_intervals_of_a_first_order_phaser_hold_the_truth(rho):
    held = {"response": 0, "lag": 0, "share": 0}
    runs = 60
    for seed in range(runs):
        rng = np.random.default_rng([seed, 21])
        tau, share = float(rng.uniform(0.15, 1.2)), float(rng.uniform(0.7, 1.0))
        wanted = steps(60.0, seed)
        t, seen, actual = sampled(10.0, wanted, share * answer(wanted, tau, 0.1))
        found = following(actual + autoregressive(rng, len(t), rho, 0.4), seen, t)
        held["response"] += found.response_ci95_s[0] <= tau <= found.response_ci95_s[1]
        held["lag"] += found.lag_ci95_s[0] <= 0.1 <= found.lag_ci95_s[1]
        held["share"] += found.share_ci95[0] <= share <= found.share_ci95[1]
    assert {k: v / runs >= 0.88 for k, v in held.items()} == dict.fromkeys(held, True), held


# ORIGIN: scipy.signal.lsim of second-order systems; the time to 63 % of a step, read off it, dead time left out.
@pytest.mark.parametrize(("natural_hz", "damping"), [(0.6, 0.9), (1.0, 0.7), (0.4, 1.2)])
def test_second_order_phaser_is_given_about_its_time_to_63_percent(natural_hz, damping):
    w = 2 * np.pi * natural_hz
    system = (np.array([w**2]), np.array([1.0, 2 * damping * w, w**2]))
    wanted = steps(90.0)
    _, y, _ = lsim(system, wanted, np.arange(len(wanted)) * FINE_S)
    _, one, _ = lsim(system, np.ones(4000), np.arange(4000) * FINE_S)
    reach_s = float(np.flatnonzero(one >= 0.632)[0]) * FINE_S
    t, seen, actual = sampled(10.0, wanted, y)
    found = following(actual, seen, t)
    assert found.response_s + found.lag_s == pytest.approx(reach_s, rel=0.25)
    assert found.share == pytest.approx(1.0, abs=0.06)


def test_rate_limited_phaser_is_slower_the_slower_it_turns():
    wanted = steps(80.0)
    times = []
    for rate_deg_s in (150.0, 40.0, 15.0):
        y = np.zeros(len(wanted))
        for i in range(1, len(y)):
            y[i] = y[i - 1] + np.clip(wanted[i] - y[i - 1], -rate_deg_s * FINE_S, rate_deg_s * FINE_S)
        t, seen, actual = sampled(10.0, wanted, y)
        times.append(following(actual, seen, t).response_s)
    assert times[0] < times[1] < times[2]
    assert times[2] == pytest.approx(0.632 * 18.0 / 15.0, rel=0.5)  # 63 % of a usual step at 15 deg/s


def test_phaser_that_hangs_makes_nothing_of_its_moves():
    rng = np.random.default_rng(0)
    t, seen = sampled(10.0, steps(60.0))
    found = following(7.0 + 0.2 * rng.standard_normal(len(t)), seen, t)
    assert found.share_ci95[1] < 0.1 and abs(found.share) < 0.05


# The offset shows at the stop only: control takes it out. Neither speed nor lag may suffer from that.
def test_offset_that_control_takes_out_does_not_pass_for_speed():
    wanted = steps(90.0)
    t, seen, actual = sampled(10.0, wanted, answer(np.where(wanted < 1.0, -17.0, wanted), 0.4, 0.1))
    found = following(actual, seen, t)
    assert found.response_s == pytest.approx(0.4, rel=0.15)
    assert found.share > 1.3


def test_log_in_which_the_phaser_is_not_moved_says_nothing_of_how_it_follows():
    t = np.arange(0, 60, 0.1)
    assert following(np.zeros(len(t)), np.zeros(len(t)), t) is None


def test_uneven_rows_and_empty_cells_are_taken_as_they_are():
    rng = np.random.default_rng(4)
    wanted = steps(90.0)
    fine = answer(wanted, 0.5, 0.1)
    t = np.cumsum(rng.uniform(0.05, 0.25, 580))
    t = t[t < 89.0]
    rows = np.rint(t / FINE_S).astype(int)
    actual = fine[rows] + 0.2 * rng.standard_normal(len(t))
    actual[rng.random(len(t)) < 0.1] = np.nan
    assert following(actual, wanted[rows], t).response_s == pytest.approx(0.5, rel=0.2)
