"""What a measurement needs of one cylinder's mechanism: volume over the cycle, valve areas, cam names."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.records import Floats, Record, array

TABLE_STEP_DEG = 0.5
TABLE_DEG = np.arange(-360.0, 360.0 + TABLE_STEP_DEG / 2, TABLE_STEP_DEG)  # after the cylinder's own compression top


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ValveTimes(Record):
    """One kind of valve in one cylinder: nominal angles after the cylinder's compression top, and who works it."""

    opens_deg: float
    closes_deg: float
    cam: str | None = None  # "1A"; None where the engine file names no such cam
    area_mm2: Floats = array()  # (A,) over TABLE_DEG, at the nominal angles
    nominal_known: bool = True  # False: the angles are usual ones, only good for starting a search
    sd_deg: float = 0.0  # how well they are known


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cylinder(Record):
    """One cylinder as its engine file tells, or as usual where it does not.

    ``top_deg`` is its compression top in the engine file's frame.
    """

    number: int
    top_deg: float
    bore_m: float
    stroke_m: float
    volume_m3: Floats = array()  # (A,) over TABLE_DEG
    intake: ValveTimes | None = None
    exhaust: ValveTimes | None = None
    geometry_known: bool = True
    ratio_sd: float = 0.02  # of the clearance volume, relative

    def volume_at(self, theta_deg: Floats) -> Floats:
        """Volume at angles after its compression top. [m^3]"""
        return np.interp((np.asarray(theta_deg) + 360.0) % 720.0 - 360.0, TABLE_DEG, self.volume_m3)
