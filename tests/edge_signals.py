"""Sensor voltages with known edges, made without any of the code under test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import cont2discrete, lfilter

from tightside.records import Channel, EdgeTrain, Trace

Array = NDArray[Any]
RPM = 703.217  # no simple ratio to any sampling rate used here


@dataclass(frozen=True)
class Truth:
    times_s: Array
    rising: Array

    def until(self, end_s: float) -> Truth:
        keep = self.times_s < end_s - 1e-3
        return Truth(self.times_s[keep], self.rising[keep])


def crank_60_2(duration_s: float, duty: float = 0.5, rpm: float = RPM) -> Truth:
    """Falls at each of 58 teeth and rises ``duty`` of a pitch later."""
    turn = 60.0 / rpm
    falls = (np.arange(int(duration_s / turn) + 2)[:, None] + np.arange(58) / 60.0).ravel() * turn
    times = np.concatenate([falls, falls + duty * turn / 60.0])
    order = np.argsort(times)
    return Truth(times[order] + 0.0012345, (np.arange(len(times)) >= len(falls))[order]).until(duration_s)


def cam(duration_s: float, rpm: float = RPM) -> Truth:
    """Four pulses of 10 to 90 deg in a cycle."""
    edges = np.array([30.0, 62.0, 150.0, 240.0, 400.0, 410.0, 600.0, 640.0])
    cycle = 120.0 / rpm
    times = ((np.arange(int(duration_s / cycle) + 2)[:, None] + edges / 720.0) * cycle).ravel()
    return Truth(times + 0.001, np.arange(len(times)) % 2 == 0).until(duration_s)


def hall(
    truth: Truth, rate_hz: float, duration_s: float, *, rise_s: float = 0.0, noise: float = 0.0, seed: int = 1
) -> Array:
    """0 to 5 V, straight ramps centred on the edges, white noise as a part of the swing."""
    t = np.arange(int(rate_hz * duration_s)) / rate_hz
    start = 0.0 if truth.rising[0] else 1.0
    if rise_s > 0:
        at = np.stack([truth.times_s - rise_s / 2, truth.times_s + rise_s / 2], axis=1).ravel()
        level = np.stack([~truth.rising, truth.rising], axis=1).astype(float).ravel()
        y = np.interp(t, at, level)
    else:
        y = (np.searchsorted(truth.times_s, t, side="right") + start) % 2.0
    return 5.0 * (y + np.random.default_rng(seed).normal(0.0, noise, len(t)) if noise else y)


def spiked(y: Array, count: int, volts: float, seed: int = 2) -> Array:
    """Spikes of one to three samples, either way."""
    rng = np.random.default_rng(seed)
    y = y.copy()
    for i in rng.integers(10, len(y) - 50, count):
        y[i : i + rng.integers(1, 4)] += volts * rng.choice([-1, 1]) * rng.uniform(0.6, 1.4)
    return y


def ringing(y: Array, rate_hz: float, hz: float, damping: float) -> Array:
    """A second-order lag: each edge overshoots and rings."""
    w = 2 * np.pi * hz
    b, a, _ = cont2discrete(([w * w], [1.0, 2 * damping * w, w * w]), 1.0 / rate_hz)
    return np.asarray(lfilter(b.ravel(), a, y - y[0]) + y[0])


def ac_coupled(y: Array, rate_hz: float, tau_s: float) -> Array:
    """A first-order high-pass: plateaus droop, the baseline follows the duty cycle."""
    keep = np.exp(-1.0 / (rate_hz * tau_s))
    return np.asarray(lfilter([1.0, -1.0], [1.0, -keep], y - y[: int(0.2 * rate_hz)].mean()))


def crank_coil(
    rate_hz: float,
    *,
    teeth: int = 60,
    missing: int = 2,
    sigma: float | None = None,
    noise_v: float = 0.005,
    seed: int = 3,
) -> tuple[Array, Array, Array]:
    """A coil at rest, cranked at 180 rpm with ripple, run up to 850 rpm, stopped: 6 s.

    Returns the voltage (6 V per 1000 rpm, falling through 0 at each tooth), the times of those crossings, and the rpm
    there. ``sigma``: half-width of a tooth's flux, in pitches; without it one period of a sine for each tooth.
    """
    fine = np.arange(0.0, 6.0, 2e-5)
    rpm = np.interp(fine, (0, 0.5, 1.0, 2.5, 3.5, 5.2, 5.6, 6.0), (0, 0, 180, 180, 850, 850, 0, 0))
    rough = np.concatenate([[0.0], np.cumsum(rpm[:-1] * 6 * 2e-5)])
    rpm = rpm * (1 + 0.2 * np.cos(np.deg2rad(2 * rough)) * np.exp(-rpm / 400))
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (rpm[1:] + rpm[:-1]) * 6 * 2e-5)])
    t = np.arange(int(6.0 * rate_hz)) / rate_hz
    pitch = 360.0 / teeth
    place = np.interp(t, fine, angle) / pitch - 0.5
    tooth, off = np.floor(place + 0.5), place - np.floor(place + 0.5)
    if sigma is None:
        shape = np.where(tooth % teeth < teeth - missing, -np.sin(2 * np.pi * off), 0.0)
    else:
        shape = np.zeros(len(t))
        for d in (-1, 0, 1):
            u = (off - d) / sigma
            shape -= np.where((tooth + d) % teeth < teeth - missing, 1.65 * u * np.exp(-0.5 * u * u), 0.0)
    volts = shape * np.interp(t, fine, rpm) * 0.006 + np.random.default_rng(seed).normal(0.0, noise_v, len(t))
    number = np.arange(int(angle[-1] / pitch) - 1)
    wanted = (number[number % teeth < teeth - missing] + 0.5) * pitch
    turning = np.concatenate([[True], np.diff(angle) > 1e-12])
    times = np.interp(wanted, angle[turning], fine[turning])
    return volts, times, np.interp(times, fine, rpm)


def channel(y: Array, rate_hz: float, **trace: float) -> Channel:
    return Channel("sensor", Trace(y, rate_hz, **trace), unit="V")


@dataclass(frozen=True)
class Score:
    """What was found against what is true; errors in microseconds, matched within tolerance and polarity."""

    missed: int
    extra: int
    bias_rising_us: float
    bias_falling_us: float
    sd_us: float
    worst_us: float


def score(train: EdgeTrain, truth: Truth, tolerance_s: float) -> Score:
    errors: dict[bool, Array] = {}
    missed = extra = 0
    for up in (True, False):
        found, true = train.times_s[train.rising == up], truth.times_s[truth.rising == up]
        i = np.searchsorted(found, true).clip(1, max(len(found) - 1, 1))
        if len(found) < 2:
            missed += len(true)
            errors[up] = np.empty(0)
            continue
        i = np.where(np.abs(found[i - 1] - true) < np.abs(found[i] - true), i - 1, i)
        away = found[i] - true
        near = np.abs(away) < tolerance_s
        errors[up] = away[near] * 1e6
        missed += int((~near).sum())
        extra += len(found) - len(np.unique(i[near]))
    both = np.concatenate(list(errors.values()))
    return Score(
        missed,
        extra,
        float(errors[True].mean()) if len(errors[True]) else np.nan,
        float(errors[False].mean()) if len(errors[False]) else np.nan,
        float(both.std()) if len(both) else np.nan,
        float(np.abs(both).max()) if len(both) else np.nan,
    )
