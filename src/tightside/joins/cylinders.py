"""What single cylinders do, from what was recorded beside crank and cams: pressure, starter current, crank speed.

Rooms that meet here: signals (the crank clock), cylinders (what is measured), engine (where valves and tops belong),
timing (how many teeth an offset is).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from tightside.cylinders.compression import (
    Compressions,
    compression_from_speed,
    cranking_cycles,
    relative_compression,
)
from tightside.cylinders.contribution import contributions, running_cycles
from tightside.cylinders.findings import put_together
from tightside.cylinders.mechanism import TABLE_DEG, Cylinder, ValveTimes
from tightside.cylinders.pressure import Place, measure_pressure
from tightside.cylinders.rhythm import clock_from_pressure
from tightside.cylinders.sealing import sealing_of_held
from tightside.diagnosis import CylinderPart, Examination, PressurePart
from tightside.engine.breathing import Lungs, ValveSet, area_table_mm2, lungs_of, volume_tables
from tightside.engine.model import Engine, ValveKind
from tightside.engine.patterns import drive_stages
from tightside.engine.slider_crank import CylinderGeometry
from tightside.records import (
    Bools,
    CamPattern,
    Channel,
    CrankClock,
    CylindersFinding,
    Floats,
    PressureFinding,
    Trace,
)
from tightside.signals.clock import angle_at
from tightside.signals.edges import find_edges
from tightside.signals.on_angle import speed_trace, trace_on_clock
from tightside.timing.judge import is_sure
from tightside.timing.teeth import MeasuredCam, infer_teeth

USUAL_GEOMETRY = CylinderGeometry(86.0, 86.0, 143.0, 0.0, 10.0)  # where nothing is known: common practice, no source
USUAL_RATIO_SD = 0.15
NOMINAL_SD_DEG = 0.5  # valve angles as built; common practice, no source
PRESSURE_STEP_DEG = 0.5
CURRENT_STEP_DEG = 1.0
SHIFTED_DEG = 4.0  # cams further off than this change a cylinder's compression
SYNC_FITS_DEG, SYNC_APART = 6.0, 3.0
FIRES_BEFORE_DEG, FIRES_AFTER_DEG = 60.0, 20.0


def with_cylinders(examination: Examination, engine: Engine | None) -> Examination:
    """The examination of one recording with what its cylinders show, where channels for that are there."""
    return _with_all(_with_pressure(examination, engine), engine)


def cylinders_joined(whole: Examination, examined: Sequence[Examination]) -> Examination:
    """The sections on cylinders of several recordings in one: the pressure with most cycles for each cylinder."""
    best: dict[int, tuple[int, PressureFinding, PressurePart]] = {}
    for one in examined:
        for found, part in zip(one.pressure, one.diagnosis.pressure or (), strict=True):
            if found.cylinder not in best or found.cycles > best[found.cylinder][0]:
                best[found.cylinder] = (found.cycles, found, part)
    chosen = [best[n] for n in sorted(best)]
    told = whole.diagnosis.model_copy(update={"pressure": tuple(part for _, _, part in chosen) or None})
    whole = replace(whole, diagnosis=told, pressure=tuple(found for _, found, _ in chosen))
    found_all = [e.cylinders for e in examined if e.cylinders is not None]
    return _told(whole, _merged(found_all)) if found_all else whole


# ----------------------------------------------------------------------------------------------------------- pressure


def _with_pressure(examination: Examination, engine: Engine | None) -> Examination:
    recording = examination.recording
    if recording is None:
        return examination
    found = []
    for channel in recording.channels:
        number = _number_of(channel, "cylinder_pressure")
        if number is not None and isinstance(channel.data, Trace):
            one = _pressure(channel, number, examination.clock, engine)
            if one is not None:
                found.append(one)
    if not found:
        return examination
    parts = tuple(PressurePart.of(f, _teeth(f, engine, examination.patterns), sealing_of_held(f)) for f in found)
    told = examination.diagnosis.model_copy(update={"pressure": parts})
    return replace(examination, diagnosis=told, pressure=tuple(found))


def _number_of(channel: Channel, name: str) -> int | None:
    role, _, number = (channel.role or "").partition(":")
    return int(number) if role == name and number.isdecimal() else None


def _pressure(channel: Channel, number: int, clock: CrankClock | None, engine: Engine | None) -> PressureFinding | None:
    even_speed = clock is None
    if clock is None and isinstance(channel.data, Trace):
        clock = clock_from_pressure(channel.data)
    trace = trace_on_clock(channel, clock, PRESSURE_STEP_DEG) if clock is not None else None
    if clock is None or trace is None:
        return None
    known = clock.position_known and engine is not None and bool(engine.firing_order) and not even_speed
    place = Place(clock.repeat_deg, known, clock.error_deg, even_speed)
    return measure_pressure(trace, cylinder_of(engine, number), place)


def cylinder_of(engine: Engine | None, number: int) -> Cylinder:
    """One cylinder's mechanism, as usual where the engine file does not tell."""
    lungs = lungs_of(engine) if engine is not None else None
    geometry = lungs.geometry if lungs is not None else USUAL_GEOMETRY
    guessed = lungs is None or any(g.name.startswith("geometry.") for g in lungs.guesses)
    there = engine is not None and number in engine.firing_order
    return Cylinder(
        number=number,
        top_deg=engine.firing_angle_deg(number) if engine is not None and there else 0.0,
        bore_m=geometry.bore_mm * 1e-3,
        stroke_m=geometry.stroke_mm * 1e-3,
        volume_m3=volume_tables(TABLE_DEG, geometry)[0],
        intake=_valve_times(engine, lungs, number, "intake"),
        exhaust=_valve_times(engine, lungs, number, "exhaust"),
        geometry_known=not guessed,
        ratio_sd=USUAL_RATIO_SD if guessed else 0.02,
    )


def _valve_times(engine: Engine | None, lungs: Lungs | None, number: int, kind: ValveKind) -> ValveTimes | None:
    if engine is None or lungs is None or number not in engine.firing_order:
        return None
    valves: ValveSet = lungs.of(kind)
    told = engine.valves.of(kind) if engine.valves else None
    known = told is not None and (told.lift_table is not None or None not in (told.opens_deg, told.closes_deg))
    bank = str(engine.bank_of(number))
    cam = next((n for n, c in engine.cams.items() if n[:-1] == bank and kind in c.kinds), None)
    return ValveTimes(
        opens_deg=valves.opens_deg,
        closes_deg=valves.closes_deg,
        cam=cam,
        area_mm2=area_table_mm2(TABLE_DEG % 720.0, valves),
        nominal_known=known,
        sd_deg=NOMINAL_SD_DEG,
    )


def _teeth(
    found: PressureFinding, engine: Engine | None, patterns: Sequence[CamPattern]
) -> Mapping[str, Mapping[str, Any]]:
    """Each cam's offset by this pressure, and how many teeth that is. Positive late."""
    if not found.offsets or engine is None:
        return {}
    known = {p.cam: p for p in patterns}
    by_cam: dict[str, list[tuple[float, float]]] = {}
    for offset in found.offsets:
        by_cam.setdefault(offset.cam, []).append((offset.offset_deg, offset.sd_deg))
    cams = [(cam, *_pooled(each)) for cam, each in by_cam.items()]
    measured = tuple(MeasuredCam(known.get(cam) or _bare(engine, cam), late, sd) for cam, late, sd in cams)
    told = {}
    for (cam, late, sd), belief in zip(cams, infer_teeth(measured), strict=True):
        likeliest = max(belief.probability, key=lambda t: belief.probability[t], default=None)
        called = likeliest if likeliest is not None and is_sure(belief, likeliest) else None
        told[cam] = {
            "offset_deg": late,
            "ci95_deg": (late - 1.96 * sd, late + 1.96 * sd),
            "teeth": {str(t): p for t, p in belief.probability.items()},
            "teeth_call": called,
        }
    return told


def _pooled(each: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """One offset from those of a cam's both kinds of valve."""
    weight = np.array([1.0 / sd**2 for _, sd in each])
    values = np.array([v for v, _ in each])
    mean = float(np.sum(weight * values) / weight.sum())
    spread = float(np.max(np.abs(values - mean)))
    return mean, float(max(1.0 / np.sqrt(weight.sum()), spread / 1.96))


def _bare(engine: Engine, cam: str) -> CamPattern:
    none = np.empty(0)
    told = engine.cams[cam]
    reach, advances = (told.phaser.authority_deg, told.phaser.direction == "advance") if told.phaser else (0.0, True)
    return CamPattern(cam, none, none > 0, drive_stages(told), reach, advances)


# -------------------------------------------------------------------------------------------------------- all of them


def _with_all(examination: Examination, engine: Engine | None) -> Examination:
    """Compression and contribution of every cylinder, from what turned slower or faster."""
    clock, recording = examination.clock, examination.recording
    if engine is None or clock is None or recording is None or len(engine.firing_order) < 2:
        return examination
    if not clock.position_known or clock.repeat_deg < 359.0:
        return examination
    turns, sync = find_turns(examination, engine)
    order = engine.firing_order
    late = {
        c.cam: c.offset_deg for c in examination.cams if c.offset_deg is not None and abs(c.offset_deg) > SHIFTED_DEG
    }
    cylinders = tuple(_as_it_stands(cylinder_of(engine, n), late) for n in order)
    compression, source = _compression(recording.channels, clock, turns, cylinders)
    running = running_cycles(clock, turns)
    pulling = contributions(running, cylinders) if running is not None else None
    if compression is None and pulling is None:
        return examination
    return _told(examination, put_together(order, compression, pulling, (source, "crank speed"), sync))


def _told(examination: Examination, found: CylindersFinding) -> Examination:
    parts = tuple(CylinderPart.of(c) for c in found.cylinders)
    told = examination.diagnosis.model_copy(update={"cylinders": parts})
    return replace(examination, diagnosis=told, cylinders=found)


def _merged(found: Sequence[CylindersFinding]) -> CylindersFinding:
    """Compression from one recording and contribution from another, each from the one with the most cycles."""
    named = [f for f in found if f.sync] or list(found)
    seals = max(named, key=lambda f: (bool(f.compression_from), f.cycles))
    pulls = max(named, key=lambda f: (bool(f.contribution_from), f.cycles))
    if seals is pulls or not (seals.compression_from and pulls.contribution_from):
        return seals if seals.compression_from else pulls
    cylinders = tuple(
        replace(a, contribution=b.contribution, pulls=b.pulls, cycle_contribution=b.cycle_contribution)
        for a, b in zip(seals.cylinders, pulls.cylinders, strict=True)
    )
    notes = tuple(dict.fromkeys((*seals.notes, *pulls.notes)))
    return replace(seals, cylinders=cylinders, contribution_from=pulls.contribution_from, notes=notes)


def _compression(
    channels: Sequence[Channel], clock: CrankClock, turns: Mapping[int, float], cylinders: tuple[Cylinder, ...]
) -> tuple[Compressions | None, str]:
    """From the starter's current, else the battery's voltage, else the crank's speed."""
    for role, sign, name in (("starter_current", 1.0, "starter current"), ("battery_voltage", -1.0, "battery voltage")):
        channel = next((c for c in channels if c.role == role), None)
        trace = trace_on_clock(channel, clock, CURRENT_STEP_DEG) if channel is not None else None
        cycles = cranking_cycles(trace, sign * trace.values, turns) if trace is not None else None
        if cycles is not None:
            return relative_compression(cycles, cylinders), name
    cycles = cranking_cycles(speed_trace(clock), np.zeros(len(clock.times_s)), turns)
    return (compression_from_speed(cycles, cylinders), "crank speed") if cycles is not None else (None, "")


def _as_it_stands(cylinder: Cylinder, late_deg: Mapping[str, float]) -> Cylinder:
    """The cylinder with its valves where the cam sensors put them."""

    def moved(valve: ValveTimes | None) -> ValveTimes | None:
        late = late_deg.get(valve.cam or "", 0.0) if valve is not None else 0.0
        if valve is None or not late:
            return valve
        turned = (TABLE_DEG - late + 360.0) % 720.0 - 360.0
        return replace(valve, area_mm2=np.interp(turned, TABLE_DEG, valve.area_mm2))

    return replace(cylinder, intake=moved(cylinder.intake), exhaust=moved(cylinder.exhaust))


# --------------------------------------------------------------------------------------------------------------- sync


def find_turns(examination: Examination, engine: Engine) -> tuple[dict[int, float], str]:
    """What to add to the clock's angle to be in the engine file's frame, by segment, and what told it.

    Which of a cycle's two turns it is, the crank wheel does not say. A cam with its pattern does, a cylinder's pressure
    does, and so does what fires one cylinder. Where nothing does, the longest segment is given as it is, and "".
    """
    clock = examination.clock
    assert clock is not None
    segments = [int(s) for s in np.unique(clock.segment)]
    for name, tell in (("cam sensor", _by_cams), ("cylinder pressure", _by_pressure), ("ignition", _by_sync)):
        told = {s: k * 360.0 for s in segments if (k := tell(examination, engine, s)) is not None}
        if told:
            return told, name
    longest = max(segments, key=lambda s: float(np.ptp(clock.angle_deg[clock.segment == s])))
    return {longest: 0.0}, ""


def _by_cams(examination: Examination, engine: Engine, segment: int) -> int | None:
    """0 or 1 turns, from the cams' edges against their patterns, each with the offset that was found."""
    patterns = {p.cam: p for p in examination.patterns}
    offsets = {c.cam: c.offset_deg or 0.0 for c in examination.cams}
    total, votes = np.zeros(2), 0
    for edges in examination.edges:
        pattern = patterns.get(edges.cam)
        mine = edges.segment == segment
        if pattern is None:
            pattern = next(
                (patterns[c.cam] for c in examination.cams if c.column == edges.column and c.cam in patterns), None
            )
        if pattern is None or mine.sum() < 4 or len(pattern.edges_deg) == 0:
            continue
        off = [
            _misfit(edges.angle_deg[mine] + 360.0 * k - offsets.get(pattern.cam, 0.0), edges.rising[mine], pattern)
            for k in (0, 1)
        ]
        total += off
        votes += 1
    if not votes:
        return None
    total /= votes
    best = int(np.argmin(total))
    return best if total[best] < SYNC_FITS_DEG and total[1 - best] > SYNC_APART * total[best] + 1.0 else None


def _misfit(angle_deg: Floats, rising: Bools, pattern: CamPattern) -> float:
    """Mean distance of edges from the nearest one of the pattern of the same polarity, at most 30. [deg]"""
    away = []
    for up in (True, False):
        nominal, mine = pattern.edges_deg[pattern.rising == up], angle_deg[rising == up]
        if len(nominal) and len(mine):
            apart = np.abs((mine[:, None] - nominal[None, :] + 360.0) % 720.0 - 360.0).min(axis=1)
            away.append(np.minimum(apart, 30.0))
    return float(np.concatenate(away).mean()) if away else 30.0


def _by_pressure(examination: Examination, engine: Engine, segment: int) -> int | None:
    recording, clock = examination.recording, examination.clock
    assert recording is not None and clock is not None
    for channel in recording.channels:
        number = _number_of(channel, "cylinder_pressure")
        if number is None or number not in engine.firing_order:
            continue
        trace = trace_on_clock(channel, clock, 2.0)
        if trace is None:
            continue
        mine = trace.segment == segment
        about = (trace.angle_deg[mine] - engine.firing_angle_deg(number) + 360.0) % 720.0 - 360.0
        value = trace.values[mine]
        here, there = value[np.abs(about) < 15.0], value[np.abs(about) > 345.0]
        if len(here) > 8 and len(there) > 8 and np.ptp(value) > 0:
            apart = (np.median(here) - np.median(there)) / np.ptp(value)
            if abs(apart) > 0.3:
                return 0 if apart > 0 else 1
    return None


def _by_sync(examination: Examination, engine: Engine, segment: int) -> int | None:
    """From what fires one cylinder: a pulse near its compression top. One that comes in both turns says nothing."""
    recording, clock = examination.recording, examination.clock
    assert recording is not None and clock is not None
    for channel in recording.channels:
        number = _number_of(channel, "sync")
        train = examination.trains.get(channel.column)
        if number is None or number not in engine.firing_order:
            continue
        train = train or find_edges(channel)
        angle, _, where = angle_at(clock, train.times_s)
        mine = where == segment
        about = (angle[mine] - engine.firing_angle_deg(number) + 360.0) % 720.0 - 360.0
        here = int(np.sum((about > -FIRES_BEFORE_DEG) & (about < FIRES_AFTER_DEG)))
        turned = (about + 720.0) % 720.0 - 360.0
        there = int(np.sum((turned > -FIRES_BEFORE_DEG) & (turned < FIRES_AFTER_DEG)))
        if here + there >= 3 and max(here, there) > 6 * min(here, there):
            return 0 if here > there else 1
    return None
