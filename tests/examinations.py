"""Hand-made examinations: signals drawn from plain numpy, results written down, nothing computed by the pipeline."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from tightside.diagnosis import CamVerdict, CrankPart, Diagnosis, Examination, RecordingPart
from tightside.records import (
    CamEdges,
    CamOffset,
    CamPattern,
    CamState,
    Channel,
    CrankClock,
    DriveStage,
    Floats,
    Recording,
    Trace,
)

RATE_HZ = 20_000.0
SECONDS = 4.0
PITCH_DEG = 720.0 / 42
EDGES_DEG = {
    "1A": [36.0, 104.0, 208.0, 252.0, 396.0, 508.0, 584.0, 672.0],
    "1B": [12.0, 58.0, 172.0, 286.0, 366.0, 436.0, 548.0, 640.0],
    "2A": [66.0, 178.0, 254.0, 342.0, 426.0, 494.0, 598.0, 642.0],
    "2B": [20.0, 90.0, 202.0, 294.0, 386.0, 432.0, 546.0, 660.0],
}
CALLS: Mapping[str, tuple[CamState, float | None, float | None, int | None]] = {
    "1A": ("slipped", 17.3, 0.12, 1),
    "1B": ("in time", -0.2, 0.11, 0),
    "2A": ("in time", 0.3, 0.14, 0),
    "2B": ("in time", 0.1, 0.10, 0),
}
Calls = Mapping[str, tuple[CamState, float | None, float | None, int | None]]

STATES: dict[str, Calls] = {
    "slipped": CALLS,
    "in time": dict.fromkeys(CALLS, ("in time", 0.2, 0.1, 0)),
    "erratic": {**CALLS, "1A": ("erratic", 8.0, 4.2, None)},
    "off, not by a whole tooth": {**CALLS, "1A": ("off, not by a whole tooth", -6.4, 0.2, None)},
    "no signal": {**CALLS, "1A": ("no signal", None, None, None)},
    "not enough data": {**CALLS, "1A": ("not enough data", None, None, None)},
}


def examination(calls: Calls = CALLS, *, file: str = "towed-in.csv") -> Examination:
    """An idling V6 with the states asked for: cam -> (state, offset, scatter, call)."""
    rng = np.random.default_rng(4)
    times = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    speed = 6 * 690 * (1 + 0.02 * np.sin(2 * np.pi * 34.5 * times))
    angle = 150.0 + np.cumsum(speed) / RATE_HZ
    cams = tuple(_cam(name, *call, rng) for name, call in calls.items())
    channels = [_trace("crank", _teeth(angle), rng)]
    edges = []
    for cam in cams:
        moved = np.array(EDGES_DEG[cam.cam]) + (cam.offset_deg or 0.0)
        dead = cam.state == "no signal"
        channels.append(_trace(f"cam {cam.cam}", np.zeros(len(angle)) if dead else _lobes(angle, moved), rng))
        if not dead:
            edges.append(_edges(cam.cam, moved, angle, times))
    knots = slice(0, None, 40)
    clock = CrankClock(
        times_s=times[knots],
        angle_deg=angle[knots] - 360.0,  # the wrong turn of the two: drawing must find the right one
        speed_deg_s=speed[knots],
        segment=np.zeros(len(times[knots]), dtype=np.int64),
    )
    diagnosis = Diagnosis(
        version="0.1.0",
        engine="Demo V6 3.2",
        recordings=(RecordingPart(file=file, duration_s=SECONDS, rate_hz=RATE_HZ, rows=len(times), sha256="0" * 64),),
        crank=CrankPart(column="crank", wheel="60-2", pulses_per_revolution=58, revolutions=46.0),
        cams=tuple(CamVerdict.of(cam) for cam in cams),
    )
    return Examination(
        diagnosis=diagnosis,
        recording=Recording(file=file, kind="sensor", channels=tuple(channels)),
        cams=cams,
        clock=clock,
        patterns=tuple(_pattern(name) for name in calls),
        edges=tuple(edges),
    )


def _cam(
    name: str, state: CamState, offset: float | None, scatter: float | None, call: int | None, rng: np.random.Generator
) -> CamOffset:
    cycles = 22 if offset is not None else 0
    teeth = {"slipped": ((1, 0.994), (0, 0.004)), "in time": ((0, 0.999),)}.get(state, ((0, 0.55), (1, 0.45)))
    return CamOffset(
        cam=name,
        column=f"cam {name}",
        state=state,
        reference="engine file",
        edges_per_cycle=8,
        cycles=cycles,
        offset_deg=offset,
        ci95_deg=None if offset is None else (offset - 0.25, offset + 0.25),
        scatter_deg=scatter,
        tooth_pitch_deg=PITCH_DEG,
        teeth=teeth if offset is not None else (),
        teeth_call=call,
        edge_angles_deg=tuple(np.array(EDGES_DEG[name]) + (offset or 0.0)),
        cycle_times_s=np.linspace(0.1, SECONDS - 0.1, cycles),
        cycle_offset_deg=(offset or 0.0) + (scatter or 0.0) * rng.standard_normal(cycles),
        cycle_rpm=np.full(cycles, 690.0),
    )


def _pattern(name: str) -> CamPattern:
    angles = np.array(EDGES_DEG[name])
    stage = DriveStage(driver_teeth=21, driven_teeth=42)
    return CamPattern(cam=name, edges_deg=angles, rising=np.arange(len(angles)) % 2 == 0, stages=(stage,))


def _edges(name: str, moved: Sequence[float] | Floats, angle: Floats, times: Floats) -> CamEdges:
    every = np.sort(np.concatenate([np.asarray(moved) + 720.0 * k for k in range(-1, 60)]))
    every = every[(every > angle[0]) & (every < angle[-1])]
    return CamEdges(
        cam=name,
        column=f"cam {name}",
        times_s=np.interp(every, angle, times),
        angle_deg=every - 360.0,
        rising=np.arange(len(every)) % 2 == 0,
        speed_deg_s=np.full(len(every), 6 * 690.0),
        segment=np.zeros(len(every), dtype=np.int64),
    )


def _teeth(angle: Floats) -> Floats:
    tooth = np.floor((angle % 360.0) / 6.0)
    return ((angle % 6.0 < 3.0) & (tooth < 58)) * 5.0


def _lobes(angle: Floats, edges: Floats) -> Floats:
    at = np.searchsorted(np.sort(edges % 720.0), angle % 720.0)
    turned = int(np.sum(edges >= 720.0))
    return ((at + turned) % 2 == 1) * 4.8


def _trace(column: str, volts: Floats, rng: np.random.Generator) -> Channel:
    noisy = volts + 0.03 * rng.standard_normal(len(volts))
    data = Trace(raw=np.round(noisy * 1000).astype(np.int16), rate_hz=RATE_HZ, scale=0.001)
    role = "crank" if column == "crank" else f"cam:{column.split()[-1]}"
    return Channel(column=column, data=data, unit="V", role=role, why="heading")
