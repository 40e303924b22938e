"""Edges found window by window are those found in one go."""

from __future__ import annotations

import numpy as np
import pytest

from tightside.records import Channel, EdgeTrain, Trace
from tightside.signals import long_edges
from tightside.signals.edges import find_edges
from tightside.signals.long_edges import find_all_edges

RATE_HZ = 50_000.0
SAMPLES = 300_000


def hall(rng: np.random.Generator) -> np.ndarray:
    at = np.arange(SAMPLES) / RATE_HZ
    tooth = 13.0 * (at + 0.02 * np.sin(2 * at)) % 1.0 * 60.0
    return np.where((tooth % 1.0 < 0.5) & (tooth < 58.0), 4.8, 0.2) + rng.normal(0.0, 0.02, SAMPLES)


def coil(rng: np.random.Generator) -> np.ndarray:
    at = np.arange(SAMPLES) / RATE_HZ
    return 2.5 + 1.5 * np.sin(2 * np.pi * 400.0 * (at + 0.02 * np.sin(2 * at))) + rng.normal(0.0, 0.02, SAMPLES)


def in_windows(channel: Channel, monkeypatch: pytest.MonkeyPatch) -> tuple[EdgeTrain, EdgeTrain]:
    whole = find_edges(channel)
    monkeypatch.setattr(long_edges, "WINDOW", 40_000)
    monkeypatch.setattr(long_edges, "OVERLAP", 10_000)
    return whole, find_all_edges(channel)


@pytest.mark.parametrize("signal", [hall, coil])
@pytest.mark.parametrize("start_s", [0.0, -3.0])
def test_edges_in_windows_are_those_of_the_whole(signal, start_s: float, monkeypatch: pytest.MonkeyPatch) -> None:
    volts = np.round(signal(np.random.default_rng(5)) * 1000).astype(np.int16)
    whole, parts = in_windows(Channel("X", Trace(volts, RATE_HZ, start_s, 1e-3), "V"), monkeypatch)
    assert len(parts.times_s) == len(whole.times_s) > 1000
    assert (parts.rising == whole.rising).all()
    assert np.all(np.diff(parts.times_s) > 0)
    np.testing.assert_allclose(parts.times_s, whole.times_s, atol=0.1 / RATE_HZ)
    assert (parts.kind, parts.quality) == (whole.kind, whole.quality)
    assert (parts.start_s, parts.end_s) == (whole.start_s, whole.end_s)
    assert parts.timing_sd_s == pytest.approx(whole.timing_sd_s, rel=0.5)
    assert (parts.low, parts.high) == pytest.approx((whole.low, whole.high), rel=0.05)


def test_edges_in_windows_of_an_engine_that_stands_at_first(monkeypatch: pytest.MonkeyPatch) -> None:
    volts = hall(np.random.default_rng(6))
    volts[: SAMPLES // 2] = 0.2 + np.random.default_rng(7).normal(0.0, 0.02, SAMPLES // 2)
    whole, parts = in_windows(Channel("X", Trace(volts, RATE_HZ), "V"), monkeypatch)
    assert len(parts.times_s) == len(whole.times_s)
    assert (parts.kind, parts.quality) == ("hall", "good")


def test_edges_of_what_is_short_or_no_trace_are_found_in_one_go(monkeypatch: pytest.MonkeyPatch) -> None:
    channel = Channel("X", Trace(hall(np.random.default_rng(8)), RATE_HZ), "V")
    whole, one = find_edges(channel), find_all_edges(channel)
    assert np.array_equal(whole.times_s, one.times_s)


def test_notes_of_windows_are_told_once() -> None:
    cut = "tops cut off at 4.70 V"
    notes = long_edges._notes(["spikes ignored: 3", cut, "spikes ignored: 5", cut])
    assert notes == ("spikes ignored: 3; more later", cut)
