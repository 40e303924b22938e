"""What must hold for any recording: symmetry, units, time's direction, and its parts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edge_signals import Array, cam, channel, crank_60_2, crank_coil, hall
from tightside.signals.edges import find_edges

RATE_HZ = 2e4
CALM = settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))

signals = st.builds(
    lambda of_cam, rise, noise, seed: hall(
        cam(2.0) if of_cam else crank_60_2(1.0), RATE_HZ, 2.0 if of_cam else 1.0, rise_s=rise, noise=noise, seed=seed
    ),
    st.booleans(),
    st.sampled_from([0.0, 5e-5, 2e-4]),
    st.sampled_from([0.0, 0.01, 0.05, 0.1]),
    st.integers(0, 1000),
)


@CALM
@given(signals)
def test_find_edges_upside_down_gives_the_same_times_and_other_flags(y: Array) -> None:
    a, b = find_edges(channel(y, RATE_HZ)), find_edges(channel(-y, RATE_HZ))
    np.testing.assert_allclose(a.times_s, b.times_s, rtol=0, atol=1e-9)
    assert np.array_equal(a.rising, ~b.rising)


@CALM
@given(signals, st.floats(1e-3, 1e3), st.floats(-100, 100))
def test_find_edges_scale_and_offset_leave_times_alone(y: Array, scale: float, offset: float) -> None:
    a = find_edges(channel(y, RATE_HZ))
    for b in (
        find_edges(channel(y, RATE_HZ, scale=scale, offset=offset)),
        find_edges(channel(y * scale + offset, RATE_HZ)),
    ):
        np.testing.assert_allclose(a.times_s, b.times_s, rtol=0, atol=1e-8)
        assert np.array_equal(a.rising, b.rising)
        assert b.high - b.low == pytest.approx((a.high - a.low) * scale, rel=1e-3)


@CALM
@given(signals, st.floats(-50, 50))
def test_find_edges_later_start_shifts_times(y: Array, start_s: float) -> None:
    a, b = find_edges(channel(y, RATE_HZ)), find_edges(channel(y, RATE_HZ, start_s=start_s))
    np.testing.assert_allclose(a.times_s + start_s, b.times_s, rtol=0, atol=1e-9)


@CALM
@given(signals)
def test_find_edges_backwards_gives_the_same_edges_backwards(y: Array) -> None:
    """To well within the random error claimed, but for the outermost, whose plateaus the recording cuts short."""
    a, b = find_edges(channel(y, RATE_HZ)), find_edges(channel(y[::-1], RATE_HZ))
    mirrored = (len(y) - 1) / RATE_HZ - b.times_s[::-1]
    assert len(a.times_s) == len(mirrored)
    assert np.array_equal(a.rising, ~b.rising[::-1])
    away = np.abs(a.times_s - mirrored)[1:-1]
    assert np.median(away) < max(0.02 / RATE_HZ, 0.3 * a.timing_sd_s)
    assert np.mean(away > 0.6 / RATE_HZ) < 0.03


@CALM
@given(signals, st.integers(100, 5000))
def test_find_edges_a_part_has_the_edges_of_the_whole(y: Array, cut: int) -> None:
    whole, part = find_edges(channel(y, RATE_HZ)), find_edges(channel(y[cut:], RATE_HZ, start_s=cut / RATE_HZ))
    inner = whole.times_s[(whole.times_s > cut / RATE_HZ + 0.02)]
    found = part.times_s[part.times_s > cut / RATE_HZ + 0.02]
    assert len(inner) == len(found)
    assert np.median(np.abs(inner - found)) < max(0.05 / RATE_HZ, 0.5 * whole.timing_sd_s)


@CALM
@given(st.lists(st.floats(-10, 10, width=32) | st.just(float("nan")), max_size=400), st.integers(1, 40))
def test_find_edges_anything_gives_ordered_finite_edges_within_the_recording(values: list[float], repeat: int) -> None:
    y = np.repeat(np.array(values, float), repeat)
    train = find_edges(channel(y, 1e4))
    assert np.all(np.diff(train.times_s) > 0)
    assert np.all((train.times_s >= 0) & (train.times_s <= len(y) / 1e4))
    assert np.isfinite([train.low, train.high, train.timing_sd_s, train.transition_s]).all()
    assert (train.quality in ("flat", "noisy")) <= (len(train.times_s) == 0)


@pytest.mark.parametrize("rate_hz", [1e4, 1e5])
def test_find_edges_coil_upside_down_gives_the_same_times(rate_hz: float) -> None:
    y, *_ = crank_coil(rate_hz, noise_v=0.01)
    a, b = find_edges(channel(y, rate_hz)), find_edges(channel(-y, rate_hz))
    np.testing.assert_allclose(a.times_s, b.times_s, rtol=0, atol=1e-9)
    assert np.array_equal(a.rising, ~b.rising)
