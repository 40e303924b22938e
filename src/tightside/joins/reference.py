"""What a vehicle's cams are held against: an engine file, or a recording known to be good."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from tightside.engine.model import Engine
from tightside.engine.patterns import cam_patterns, drive_stages, wheel_pattern
from tightside.errors import UsageError
from tightside.records import CamPattern, DriveStage, Recording, SensorKind, WheelPattern
from tightside.signals.other_roles import decode_all
from tightside.timing.learn import learn_patterns

Read = Callable[..., Recording]


def reference_of(
    engine: Engine | None,
    reference: str | os.PathLike[str] | None,
    cam_teeth: int | None,
    read: Read,
) -> tuple[WheelPattern | None, tuple[CamPattern, ...]]:
    """What the cams are held against: an engine file, or a recording known to be good."""
    if engine is not None and reference is None:
        return wheel_pattern(engine), cam_patterns(engine)
    if reference is None:
        return None, ()
    wheel = wheel_pattern(engine) if engine is not None else None
    good = decode_all(read(reference), wheel, tops_deg=tops_of(engine))
    if good.wheel is None:
        raise UsageError(
            code="reference-unusable",
            what=f"{os.fspath(reference)} cannot serve as reference",
            got="; ".join(good.faults),
        )
    stages = {p.cam: p for p in cam_patterns(engine)} if engine is not None else {}
    learned = learn_patterns(good.cams, drive_of(cam_teeth), f"recording {Path(reference).name}")
    kept = tuple(replace(p, stages=stages[p.cam].stages) if p.cam in stages else p for p in learned)
    return replace(good.wheel, position_known=True), kept


def log_patterns(recording: Recording, engine: Engine | None, cam_teeth: int | None) -> tuple[CamPattern, ...]:
    """Drive and phaser of each cam that a log can be about; a module sees cams of which the file gives no sensor."""
    none = np.empty(0)
    if engine is not None:
        known = {p.cam: p for p in cam_patterns(engine)}
        for name, cam in engine.cams.items():
            reach, advances = (
                (cam.phaser.authority_deg, cam.phaser.direction == "advance") if cam.phaser else (0.0, True)
            )
            bare = CamPattern(name, none, none > 0, drive_stages(cam), reach, advances)
            known.setdefault(name, bare)
        return tuple(known.values())
    named = {
        c.role.rsplit(":", 1)[1] for c in recording.channels if (c.role or "").startswith("log:cam_phase_") and c.role
    }
    return tuple(CamPattern(cam, none, none > 0, drive_of(cam_teeth), reference="log") for cam in sorted(named))


def drive_of(cam_teeth: int | None) -> tuple[DriveStage, ...]:
    """A single stage of ratio two, of which only the cam sprocket is known."""
    return (DriveStage(driver_teeth=cam_teeth // 2, driven_teeth=cam_teeth),) if cam_teeth else ()


def tops_of(engine: Engine | None) -> dict[int, float]:
    """Cylinder to the crank angle of its compression top, as far as the engine file says."""
    if engine is None or not engine.crank_sensor.finds_top:
        return {}
    return {n: engine.firing_angle_deg(n) for n in engine.firing_order}


def kinds_of(wheel: WheelPattern | None, patterns: tuple[CamPattern, ...]) -> dict[str, SensorKind]:
    """Role to sensor kind, as far as the engine file says."""
    kinds = {f"cam:{p.cam}": p.kind for p in patterns if p.kind is not None}
    return kinds | ({"crank": wheel.kind} if wheel is not None and not wheel.learned else {})
