"""Where each camshaft stands behind the crank, over time: slip, wear, phaser, torsion."""

from __future__ import annotations

import numpy as np

from tightside.records import CamPattern, Floats, tooth_pitch_deg
from tightside.twin.motion import COMMAND_S, DT_S, Motion
from tightside.twin.scene import Fault, Scenario

WANDER_TIMES_S = (0.08, 1.2)  # range of a loose phaser's time constant or half period


def cam_offset(cam: CamPattern, motion: Motion, scenario: Scenario, orders: float, rng: np.random.Generator) -> Floats:
    """Offset of one cam at each knot of the motion, positive late. [deg]

    ``orders`` is the firing frequency in pulses per crank turn, at which a healthy cam swings too.
    """
    faults = [f for f in scenario.faults if f.hits(cam.cam)]
    offset = np.full(len(motion.angle_deg), float(sum(steady_deg(f, cam) for f in faults)))
    for fault in faults:
        if fault.kind == "loose":
            offset += _wandering(len(offset), fault.value, rng)
        if fault.kind == "moving":
            offset += _sign(cam) * _commanded(len(offset), fault.value, rng)
    phase = rng.uniform(0, 2 * np.pi, 2)
    theta = np.radians(motion.angle_deg)
    offset += scenario.wobble_deg * np.sin(orders * theta + phase[0])
    offset += 0.3 * scenario.wobble_deg * np.sin(0.5 * theta + phase[1])
    offset += scenario.stretch_deg_per_krpm * motion.speed_deg_s / 6e3
    return offset + _by_cycle(motion.angle_deg, scenario.cycle_sd_deg, rng)


def slipped_teeth(cam: CamPattern, faults: tuple[Fault, ...]) -> int:
    """Teeth that a cam is off by, in whole teeth of the last stage nearest to what slipped. Late positive."""
    moved = sum(steady_deg(f, cam) for f in faults if f.kind == "slip" and f.hits(cam.cam))
    return round(moved / tooth_pitch_deg(cam.stages)) if cam.stages else 0


def _sign(cam: CamPattern) -> float:
    return -1.0 if cam.phaser_advances else 1.0


def steady_deg(fault: Fault, cam: CamPattern) -> float:
    """What one fault puts a cam off by for good, positive late. [deg]"""
    if fault.kind == "slip":
        return fault.value * tooth_pitch_deg(cam.stages, -1 if fault.stage is None else fault.stage - 1)
    if fault.kind == "wear":
        return abs(fault.value)
    return _sign(cam) * abs(fault.value) if fault.kind == "stuck" else 0.0


def _wandering(n: int, reach_deg: float, rng: np.random.Generator) -> Floats:
    """A phaser that nothing holds: a first-order random walk, or a rough swing from stop to stop, within +- reach."""
    t = np.arange(0.0, n * DT_S + COMMAND_S, COMMAND_S)
    pace_s = float(np.exp(rng.uniform(*np.log(WANDER_TIMES_S))))
    if rng.random() < 0.5:
        keep = np.exp(-COMMAND_S / pace_s)
        x = np.empty(len(t))
        x[0] = rng.standard_normal()
        for i, step in enumerate(rng.standard_normal(len(t) - 1) * np.sqrt(1 - keep**2)):
            x[i + 1] = keep * x[i] + step
        swing = 0.6 * x
    else:
        rate = np.pi / pace_s * np.exp(0.3 * np.interp(t, t[::20], rng.standard_normal(len(t[::20]))))
        swing = np.clip(1.4 * np.sin(np.cumsum(rate) * COMMAND_S + rng.uniform(0, 6.28)), -1, 1)
    place_deg: Floats = np.clip(reach_deg * swing, -1.3 * reach_deg, 1.3 * reach_deg)
    return np.asarray(np.interp(np.arange(n) * DT_S, t, place_deg))


def _commanded(n: int, travel_deg: float, rng: np.random.Generator) -> Floats:
    """A phaser that follows its module: ramps at 30..120 deg/s between held places, from park."""
    t = np.arange(n) * DT_S
    held = [0.0]
    times = [0.0]
    while times[-1] < t[-1]:
        times += [times[-1] + rng.uniform(0.5, 2.5)]
        held += [held[-1]]
        to = travel_deg * rng.random()
        times += [times[-1] + max(abs(to - held[-1]) / rng.uniform(30.0, 120.0), 0.01)]
        held += [to]
    return np.asarray(np.interp(t, times, held))


def _by_cycle(angle_deg: Floats, sd_deg: float, rng: np.random.Generator) -> Floats:
    """Small random change from half cycle to half cycle, joined smoothly."""
    first, last = np.floor(angle_deg.min() / 360.0) - 1, np.ceil(angle_deg.max() / 360.0) + 1
    knots = np.arange(first, last + 1) * 360.0
    return np.interp(angle_deg, knots, sd_deg * rng.standard_normal(len(knots)))
