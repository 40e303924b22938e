"""Hall edges against simulated truth. The pitch of a tooth is 1422 us throughout; a pulse is half of that."""

from __future__ import annotations

import numpy as np
import pytest

from edge_signals import Truth, ac_coupled, cam, channel, crank_60_2, hall, ringing, score, spiked
from tightside.signals.edges import find_edges

PITCH_US = 1422.0


@pytest.mark.parametrize(
    ("rate_hz", "rise_s", "noise", "sd_us"),
    [
        (1e6, 0.0, 0.0, 0.30),  # a 1/sqrt(12) of the sampling interval, and no more
        (1e6, 10e-6, 0.0, 0.01),
        (1e6, 10e-6, 0.02, 0.10),
        (1e6, 200e-6, 0.02, 1.0),
        (1e6, 10e-6, 0.2, 1.1),
        (1e6, 200e-6, 0.2, 4.5),
        (1e5, 0.0, 0.0, 2.95),
        (1e5, 40e-6, 0.02, 0.8),
        (1e5, 0.0, 0.2, 5.5),
        (2e4, 0.0, 0.1, 15.5),
        (1e4, 0.0, 0.0, 29.5),  # 14 samples a tooth
        (1e4, 0.0, 0.1, 31.0),
        (5e3, 0.0, 0.02, 58.5),  # 7 samples a tooth
        (5e3, 0.0, 0.1, 61.0),
    ],
)
def test_find_edges_noise_and_rate_gives_every_edge_without_bias(
    rate_hz: float, rise_s: float, noise: float, sd_us: float
) -> None:
    duration = 2.0 if rate_hz > 5e5 else 4.0
    truth = crank_60_2(duration)
    train = find_edges(channel(hall(truth, rate_hz, duration, rise_s=rise_s, noise=noise), rate_hz))
    s = score(train, truth, 3e-4)
    assert (train.kind, train.quality, s.missed <= 1, s.extra) == ("hall", "good", True, 0)
    assert s.sd_us < sd_us
    limit = 4 * s.sd_us / np.sqrt(len(truth.times_s) / 2) + 1e-4 * PITCH_US
    assert abs(s.bias_rising_us) < limit
    assert abs(s.bias_falling_us) < limit


@pytest.mark.parametrize(
    ("rate_hz", "rise_s", "noise"), [(1e6, 10e-6, 0.02), (1e5, 40e-6, 0.03), (1e4, 0.0, 0.02), (1e5, 0.0, 0.0)]
)
def test_timing_sd_clean_and_noisy_is_the_error_seen(rate_hz: float, rise_s: float, noise: float) -> None:
    truth = crank_60_2(3.0)
    train = find_edges(channel(hall(truth, rate_hz, 3.0, rise_s=rise_s, noise=noise), rate_hz))
    assert train.timing_sd_s * 1e6 == pytest.approx(score(train, truth, 3e-4).sd_us, rel=0.35)


@pytest.mark.parametrize("noise", [0.2])
def test_find_edges_strong_noise_few_samples_misses_less_than_one_in_two_hundred(noise: float) -> None:
    """14 samples a tooth and a noise of 20 % of the swing: five standard deviations between the levels."""
    truth = crank_60_2(4.0)
    s = score(find_edges(channel(hall(truth, 1e4, 4.0, noise=noise), 1e4)), truth, 3e-4)
    assert s.missed + s.extra < len(truth.times_s) / 200


@pytest.mark.parametrize("part", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("rate_hz", [1e5, 1e4])
def test_find_edges_slow_rise_keeps_both_polarities_in_place(part: float, rate_hz: float) -> None:
    """The ramp takes up to nine tenths of a pulse, so that there is hardly a plateau."""
    truth = crank_60_2(4.0)
    train = find_edges(channel(hall(truth, rate_hz, 4.0, rise_s=part * PITCH_US * 0.5e-6, noise=0.02), rate_hz))
    s = score(train, truth, 3e-4)
    assert train.kind == "hall"
    assert s.missed <= 1
    assert s.extra == 0
    assert max(abs(s.bias_rising_us), abs(s.bias_falling_us)) < 0.0025 * PITCH_US
    assert s.sd_us < 0.01 * PITCH_US


def test_transition_known_ramp_is_eight_tenths_of_it() -> None:
    truth = crank_60_2(2.0)
    train = find_edges(channel(hall(truth, 1e6, 2.0, rise_s=50e-6, noise=0.005), 1e6))
    assert train.transition_s == pytest.approx(40e-6, rel=0.05)
    assert find_edges(channel(hall(truth, 1e5, 2.0), 1e5)).transition_s == 0.0


@pytest.mark.parametrize("duty", [0.1, 0.25, 0.75, 0.9])
def test_find_edges_duty_cycle_any_gives_every_edge(duty: float) -> None:
    truth = crank_60_2(3.0, duty)
    s = score(find_edges(channel(hall(truth, 1e5, 3.0, rise_s=20e-6, noise=0.02), 1e5)), truth, 6e-5)
    assert (s.missed, s.extra) == (0, 0)
    assert max(abs(s.bias_rising_us), abs(s.bias_falling_us)) < 0.05


@pytest.mark.parametrize("duty", [0.1, 0.9])
def test_find_edges_pulses_of_one_or_two_samples_are_teeth_not_spikes(duty: float) -> None:
    truth = crank_60_2(4.0, duty)
    s = score(find_edges(channel(hall(truth, 1e4, 4.0, noise=0.02), 1e4)), truth, 1.1e-4)
    assert (s.missed, s.extra) == (0, 0)


_T = np.arange(400_000) / 1e5
WANDERS = {
    "two swings in 4 s": 10.0 * _T / 4.0,
    "half a swing at 1 Hz": 2.5 * np.sin(2 * np.pi * _T),
    "50 Hz hum, a fifth": 1.0 * np.sin(100 * np.pi * _T),
}


@pytest.mark.parametrize("wander", list(WANDERS))
def test_find_edges_wandering_levels_follows_them(wander: str) -> None:
    truth = crank_60_2(4.0)
    y = hall(truth, 1e5, 4.0, rise_s=40e-6, noise=0.02) + WANDERS[wander]
    s = score(find_edges(channel(y, 1e5)), truth, 2e-4)
    assert (s.missed, s.extra) == (0, 0)
    assert max(abs(s.bias_rising_us), abs(s.bias_falling_us)) < 0.05
    assert s.sd_us < 1.5


@pytest.mark.parametrize("tau_s", [1.0, 0.1, 0.02, 0.005, 0.002])
def test_find_edges_ac_coupling_is_a_hall_sensor_still(tau_s: float) -> None:
    """Down to three pulses of time constant; the middle then leads by part of the droop, 0.2 % of a pitch at worst."""
    truth = crank_60_2(4.0)
    y = ac_coupled(hall(truth, 1e5, 4.0, rise_s=40e-6, noise=0.02), 1e5, tau_s)
    train = find_edges(channel(y, 1e5))
    s = score(train, truth, 2e-4)
    assert (train.kind, s.missed, s.extra) == ("hall", 0, 0)
    assert max(abs(s.bias_rising_us), abs(s.bias_falling_us)) < 0.002 * PITCH_US
    assert abs(s.bias_rising_us - s.bias_falling_us) < 0.2


def test_find_edges_ringing_half_a_swing_gives_no_extra_edges() -> None:
    """Overshoot 53 % at 10 kHz. Both polarities come late by the lag of the ringing itself, alike."""
    truth = crank_60_2(4.0)
    y = ringing(hall(truth, 1e5, 4.0), 1e5, 1e4, 0.2) + np.random.default_rng(4).normal(0, 0.05, 400_000)
    s = score(find_edges(channel(y, 1e5)), truth, 2e-4)
    assert (s.missed, s.extra) == (0, 0)
    assert abs(s.bias_rising_us - s.bias_falling_us) < 0.5


@pytest.mark.parametrize(("count", "volts", "lost"), [(200, 5.0, 4), (200, 30.0, 4)])
def test_find_edges_spikes_on_a_crank_are_ignored_and_counted(count: int, volts: float, lost: int) -> None:
    """50 a second, as high as the swing and six times as high; where one hides an edge that edge may be lost."""
    truth = crank_60_2(4.0)
    train = find_edges(channel(spiked(hall(truth, 1e5, 4.0, rise_s=40e-6, noise=0.02), count, volts), 1e5))
    s = score(train, truth, 2e-4)
    assert s.extra == 0
    assert s.missed <= lost
    assert any(note.startswith("spikes ignored: ") for note in train.notes)


def test_find_edges_spikes_outnumbering_a_cams_pulses_are_ignored() -> None:
    truth = cam(10.0)
    train = find_edges(channel(spiked(hall(truth, 1e5, 10.0, rise_s=40e-6, noise=0.02), 400, 5.0), 1e5))
    s = score(train, truth, 2e-4)
    assert s.extra == 0
    assert s.missed <= 6
    assert s.sd_us < 1.0


def test_find_edges_brush_noise_while_cranking_gives_no_extra_edges() -> None:
    from scipy.signal import lfilter

    truth = crank_60_2(4.0)
    brush = lfilter([1.0], [1.0, -0.95], np.random.default_rng(5).normal(0, 0.15, 400_000)) * (_T < 2.0)
    s = score(find_edges(channel(hall(truth, 1e5, 4.0, rise_s=40e-6, noise=0.02) + brush, 1e5)), truth, 2e-4)
    assert (s.missed, s.extra) == (0, 0)
    assert s.sd_us < 0.0025 * PITCH_US


@pytest.mark.parametrize("counts", [1, 4, 20])
def test_find_edges_coarse_converter_gives_every_edge(counts: int) -> None:
    truth = crank_60_2(4.0)
    raw = np.round(hall(truth, 1e5, 4.0, rise_s=40e-6, noise=0.02) * counts / 5.0).astype(np.int16)
    train = find_edges(channel(raw, 1e5, scale=5.0 / counts))
    s = score(train, truth, 2e-4)
    assert (s.missed, s.extra) == (0, 0)
    assert s.sd_us < 3.2
    assert (train.low, train.high) == pytest.approx((0.0, 5.0), abs=0.3)


@pytest.mark.parametrize("dtype", [np.int8, np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64])
def test_find_edges_any_dtype_gives_the_same_times(dtype: type) -> None:
    truth = crank_60_2(0.5)
    raw = np.round(hall(truth, 1e5, 0.5, rise_s=40e-6, noise=0.01) * 20.0 + 10.0)
    expected = find_edges(channel(raw, 1e5)).times_s
    assert len(expected) == len(truth.times_s)
    np.testing.assert_allclose(find_edges(channel(raw.astype(dtype), 1e5)).times_s, expected, atol=1e-9)


def test_find_edges_missing_samples_loses_only_what_they_hide() -> None:
    truth = crank_60_2(4.0)
    y = hall(truth, 1e5, 4.0, rise_s=40e-6, noise=0.02)
    y[np.random.default_rng(6).integers(0, len(y), 500)] = np.nan
    y[100_000:120_000] = np.nan
    y[5] = np.inf
    train = find_edges(channel(y, 1e5))
    hidden = (truth.times_s > 0.9999) & (truth.times_s < 1.2001)
    s = score(train, Truth(truth.times_s[~hidden], truth.rising[~hidden]), 2e-4)
    assert (s.missed, s.extra) == (0, 0)
    assert train.notes[0].startswith("missing samples: 20")


def test_find_edges_cam_ten_samples_a_pulse_gives_every_edge() -> None:
    truth = cam(10.0)
    s = score(find_edges(channel(hall(truth, 5e3, 10.0, noise=0.1), 5e3)), truth, 1e-3)
    assert (s.missed, s.extra) == (0, 0)
