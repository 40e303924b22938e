"""Few teeth with much between them: hum, brushes, sparks, ground shifts; which of a coil's crossings is the tooth's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from edge_signals import Array, cam, channel, hall, score, spiked
from tightside.records import EdgeTrain
from tightside.signals.edges import find_edges

RATE_HZ = 2e4
DURATION_S = 5.0
N = int(RATE_HZ * DURATION_S)
T = np.arange(N) / RATE_HZ


def _between_teeth(name: str, seed: int) -> Array:
    """What moves a wire between teeth, about 1 from peak to peak."""
    rng = np.random.default_rng(seed)
    normal = rng.normal(size=N)
    return {
        "hum": lambda: 0.5 * np.sin(2 * np.pi * 50.3 * T),
        "brush": lambda: lfilter([1.0], [1.0, -0.9], 0.07 * normal),
        "sparks": lambda: 0.2 * normal * (np.sin(2 * np.pi * 900.0 * T) > 0.7),
        "white": lambda: 0.15 * normal,
        "sag": lambda: 0.5 * np.sin(2 * np.pi * 0.4 * T) + 0.05 * normal,
    }[name]()


def _coil(teeth: int, sigma: float, heights: tuple[float, ...] = (1.0,), missing: int = 0) -> tuple[Array, Array]:
    """Volts of 1 from peak to peak, turning 3.3 times a second and swinging by a fifth; where teeth pass, falling."""
    turn = 2 * np.pi * 2 * 3.3
    turns = 3.3 * T + 0.2 * 3.3 / turn * np.sin(turn * T)
    speed = 1 + 0.2 * np.cos(turn * T)
    place = turns * teeth - 0.5
    nearest = np.floor(place + 0.5)
    volts = np.zeros(N)
    for d in (-1, 0, 1):
        u, number = (place - nearest - d) / sigma, (nearest + d).astype(int)
        there = number % teeth < teeth - missing
        volts -= there * np.array(heights)[number % len(heights)] * 0.5 * u * np.exp(0.5 - 0.5 * u * u)
    number = np.arange(int(turns[-1] * teeth) - 1)
    return volts * speed, np.interp(number[number % teeth < teeth - missing] + 0.5, turns * teeth, T)


def _errors(train: EdgeTrain, true_s: Array, edge: str = "falling") -> tuple[Array, int]:
    """Errors of the teeth found, but for those at the ends, and how many edges belong to none."""
    found, inner = train.of(edge), true_s[1:-1]
    i = np.searchsorted(found, inner).clip(1, len(found) - 1)
    i = np.where(np.abs(found[i - 1] - inner) < np.abs(found[i] - inner), i - 1, i)
    return found[i] - inner, int(np.sum((found > inner[0] - 1e-3) & (found < inner[-1] + 1e-3)) - len(np.unique(i)))


@pytest.mark.parametrize("kind", [None, "hall"])
@pytest.mark.parametrize("name", ["hum", "brush", "sparks", "white", "sag"])
def test_find_edges_hall_cam_while_cranking_gives_every_edge_and_no_other(name, kind) -> None:
    """A fifth of the swing moves hundreds of times between two edges. 180 rpm."""
    truth = cam(DURATION_S, 180.0)
    y = hall(truth, RATE_HZ, DURATION_S, rise_s=4e-5) + _between_teeth(name, 31)
    s = score(find_edges(channel(y, RATE_HZ), kind=kind), truth, 2e-4)
    assert (s.missed, s.extra) == (0, 0)


def test_find_edges_hall_cam_sparks_and_spikes_gives_every_edge_but_those_hidden() -> None:
    truth = cam(DURATION_S, 180.0)
    y = spiked(hall(truth, RATE_HZ, DURATION_S, rise_s=4e-5) + _between_teeth("sparks", 32), 60, 2.5)
    s = score(find_edges(channel(y, RATE_HZ), kind="hall"), truth, 2e-4)
    assert s.missed + s.extra <= 2


@pytest.mark.parametrize("heights", [(1.0,), (1.0, 0.6), (1.0, 0.8, 0.5)])
@pytest.mark.parametrize("name", ["hum", "brush", "sparks", "white", "sag"])
def test_find_edges_coil_of_few_teeth_gives_each_tooth_and_no_other(name: str, heights: tuple[float, ...]) -> None:
    """An eighth of the swing between teeth that differ in height and stand far apart."""
    y, true_s = _coil(3, 0.04, heights)
    train = find_edges(channel(y + 0.12 * _between_teeth(name, 33), RATE_HZ), kind="vr")
    error, extra = _errors(train, true_s)
    assert np.abs(error).max() < 1e-3  # a seventh of the time from peak to peak
    assert extra == 0


def test_find_edges_coil_spikes_ten_times_its_swing_between_few_teeth_are_looked_beneath() -> None:
    y, true_s = _coil(3, 0.06)
    train = find_edges(channel(spiked(y + np.random.default_rng(34).normal(0, 0.01, N), 60, 10.0), RATE_HZ), kind="vr")
    error, extra = _errors(train, true_s)
    assert np.mean(np.abs(error) < 1e-3) > 0.95
    assert extra <= 2


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(("teeth", "sigma", "missing"), [(3, 0.05, 0), (12, 0.2, 1), (36, 0.24, 2), (60, 0.26, 2)])
@pytest.mark.parametrize("name", ["hum", "brush", "white"])
def test_sharper_crossing_at_the_tooth_is_told(name: str, teeth: int, sigma: float, missing: int, turned: bool) -> None:
    y, _ = _coil(teeth, sigma, missing=missing)
    y = y + 0.1 * _between_teeth(name, 35)
    train = find_edges(channel(-y if turned else y, RATE_HZ), kind="vr")
    assert train.sharper == ("rising" if turned else "falling")


@pytest.mark.parametrize("seed", range(3))
def test_sharper_of_an_even_sine_is_left_open(seed: int) -> None:
    """36 teeth, none missing, of a shape that has no steep side."""
    y = np.sin(2 * np.pi * 36 * 3.3 * T) + np.random.default_rng(seed).normal(0, 0.03, N)
    assert find_edges(channel(y, RATE_HZ), kind="vr").sharper is None


def test_sharper_of_a_trace_read_upside_down_is_turned() -> None:
    y, _ = _coil(12, 0.2, missing=1)
    assert find_edges(channel(y, RATE_HZ, scale=-1.0), kind="vr").sharper == "rising"


@pytest.mark.parametrize("name", ["hum", "brush", "white", "sag"])
@pytest.mark.parametrize(("teeth", "sigma", "missing"), [(3, 0.05, 0), (36, 0.22, 1), (60, 0.26, 2)])
def test_timing_sd_of_a_coil_is_the_error_seen_whatever_the_noise(
    name: str, teeth: int, sigma: float, missing: int
) -> None:
    """To a factor of about two: what hum does to a tooth depends on how it falls on it."""
    y, true_s = _coil(teeth, sigma, missing=missing)
    train = find_edges(channel(y + 0.06 * _between_teeth(name, 36), RATE_HZ), kind="vr")
    error, _ = _errors(train, true_s)
    assert 0.45 < train.timing_sd_s / error.std() < 2.0
