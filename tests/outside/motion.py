# mypy: disable-error-code="no-any-return"
"""Crank motion written down as a function of time, not integrated from torque.

A smooth mean phase (start from rest, flare, hunting, coasting, random walk, misfire dips) carries a ripple: a sum of
harmonics of the firing order with random phases, whose height changes from firing to firing with heavy tails.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from outside.engines import Dict, Floats, firing_angles_deg, pick


@dataclass(frozen=True)
class Motion:
    """Crank angle on a fine time grid. 0 is top dead centre of cylinder 1, compression."""

    times_s: Floats
    theta_deg: Floats
    mode: str  # cranking | running
    notes: list[str] = field(default_factory=list)

    @property
    def duration_s(self) -> float:
        return float(self.times_s[-1])

    def speed_deg_s(self) -> Floats:
        return np.gradient(self.theta_deg, self.times_s)

    def times_at(self, angle_deg: Floats) -> Floats:
        """When the crank passes these unwrapped angles (which must lie within the recording)."""
        return np.interp(angle_deg, self.theta_deg, self.times_s)

    def angle_at(self, times_s: Floats) -> Floats:
        return np.interp(times_s, self.times_s, self.theta_deg)


def drift(rng: Generator, times_s: Floats, sd: float, tau_s: float) -> Floats:
    """A wandering of zero mean: a first-order random walk drawn back to 0 within tau_s, smooth between its knots."""
    step = min(tau_s / 4, 0.05)
    count = int(times_s[-1] / step) + 8
    keep = np.exp(-step / tau_s)
    shocks = rng.standard_normal(count) * sd * np.sqrt(1 - keep**2)
    shocks[0] = rng.standard_normal() * sd
    walk = np.empty(count)
    level = 0.0
    for k, shock in enumerate(shocks.tolist()):
        level = keep * level + shock
        walk[k] = level
    return np.interp(times_s, np.arange(count) * step, np.convolve(walk, [0.25, 0.5, 0.25], mode="same"))


def mean_speed_deg_s(rng: Generator, engine: Dict, kind: str, times_s: Floats) -> Floats:
    """Mean speed without the ripple, for one of the kinds of recording."""
    t, end = times_s, float(times_s[-1])
    crank = 6.0 * float(rng.uniform(120, 310))
    idle = 6.0 * engine["idle_rpm"] * float(rng.uniform(0.9, 1.15))
    if kind == "cranking":
        return crank * (1 - float(rng.uniform(0, 0.12)) * t / end) * (1 + drift(rng, t, 0.015, 0.5))
    if kind == "from rest":
        since = np.maximum(t - float(rng.uniform(0.02, 0.25)) * min(end, 3.0), 0)
        return crank * (1 - np.exp(-since / float(rng.uniform(0.08, 0.3)))) * (1 + drift(rng, t, 0.012, 0.5))
    if kind == "start":
        fires = float(rng.uniform(0.2, 0.5)) * end
        since = np.maximum(t - fires, 0)
        rise = 1 - np.exp(-((since / 0.25) ** 2))
        flare = 1 + float(rng.uniform(0.2, 0.7)) * np.exp(-since / 0.8) * np.cos(2 * np.pi * 0.7 * since)
        return crank * (1 - rise) * (1 - np.exp(-t / 0.15)) + rise * idle * flare * (1 + drift(rng, t, 0.01, 0.5))
    if kind == "idle":
        hunt = float(rng.choice([0.0, 0.0, 0.0, 0.06])) * np.sin(2 * np.pi * float(rng.uniform(0.3, 1.2)) * t + 1)
        return idle * (1 + hunt + drift(rng, t, float(rng.uniform(0.004, 0.02)), 0.6))
    if kind == "fast":
        return 6.0 * float(rng.uniform(1300, 3200)) * (1 + drift(rng, t, 0.01, 0.8))
    if kind == "coasting":
        return idle + 6.0 * float(rng.uniform(800, 2200)) * np.exp(-t / float(rng.uniform(0.6, 2.5)))
    blip = np.exp(-(((t - float(rng.uniform(0.3, 0.7)) * end) / (0.15 * end + 0.05)) ** 2))
    return idle * (1 + float(rng.uniform(0.4, 1.8)) * blip)


def _dips(rng: Generator, engine: Dict, times_s: Floats, speed: Floats, persistent: bool) -> Floats:
    """Loss of speed after firings that failed: one cylinder always, or any now and then."""
    phase = np.concatenate([[0.0], np.cumsum(speed[:-1] * np.diff(times_s))])
    events = _firings(engine, phase[0], phase[-1])
    cylinder = np.arange(len(events)) % engine["cylinders"]
    failed = cylinder == rng.integers(engine["cylinders"]) if persistent else rng.random(len(events)) < 0.04
    loss = np.zeros_like(speed)
    for start in np.interp(events[failed], phase, times_s):
        a, b = np.searchsorted(times_s, [start, start + 0.5])
        since = times_s[a:b] - start
        loss[a:b] += float(rng.uniform(0.02, 0.06)) * (since / 0.03) * np.exp(1 - since / 0.03)
    return np.minimum(loss, 0.3)


def _firings(engine: Dict, first_deg: float, last_deg: float) -> Floats:
    cycles = np.arange(np.floor(first_deg / 720), np.ceil(last_deg / 720) + 1)
    events = (720.0 * cycles[:, None] + firing_angles_deg(engine)).ravel()
    return events[(events > first_deg) & (events < last_deg)]


def firing_times_s(motion: Motion, engine: Dict, advance_deg: float) -> Floats:
    events = _firings(engine, float(motion.theta_deg[0]), float(motion.theta_deg[-1]))
    return motion.times_at(events - advance_deg)


def _ripple_deg(rng: Generator, engine: Dict, phase: Floats, depth: Floats, steady: bool, weak: bool) -> Floats:
    """Departure from the mean phase; ``depth`` is the swing of speed as a part of it."""
    order = engine["cylinders"]
    wave = np.zeros_like(phase)
    orders = [(order, 1.0), (2 * order, float(rng.uniform(0.1, 0.35))), (3 * order, float(rng.uniform(0, 0.12)))]
    orders += [(k, float(rng.uniform(0, 0.1))) for k in range(1, order)]
    for k, part in orders:
        step = 2 * np.pi * k / 720
        wave += part / step * np.sin(step * phase + float(rng.uniform(0, 2 * np.pi)))
    heights = 1 + (0.02 if steady else 0.12) * np.clip(rng.standard_t(3, 4000), -4, 4)
    if weak:
        heights[:: engine["cylinders"]] *= float(rng.uniform(0.3, 0.7))
    at = (phase - phase[0]) / (720 / order)
    k = np.minimum(at.astype(int), 3998)
    blend = (at - k) ** 2 * (3 - 2 * (at - k))
    return wave * depth * np.clip(heights[k] * (1 - blend) + heights[k + 1] * blend, 0.1, 1.9)


KINDS = (
    ("cranking", 0.22),
    ("from rest", 0.18),
    ("start", 0.1),
    ("idle", 0.28),
    ("fast", 0.1),
    ("coasting", 0.06),
    ("blip", 0.06),
)


def draw_motion(rng: Generator, engine: Dict, duration_s: float, *, clean: bool = False) -> Motion:
    """A crank motion of this length."""
    kinds = [k for k, _ in KINDS if duration_s > 1.5 or k not in ("start", "blip", "coasting")]
    kind = "idle" if clean else pick(rng, kinds, [w for k, w in KINDS if k in kinds])
    notes = [] if clean else [f"motion: {kind}"]
    step = 2e-5 if duration_s < 3 else 5e-5
    t = np.arange(0.0, duration_s + step, step)
    speed = mean_speed_deg_s(rng, engine, kind, t)
    mode = "cranking" if kind in ("cranking", "from rest") else "running"
    if mode == "running" and not clean and rng.random() < 0.15:
        persistent = bool(rng.random() < 0.4)
        speed *= 1 - _dips(rng, engine, t, speed, persistent)
        notes.append("misfire, one cylinder" if persistent else "misfire, now and then")
    few = 4.0 / engine["cylinders"]
    crank_depth = min(float(rng.uniform(0.08, 0.3)) * few**0.5, 0.42)
    run_depth = min(float(rng.uniform(0.004, 0.035)) * few, 0.12)
    depth = run_depth + (crank_depth - run_depth) / (1 + (speed / (6 * 450.0)) ** 8)
    weak = bool(mode == "cranking" and rng.random() < 0.15)
    notes += ["one cylinder without compression"] if weak else []
    phase = float(rng.uniform(0, 720)) + np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * step)])
    ripple = _ripple_deg(rng, engine, phase, depth, mode == "running", weak)
    while np.any(np.diff(phase + ripple) < 0.2 * np.diff(phase)):
        ripple *= 0.85
    return Motion(t, phase + ripple + 1e-6 * t, mode, notes)
