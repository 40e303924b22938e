"""What else a recorder may listen to while the crank turns: current clamp, battery, pressure transducers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tightside.errors import UsageError
from tightside.records import Channel, Floats
from tightside.twin.motion import GasRun, Motion
from tightside.twin.recorder import sampled
from tightside.twin.scene import Recorder, Scenario

BRUSH_RIPPLE = 0.015  # of the current, commutation; common practice, no source
RIPPLE_PER_TURN = 160.0  # commutator bars that pass per crank turn


@dataclass(frozen=True, slots=True)
class Gauge:
    """A transducer: unit, full scale of its recorder, noise, and its own time constant."""

    unit: str
    span: float
    noise: float
    lag_s: float


GAUGES = {
    "starter_current": Gauge("A", 1000.0, 2.0, 2e-4),
    "battery_voltage": Gauge("V", 20.0, 0.02, 0.0),
    "manifold_pressure": Gauge("kPa", 250.0, 0.15, 1e-3),
    "cylinder_pressure": Gauge("kPa", 3500.0, 3.0, 5e-5),
}


def gauge_channels(scenario: Scenario, motion: Motion, rng: np.random.Generator) -> tuple[Channel, ...]:
    """A sampled channel for each role that the scene asks for.

    Raises
    ------
    UsageError
        If there is no such role or cylinder, or the recorder writes level changes only.
    """
    gas = scenario.gas
    if gas is None or not gas.also:
        return ()
    if scenario.recorder.kind == "edges":
        raise UsageError(
            code="edges-only", what="a list of level changes carries no pressure or current", hint="Leave out --edges"
        )
    assert motion.gas is not None
    values = [(role, _values(role, motion.gas, motion, rng)) for role in gas.also]
    return tuple(_channel(role, v, motion.gas, scenario, motion, rng) for role, v in values)


def _values(role: str, run: GasRun, motion: Motion, rng: np.random.Generator) -> Floats:
    name, _, number = role.partition(":")
    if name == "starter_current" and not number:
        at_s = np.arange(len(run.current_a)) * run.step_s
        angle = np.radians(np.interp(at_s, motion.times_s, motion.angle_deg))
        phase = rng.uniform(0, 2 * np.pi)
        return np.asarray(run.current_a * (1 + BRUSH_RIPPLE * np.sin(RIPPLE_PER_TURN * angle + phase)))
    if name == "battery_voltage" and not number:
        return run.battery_v
    if name == "manifold_pressure" and not number:
        return run.manifold_kpa
    if name == "cylinder_pressure" and number.isdecimal() and int(number) in run.cylinders:
        return run.pressure_kpa[:, run.cylinders.index(int(number))]
    known = "starter_current, battery_voltage, manifold_pressure, cylinder_pressure:N with N a cylinder"
    raise UsageError(code="no-such-gauge", what="this cannot be recorded", expected=known, got=role)


def _channel(
    role: str, values: Floats, run: GasRun, scenario: Scenario, motion: Motion, rng: np.random.Generator
) -> Channel:
    gauge = GAUGES[role.partition(":")[0]]
    recorder = _for(scenario.recorder, gauge)
    n = int(scenario.running.seconds * recorder.rate_hz)
    lagged = _lagged(values, gauge.lag_s / run.step_s)
    at = np.arange(n) / recorder.rate_hz / run.step_s
    seen = np.interp(at, np.arange(len(lagged)), lagged)
    return Channel(column=role, data=sampled(seen, recorder, motion, rng), unit=gauge.unit, role=role, why="simulated")


def _for(recorder: Recorder, gauge: Gauge) -> Recorder:
    """The same converter behind another range; pick-up of the sensor wires left out."""
    return replace(
        recorder,
        span_v=gauge.span,
        noise_v=gauge.noise,
        drift_v=0.0,
        coupling_hz=0.0,
        spikes_per_s=0.0,
        ignition_v=0.0,
        brush_v=0.0,
    )


def _lagged(values: Floats, steps: float) -> Floats:
    """A first-order lag of so many knots."""
    if steps <= 0.0:
        return values
    from scipy.signal import lfilter, lfiltic

    keep = float(np.exp(-1.0 / steps))
    start = lfiltic([1.0 - keep], [1.0, -keep], y=[values[0]])
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], values, zi=start)[0])
