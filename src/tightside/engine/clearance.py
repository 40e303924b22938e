"""Gap between valve and piston: how near they come, at which offset they meet, and how likely that is.

Along the cylinder axis, with the cam late by d (early: negative) and theta after the cylinder's own compression top,

    gap(theta) = deck clearance + pocket + recess + x(theta) - lift(theta - d) cos(inclination)

and ``gap_mm`` is its least value over the cycle. It is the same for every cylinder; only the crank angle at which it
happens differs, by the firing angles. The static lengths carry a normal error; lengths and angles that were estimated
add theirs, each by the change of gap that one standard deviation of it makes.

Source: the definition is the engine file's (``docs/engine-file.md``); bend depth is our assumption, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, radians

import numpy as np

from tightside.engine.estimate import Guess
from tightside.engine.lift import LiftCurve, lift_mm
from tightside.engine.slider_crank import CylinderGeometry, below_top_mm
from tightside.records import Bools, Floats

BEND_DEPTH_MM = 0.3  # deeper than lash and springing take up: the stem bends. Our assumption, no source.
GRID_DEG = 0.5
MIN_SD_MM = 1e-9


@dataclass(frozen=True, slots=True)
class ValveTrain:
    """All lengths and angles between one kind of valve and its piston."""

    geometry: CylinderGeometry
    curve: LiftCurve
    inclination_deg: float
    static_mm: float  # deck clearance + pocket + recess
    tolerance_mm: float  # standard deviation of static_mm


@dataclass(frozen=True, slots=True, eq=False)
class GapCurve:
    """Least gap against offset, on an even grid over a whole cycle of offsets.

    ``sd_mm`` is the standard deviation of the gap from tolerances and estimates; ``at_deg`` the crank angles,
    after the cylinder's own compression top, at which valve and piston come nearest.
    """

    offset_deg: Floats  # (G,) -360 .. 360
    gap_mm: Floats  # (G,)
    sd_mm: Floats  # (G,)
    at_deg: Floats  # (G,)
    guesses: tuple[Guess, ...] = ()

    def gap_at(self, offset_deg: Floats) -> Floats:
        """Least gap at any offsets. [mm]"""
        return np.interp(_wrapped(offset_deg), self.offset_deg, self.gap_mm)

    def sd_at(self, offset_deg: Floats) -> Floats:
        """Its standard deviation. [mm]"""
        return np.interp(_wrapped(offset_deg), self.offset_deg, self.sd_mm)

    def angle_at(self, offset_deg: float) -> float:
        """Crank angle of nearest approach, of the nearest offset on the grid. [deg]"""
        nearest = round((float(_wrapped(np.array(offset_deg))) + 360.0) / GRID_DEG)
        return float(self.at_deg[nearest])


def _wrapped(offset_deg: Floats) -> Floats:
    """Into -360..360, leaving what is there already as it is."""
    offset = np.asarray(offset_deg, dtype=np.float64)
    return np.where(np.abs(offset) <= 360.0, offset, (offset + 360.0) % 720.0 - 360.0)


# ------------------------------------------------------------------------------------------------------------- gaps


def gap_over_cycle_mm(theta_deg: Floats, train: ValveTrain, offset_deg: float = 0.0) -> Floats:
    """Gap at any crank angles, with the cam late by ``offset_deg``. [mm]"""
    opening = lift_mm(theta_deg - offset_deg, train.curve) * cos(radians(train.inclination_deg))
    return train.static_mm + below_top_mm(theta_deg, train.geometry) - opening


def least_gap_mm(offset_deg: Floats, train: ValveTrain) -> tuple[Floats, Floats]:
    """Least gap over the cycle for each offset, and the crank angle at which it happens.

    Parameters
    ----------
    offset_deg : (G,) positive late
    train : ValveTrain

    Returns
    -------
    gap_mm, at_deg : (G,) each; at_deg in [0, 720)

    Notes
    -----
    Every degree of the cycle and every corner of the lift curve, then twice a finer look around the best. Within 0.001
    mm of a search of every 0.002 degree.
    """
    offset = np.asarray(offset_deg, dtype=np.float64)[:, None]
    best = _nearest(np.arange(720.0)[None, :], offset, train)
    corners = _nearest(train.curve.knots_deg[None, :] + offset, offset, train)
    best = np.where(_gap(corners, offset, train) < _gap(best, offset, train), corners, best)
    for half_width in (1.0, 0.05):
        best = _nearest(best + np.linspace(-half_width, half_width, 41), offset, train)
    return _gap(best, offset, train)[:, 0], best[:, 0] % 720.0


def _gap(theta_deg: Floats, offset_deg: Floats, train: ValveTrain) -> Floats:
    opening = lift_mm(theta_deg - offset_deg, train.curve) * cos(radians(train.inclination_deg))
    return train.static_mm + below_top_mm(theta_deg, train.geometry) - opening


def _nearest(theta_deg: Floats, offset_deg: Floats, train: ValveTrain) -> Floats:
    """Of several angles per offset, the one with the least gap; keeps a column."""
    gaps = _gap(theta_deg, offset_deg, train)
    every = np.broadcast_to(theta_deg, gaps.shape)
    return np.take_along_axis(every, gaps.argmin(axis=1)[:, None], axis=1)


def gap_curve(train: ValveTrain) -> GapCurve:
    """Least gap against offset, with the static tolerance as its only error."""
    offset = np.arange(-360.0, 360.0 + GRID_DEG / 2, GRID_DEG)
    gap, at = least_gap_mm(offset, train)
    return GapCurve(offset, gap, np.full_like(gap, train.tolerance_mm), at)


def widened(curve: GapCurve, spreads: tuple[Floats, ...], guesses: tuple[Guess, ...]) -> GapCurve:
    """A curve with the errors of estimates added: ``spreads`` are the changes of gap by one deviation of each."""
    variance = curve.sd_mm**2 + sum(spread**2 for spread in spreads)
    return replace(curve, sd_mm=np.sqrt(variance), guesses=guesses)


# ---------------------------------------------------------------------------------------------------- probabilities


@dataclass(frozen=True, slots=True)
class Contact:
    """How near valve and piston come at one offset, and how likely they meet.

    ``touch`` and ``bend`` split ``probability``: overlap up to ``BEND_DEPTH_MM``, and more.
    """

    gap_mm: float
    gap_ci95_mm: tuple[float, float]
    probability: float
    touch: float
    bend: float


def contact_at(curve: GapCurve, offset_deg: float, offset_sd_deg: float = 0.0) -> Contact:
    """Gap and chance of contact at an offset that is known exactly or with a normal error.

    Notes
    -----
    The gap at an offset is normal about the curve; an uncertain offset is averaged over by weights on a grid of 0.1
    standard deviations out to 5. ``contact_by_draws`` is the same by drawing.
    """
    at, weight = _spread(offset_deg, offset_sd_deg)
    gap, sd = curve.gap_at(at), np.maximum(curve.sd_at(at), MIN_SD_MM)
    probability, bend = _below(0.0, gap, sd, weight), _below(-BEND_DEPTH_MM, gap, sd, weight)
    return Contact(
        gap_mm=float(curve.gap_at(np.array([offset_deg]))[0]),
        gap_ci95_mm=_interval(gap, sd, weight),
        probability=probability,
        touch=probability - bend,
        bend=bend,
    )


def _spread(offset_deg: float, offset_sd_deg: float) -> tuple[Floats, Floats]:
    if offset_sd_deg <= 0:
        return np.array([offset_deg]), np.ones(1)
    z = np.linspace(-5.0, 5.0, 101)
    weight = np.exp(-(z**2) / 2)
    return offset_deg + offset_sd_deg * z, weight / weight.sum()


def _below(level_mm: float, gap: Floats, sd: Floats, weight: Floats) -> float:
    from scipy.special import ndtr

    return float(np.clip(weight @ ndtr((level_mm - gap) / sd), 0.0, 1.0))


def _interval(gap: Floats, sd: Floats, weight: Floats) -> tuple[float, float]:
    """Central 95 % of a mixture of normals, by bisection."""
    from scipy.special import ndtr

    ends = []
    for share in (0.025, 0.975):
        low, high = float((gap - 8 * sd).min()), float((gap + 8 * sd).max())
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if weight @ ndtr((middle - gap) / sd) < share else (low, middle)
        ends.append((low + high) / 2)
    return ends[0], ends[1]


def draw_gaps(
    curve: GapCurve, offset_deg: float, offset_sd_deg: float, *, draws: int, rng: np.random.Generator
) -> Floats:
    """Gaps of many engines and offsets drawn at random. (D,) [mm]

    A million take a few hundredths of a second: each draw reads the least gap over the whole cycle off the curve.
    """
    offset = offset_deg + offset_sd_deg * rng.standard_normal(draws)
    return curve.gap_at(offset) + curve.sd_at(offset) * rng.standard_normal(draws)


# ------------------------------------------------------------------------------------------------------ how far to go


def offset_of_contact_deg(curve: GapCurve, late: bool) -> float | None:
    """The smallest offset, late or early, at which the gap is gone; None within half a cycle. [crank deg]"""
    side = curve.offset_deg * (1 if late else -1)
    order = np.argsort(side)
    side, gap = side[order], curve.gap_mm[order]
    within = (side >= 0) & (side <= 180)
    side, gap = side[within], gap[within]
    gone: Bools = gap <= 0
    if not gone.any():
        return None
    i = int(gone.argmax())
    if i == 0:
        return 0.0
    share = gap[i - 1] / (gap[i - 1] - gap[i])
    return float((side[i - 1] + share * GRID_DEG) * (1 if late else -1))


def worst_between(curve: GapCurve, from_deg: float, to_deg: float) -> float:
    """The offset between two at which the gap is least: a phaser's travel, or a slip on its way. [crank deg]"""
    low, high = sorted((from_deg, to_deg))
    inside = curve.offset_deg[(curve.offset_deg > low) & (curve.offset_deg < high)]
    at = np.concatenate([[low, high], inside])
    return float(at[curve.gap_at(at).argmin()])
