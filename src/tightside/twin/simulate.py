"""A recording of an engine with any fault, and what really happened."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tightside.records import CamPattern, Channel, Floats, Levels, Record, Recording, Trace
from tightside.twin.camshafts import cam_offset, slipped_teeth
from tightside.twin.crossings import find_passes
from tightside.twin.gauges import gauge_channels
from tightside.twin.motion import DT_S, MIN_TURNING_DEG_S, Motion, turn_engine
from tightside.twin.recorder import listed, sampled
from tightside.twin.scene import CamTruth, Scenario, Sensor, Subject, Truth
from tightside.twin.sensors import (
    Switching,
    Target,
    Turning,
    cam_target,
    coil_volts,
    crank_target,
    find_switching,
    hall_volts,
    with_extra,
    without,
)

CAM_FAULTS = ("slip", "wear", "loose", "stuck", "moving", "lost")
Spans = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Shaft(Record):
    """One sensor's wheel, how it turned, and when its wire was dead."""

    role: str
    target: Target
    turning: Turning
    dead: Spans = ()


def simulate(subject: Subject, scenario: Scenario, rng: np.random.Generator) -> tuple[Recording, Truth]:
    """Turn an engine, look at it through its sensors, and say what was true.

    Parameters
    ----------
    subject : Subject
        The engine.
    scenario : Scenario
        How it is run, what is wrong, what records it.
    rng : numpy.random.Generator
        All chance comes from here: the same state gives the same recording.

    Returns
    -------
    (Recording, Truth)
        One channel for each sensor, headed by its role. Truth is that of the shafts themselves: wheel and sensor
        errors are in the recording only.
    """
    motion_rng, cam_rng, wheel_rng, wire_rng = rng.spawn(4)
    motion = turn_engine(subject, scenario, motion_rng)
    shift = sum(f.value for f in scenario.faults if f.kind == "crank-shift")
    offsets = {
        c.cam: cam_offset(c, motion, scenario, subject.cylinders / 2, r)
        for c, r in zip(subject.cams, cam_rng.spawn(len(subject.cams)), strict=True)
    }
    dead = {c.cam: _dead_spans(c.cam, scenario, wire_rng) for c in subject.cams}
    shafts = _shafts(subject, scenario, (motion, offsets, dead), shift, wheel_rng)
    rngs = wire_rng.spawn(len(shafts))
    channels = tuple(_channel(s, scenario, motion, r) for s, r in zip(shafts, rngs, strict=True))
    channels += gauge_channels(scenario, motion, wire_rng)
    recording = Recording(file="simulated", kind="sensor", channels=channels, format="simulated")
    return recording, _truth(subject, scenario, (motion, offsets, dead), shift)


def _shafts(
    subject: Subject,
    scenario: Scenario,
    moved: tuple[Motion, dict[str, Floats], dict[str, Spans]],
    shift_deg: float,
    rng: np.random.Generator,
) -> list[_Shaft]:
    motion, offsets, dead = moved
    crank = crank_target(subject.wheel, scenario.sensor_of("crank"), shift_deg, rng)
    turning = Turning(angle_deg=motion.angle_deg, speed_deg_s=motion.speed_deg_s)
    shafts = [_Shaft(role="crank", target=crank, turning=turning)]
    for cam in subject.cams:
        role = f"cam:{cam.cam}"
        target = cam_target(cam, subject.kind_of(cam.cam), scenario.sensor_of(role), rng)
        shafts.append(_Shaft(role=role, target=target, turning=_behind(motion, offsets[cam.cam]), dead=dead[cam.cam]))
    return shafts


def _behind(motion: Motion, offset_deg: Floats) -> Turning:
    return Turning(
        angle_deg=motion.angle_deg - offset_deg, speed_deg_s=motion.speed_deg_s - np.gradient(offset_deg, DT_S)
    )


def _dead_spans(cam: str, scenario: Scenario, rng: np.random.Generator) -> Spans:
    """When a lost signal is dead: all of the time, or a few spans that add up to the share asked for."""
    seconds = scenario.running.seconds
    spans: list[tuple[float, float]] = []
    for share in (f.value for f in scenario.faults if f.kind == "lost" and f.hits(cam)):
        if share >= 1.0:
            return ((-1.0, seconds + 1.0),)
        parts = int(rng.integers(1, 5))
        for k in range(parts):
            room, length = seconds / parts, share * seconds / parts
            begin = k * room + rng.uniform(0, room - length)
            spans.append((begin, begin + length))
    return tuple(spans)


def _channel(shaft: _Shaft, scenario: Scenario, motion: Motion, rng: np.random.Generator) -> Channel:
    sensor, recorder = scenario.sensor_of(shaft.role), scenario.recorder
    seconds = scenario.running.seconds
    data: Trace | Levels
    if recorder.kind == "edges":
        signal = with_extra(find_switching(shaft.target, sensor, shaft.turning, rng), sensor, seconds, rng)
        data = listed(_turned_over(without(signal, shaft.dead), sensor), recorder, seconds)
        unit = ""
    else:
        data = sampled(_volts(shaft, scenario, rng), recorder, motion, rng)
        unit = "V"
    return Channel(column=shaft.role, data=data, unit=unit, role=shaft.role, why="simulated")


def _turned_over(signal: Switching, sensor: Sensor) -> Switching:
    return replace(signal, high=~signal.high) if sensor.swapped else signal


def _volts(shaft: _Shaft, scenario: Scenario, rng: np.random.Generator) -> Floats:
    sensor, rate_hz = scenario.sensor_of(shaft.role), scenario.recorder.rate_hz
    n = int(scenario.running.seconds * rate_hz)
    if shaft.target.kind == "vr":
        return _coil_wire(coil_volts(shaft.target, sensor, shaft.turning, rate_hz, n), shaft, sensor, rate_hz)
    signal = find_switching(shaft.target, sensor, shaft.turning, rng)
    signal = without(with_extra(signal, sensor, scenario.running.seconds, rng), shaft.dead)
    volts = hall_volts(signal, sensor, rate_hz, n)
    return sensor.low_v + sensor.high_v - volts if sensor.swapped else volts


def _coil_wire(volts: Floats, shaft: _Shaft, sensor: Sensor, rate_hz: float) -> Floats:
    for begin, end in shaft.dead:
        volts[max(int(begin * rate_hz), 0) : max(int(end * rate_hz), 0)] = 0.0
    if sensor.swapped:
        volts = -volts
    if sensor.clip_v is not None:
        volts = np.clip(volts, -sensor.clip_v, sensor.clip_v)
    return volts + sensor.bias_v


# ---------------------------------------------------------------------------------------------------------- truth


def _truth(
    subject: Subject,
    scenario: Scenario,
    moved: tuple[Motion, dict[str, Floats], dict[str, Spans]],
    shift_deg: float,
) -> Truth:
    motion, offsets, dead = moved
    tops = find_passes(motion.angle_deg, motion.speed_deg_s, np.array([0.0]), 720.0)
    turning = motion.speed_deg_s[motion.speed_deg_s > MIN_TURNING_DEG_S] / 6
    rpm = (float(turning.min()), float(np.median(turning)), float(turning.max())) if len(turning) else (0.0, 0.0, 0.0)
    cams = tuple(_cam_truth(c, motion, offsets[c.cam], dead[c.cam], scenario) for c in subject.cams)
    zeros = tops.times_s[tops.forward]
    return Truth(cams=cams, crank_shift_deg=shift_deg, zero_times_s=zeros, rpm=rpm, cycles=max(len(zeros) - 1, 0))


def _cam_truth(cam: CamPattern, motion: Motion, offset_deg: Floats, dead: Spans, scenario: Scenario) -> CamTruth:
    faults = tuple(f for f in scenario.faults if f.hits(cam.cam) and f.kind in CAM_FAULTS)
    whole = any(end - begin >= scenario.running.seconds for begin, end in dead)
    times, offsets = cycle_offsets(cam, motion, offset_deg, () if whole else dead)
    lost_s = sum(min(e, scenario.running.seconds) - max(b, 0.0) for b, e in dead)
    return CamTruth(
        cam=cam.cam,
        teeth=slipped_teeth(cam, scenario.faults),
        offset_deg=float(offsets.mean()) if len(offsets) else float("nan"),
        scatter_deg=float(offsets.std()) if len(offsets) else float("nan"),
        erratic=any(f.kind == "loose" for f in faults),
        signal_share=0.0 if whole else 1.0 - lost_s / scenario.running.seconds,
        cycle_times_s=times,
        cycle_offset_deg=offsets,
        causes=tuple(f.kind for f in faults),
    )


def cycle_offsets(cam: CamPattern, motion: Motion, offset_deg: Floats, dead: Spans) -> tuple[Floats, Floats]:
    """Mid-time [s] and mean offset [deg] of each whole cycle in which the engine turned and the wire was alive."""
    behind = _behind(motion, offset_deg)
    passes = find_passes(behind.angle_deg, behind.speed_deg_s, cam.edges_deg, 720.0)
    if len(passes.times_s) == 0:
        return np.empty(0), np.empty(0)
    seconds = (len(motion.angle_deg) - 2) * DT_S
    good = passes.forward & (passes.speed_deg_s > MIN_TURNING_DEG_S) & (passes.times_s < seconds)
    for begin, end in dead:
        good &= (passes.times_s < begin) | (passes.times_s >= end)
    cycle = passes.turn - passes.turn.min()
    n = len(cam.edges_deg)
    whole = (np.bincount(cycle, good) == n) & (np.bincount(cycle) == n)
    here = np.interp(passes.times_s, motion.times_s, offset_deg)
    times = np.bincount(cycle, passes.times_s)[whole] / n
    return times, np.bincount(cycle, here)[whole] / n
