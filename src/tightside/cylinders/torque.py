"""Torque of one cylinder's gas over its cycle: compression alone at cranking speed, and what burning adds."""

from __future__ import annotations

import numpy as np

from tightside.cylinders import charge
from tightside.cylinders.mechanism import TABLE_DEG, TABLE_STEP_DEG, Cylinder
from tightside.records import Floats

CRANKING_DEG_S = 1200.0
AMBIENT_KPA = 101.3
SOUND_HOLE_M2 = 0.7e-6  # what rings of a sound cylinder let by; common practice, no source
BURN_MIDDLE_DEG, BURN_SPAN_DEG = 15.0, 60.0
EXPANSION_EXPONENT = 1.3
OPENS_DEG = 135.0


def motored_kpa(
    cylinder: Cylinder,
    manifold_kpa: float = AMBIENT_KPA,
    hole_m2: float = SOUND_HOLE_M2,
    speed_deg_s: float = CRANKING_DEG_S,
) -> Floats:
    """Absolute pressure over TABLE_DEG of a cylinder that does not burn. (A,)"""
    settings = np.zeros(charge.SETTINGS)
    settings[[charge.DISCHARGE, charge.HEAT]] = 0.7, 1.0
    settings[charge.HOLE_M2] = hole_m2
    settings[[charge.INTAKE_PA, charge.EXHAUST_PA, charge.AMBIENT_PA]] = (
        manifold_kpa * 1e3,
        AMBIENT_KPA * 1e3,
        AMBIENT_KPA * 1e3,
    )
    settings[[charge.INTAKE_K, charge.EXHAUST_K, charge.WALL_K]] = 300.0, 310.0, 320.0
    settings[[charge.BORE_M, charge.STROKE_M]] = cylinder.bore_m, cylinder.stroke_m
    n = len(TABLE_DEG) - 1
    volume = cylinder.volume_m3[:n]
    intake, exhaust = _areas(cylinder, n)
    out = np.empty(n)
    start = round((200.0 - TABLE_DEG[0]) / TABLE_STEP_DEG)  # exhaust valve open: the gas is at its manifold's pressure
    charge.march(
        start, AMBIENT_KPA * 1e3, 310.0, TABLE_STEP_DEG, np.full(n, speed_deg_s), volume, intake, exhaust, settings, out
    )
    return np.append(out, out[0]) * 1e-3


def _areas(cylinder: Cylinder, n: int) -> tuple[Floats, Floats]:
    """Open valve areas; as usual where the engine does not tell. [m^2]"""
    if cylinder.intake is not None and cylinder.exhaust is not None:
        return cylinder.intake.area_mm2[:n] * 1e-6, cylinder.exhaust.area_mm2[:n] * 1e-6
    theta = TABLE_DEG[:n] % 720.0
    most = 0.2 * np.pi / 4 * cylinder.bore_m**2

    def lobe(opens: float, closes: float) -> Floats:
        return most * np.sin(np.pi * np.clip((theta - opens) / (closes - opens), 0.0, 1.0)) ** 2

    return lobe(355.0, 595.0), lobe(125.0, 367.0)


def torque_nm(cylinder: Cylinder, pressure_kpa: Floats) -> Floats:
    """Torque on the crank over TABLE_DEG, crankcase at ambient pressure; negative where the gas resists. (A,) [N m]"""
    slope = np.gradient(cylinder.volume_m3, np.radians(TABLE_STEP_DEG))
    return np.asarray((pressure_kpa - AMBIENT_KPA) * 1e3 * slope)


def burning_torque(cylinder: Cylinder) -> Floats:
    """Torque that burning adds to a cylinder's compression, for one joule of work. (A,) [1/rad]

    The burn ends at a higher expansion line; the shape hardly hangs on when.
    """
    theta = TABLE_DEG
    burned = np.clip((theta - (BURN_MIDDLE_DEG - BURN_SPAN_DEG / 2)) / BURN_SPAN_DEG, 0.0, 1.0)
    burned = 3 * burned**2 - 2 * burned**3
    out = np.clip((theta - OPENS_DEG) / 40.0, 0.0, 1.0)
    extra = burned * cylinder.volume_m3**-EXPANSION_EXPONENT * (1.0 - out) * (theta > -90.0)
    torque = extra * np.gradient(cylinder.volume_m3, np.radians(TABLE_STEP_DEG))
    return np.asarray(torque / (torque.sum() * np.radians(TABLE_STEP_DEG)))


def moving_mass_torque(cylinder: Cylinder) -> Floats:
    """Torque by which moving pistons give and take, for one kilogram at one (rad/s)^2, even speed. (A,) [m^2]

    The piston's kinetic energy per (rad/s)^2 is m x'^2 / 2; its change with angle is taken from the crank.
    """
    area = np.pi / 4 * cylinder.bore_m**2
    pace = np.gradient(cylinder.volume_m3, np.radians(TABLE_STEP_DEG)) / area
    return np.asarray(-np.gradient(0.5 * pace**2, np.radians(TABLE_STEP_DEG)))


def on_grid(shape: Floats, theta_deg: Floats) -> Floats:
    """A shape over TABLE_DEG read at other angles after the cylinder's own top."""
    return np.interp((theta_deg + 360.0) % 720.0 - 360.0, TABLE_DEG, shape)
