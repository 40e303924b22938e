"""Slider-crank: bare functions, arrays or numbers in degrees in, the same shape out.

Symbols after Heywood: a crank radius (stroke of the throw over 2), l rod from centre to centre, e pin offset.

Zero of ``theta_deg`` is the piston's own top, not the throw's: with an offset the throw is then ``top_of_throw_deg``
past the cylinder's direction. The offset e is positive toward the side that the throw moves to first after top. The
engine file's ``stroke_mm`` is twice the throw, ``2 a``; with an offset the piston travels a little further
(``travel_mm``).

Source: Heywood, *Internal Combustion Engine Fundamentals*, 1st ed., eqs 2.4-2.6 and 2.9-2.11, from memory; the offset
forms are our derivation: with the throw at angle phi its pin stands a sin(phi) to the side, so the piston pin, e to
that side, is at height s = a cos(phi) + sqrt(l^2 - (a sin(phi) - e)^2).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, degrees, pi, radians, sqrt
from typing import TypeVar

import numpy as np

from tightside.records import Floats

Angle = TypeVar("Angle", float, Floats)


@dataclass(frozen=True, slots=True)
class CylinderGeometry:
    """One cylinder, all of it known.

    ``stroke_mm`` is twice the throw; ``pin_offset_mm`` is positive toward the side that the throw moves to first after
    top.
    """

    bore_mm: float
    stroke_mm: float
    rod_mm: float
    pin_offset_mm: float = 0.0
    compression_ratio: float = 10.0

    @property
    def throw_mm(self) -> float:
        """Crank radius a. [mm]"""
        return self.stroke_mm / 2


def top_of_throw_deg(geometry: CylinderGeometry) -> float:
    """Throw angle, from the cylinder's direction, at the piston's top: asin(e / (l + a)). [deg]"""
    g = geometry
    return degrees(asin(g.pin_offset_mm / (g.rod_mm + g.throw_mm)))


def bottom_deg(geometry: CylinderGeometry) -> float:
    """Crank angle from the piston's top to its bottom; 180 without an offset. [deg]"""
    g = geometry
    return 180.0 + degrees(asin(g.pin_offset_mm / (g.rod_mm - g.throw_mm))) - top_of_throw_deg(g)


def travel_mm(geometry: CylinderGeometry) -> float:
    """How far the piston goes from top to bottom, never less than twice the throw. [mm]"""
    g = geometry
    a, rod, e = g.throw_mm, g.rod_mm, g.pin_offset_mm
    return sqrt((rod + a) ** 2 - e**2) - sqrt((rod - a) ** 2 - e**2)


def below_top_mm(theta_deg: Angle, geometry: CylinderGeometry) -> Angle:
    """Piston travel below its own top, x. [mm]

    Examples
    --------
    a = 43, l = 143, no offset: 30 -> 7.3864, 90 -> 49.6182, 180 -> 86.
    """
    g = geometry
    a, rod, e = g.throw_mm, g.rod_mm, g.pin_offset_mm
    phi = np.radians(theta_deg + top_of_throw_deg(g))
    height = a * np.cos(phi) + np.sqrt(rod**2 - (a * np.sin(phi) - e) ** 2)
    return sqrt((rod + a) ** 2 - e**2) - height  # type: ignore[no-any-return]


def piston_speed_ratio(theta_deg: Angle, geometry: CylinderGeometry) -> Angle:
    """Piston speed over its mean, positive away from top. [1]

    The mean is over a whole turn, 2 * travel * turns per second.
    """
    return _rate(theta_deg, geometry) * pi / travel_mm(geometry)


def _rate(theta_deg: Angle, geometry: CylinderGeometry) -> Angle:
    """dx / dtheta. [mm/rad]"""
    g = geometry
    a, rod, e = g.throw_mm, g.rod_mm, g.pin_offset_mm
    phi = np.radians(theta_deg + top_of_throw_deg(g))
    sideways = a * np.sin(phi) - e
    return a * np.sin(phi) + a * np.cos(phi) * sideways / np.sqrt(rod**2 - sideways**2)  # type: ignore[no-any-return]


def acceleration_mm_s2(theta_deg: Angle, geometry: CylinderGeometry, speed_rpm: float) -> Angle:
    """Piston acceleration away from top, at steady crank speed. [mm/s^2]

    At top without an offset it is a w^2 (1 + a / l).
    """
    g = geometry
    a, rod, e = g.throw_mm, g.rod_mm, g.pin_offset_mm
    phi = np.radians(theta_deg + top_of_throw_deg(g))
    sin, cos = np.sin(phi), np.cos(phi)
    sideways = a * sin - e
    upright = np.sqrt(rod**2 - sideways**2)
    curve = a * cos + ((a * cos) ** 2 - sideways * a * sin) / upright + (sideways * a * cos) ** 2 / upright**3
    return curve * (speed_rpm * pi / 30) ** 2  # type: ignore[no-any-return]


def mean_speed_m_s(geometry: CylinderGeometry, speed_rpm: float) -> float:
    """Mean piston speed, 2 * travel * turns per second. [m/s]"""
    return 2 * travel_mm(geometry) / 1000 * speed_rpm / 60


def displacement_cm3(geometry: CylinderGeometry) -> float:
    """Volume that one piston sweeps. [cm^3]"""
    return pi / 4 * geometry.bore_mm**2 * travel_mm(geometry) / 1000


def clearance_volume_cm3(geometry: CylinderGeometry) -> float:
    """Volume left at top, Vd / (rc - 1). [cm^3]"""
    return displacement_cm3(geometry) / (geometry.compression_ratio - 1)


def volume_cm3(theta_deg: Angle, geometry: CylinderGeometry) -> Angle:
    """Cylinder volume, Vc + bore area * x. [cm^3]"""
    area_cm2 = pi / 4 * geometry.bore_mm**2 / 100
    return clearance_volume_cm3(geometry) + area_cm2 * below_top_mm(theta_deg, geometry) / 10


def volume_rate_cm3_deg(theta_deg: Angle, geometry: CylinderGeometry) -> Angle:
    """dV / dtheta. [cm^3 per crank degree]"""
    area_cm2 = pi / 4 * geometry.bore_mm**2 / 100
    return area_cm2 * _rate(theta_deg, geometry) / 10 * radians(1.0)
