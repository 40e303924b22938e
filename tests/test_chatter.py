"""Chatter and needles go, teeth and windows stay."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tightside.records import EdgeTrain, same
from tightside.signals.chatter import without_chatter


def train(times_ms: list[float] | np.ndarray, first_rises: bool = True) -> EdgeTrain:
    rising = (np.arange(len(times_ms)) % 2 == 0) == first_rises
    return EdgeTrain("sensor", times_s=np.asarray(times_ms, dtype=float) / 1000.0, rising=rising)


def even(count: int = 60, half_ms: float = 10.0) -> np.ndarray:
    return np.arange(count) * half_ms


def test_without_chatter_of_the_worked_example_keeps_its_net_effect():
    cleaned = without_chatter(train([0, 10, 20, 20.1, 20.2, 30, 40, 44, 44.1, 50, 60]))
    assert cleaned.times_s * 1000.0 == pytest.approx([0, 10, 20.1, 30, 40, 50, 60])
    assert cleaned.rising.tolist() == [True, False, True, False, True, False, True]
    assert "4 changes" in cleaned.notes[0]


@pytest.mark.parametrize("first_rises", [True, False])
@pytest.mark.parametrize("at", [3, 20, 41])
def test_without_chatter_takes_a_needle_pulse_out_whole(at, first_rises):
    clean = even()
    needle = [clean[at] + 4.0, clean[at] + 4.1]
    cleaned = without_chatter(train(np.sort(np.append(clean, needle)), first_rises))
    assert cleaned.times_s * 1000.0 == pytest.approx(clean)
    assert np.array_equal(cleaned.rising, train(clean, first_rises).rising)


@pytest.mark.parametrize("rattles", [1, 2, 3])
def test_without_chatter_of_a_rattling_edge_keeps_one_change(rattles):
    clean = even()
    extra = clean[30] + 0.1 * np.arange(1, 2 * rattles + 1)
    cleaned = without_chatter(train(np.sort(np.append(clean, extra))))
    assert len(cleaned.times_s) == len(clean)
    assert cleaned.times_s[30] * 1000.0 == pytest.approx(clean[30] + 0.1 * rattles)
    assert np.array_equal(cleaned.rising, train(clean).rising)


def test_without_chatter_of_a_clean_train_is_the_train():
    clean = train(even())
    assert without_chatter(clean) is clean


@pytest.mark.parametrize("count", [0, 1, 4])
def test_without_chatter_of_a_few_changes_is_the_train(count):
    few = train(np.arange(count) * 0.001)
    assert without_chatter(few) is few


@pytest.mark.parametrize("first_rises", [True, False])
def test_without_chatter_of_pulses_that_are_all_narrow_keeps_them(first_rises):
    """A sensor that gives 0.2 ms at each tooth 40 ms apart: the needles are the teeth."""
    begins = np.arange(50) * 40.0
    narrow = train(np.sort(np.concatenate((begins, begins + 0.2))), first_rises)
    assert same(without_chatter(narrow), narrow)


def test_without_chatter_of_a_cam_with_one_narrow_window_keeps_it():
    """Windows of 60, 150 and 12 deg in a cycle: the narrow one is no needle."""
    one = np.array([0.0, 60.0, 200.0, 350.0, 500.0, 512.0])
    cam = train(np.concatenate([one + 720.0 * k for k in range(12)]))
    assert same(without_chatter(cam), cam)


def test_without_chatter_of_a_speeding_engine_keeps_its_fast_teeth():
    """Half-pitches from 30 ms down to 0.3 ms, a hundredth, as an engine starts and revs."""
    speeding = train(np.cumsum(np.geomspace(30.0, 0.3, 300)))
    assert same(without_chatter(speeding), speeding)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), stretch=st.floats(0.1, 50.0), shift=st.floats(0.0, 60.0))
def test_without_chatter_shifted_and_stretched_keeps_the_same_changes(seed, stretch, shift):
    rng = np.random.default_rng(seed)
    clean = np.cumsum(rng.uniform(5.0, 15.0, 60))
    at = rng.uniform(0.2, 0.8, 4) * 10.0 + clean[rng.choice(np.arange(1, 58), 4, replace=False)]
    dirty = np.sort(np.concatenate((clean, at, at + 0.05)))
    one = without_chatter(train(dirty))
    other = without_chatter(train(dirty * stretch + shift * 1000.0))
    assert other.times_s == pytest.approx(one.times_s * stretch + shift)
    assert np.array_equal(one.rising, other.rising)
    assert np.all(one.rising[1:] != one.rising[:-1])
