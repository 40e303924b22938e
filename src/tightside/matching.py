"""From a cranking recording and an engine file to what the twin must be to show the same.

signals/ and timing/ put the recording on the crank's angle, engine/ says what the parts are, twin/ is matched to it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping

import numpy as np

from tightside.diagnosis import Examination
from tightside.engine.breathing import lungs_of
from tightside.engine.model import Engine
from tightside.engine.patterns import cam_patterns, wheel_pattern
from tightside.errors import DataError
from tightside.forecast import breathing_of, known_cylinders
from tightside.pipeline import diagnose_recording
from tightside.recordings.registry import read_recording
from tightside.records import CamEdges, CamPattern, CrankClock, Floats, Readings, Recording, Trace, WheelPattern
from tightside.signals.clock import time_at
from tightside.twin.fit import GRID, GRID_DEG, CycleAverage, Layout, Match, match_cycle

SETTLES_S = 1.0  # the starter's first second is not steady
TOOTH_ERROR = 0.02  # of the speed: teeth out of place by hundredths of a degree, alike over several of them
UNEVEN = 0.001  # of the speed: what a cubic between teeth misses
NEAR_GAP = 0.03  # of the speed: a coil's teeth beside a gap stand off, and there is nothing between them
LEAST_CYCLES = 3
CAM_SD_DEG = 0.3  # a cam sensor says where the shaft is, its valves follow to about this
USED = ("starter_current", "battery_voltage", "manifold_pressure")
FASTEST_RPM = 500.0


def match(
    path: str | os.PathLike[str],
    engine: Engine,
    *,
    channels: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    believe_cams: bool = True,
) -> Match:
    """Cam offsets, leaks, friction and starter from a recording of the engine being cranked without fuel.

    Parameters
    ----------
    believe_cams : take the cam sensors' own offsets as known; without, the gas alone must say

    Raises
    ------
    DataError
        If the crank cannot be followed for some engine cycles while cranking.
    """
    recording = read_recording(path, channels=channels, units=units)
    return match_recording(recording, engine, believe_cams=believe_cams)


def match_recording(recording: Recording, engine: Engine, *, believe_cams: bool = True) -> Match:
    """The same, of a recording at hand."""
    known_cylinders(engine, {})
    if not engine.crank_sensor.finds_top:
        raise DataError(
            code="top-not-known",
            what=f"the engine file of {engine.name} does not say where top dead centre is",
            expected="position_0_deg of the crank wheel, as the maker or a pressure trace gives it",
            got="a learned wheel, whose position 0 is only a convention",
            hint="Set position_0_deg and take out position_0_known: false, then try again",
        )
    examined = diagnose_recording(recording, wheel_pattern(engine), cam_patterns(engine))
    seen = average_cycle(examined)
    known = {
        c.cam: (c.offset_deg, max((c.ci95_deg[1] - c.ci95_deg[0]) / 3.92, CAM_SD_DEG))
        for c in (examined.cams if believe_cams else ())
        if c.offset_deg is not None
        and c.ci95_deg is not None
        and c.state in ("in time", "slipped", "off, not by a whole tooth")
    }
    return match_cycle(seen, layout_of(engine), known)


def layout_of(engine: Engine) -> Layout:
    """An engine file as the twin's match takes it."""
    cams = tuple((name, tuple(map(str, cam.kinds)), engine.cylinders_of_cam(name)) for name, cam in engine.cams.items())
    return Layout(breathing=breathing_of(engine, lungs_of(engine)), cams=cams)


def average_cycle(examined: Examination) -> CycleAverage:
    """Speed, current and pressures over the engine's cycle, averaged over the cycles of steady cranking.

    Raises
    ------
    DataError
        If there are too few, or the engine runs by itself.
    """
    clock, recording = examined.clock, examined.recording
    if clock is None or recording is None or len(clock.times_s) < 10:
        raise DataError(code="no-clock", what="the crank cannot be followed in this recording")
    shift, segment = _frame(examined, clock), _longest(clock)
    grid = _whole_cycles(clock, segment, shift)
    if len(grid) < LEAST_CYCLES:
        raise DataError(
            code="too-short",
            what="too little steady cranking to match",
            expected=f"{LEAST_CYCLES} engine cycles or more",
            got=str(len(grid)),
            hint="Crank for 5 s or longer with fuel and ignition disabled",
        )
    window_deg = _pitch_deg(examined.wheel)
    speed = _speed_rpm(clock, grid - shift, segment, window_deg)
    if float(np.median(speed)) > FASTEST_RPM:
        raise DataError(code="not-cranking", what="the engine runs by itself here", hint="Give a cranking recording")
    mean, sd = _mean_and_sd(speed)
    at_s = time_at(clock, (grid - shift).ravel(), segment).reshape(grid.shape)
    averaged = {role: _of_channel(recording, role, at_s) for role in USED}
    empty = np.empty(0)
    current, volts, manifold = (averaged[role] or (empty, empty) for role in USED)
    return CycleAverage(
        speed_rpm=mean,
        speed_sd=np.hypot(sd, UNEVEN * mean),
        wheel_sd=(TOOTH_ERROR + NEAR_GAP * _near_gap(examined.wheel)) * float(mean.mean()),
        current_a=current[0],
        current_sd=current[1],
        manifold_kpa=manifold[0],
        manifold_sd=manifold[1],
        pressure_kpa=_cylinder_pressures(recording, at_s),
        battery_v=volts[0],
        window_deg=window_deg,
        cycles=len(grid),
    )


def _cylinder_pressures(recording: Recording, at_s: Floats) -> tuple[tuple[int, Floats, Floats], ...]:
    found = []
    for channel in recording.channels:
        name, _, number = (channel.role or "").partition(":")
        if name == "cylinder_pressure" and number.isdecimal():
            averaged = _of_channel(recording, channel.role or "", at_s)
            if averaged is not None:
                found.append((int(number), *averaged))
    return tuple(found)


def _frame(examined: Examination, clock: CrankClock) -> float:
    """What to add to the clock's angle for the engine file's: which of its turns is which, by the cams. [deg]"""
    offsets = {c.cam: c.offset_deg for c in examined.cams if c.offset_deg is not None}
    patterns = {p.cam: p for p in examined.patterns}
    pairs = [
        (e, patterns[e.cam], offsets[e.cam] or 0.0) for e in examined.edges if e.cam in offsets and e.cam in patterns
    ]
    if not pairs:
        raise DataError(
            code="no-frame",
            what="no cam sensor says which of the crank's two turns is the compression one",
            hint="Record one cam sensor beside the crank",
        )
    places = np.arange(0.0, 720.0, clock.repeat_deg)
    misses = [sum(_miss(e, p, offset + 0.0, place) for e, p, offset in pairs) for place in places]
    return float(places[int(np.argmin(misses))])


def _miss(edges: CamEdges, pattern: CamPattern, offset_deg: float, place_deg: float) -> float:
    """Median distance of edges to the nearest place of their own polarity. [deg]"""
    away = np.full(len(edges.angle_deg), 360.0)
    for rising in (False, True):
        nominal = pattern.edges_deg[pattern.rising == rising] + offset_deg
        here = edges.rising == rising
        if len(nominal) and here.any():
            gap = edges.angle_deg[here][:, None] + place_deg - nominal[None, :]
            away[here] = np.abs((gap + 360.0) % 720.0 - 360.0).min(axis=1)
    return float(np.median(away))


def _near_gap(wheel: WheelPattern | None) -> Floats:
    """1 at the angles of the grid in or beside a gap of the wheel, else 0. (G,)"""
    if wheel is None or len(wheel.angles_deg) < 3:
        return np.zeros(len(GRID))
    edges = wheel.angles_deg + wheel.position_0_deg
    gaps = np.diff(edges, append=edges[0] + 360.0)
    pitch = float(gaps.min())
    near = np.zeros(len(GRID))
    for start, gap in zip(edges, gaps, strict=True):
        if gap > 1.5 * pitch:
            into = (GRID - (start - 1.5 * pitch)) % 360.0
            near[into <= gap + 3.0 * pitch] = 1.0
    return near


def _longest(clock: CrankClock) -> int:
    numbers, counts = np.unique(clock.segment, return_counts=True)
    return int(numbers[counts.argmax()])


def _whole_cycles(clock: CrankClock, segment: int, shift_deg: float) -> Floats:
    """Angles of every whole cycle of one segment once it is steady. (cycles, GRID) [deg], engine file's frame"""
    inside = clock.segment == segment
    times, angle = clock.times_s[inside], clock.angle_deg[inside] + shift_deg
    steady = times >= times[0] + SETTLES_S
    if steady.sum() < 2:
        return np.empty((0, len(GRID)))
    first, last = np.ceil(angle[steady][0] / 720.0), np.floor((angle[steady][-1] - GRID_DEG) / 720.0)
    return np.arange(first, last)[:, None] * 720.0 + GRID[None, :]


def _pitch_deg(wheel: WheelPattern | None) -> float:
    """One pitch of the wheel's teeth, at least a step of the grid: what speed can honestly be said over. [deg]"""
    if wheel is None or len(wheel.angles_deg) < 3:
        return 3 * GRID_DEG
    return max(GRID_DEG, round(2 * float(np.diff(wheel.angles_deg).min())) / 2)


def _speed_rpm(clock: CrankClock, angle_deg: Floats, segment: int, window_deg: float) -> Floats:
    """Mean speed over a window about each angle. [rpm]"""
    half = window_deg / 2
    before = time_at(clock, (angle_deg - half).ravel(), segment)
    after = time_at(clock, (angle_deg + half).ravel(), segment)
    return (window_deg / 6.0 / (after - before)).reshape(angle_deg.shape)


def _mean_and_sd(values: Floats) -> tuple[Floats, Floats]:
    """Mean over cycles and its standard deviation. (G,) each; a cycle with a gap is left out."""
    whole = values[np.isfinite(values).all(axis=1)]
    return whole.mean(axis=0), whole.std(axis=0) / np.sqrt(max(len(whole) - 1, 1))


def _of_channel(recording: Recording, role: str, at_s: Floats) -> tuple[Floats, Floats] | None:
    channel = recording.with_role(role)
    if channel is None or not isinstance(channel.data, Trace | Readings):
        return None
    data = channel.data
    times = data.times_s() if isinstance(data, Trace) else data.times_s
    values = data.values() if isinstance(data, Trace) else data.values
    return _mean_and_sd(np.interp(at_s, times, _smoothed(values, times, at_s)))


def _smoothed(values: Floats, times_s: Floats, at_s: Floats) -> Floats:
    """Averaged over about half a step of the grid, so that noise between its places counts too."""
    step_s = float(np.median(np.diff(at_s, axis=1)))
    width = max(1, int(0.5 * step_s / max(float(np.median(np.diff(times_s))), 1e-9)))
    if width < 3:
        return values
    sums = np.cumsum(np.insert(values, 0, 0.0))
    half = width // 2
    index = np.arange(len(values))
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, len(values))
    return np.asarray((sums[high] - sums[low]) / (high - low))
