"""Logs of cam phase built by hand, with no help of the twin."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from tightside.records import CamPattern, Channel, DriveStage, Readings, Recording

PITCH_DEG = 720.0 / 42.0
STAGES = (DriveStage(21, 42),)


def pattern(cam: str = "1A", travel_deg: float = 30.0, advances: bool = True, **more: Any) -> CamPattern:
    none = np.empty(0)
    return CamPattern(cam, none, none > 0, more.get("stages", STAGES), travel_deg, advances)


def autoregressive(rng: np.random.Generator, n: int, rho: float, sd: float) -> np.ndarray:
    x = rng.standard_normal(n)
    for i in range(1, n):
        x[i] = rho * x[i - 1] + np.sqrt(1 - rho**2) * x[i]
    return sd * x


def log_of(times_s: Any, headings: str | None = None, **columns: Any) -> Recording:
    """A log with columns such as ``error_1A`` and ``rpm``, headed by their roles, or by ``headings`` and the name."""
    channels = []
    for name, values in columns.items():
        kind, _, cam = name.partition("_")
        role = f"log:cam_phase_{kind}:{cam}" if cam else f"log:{kind}"
        unit = "deg" if cam else {"rpm": "rpm", "ect": "degC"}.get(kind, "%")
        heading = role if headings is None else f"{kind} {cam} {headings}"
        channels.append(Channel(heading, Readings(times_s, np.asarray(values, float)), unit, role))
    return Recording("log.csv", "log", tuple(channels))


def idle(
    seed: int = 0, offset_deg: float = 0.0, seconds: float = 60.0, rate_hz: float = 10.0, sd: float = 0.3, **more: Any
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, an error that wanders a little about its offset, and speed."""
    rng = np.random.default_rng([seed, 11])
    n = int(seconds * rate_hz)
    error = offset_deg + autoregressive(rng, n, more.get("rho", 0.5), sd)
    return np.arange(n) / rate_hz, np.round(error, 1), 680 + 6 * rng.standard_normal(n)


FINE_S = 0.005


def steps(seconds: float, seed: int = 0, places: Sequence[float] = (0.0, 20.0, 10.0, 26.0)) -> np.ndarray:
    """A wanted angle, each FINE_S, that is held for some seconds at one place after another."""
    rng = np.random.default_rng([seed, 12])
    times = np.arange(0.0, seconds, FINE_S)
    out = np.zeros(len(times))
    at, k = 3.0, 0
    while at < seconds:
        k += 1
        out[times >= at] = places[k % len(places)]
        at += rng.uniform(3.0, 6.0)
    return out


def answer(wanted: np.ndarray, tau_s: float, lag_s: float) -> np.ndarray:
    """First-order answer to a wanted angle, each FINE_S, by scipy's linear filter."""
    from scipy.signal import lfilter

    late = np.concatenate((np.full(round(lag_s / FINE_S), wanted[0]), wanted))[: len(wanted)]
    keep = np.exp(-FINE_S / tau_s)
    return np.asarray(lfilter([1 - keep], [1.0, -keep], late - late[0]) + late[0])


def sampled(rate_hz: float, *fine: np.ndarray) -> tuple[np.ndarray, ...]:
    """Times, and each series as a tool sees it that asks so often."""
    times = np.arange(0.0, (len(fine[0]) - 1) * FINE_S, 1.0 / rate_hz)
    return times, *(x[np.rint(times / FINE_S).astype(int)] for x in fine)
