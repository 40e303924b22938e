"""Valve lift over crank angle: sin^2 between two angles, or a table.

Angles are crank degrees after the cylinder's own compression top; lift repeats every 720. A cam that sits late by d
shows the lift of ``theta - d``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, pi, sqrt

import numpy as np

from tightside.records import Floats


@dataclass(frozen=True, slots=True)
class LiftCurve:
    """One valve's lift. ``opens_deg`` and ``closes_deg`` are where lift begins and ends; a table overrides all else."""

    opens_deg: float
    closes_deg: float
    max_lift_mm: float
    table: tuple[tuple[float, float], ...] | None = None

    @property
    def knots_deg(self) -> Floats:
        """Angles at which the curve has a corner."""
        if self.table is None:
            return np.array([self.opens_deg, self.closes_deg])
        return np.array([deg for deg, _ in self.table])


def curve_from_timing(
    opens_deg: float, closes_deg: float, max_lift_mm: float, timing_lift_mm: float = 0.0
) -> LiftCurve:
    """A sin^2 curve that has ``timing_lift_mm`` at the two angles.

    Examples
    --------
    Angles 350 and 590 at 1.0 mm of 10.0 mm: lift begins near 318.2 and ends near 621.8.

    Notes
    -----
    Our derivation: the share of the whole duration D below the timing lift on each flank is k = asin(sqrt(h / L)) /
    pi, and D (1 - 2 k) is the duration given, so D = (closes - opens) / (1 - 2 k).
    """
    if timing_lift_mm <= 0 or max_lift_mm <= 0:
        return LiftCurve(opens_deg, closes_deg, max_lift_mm)
    share = asin(sqrt(timing_lift_mm / max_lift_mm)) / pi
    flank_deg = share * (closes_deg - opens_deg) / (1 - 2 * share)
    return LiftCurve(opens_deg - flank_deg, closes_deg + flank_deg, max_lift_mm)


def lift_mm(theta_deg: Floats, curve: LiftCurve) -> Floats:
    """Valve lift along the valve's own axis. [mm]

    Source: sin^2 is the harmonic curve of cam handbooks, L/2 (1 - cos 2 pi u). A table is joined by straight lines and
    is 0 outside its angles.
    """
    if curve.table is not None:
        angles, lifts = np.array(curve.table, dtype=np.float64).T
        after = (theta_deg - angles[0]) % 720.0
        return np.asarray(np.interp(after, angles - angles[0], lifts, right=0.0))
    duration_deg = curve.closes_deg - curve.opens_deg
    after = (theta_deg - curve.opens_deg) % 720.0
    return np.where(after < duration_deg, curve.max_lift_mm * np.sin(pi * after / duration_deg) ** 2, 0.0)
