"""Open area of a poppet valve over its lift. Bare functions, millimetres in, square millimetres out.

Source: Heywood, *Internal Combustion Engine Fundamentals*, 1st ed., section 6.3, eqs 6.7-6.9 (from memory; the frustum
of the first stage derived again): first the frustum at the seat, then the one from valve head to seat edge, then the
port less the stem.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, radians, sin, sqrt, tan

import numpy as np

from tightside.records import Floats

SEAT_PER_HEAD, PORT_PER_HEAD, STEM_PER_HEAD, SEAT_ANGLE_DEG = 0.05, 0.88, 0.18, 45.0  # common practice, no source


@dataclass(frozen=True, slots=True)
class Poppet:
    """One valve's head, seat, port and stem."""

    head_mm: float
    seat_mm: float
    port_mm: float
    stem_mm: float
    seat_angle_deg: float = SEAT_ANGLE_DEG


def usual_poppet(head_mm: float) -> Poppet:
    """A valve in the usual proportions to its head."""
    return Poppet(head_mm, SEAT_PER_HEAD * head_mm, PORT_PER_HEAD * head_mm, STEM_PER_HEAD * head_mm)


def stage_limits_mm(valve: Poppet) -> tuple[float, float]:
    """Lifts at which the second and the third stage begin. [mm]"""
    beta = radians(valve.seat_angle_deg)
    mean = valve.head_mm - valve.seat_mm
    port = (valve.port_mm**2 - valve.stem_mm**2) / (4 * mean)
    return valve.seat_mm / (sin(beta) * cos(beta)), sqrt(port**2 - valve.seat_mm**2) + valve.seat_mm * tan(beta)


def open_area_mm2(lift_mm: Floats, valve: Poppet) -> Floats:
    """Least geometric area for the flow at each lift. [mm^2]

    Examples
    --------
    Head 34, seat 1.7, port 30, stem 6, 45 deg: lift 1 -> 69.087, 5 -> 376.684, 9.5 -> 678.584.
    """
    beta = radians(valve.seat_angle_deg)
    lift = np.asarray(lift_mm, dtype=np.float64)
    first, second = stage_limits_mm(valve)
    at_seat = pi * lift * cos(beta) * (valve.head_mm - 2 * valve.seat_mm + lift / 2 * sin(2 * beta))
    mean = valve.head_mm - valve.seat_mm
    beside = pi * mean * np.sqrt((lift - valve.seat_mm * tan(beta)) ** 2 + valve.seat_mm**2)
    port = pi * (valve.port_mm**2 - valve.stem_mm**2) / 4
    return np.where(lift <= first, at_seat, np.where(lift <= second, beside, port))
