"""Compression and expansion of a closed charge: p V^n. Bare functions.

Source: Heywood, *Internal Combustion Engine Fundamentals*, 1st ed., section 9.2 and ch. 5 (from memory); two-point
pegging: Randolph, SAE 900170, and Lancaster et al., SAE 750026 (from memory).
"""

from __future__ import annotations

import numpy as np

from tightside.records import Floats


def pressure_from_ratio(before_kpa: float, volume_ratio: float, exponent: float) -> float:
    """Absolute pressure after compression by a volume ratio. [kPa]

    >>> round(pressure_from_ratio(100.0, 8.0, 1.3), 2)
    1492.85
    """
    return float(before_kpa * volume_ratio**exponent)


def exponent_from_trace(pressure: Floats, volume: Floats) -> tuple[float, float]:
    """Polytropic exponent and its standard deviation: less the slope of log p over log V. [1]

    Parameters
    ----------
    pressure : (A,) absolute, any unit, above zero.
    volume : (A,) any unit.

    Notes
    -----
    The deviation takes every value to be independent; model errors come on top.
    """
    x, y = np.log(volume), np.log(pressure)
    x = x - x.mean()
    sxx = float(np.sum(x * x))
    slope = float(np.sum(x * y)) / sxx
    off = y - y.mean() - slope * x
    return -slope, float(np.sqrt(np.sum(off**2) / max(len(x) - 2, 1) / sxx))


def zero_from_two_points(readings: tuple[float, float], volumes: tuple[float, float], exponent: float) -> float:
    """The reading at no pressure, from two readings on one closed compression. [the readings' unit]

    p1 = (m2 - m1) / ((V1 / V2)^n - 1), and the zero is m1 - p1.
    """
    (m1, m2), (v1, v2) = readings, volumes
    first = (m2 - m1) / ((v1 / v2) ** exponent - 1.0)
    return float(m1 - first)


def work_from_pressure(pressure_pa: Floats, volume_m3: Floats) -> float:
    """Work of the gas on the piston along a path, the integral of p dV. [J]"""
    return float(np.sum(0.5 * (pressure_pa[1:] + pressure_pa[:-1]) * np.diff(volume_m3)))
