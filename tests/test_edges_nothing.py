"""Where there is no sensor's signal there must be no edges; logic, uneven readings and odd sizes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, lfilter, sosfilt

from edge_signals import channel, crank_60_2, hall
from tightside.records import Channel, Levels, Readings
from tightside.signals.edges import find_edges

N = 300_000
T = np.arange(N) / 1e5


def _noise(name: str, rng: np.random.Generator) -> np.ndarray:
    normal = rng.normal(size=N)
    return {
        "white": lambda: normal,
        "white counts": lambda: np.round(2 * normal).astype(np.int16),
        "last digit": lambda: rng.integers(0, 2, N).astype(np.int16),
        "random signs": lambda: np.sign(normal),
        "laplace": lambda: rng.laplace(size=N),
        "heavy tails": lambda: rng.standard_t(2, size=N),
        "bursts": lambda: normal * (1 + 10 * (np.sin(np.arange(N) / 3000) > 0.9)),
        "single bursts": lambda: normal * (1 + 10 * (rng.random(N) < 0.001)),
        "pink": lambda: lfilter([1.0], [1.0, -0.99], normal),
        "red": lambda: lfilter([1.0], [1.0, -0.999], normal),
        "walk": lambda: np.cumsum(normal),
        "band": lambda: sosfilt(butter(2, [100, 3000], "band", fs=1e5, output="sos"), normal),
        "ramp": lambda: T,
        "decay": lambda: np.exp(-T),
        "50 Hz hum": lambda: 0.05 * np.sin(100 * np.pi * T) + 0.01 * normal,
        "60 Hz hum": lambda: 0.02 * np.sin(120 * np.pi * T) + 0.001 * normal,
    }[name]()


NOISES = [
    "white",
    "white counts",
    "last digit",
    "random signs",
    "laplace",
    "heavy tails",
    "bursts",
    "single bursts",
    "pink",
    "red",
    "walk",
    "band",
    "ramp",
    "decay",
    "50 Hz hum",
    "60 Hz hum",
]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", NOISES)
def test_find_edges_no_pattern_gives_none_and_says_noisy(name: str, seed: int) -> None:
    train = find_edges(channel(_noise(name, np.random.default_rng(seed)), 1e5))
    assert len(train.times_s) == 0
    assert train.quality == "noisy"
    assert train.notes


@pytest.mark.parametrize("value", [0.0, 4.95])
@pytest.mark.parametrize("dtype", [np.int16, np.float64])
def test_find_edges_flat_says_flat(value: float, dtype: type) -> None:
    train = find_edges(channel(np.full(N, value, dtype), 1e5))
    assert (train.quality, len(train.times_s)) == ("flat", 0)
    assert train.low == train.high == dtype(value)


@pytest.mark.parametrize("y", [[], [1.0], [0.0, 5.0], [np.nan] * 5, [np.nan] * 1000, [np.inf] * 100, [0, 5, 0, 5]])
def test_find_edges_odd_arrays_never_fail(y: list[float]) -> None:
    train = find_edges(channel(np.array(y, float), 1e5))
    assert len(train.times_s) == 0
    assert np.isfinite([train.low, train.high, train.timing_sd_s, train.transition_s]).all()


@pytest.mark.parametrize("n", [5, 63, 64, 65, 127, 128, 129, 200])
def test_find_edges_one_step_in_any_length_is_one_edge(n: int) -> None:
    y = np.where(np.arange(n) < n // 2, 0.0, 5.0)
    train = find_edges(channel(y, 1e3))
    assert train.rising.tolist() == [True]
    assert train.times_s[0] == pytest.approx((n // 2 - 0.5) / 1e3, abs=1e-9)


def test_find_edges_logic_levels_are_taken_as_they_are() -> None:
    data = Levels(np.array([0.0, 0.1, 0.25, 0.4]), np.array([1, 0, 1, 0]), start_s=0.0, end_s=0.5, resolution_s=1e-6)
    train = find_edges(Channel("cam", data))
    assert (train.kind, train.quality) == ("logic", "good")
    assert train.times_s.tolist() == [0.1, 0.25, 0.4]
    assert train.rising.tolist() == [False, True, False]
    assert train.timing_sd_s == pytest.approx(1e-6 / np.sqrt(12))
    assert (train.start_s, train.end_s) == (0.0, 0.5)
    assert find_edges(Channel("cam", Levels(np.empty(0), np.empty(0)))).quality == "flat"


def test_find_edges_uneven_readings_keep_their_own_times() -> None:
    """Sampling times jittered by a third of their spacing: edges lie between the samples that they lie between."""
    truth = crank_60_2(2.0)
    rate = 2e4
    t = (np.arange(40_000) + np.random.default_rng(1).uniform(-1 / 3, 1 / 3, 40_000)) / rate
    y = 5.0 * ((np.searchsorted(truth.times_s, t, side="right") + (not truth.rising[0])) % 2)
    train = find_edges(Channel("crank", Readings(t, y)))
    assert len(train.times_s) == len(truth.times_s)
    assert np.array_equal(train.rising, truth.rising)
    assert np.abs(train.times_s - truth.times_s).max() < 0.85 / rate
    assert (train.start_s, train.end_s) == (t[0], t[-1])


def test_find_edges_memory_mapped_is_read_in_place(tmp_path: object) -> None:
    truth = crank_60_2(1.0)
    raw = np.round(hall(truth, 1e5, 1.0, rise_s=40e-6, noise=0.01) * 4000).astype(np.int16)
    path = f"{tmp_path}/trace.npy"
    np.save(path, raw)
    mapped = np.load(path, mmap_mode="r")
    np.testing.assert_array_equal(find_edges(channel(mapped, 1e5)).times_s, find_edges(channel(raw, 1e5)).times_s)


def test_find_edges_units_scale_levels_and_notes() -> None:
    truth = crank_60_2(1.0)
    raw = np.round(hall(truth, 1e5, 1.0, rise_s=40e-6, noise=0.01) * 100).astype(np.int16)
    train = find_edges(channel(raw, 1e5, scale=-0.01, offset=12.0, start_s=7.0))
    assert (train.low, train.high) == pytest.approx((7.0, 12.0), abs=0.05)
    assert np.array_equal(train.rising, ~truth.rising)
    assert train.times_s[0] == pytest.approx(7.0 + truth.times_s[0], abs=1e-5)
    assert (train.start_s, train.end_s) == (7.0, 8.0)
