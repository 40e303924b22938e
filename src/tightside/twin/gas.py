"""Torque of the gas and of the moving masses over a cycle, as tables that the crank's equation of motion looks up.

Slider-crank after Heywood, *Internal Combustion Engine Fundamentals*, 1st ed., eqs 2.4-2.11 (from memory): piston
travel below top ``x``, and the torque of a gas pressure is ``(p - p_ambient) * A * dx/dtheta``. Compression and
expansion are polytropic; burning follows a Wiebe curve. Pin offset, and unusual valve timing, are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.records import Floats, Record, array
from tightside.twin.scene import Subject

STEP_DEG = 0.5
ANGLES_DEG = np.arange(0.0, 720.0, STEP_DEG)
INTAKE_CLOSES_DEG = -130.0
EXHAUST_OPENS_DEG = 130.0
COMPRESSION_EXPONENT = 1.32
EXPANSION_EXPONENT = 1.36  # steeper than compression: heat is lost round top
AMBIENT_KPA = 101.0
PISTON_DENSITY_KG_M2 = 95.0  # reciprocating mass over bore area; common practice, no source


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Torques(Record):
    """Tables over a cycle, one entry each half degree. Torque per kPa [N m/kPa], inertia [kg m^2]."""

    per_manifold: Floats = array()  # (A,) all cylinders, per kPa in the manifold: intake, compression, expansion
    per_ambient: Floats = array()  # (A,) all cylinders, per kPa of the surroundings
    burn: Floats = array()  # (A,) one cylinder, 0 its own top, per kPa of indicated mean pressure
    masses: Floats = array()  # (A,) moment of inertia of the reciprocating parts
    tops_deg: Floats = array()  # (Y,) compression tops
    displacement_m3: float = 0.0


def arm_from_angle(theta_deg: Floats, stroke_m: float, rod_m: float) -> Floats:
    """Piston speed over crank speed, dx/dtheta. [m/rad]"""
    a, sin = stroke_m / 2, np.sin(np.radians(theta_deg))
    return np.asarray(a * sin + a**2 * sin * np.cos(np.radians(theta_deg)) / np.sqrt(rod_m**2 - (a * sin) ** 2))


def volume_from_angle(theta_deg: Floats, subject: Subject) -> Floats:
    """Volume over the clearance volume. [1]  Heywood eq. 2.6 (from memory)."""
    ratio, theta = 2 * subject.rod_mm / subject.stroke_mm, np.radians(theta_deg)
    travel = ratio + 1 - np.cos(theta) - np.sqrt(ratio**2 - np.sin(theta) ** 2)
    return np.asarray(1 + 0.5 * (subject.compression_ratio - 1) * travel)


def closed_pressure(theta_deg: Floats, subject: Subject) -> Floats:
    """Cylinder pressure over manifold pressure, unfired, from intake closing to exhaust opening; 0 elsewhere. [1]

    ``theta_deg`` lies in -360..360, 0 being compression top.
    """
    volume = volume_from_angle(theta_deg, subject)
    at_closing = volume_from_angle(np.array([INTAKE_CLOSES_DEG]), subject)[0]
    top = at_closing**COMPRESSION_EXPONENT
    pressure = np.where(
        theta_deg <= 0, (at_closing / volume) ** COMPRESSION_EXPONENT, top * volume**-EXPANSION_EXPONENT
    )
    return np.where((theta_deg >= INTAKE_CLOSES_DEG) & (theta_deg <= EXHAUST_OPENS_DEG), pressure, 0.0)


def burn_pressure(theta_deg: Floats, subject: Subject) -> Floats:
    """Pressure that burning adds, scaled to 1 kPa of indicated mean pressure. [kPa]

    Wiebe curve a = 5, m = 2 from 12 deg before to 48 deg after top (Heywood section 9.2, from memory).
    """
    share = np.clip((theta_deg + 12.0) / 60.0, 0.0, 1.0)
    volume = volume_from_angle(theta_deg, subject)
    heat = np.gradient(1 - np.exp(-5 * share**3), theta_deg)
    rise = np.cumsum(heat * volume**0.3) / volume**1.3
    rise *= np.clip((EXHAUST_OPENS_DEG + 40 - theta_deg) / 40.0, 0.0, 1.0)
    work = np.sum(rise * np.gradient(volume)) / (subject.compression_ratio - 1)
    return np.asarray(rise / work)


def torques_of(subject: Subject, sealing: Floats) -> Torques:
    """Tables of one engine. ``sealing`` is the share of its compression that each cylinder keeps, in firing order."""
    theta = (ANGLES_DEG + 360.0) % 720.0 - 360.0
    order = np.argsort(theta)
    area_m2 = np.pi / 4 * (subject.bore_mm * 1e-3) ** 2
    arm = arm_from_angle(theta, subject.stroke_mm * 1e-3, subject.rod_mm * 1e-3)
    force = 1e3 * area_m2 * arm
    closed = closed_pressure(theta, subject)
    burn = np.empty_like(theta)
    burn[order] = burn_pressure(theta[order], subject)
    intake = np.where((theta >= -360) & (theta < INTAKE_CLOSES_DEG), 1.0, 0.0)
    leaves = np.where((closed == 0) & (intake == 0), 1.0, 0.0)
    tops = subject.firing_angles_deg
    mass_kg = PISTON_DENSITY_KG_M2 * area_m2
    return Torques(
        per_manifold=np.sum(
            [_turned(force * (closed * s + intake), t) for s, t in zip(sealing, tops, strict=True)], axis=0
        ),
        per_ambient=np.sum([_turned(force * (leaves - 1.0), t) for t in tops], axis=0),
        burn=force * burn,
        masses=np.sum([_turned(mass_kg * arm**2, t) for t in tops], axis=0),
        tops_deg=tops,
        displacement_m3=subject.displacement_m3,
    )


def _turned(table: Floats, by_deg: float) -> Floats:
    return np.interp(ANGLES_DEG - by_deg, ANGLES_DEG, table, period=720.0)
