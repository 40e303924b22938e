"""What the instrument writes down: sampled volts with all they pick up, or level changes on a clock."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tightside.records import Floats, Levels, Trace
from tightside.twin.motion import DT_S, Motion
from tightside.twin.scene import Recorder
from tightside.twin.sensors import Switching

Volts = NDArray[np.float32]

BRUSH_BARS = 300  # commutator bars that pass per crank turn


def sampled(volts: Floats, recorder: Recorder, motion: Motion, rng: np.random.Generator) -> Trace:
    """Volts with disturbances and noise, as whole numbers of the converter."""
    rate_hz = recorder.rate_hz
    seen = volts.astype(np.float32)
    _add_spikes(seen, recorder, motion, rng)
    if recorder.brush_v > 0:
        seen += _brush(len(seen), recorder, motion, rng)
    if recorder.drift_v > 0:
        t = np.arange(len(seen), dtype=np.float32) / np.float32(rate_hz)
        pace, phase = rng.uniform(0.05, 0.5), rng.uniform(0, 2 * np.pi)
        seen += recorder.drift_v * np.sin(2 * np.pi * pace * t + phase).astype(np.float32)
    if recorder.coupling_hz > 0:
        _couple(seen, np.float32(1.0 / (1.0 + 2 * np.pi * recorder.coupling_hz / rate_hz)))
    if recorder.noise_v > 0:
        seen += np.float32(recorder.noise_v) * rng.standard_normal(len(seen), dtype=np.float32)
    return _converted(seen, recorder)


def _converted(volts: Volts, recorder: Recorder) -> Trace:
    full = 2 ** (recorder.bits - 1)
    step_v = recorder.span_v / full
    raw = np.clip(np.rint(volts / np.float32(step_v)), -full, full - 1)
    return Trace(raw=raw.astype(np.int16 if recorder.bits <= 16 else np.int32), rate_hz=recorder.rate_hz, scale=step_v)


@njit(cache=True, nogil=True)
def _couple(volts, keep):  # type: ignore[no-untyped-def]
    before = volts[0]
    y = np.float32(0.0)
    for i in range(len(volts)):
        x = volts[i]
        y = keep * (y + x - before)
        before = x
        volts[i] = y


def _add_spikes(volts: Volts, recorder: Recorder, motion: Motion, rng: np.random.Generator) -> None:
    """Pick-up at firings, and at random: a short pulse that rings down."""
    seconds = len(volts) / recorder.rate_hz
    random = rng.uniform(0, seconds, rng.poisson(recorder.spikes_per_s * seconds))
    fired = motion.firing[motion.burning > 0] - 10.0 * DT_S if recorder.ignition_v > 0 else np.empty(0)
    for times, size in ((random, recorder.spike_v), (fired, recorder.ignition_v)):
        for t in times:
            _add_pulse(volts, int(t * recorder.rate_hz), size * rng.uniform(0.3, 1.0), recorder.rate_hz, rng)


def _add_pulse(volts: Volts, at: int, size_v: float, rate_hz: float, rng: np.random.Generator) -> None:
    width_s = float(np.exp(rng.uniform(np.log(3e-6), np.log(60e-6))))
    age = np.arange(max(1, int(6 * width_s * rate_hz))) / rate_hz / width_s
    pulse = size_v * rng.choice((-1.0, 1.0)) * np.exp(-age) * np.cos(2.5 * age)
    if 0 <= at < len(volts):
        end = min(at + len(age), len(volts))
        volts[at:end] += pulse[: end - at].astype(volts.dtype)


def _brush(n: int, recorder: Recorder, motion: Motion, rng: np.random.Generator) -> Volts:
    """Commutation ripple and sparking while the starter turns."""
    t = np.arange(n) / recorder.rate_hz
    on = np.interp(t, motion.times_s, motion.starter)
    angle = np.interp(t, motion.times_s, motion.angle_deg)
    ripple = np.sin(np.radians(BRUSH_BARS * angle))
    sparks = rng.standard_normal(n, dtype=np.float32) * (ripple > 0.8)
    return np.asarray((recorder.brush_v * on * (0.3 * ripple + sparks)).astype(np.float32))


def listed(signal: Switching, recorder: Recorder, seconds: float) -> Levels:
    """Level changes on the recorder's clock; a pulse shorter than a tick leaves no trace."""
    step = recorder.resolution_s
    inside = (signal.times_s >= 0) & (signal.times_s < seconds)
    ticks = np.floor(signal.times_s[inside] / step).astype(np.int64)
    high = signal.high[inside]
    last_of_tick = np.append(np.diff(ticks) > 0, True) if len(ticks) else np.empty(0, dtype=bool)
    ticks, high = ticks[last_of_tick], high[last_of_tick]
    begins = np.searchsorted(signal.times_s, 0.0)
    before = bool(signal.high[begins - 1]) if begins else not bool(signal.high[0]) if len(signal.high) else False
    changed = np.diff(np.append(before, high).astype(np.int8)) != 0
    times = ticks[changed] * step
    return Levels(times_s=times, levels=high[changed].astype(np.int8), start_s=0.0, end_s=seconds, resolution_s=step)
