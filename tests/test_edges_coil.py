"""A coil's zero crossings against simulated truth: at rest, cranked at 180 rpm, run up to 850, stopped."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from edge_signals import Array, channel, crank_coil, spiked
from tightside.records import EdgeTrain
from tightside.signals.edges import find_edges


def _crossings(
    train: EdgeTrain, times: Array, rpm: Array, teeth: int = 60, *, edge: str = "falling"
) -> tuple[Array, int, int]:
    """Errors as part of a tooth pitch above 100 rpm, how many are missed there, and extras a ms from any true one."""
    found = train.of(edge)
    true, pitch_s = times[rpm > 100], 60.0 / rpm[rpm > 100] / teeth
    i = np.searchsorted(found, true).clip(1, len(found) - 1)
    i = np.where(np.abs(found[i - 1] - true) < np.abs(found[i] - true), i - 1, i)
    error = (found[i] - true) / pitch_s
    j = np.searchsorted(times, found).clip(1, len(times) - 1)
    away = np.minimum(np.abs(times[j] - found), np.abs(times[j - 1] - found))
    ok = np.abs(error) < 0.25
    return error[ok], int((~ok).sum()), int((away > 1e-3).sum())


@pytest.mark.parametrize("rate_hz", [1e6, 1e5, 2e4, 1e4])
@pytest.mark.parametrize("sigma", [None, 0.2])
def test_find_edges_coil_any_rate_gives_every_tooth(rate_hz: float, sigma: float | None) -> None:
    """10 kS/s is 12 samples a tooth at the end. The amplitude grows by five from cranking, by more from rest."""
    y, times, rpm = crank_coil(rate_hz, sigma=sigma)
    train = find_edges(channel(y, rate_hz))
    error, missed, extra = _crossings(train, times, rpm)
    assert (train.kind, missed) == ("vr", 0)
    assert extra <= 2  # where it starts to move and where it stops
    assert np.abs(error.mean()) < 5e-5
    assert error.std() < 6e-4
    assert not np.any((train.times_s < 0.5) | (train.times_s > 5.65))


@pytest.mark.parametrize(
    ("teeth", "missing", "sigma"), [(60, 2, 0.12), (36, 1, 0.2), (24, 0, 0.2), (12, 1, 0.24), (12, 1, 0.08)]
)
def test_find_edges_coil_any_wheel_is_told_from_hall(teeth: int, missing: int, sigma: float) -> None:
    """Even wheels, and narrow teeth whose voltage rests between them."""
    y, times, rpm = crank_coil(1e5, teeth=teeth, missing=missing, sigma=sigma)
    train = find_edges(channel(y, 1e5))
    error, missed, extra = _crossings(train, times, rpm, teeth)
    assert (train.kind, missed) == ("vr", 0)
    assert extra <= 2
    assert error.std() < 1e-3


@pytest.mark.parametrize(("bias_v", "sign"), [(3.4, 1.0), (3.4, -1.0), (-2.0, 1.0)])
def test_find_edges_coil_rest_level_anywhere_and_turned_round(bias_v: float, sign: float) -> None:
    y, times, rpm = crank_coil(1e5)
    train = find_edges(channel(bias_v + sign * y, 1e5))
    error, missed, extra = _crossings(train, times, rpm, edge="falling" if sign > 0 else "rising")
    assert (train.kind, missed) == ("vr", 0)
    assert extra <= 2
    assert np.abs(error.mean()) < 5e-5


def test_find_edges_coil_gap_gives_one_crossing_each_way() -> None:
    """58 falls and 58 rises a turn: the flat of the gap, noise and all, holds one rise and no fall."""
    y, times, _ = crank_coil(1e5, noise_v=0.03)
    train = find_edges(channel(y, 1e5))
    steady = (times > 3.6) & (times < 5.1)
    span = times[steady][[0, -1]]
    falls, rises = (
        np.count_nonzero((t > span[0] - 1e-5) & (t < span[1] + 1e-5)) for t in (train.of("falling"), train.of("rising"))
    )
    assert falls == steady.sum()
    assert abs(rises - steady.sum()) <= 1


@pytest.mark.parametrize("noise_v", [0.03, 0.1])
def test_find_edges_coil_noise_at_cranking_keeps_every_tooth(noise_v: float) -> None:
    """A noise of 1.5 and 5 % of the cranking swing."""
    y, times, rpm = crank_coil(1e5, noise_v=noise_v)
    train = find_edges(channel(y, 1e5))
    error, missed, extra = _crossings(train, times, rpm)
    assert missed == 0
    assert extra <= 3
    assert error.std() < 0.002


def test_find_edges_coil_hum_at_rest_gives_no_edges() -> None:
    """50 mV at 50 Hz, a hundredth of the swing when running: nowhere but where the wheel starts and stops."""
    y, times, rpm = crank_coil(1e5)
    train = find_edges(channel(y + 0.05 * np.sin(2 * np.pi * 50 * np.arange(len(y)) / 1e5), 1e5))
    _, missed, extra = _crossings(train, times, rpm)
    assert missed == 0
    assert extra <= 3
    assert np.count_nonzero((train.times_s < 0.5) | (train.times_s > 5.65)) <= 2


@pytest.mark.parametrize(
    ("low", "high", "notes"),
    [
        (-3.0, 3.0, ("tops cut off at 3.00 V", "bottoms cut off at -3.00 V")),
        (-1.0, 30.0, ("bottoms cut off at -1.00 V",)),
    ],
)
def test_find_edges_coil_cut_off_is_said_and_used(low: float, high: float, notes: tuple[str, ...]) -> None:
    y, times, rpm = crank_coil(1e5)
    train = find_edges(channel(np.clip(y, low, high), 1e5))
    error, missed, extra = _crossings(train, times, rpm)
    assert (train.quality, missed) == ("clipped", 0)
    assert extra <= 2
    assert set(notes) <= set(train.notes)
    assert np.abs(error.mean()) < 0.005


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("rate_hz", [1e5, 1e4])
def test_find_edges_coil_readings_that_wrap_are_unwrapped(turned: bool, rate_hz: float) -> None:
    """Above 7.7 V the converter reads 10.24 V less; its lower end is -2.54 V. And the same upside down."""
    y, times, rpm = crank_coil(rate_hz)
    y = np.clip(1.8 * y + 3.4, -2.54, None)
    y = np.round(np.where(y > 7.7, y - 10.24, y) / 0.04) * 0.04
    train = find_edges(channel(-y if turned else y, rate_hz))
    error, missed, extra = _crossings(train, times, rpm, edge="rising" if turned else "falling")
    assert (train.kind, train.quality) == ("vr", "clipped")
    assert missed == 0
    assert extra <= 2
    assert any("wrap" in note for note in train.notes)
    assert np.abs(error.mean()) < 0.01


@pytest.mark.parametrize(("dtype", "scale"), [(np.int16, 0.001), (np.int8, 0.1)])
def test_find_edges_coil_whole_numbers_as_good_as_their_steps(dtype: type, scale: float) -> None:
    y, times, rpm = crank_coil(1e5)
    train = find_edges(channel(np.round(y / scale).astype(dtype), 1e5, scale=scale))
    error, missed, _ = _crossings(train, times, rpm)
    assert (train.kind, missed) == ("vr", 0)
    assert error.std() < 5e-4


def test_find_edges_coil_spikes_cost_few_teeth() -> None:
    """50 a second, three times the cranking swing."""
    y, times, rpm = crank_coil(1e5)
    train = find_edges(channel(spiked(y, 300, 4.0), 1e5))
    _, missed, extra = _crossings(train, times, rpm)
    assert missed + extra < 0.02 * len(times)


@pytest.mark.parametrize("given", ["hall", "vr"])
def test_find_edges_kind_given_is_kept(given: Any) -> None:
    y, *_ = crank_coil(2e4)
    assert find_edges(channel(y, 2e4), kind=given).kind == given
