"""Real sampled recordings, where a machine has them. What they hold was counted from their edge times alone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from conftest import recordings_folder
from tightside.records import Channel, EdgeTrain, Trace
from tightside.signals.edges import find_edges

pytestmark = pytest.mark.recordings


def _column(name: str, column: int, **how: Any) -> np.ndarray:
    path = recordings_folder() / name
    if not path.exists():
        pytest.skip(f"no real recording {name} on this machine")
    return np.asarray(np.loadtxt(path, usecols=(0, column), **how))


def _pulses_between_gaps(times_s: np.ndarray, gap: float) -> list[int]:
    interval = np.diff(times_s)
    at = np.flatnonzero(interval[1:-1] > gap * np.minimum(interval[:-2], interval[2:])) + 1
    return np.diff(at).tolist()


def test_find_edges_wrapping_coil_counts_58_between_all_gaps() -> None:
    data = _column("real-f.csv", 1, delimiter=",", skiprows=1)
    train = find_edges(Channel("crank", Trace(data[:, 1], 1e4, start_s=float(data[0, 0])), unit="V"))
    falls = train.of("falling")
    assert (train.kind, train.quality) == ("vr", "clipped")
    assert any(note.startswith("readings wrap at 8.66 V") for note in train.notes)
    assert _pulses_between_gaps(falls[falls > 0.5], 2.0) == [58] * 39
    smooth = np.diff(falls[falls > 0.5])
    assert np.median(np.abs(np.diff(smooth, 2))) < 0.02 * np.median(smooth)


def _crank(name: str) -> EdgeTrain:
    return find_edges(Channel("crank", Trace(_column(name, 1)[:, 1], 1e5), unit="V"))


def test_find_edges_conditioned_crank_finds_the_weak_pulse_that_stands_out() -> None:
    train = _crank("pressure-a.txt")
    assert train.quality == "good"
    assert _pulses_between_gaps(train.of("rising"), 1.9) == [58] * 19


def test_find_edges_conditioned_crank_weak_pulse_below_the_others_middle_is_missed_without_extra_edges() -> None:
    """Its swing is a sixth of the others': downstream sees a missed tooth each turn."""
    train = _crank("pressure-b.txt")
    assert train.quality == "good"
    assert _pulses_between_gaps(train.of("rising"), 1.9) == [57] * 25
