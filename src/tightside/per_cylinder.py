"""What single cylinders do, from what was recorded beside crank and cams: pressure, starter current, the crank's speed.

Rooms that meet here: signals (the crank clock), cylinders (what is measured), engine (where valves and tops belong), timing
(how many teeth an offset is).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from tightside.cylinders.mechanism import TABLE_DEG, Cylinder, ValveTimes
from tightside.cylinders.pressure import Place, measure_pressure
from tightside.cylinders.rhythm import clock_from_pressure
from tightside.cylinders.sealing import sealing_of_held
from tightside.diagnosis import Examination, PressurePart
from tightside.engine.breathing import Lungs, ValveSet, area_table_mm2, lungs_of, volume_tables
from tightside.engine.model import Engine, ValveKind
from tightside.engine.patterns import drive_stages
from tightside.engine.slider_crank import CylinderGeometry
from tightside.records import CamPattern, Channel, CrankClock, PressureFinding, Trace
from tightside.signals.on_angle import trace_on_clock
from tightside.timing.judge import is_sure
from tightside.timing.teeth import MeasuredCam, infer_teeth

USUAL_GEOMETRY = CylinderGeometry(86.0, 86.0, 143.0, 0.0, 10.0)  # where nothing is known: common practice, no source
USUAL_RATIO_SD = 0.15
NOMINAL_SD_DEG = 0.5  # valve angles as built; common practice, no source
PRESSURE_STEP_DEG = 0.5


def with_cylinders(examination: Examination, engine: Engine | None) -> Examination:
    """The examination of one recording with what its cylinders show, where channels for that are there."""
    return _with_pressure(examination, engine)


def cylinders_joined(whole: Examination, examined: Sequence[Examination]) -> Examination:
    """The sections on cylinders of several recordings in one: the pressure with most cycles for each cylinder."""
    best: dict[int, tuple[int, PressureFinding, PressurePart]] = {}
    for one in examined:
        for found, part in zip(one.pressure, one.diagnosis.pressure or (), strict=True):
            if found.cylinder not in best or found.cycles > best[found.cylinder][0]:
                best[found.cylinder] = (found.cycles, found, part)
    chosen = [best[n] for n in sorted(best)]
    told = whole.diagnosis.model_copy(update={"pressure": tuple(part for _, _, part in chosen) or None})
    return replace(whole, diagnosis=told, pressure=tuple(found for _, found, _ in chosen))


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
