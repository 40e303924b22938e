"""A six-cylinder engine as the twin's gas sees it, in plain numbers, for several test files."""

from __future__ import annotations

import numpy as np

from tightside.engine.breathing import ValveSet, area_table_mm2, volume_tables
from tightside.engine.lift import LiftCurve
from tightside.engine.slider_crank import CylinderGeometry
from tightside.twin.cycle import ANGLES_DEG, Breathing

GEOMETRY = CylinderGeometry(89.0, 79.5, 144.0, 0.0, 10.2)
INTAKE = ValveSet("intake", LiftCurve(350.0, 590.0, 9.8), 350.0, 590.0, 34.0, 2)
EXHAUST = ValveSet("exhaust", LiftCurve(128.0, 368.0, 9.4), 128.0, 368.0, 29.5, 2)


def breathing(cylinders: int = 6, geometry: CylinderGeometry = GEOMETRY, *, valves: bool = True) -> Breathing:
    volume, slope, curve = volume_tables(ANGLES_DEG, geometry)
    shut = np.zeros(len(ANGLES_DEG))
    return Breathing(
        volume_m3=volume,
        slope_m3_rad=slope,
        curve_m3_rad2=curve,
        intake_mm2=area_table_mm2(ANGLES_DEG, INTAKE) if valves else shut,
        exhaust_mm2=area_table_mm2(ANGLES_DEG, EXHAUST) if valves else shut,
        cylinders=tuple(range(1, cylinders + 1)),
        tops_deg=np.arange(cylinders) * 720.0 / cylinders,
        bore_mm=geometry.bore_mm,
        stroke_mm=geometry.stroke_mm,
    )
