"""Crank wheels of every kind at random, turned by the simulator and recorded: one whole number gives one case.

A case is a wheel, how it is turned, what senses and records it, and sometimes a camshaft beside it. Ranges are common
practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from tightside.records import CamPattern, Channel, Floats, Recording, WheelPattern
from tightside.twin.motion import turn_engine
from tightside.twin.recorder import listed, sampled
from tightside.twin.scene import Recorder, Running, Scenario, Sensor, Subject
from tightside.twin.sensors import (
    Target,
    Turning,
    cam_target,
    coil_volts,
    crank_target,
    find_switching,
    hall_volts,
    with_extra,
)

Rng = np.random.Generator
KINDS = ("one gap", "like gaps", "unlike gaps", "N+1", "irregular", "wide/narrow", "even")


@dataclass(frozen=True)
class DrawnWheel:
    """A wheel by the edges that its maker lists, and the other polarity's where they carry the pattern."""

    kind: str
    angles_deg: Floats  # one turn, from 0
    repeats: int = 1  # how often the pattern comes in a turn
    other_deg: Floats | None = None  # wide/narrow: where the other polarity's edges stand


@dataclass(frozen=True)
class WheelCase:
    """One recording, and what is true of it."""

    number: int
    wheel: DrawnWheel
    sensor: Literal["hall", "vr"]
    mode: str  # "cranking", "start", "idle", ...
    lossy: bool
    recording: Recording
    common_repeats: int | None  # how often crank and cam come again together in a cycle; None without a cam

    @property
    def tellable(self) -> bool:
        """Whether crank and cam together say what a turn is: they come again together once a cycle."""
        return self.common_repeats == 1


def _positions(count: int, missing: list[int]) -> Floats:
    present = np.setdiff1d(np.arange(count), np.array(missing, dtype=int) % count)
    return np.asarray((present - present[0]) * 360.0 / count)


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _one_gap(rng: Rng) -> DrawnWheel:
    usual = [(60, 2), (36, 1), (36, 2), (24, 1), (24, 2), (30, 1), (30, 2), (18, 1), (12, 1), (44, 2), (48, 2), (35, 1)]
    count, gap = usual[int(rng.integers(len(usual)))]
    if rng.random() < 0.5:
        count, gap = int(rng.integers(8, 121)), int(rng.integers(1, 4))
    gap = min(gap, count // 4)
    return DrawnWheel("one gap", _positions(count, list(range(count - gap, count))))


def _like_gaps(rng: Rng) -> DrawnWheel:
    """The same gap two to four times a turn, evenly spread: the wheel repeats within the turn."""
    usual = [(12, 2, 3), (30, 2, 2), (22, 2, 2), (18, 2, 2), (15, 2, 4), (18, 1, 2), (12, 1, 2), (9, 1, 4)]
    each, gap, repeats = usual[int(rng.integers(len(usual)))]
    if rng.random() < 0.5:
        each, gap, repeats = int(rng.integers(7, 31)), int(rng.integers(1, 3)), int(rng.integers(2, 5))
    missing = [k * each + each - 1 - j for k in range(repeats) for j in range(gap)]
    return DrawnWheel("like gaps", _positions(each * repeats, missing), repeats)


def _unlike_gaps(rng: Rng) -> DrawnWheel:
    """Two to four gaps, unlike, or unevenly spread."""
    while True:
        count, gaps = int(rng.integers(18, 73)), int(rng.integers(2, 5))
        at = np.sort(rng.choice(np.arange(0, count, 4), gaps, replace=False))
        missing = [int(a) + j for a in at for j in range(int(rng.integers(1, 4)))]
        angles = _positions(count, missing)
        if _repeats(angles) == 1 and len(angles) > count // 2:
            return DrawnWheel("unlike gaps", angles)


def _extra(rng: Rng) -> DrawnWheel:
    count = int(rng.choice([4, 6, 8, 12, 12, 24, 24, 36])) if rng.random() < 0.5 else int(rng.integers(4, 61))
    share = float(rng.choice([1 / 3, 0.5, 2 / 3])) if rng.random() < 0.5 else rng.uniform(0.25, 0.75)
    return DrawnWheel("N+1", np.sort(np.append(np.arange(count), share)) * 360.0 / count)


def _irregular(rng: Rng) -> DrawnWheel:
    """On no grid: 2 to 24 pulses, gaps in ratios up to 4; sometimes the same two or three times a turn."""
    repeats = int(rng.choice([1, 1, 1, 2, 3]))
    while True:
        pulses = int(rng.integers(2, 25 if repeats == 1 else 9))
        gaps = rng.uniform(1.0, rng.uniform(1.8, 4.0), pulses)
        if gaps.max() > 1.5 * gaps.min():
            gaps = np.tile(gaps / gaps.sum(), repeats) * 360.0 / repeats
            return DrawnWheel("irregular", np.concatenate(([0.0], np.cumsum(gaps)[:-1])), repeats)


def _wide_narrow(rng: Rng) -> DrawnWheel:
    """Even by one polarity; by the other the teeth are wide and narrow, in an order that comes once a turn."""
    while True:
        count = int(rng.choice([8, 12, 24, 24, 36]))
        wide = rng.random(count) < 0.5
        narrow_share, wide_share = rng.uniform(0.2, 0.35), rng.uniform(0.6, 0.75)
        angles = np.arange(count) * 360.0 / count
        other = angles + np.where(wide, wide_share, narrow_share) * 360.0 / count
        if _repeats(other) == 1:
            return DrawnWheel("wide/narrow", angles, 1, other)


def _even(rng: Rng) -> DrawnWheel:
    count = int(rng.choice([4, 6, 12, 18, 24, 36, 60])) if rng.random() < 0.5 else int(rng.integers(3, 91))
    return DrawnWheel("even", np.arange(count) * 360.0 / count, count)


DRAW = {
    "one gap": _one_gap,
    "like gaps": _like_gaps,
    "unlike gaps": _unlike_gaps,
    "N+1": _extra,
    "irregular": _irregular,
    "wide/narrow": _wide_narrow,
    "even": _even,
}


def _repeats(angles_deg: Floats) -> int:
    """How often a wheel's pattern comes in one turn."""
    gaps = np.diff(np.append(angles_deg, angles_deg[0] + 360.0))
    n = len(gaps)
    return next(k for k in range(n, 0, -1) if n % k == 0 and np.allclose(gaps, np.roll(gaps, n // k), atol=1e-6))


def draw_wheel_case(number: int) -> WheelCase:
    """The case of that number."""
    rng = np.random.default_rng([104729, number])
    kind = KINDS[number % len(KINDS)]
    wheel = DRAW[kind](rng)
    vr = kind != "wide/narrow" and rng.random() < 0.4
    cam = bool(rng.random() < (0.75 if wheel.repeats > 1 else 0.5))
    running, recorder = _running(rng), _recorder(rng, vr)
    lossy = bool(rng.random() < 0.15)
    sensor = _sensor(rng, vr, lossy, running, len(wheel.angles_deg))
    scenario = Scenario(running=running, recorder=recorder, sensor=sensor)
    pattern = WheelPattern(
        name="",
        angles_deg=wheel.angles_deg,
        position_0_deg=float(rng.uniform(0, 360)),
        active_edge="falling" if rng.random() < 0.5 else "rising",
        kind="vr" if vr else "hall",
    )
    cylinders = int(rng.choice([3, 4, 4, 5, 6, 6, 8]))
    subject = Subject(
        wheel=pattern,
        firing_order=tuple(range(1, cylinders + 1)),
        firing_angles_deg=np.arange(cylinders) * 720.0 / cylinders,
    )
    edges, alike = _cam_edges(rng)
    pattern_of_cam = CamPattern("1A", edges, np.arange(len(edges)) % 2 == 0) if cam else None
    recording = _recorded(wheel, subject, scenario, pattern_of_cam, rng)
    common = math.gcd(2 * wheel.repeats, alike) if cam else None
    return WheelCase(number, wheel, "vr" if vr else "hall", running.mode, lossy, recording, common)


def _running(rng: Rng) -> Running:
    mode: Any = rng.choice(["cranking", "start", "idle", "steady", "snap"], p=[0.45, 0.15, 0.2, 0.1, 0.1])
    seconds = _log(rng, 3.0, 6.0) if mode == "cranking" else _log(rng, 2.0, 6.0) + (2.0 if mode == "start" else 0.0)
    rpm = {"cranking": float(rng.uniform(130.0, 310.0)), "steady": _log(rng, 700.0, 3000.0)}.get(mode)
    return Running(
        mode=mode,
        seconds=seconds,
        rpm=rpm,
        swing=float(rng.uniform(0.1, 0.45)),
        rest_s=float(rng.uniform(0.0, 0.6)),
        wander=_log(rng, 0.002, 0.03),
    )


def _recorder(rng: Rng, vr: bool) -> Recorder:
    if rng.random() < 0.35:
        return Recorder(kind="edges", resolution_s=float(rng.choice([1e-8, 1e-7, 1e-6, 1e-5])))
    return Recorder(
        rate_hz=float(rng.choice([10e3, 20e3, 50e3, 100e3], p=[0.3, 0.3, 0.25, 0.15])),
        bits=int(rng.choice([8, 10, 12, 16])),
        span_v=20.0,
        noise_v=_log(rng, 0.005, 0.15),
        brush_v=_log(rng, 0.02, 0.3) if rng.random() < 0.3 else 0.0,
        spikes_per_s=_log(rng, 0.2, 10.0) if rng.random() < 0.15 else 0.0,
        spike_v=3.0,
    )


def _sensor(rng: Rng, vr: bool, lossy: bool, running: Running, pulses: int) -> Sensor:
    """Lost and extra pulses: up to about one a turn in five."""
    return Sensor(
        rise_s=_log(rng, 1e-6, 40e-6),
        fall_s=_log(rng, 1e-6, 8e-6),
        jitter_deg=_log(rng, 0.005, 0.1),
        jitter_s=_log(rng, 1e-7, 3e-6),
        ringing=float(rng.uniform(0.0, 0.3)) if rng.random() < 0.2 else 0.0,
        duty=float(rng.uniform(0.3, 0.7)),
        coil_v_per_krpm=_log(rng, 3.0, 15.0),
        tooth_width=float(rng.uniform(0.25, 0.36)),
        bias_v=float(rng.choice([0.0, 0.0, 2.5])),
        runout_deg=float(rng.uniform(0.0, 0.12)),
        tooth_sd_deg=float(rng.uniform(0.0, 0.06)),
        gap_swing=float(rng.uniform(0.0, 0.2)),
        missing=_log(rng, 0.02, 0.2) / pulses if lossy else 0.0,
        extra_per_s=_log(rng, 0.1, 1.0) if lossy else 0.0,
        swapped=bool(rng.random() < 0.3),
    )


# ------------------------------------------------------------------------------------------------------ recorded


def _recorded(wheel: DrawnWheel, subject: Subject, scenario: Scenario, cam: CamPattern | None, rng: Rng) -> Recording:
    motion = turn_engine(subject, scenario, rng)
    turning = Turning(angle_deg=motion.angle_deg, speed_deg_s=motion.speed_deg_s)
    targets = {"crank": _crank(wheel, subject, scenario, rng)}
    if cam is not None:
        targets["cam:1A"] = cam_target(cam, "hall", scenario.sensor, rng)
    channels = []
    for role, target in targets.items():
        sensor = scenario.sensor if role == "crank" else replace(scenario.sensor, missing=0.0, extra_per_s=0.0)
        data = _data(target, sensor, turning, scenario, motion, rng)
        channels.append(Channel(role, data, "V" if scenario.recorder.kind == "sampled" else "", role, "heading"))
    return Recording(f"wheel {wheel.kind}", "sensor", tuple(channels), "simulated")


def _crank(wheel: DrawnWheel, subject: Subject, scenario: Scenario, rng: Rng) -> Target:
    target = crank_target(subject.wheel, scenario.sensor, 0.0, rng)
    if wheel.other_deg is None:
        return target
    start = subject.wheel.position_0_deg
    edges = np.concatenate((wheel.angles_deg, wheel.other_deg)) + start
    edges = (edges + scenario.sensor.tooth_sd_deg * rng.standard_normal(len(edges))) % 360.0
    listed_ones = np.arange(len(edges)) < len(wheel.angles_deg)
    order = np.argsort(edges)
    rising = listed_ones == (subject.wheel.active_edge == "rising")
    return Target(edges_deg=edges[order], rising=rising[order], sharp=listed_ones[order])


def _cam_edges(rng: Rng) -> tuple[Floats, int]:
    """One to six pulses, seldom all alike; and how often their pattern comes in a cycle. Rising edges first."""
    pulses, alike = int(rng.integers(1, 7)), 1
    parts = 16.0 + rng.dirichlet(np.full(2 * pulses, 2.0)) * (720.0 - 32.0 * pulses)
    if pulses > 1 and rng.random() < 0.1:
        parts, alike = np.tile(parts[:2] / parts[:2].sum(), pulses) * 720.0 / pulses, pulses
    return np.concatenate(([0.0], np.cumsum(parts)[:-1])), alike


def _data(target: Target, sensor: Sensor, turning: Turning, scenario: Scenario, motion: Any, rng: Rng) -> Any:
    seconds, recorder = scenario.running.seconds, scenario.recorder
    count = int(seconds * recorder.rate_hz)
    if recorder.kind == "sampled" and target.kind == "vr":
        volts = coil_volts(target, sensor, turning, recorder.rate_hz, count)
        return sampled((-volts if sensor.swapped else volts) + sensor.bias_v, recorder, motion, rng)
    signal = with_extra(find_switching(target, sensor, turning, rng), sensor, seconds, rng)
    if sensor.swapped:
        signal = replace(signal, high=~signal.high)
    if recorder.kind == "edges":
        return listed(signal, recorder, seconds)
    return sampled(hall_volts(signal, sensor, recorder.rate_hz, count), recorder, motion, rng)
