"""Signals beside crank and cam, made from a simulated engine's motion by formulas of our own, not by the twin's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tightside.cli.simulate import subject_of
from tightside.engine.load import read_engine
from tightside.records import Channel, Recording, Trace
from tightside.twin.motion import Motion, turn_engine
from tightside.twin.scene import Recorder, Running, Scenario, Subject
from tightside.twin.simulate import simulate

V6 = Path(__file__).parent.parent / "src" / "tightside" / "engine" / "shipped" / "demo-v6.yaml"
RATE_HZ = 20_000.0
Floats = NDArray[np.float64]


def v6() -> Subject:
    return subject_of(read_engine(V6))


class Bench:
    """One engine running, looked at through whatever is wanted."""

    def __init__(self, mode: str, seed: int, seconds: float = 3.0, rpm: float | None = None) -> None:
        self.subject = v6()
        running = Running(mode=mode, seconds=seconds, rpm=rpm, rest_s=0.4)  # type: ignore[arg-type]
        self.scenario = Scenario(running=running, recorder=Recorder(rate_hz=RATE_HZ, noise_v=0.01))
        self.sensors, _ = simulate(self.subject, self.scenario, np.random.default_rng(seed))
        motion_rng, *_ = np.random.default_rng(seed).spawn(4)  # the same motion again
        self.motion: Motion = turn_engine(self.subject, self.scenario, motion_rng)
        self.rng = np.random.default_rng(seed + 1000)
        self.t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
        self.angle = np.interp(self.t, self.motion.times_s, self.motion.angle_deg)
        self.speed = np.interp(self.t, self.motion.times_s, self.motion.speed_deg_s)

    def top_deg(self, cylinder: int) -> float:
        return float(self.subject.firing_angles_deg[self.subject.firing_order.index(cylinder)])

    def channel(
        self, column: str, values: Floats, unit: str = "V", noise: float = 0.003, role: str | None = None
    ) -> Channel:
        span = float(np.ptp(values)) or 1.0
        noisy = values + self.rng.normal(0.0, noise * span, len(values))
        step = 1.2 * span / 4096
        return Channel(column, Trace(np.round(noisy / step) * step, RATE_HZ), unit, role=role)

    def pressure(self, cylinder: int, polytropic: float = 1.3, burns: float = 0.0) -> Floats:
        """Polytropic compression of a slider crank, flat while a valve is open; a later, higher top where it burns."""
        from_top = (self.angle - self.top_deg(cylinder) + 360.0) % 720.0 - 360.0
        volume = 1.0 + 4.6 * (1.0 - np.cos(np.radians(from_top)))
        closed = np.abs(from_top) < 130.0
        kpa = np.where(closed, 95.0 * (8.6 / volume) ** polytropic, 100.0)
        kpa = kpa + burns * 1500.0 * np.exp(-0.5 * ((from_top - 18.0) / 22.0) ** 2)
        return self.filtered(kpa, 0.0008)

    def current(self) -> Floats:
        """A motor with a winding: volts less what its speed gives, over its resistance; a swing lags a little."""
        on = np.interp(self.t, self.motion.times_s, self.motion.starter) > 0.5
        typical = np.median(self.speed[on]) if on.any() else 1.0
        return self.filtered(np.where(on, 480.0 * np.maximum(1.0 - 0.68 * self.speed / typical, 0.0), 0.0), 0.003)

    def battery(self) -> Floats:
        return 12.6 - 0.009 * self.current()

    def manifold(self, deepest_kpa: float = 35.0) -> Floats:
        """Sinks as the engine runs; each cylinder draws it down a little in its intake stroke."""
        runs = np.clip(self.speed / 6.0 / 700.0, 0.0, 1.0)
        mean = self.filtered(100.0 - (100.0 - deepest_kpa) * runs, 0.15)
        return mean - 2.5 * runs * np.sin(np.radians(3.0 * self.angle + 40.0))

    def coil(self, cylinder: int, before_deg: float = 10.0, dwell_s: float = 3e-3) -> Floats:
        """A coil's primary side: pulled down for the dwell, thrown up when it fires."""
        volts = np.full(len(self.t), 13.0)
        fires = np.flatnonzero(np.diff(np.floor((self.angle - self.top_deg(cylinder) + before_deg) / 720.0)) > 0)
        for at in fires:
            volts[max(0, at - int(dwell_s * RATE_HZ)) : at] = 0.8
            volts[at : at + 3] = 320.0
            volts[at + 3 : at + 25] = 35.0
        return volts

    def injector(self, cylinder: int, opens_ms: float = 4.0) -> Floats:
        """A logic signal that is low for a time, once a cycle."""
        volts = np.full(len(self.t), 5.0)
        starts = np.flatnonzero(np.diff(np.floor((self.angle - self.top_deg(cylinder) - 290.0) / 720.0)) > 0)
        for at in starts:
            volts[at : at + int(opens_ms * 1e-3 * RATE_HZ)] = 0.1
        return volts

    def filtered(self, values: Floats, tau_s: float) -> Floats:
        keep = np.exp(-1.0 / (tau_s * RATE_HZ)) if tau_s > 0 else 0.0
        from scipy.signal import lfilter

        out, _ = lfilter([1 - keep], [1, -keep], values, zi=[keep * values[0]])
        return np.asarray(out)

    def recording(self, *channels: Channel, headed: bool = False) -> Recording:
        """Crank and cams (without headings unless wanted), then the channels."""
        sensors = self.sensors.channels
        if not headed:
            sensors = tuple(Channel(f"D{i}", c.data, c.unit) for i, c in enumerate(sensors))
        return Recording("made.csv", "sensor", (*sensors, *channels))
