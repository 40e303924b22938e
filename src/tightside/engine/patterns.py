"""From an engine file to the patterns that its sensors should show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tightside.engine.model import Cam, CamSensor, Engine, Wheel
from tightside.errors import DataError
from tightside.records import CamPattern, DriveStage, Floats, WheelPattern

SAME_DEG = 1e-6  # angles in a file are exact; this only absorbs binary fractions


def wheel_pattern(engine: Engine) -> WheelPattern:
    """The crank wheel of an engine file.

    Examples
    --------
    A 60-position wheel without 58 and 59 gives "60-2", 58 angles 0, 6, ... 342, repeating after 360 degrees.
    """
    sensor = engine.crank_sensor
    angles = _wheel_angles(sensor.wheel)
    known = sensor.finds_top
    position_0_deg = ((sensor.position_0_deg or 0.0) + angles[0]) % 360.0
    angles = angles - angles[0]
    return WheelPattern(
        name=wheel_name(angles),
        angles_deg=angles,
        position_0_deg=float(position_0_deg),
        active_edge=sensor.active_edge,
        kind=sensor.kind,
        repeat_deg=repeat_of(angles),
        position_known=known,
    )


def _wheel_angles(wheel: Wheel) -> Floats:
    if wheel.edges_deg is not None:
        return np.array(wheel.edges_deg, dtype=np.float64)
    teeth = wheel.teeth or 1
    present = [k for k in range(teeth) if k not in wheel.missing]
    return np.array(present, dtype=np.float64) * 360.0 / teeth


def repeat_of(angles_deg: Floats, tolerance_deg: float = SAME_DEG) -> float:
    """The smallest turn that maps a wheel onto itself. [deg]

    Examples
    --------
    [0, 90, 180, 270] -> 90;  [0, 10, 180, 190] -> 180;  [0, 10, 20] -> 360
    """
    gaps = _gaps(angles_deg)
    n = len(gaps)
    for parts in range(n, 1, -1):
        if n % parts == 0 and np.allclose(gaps, np.roll(gaps, n // parts), rtol=0, atol=tolerance_deg):
            return 360.0 / parts
    return 360.0


def wheel_name(angles_deg: Floats, tolerance_deg: float = 1e-3) -> str:
    """What the trade calls a wheel.

    Examples
    --------
    "even 24"; "60-2" (60 positions, one gap of 2); "36-2-2-2" (three gaps of 2); "12+1" (12 even and one more between
    them); "uneven 4" (anything else, by its number of edges).
    """
    gaps = _gaps(angles_deg)
    n = len(gaps)
    if np.ptp(gaps) < tolerance_deg:
        return f"even {n}"
    return _name_with_gaps(gaps, tolerance_deg) or _name_with_extra(angles_deg, tolerance_deg) or f"uneven {n}"


def _name_with_gaps(gaps: Floats, tolerance_deg: float) -> str:
    """N-m-..., where at least half of the positions are there and every gap is a whole number of them."""
    pitch = gaps.min()
    positions = round(360.0 / pitch)
    whole = np.round(gaps * positions / 360.0)
    if positions > 2 * len(gaps) or np.abs(gaps - whole * 360.0 / positions).max() > tolerance_deg:
        return ""
    if 2 * np.count_nonzero(whole == 1) < len(gaps):
        return ""
    return f"{positions}-" + "-".join(str(int(w) - 1) for w in whole if w > 1)


def _name_with_extra(angles_deg: Floats, tolerance_deg: float) -> str:
    for i in range(len(angles_deg)):
        rest = np.delete(angles_deg, i)
        if len(rest) > 2 and np.ptp(_gaps(rest)) < tolerance_deg:
            return f"{len(rest)}+1"
    return ""


def _gaps(angles_deg: Floats) -> Floats:
    """Turn from each edge to the next, around the wheel."""
    return np.diff(angles_deg, append=angles_deg[0] + 360.0)


# ------------------------------------------------------------------------------------------------------------ cams


def cam_patterns(engine: Engine) -> tuple[CamPattern, ...]:
    """Every camshaft of an engine file that has a sensor, in the file's order."""
    patterns = (cam_pattern(name, cam) for name, cam in engine.cams.items() if cam.sensor is not None)
    if engine.learned is None:
        return tuple(patterns)
    return tuple(replace(p, reference=_learned_reference(engine)) for p in patterns)


def _learned_reference(engine: Engine) -> str:
    vehicles = engine.learned.vehicles if engine.learned is not None else 0
    return f"engine learned from {vehicles} vehicle{'' if vehicles == 1 else 's'} ({engine.name})"


def cam_pattern(name: str, cam: Cam) -> CamPattern:
    """One camshaft's edges and drive."""
    if cam.sensor is None:
        raise DataError(code="no-cam-sensor", what=f"cam {name} has no sensor in the engine file")
    return CamPattern(
        cam=name,
        edges_deg=np.array([e.deg for e in cam.sensor.edges]),
        rising=np.array([e.edge == "rising" for e in cam.sensor.edges]),
        stages=drive_stages(cam),
        phaser_authority_deg=cam.phaser.authority_deg if cam.phaser else 0.0,
        phaser_advances=cam.phaser.direction == "advance" if cam.phaser else True,
        edge_sd_deg=_shared_sd(cam.sensor),
        edge_sds_deg=tuple(e.sd_deg or 0.0 for e in cam.sensor.edges),
        kind=cam.sensor.kind,
    )


def _shared_sd(sensor: CamSensor) -> float:
    """How well the cam's place as a whole is known: its edges' errors taken as common to all, which is safe."""
    return float(np.sqrt(np.mean([(e.sd_deg or 0.0) ** 2 for e in sensor.edges])))


def drive_stages(cam: Cam) -> tuple[DriveStage, ...]:
    """The stages between crank and cam, as a record that crosses rooms."""
    if not cam.drive and cam.cam_teeth is not None:
        return (DriveStage(cam.cam_teeth // 2, cam.cam_teeth),)  # of a single stage only the cam's sprocket counts
    return tuple(DriveStage(s.driver_teeth, s.driven_teeth, s.pitch_mm, s.links) for s in cam.drive)
