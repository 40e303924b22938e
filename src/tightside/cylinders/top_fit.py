"""Top dead centre from the closed part of a motored cycle, its loss angle taken out.

Heat to the walls and leakage make the pressure peak before top dead centre. Both leave their mark on the fall as well:
they take a share of the gas or its heat that stays gone, while a displaced top tilts the hump about its middle and
leaves its feet alone. Held against the gas of a closed cylinder, the two come apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.cylinders import charge as c
from tightside.cylinders.mechanism import Cylinder
from tightside.records import Floats, Record, array

NAMES = ("top", "heat", "hole", "zero", "gain", "clearance", "begin")
TOP, HEAT, HOLE, ZERO, GAIN, CLEARANCE, BEGIN = range(7)
FROM_DEG, TO_DEG = -95.0, 95.0
BEGIN_K, WALL_K, AMBIENT_KPA = 350.0, 320.0, 101.3
FLOOR, SHARE = 0.0015, 0.004  # model error: shares of the hump's height and of the pressure
CORRELATED_DEG = 15.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TopFit(Record):
    """Values and standard deviations in the order of NAMES; ``zero`` in kPa, ``gain`` relative to the guess."""

    values: Floats = array()
    sd: Floats = array()
    misfit: float = 0.0


def fit_top(
    theta_deg: Floats,
    values: Floats,
    speed_deg_s: Floats,
    cylinder: Cylinder,
    zero: tuple[float, float],
    gain: tuple[float, float],
    top: tuple[float, float] = (1.5, 6.0),
) -> TopFit:
    """Fit a closed cylinder to the hump of a motored cycle.

    Parameters
    ----------
    theta_deg, values, speed_deg_s : (A,) one mean cycle, its hump about 0.
    zero : value at no pressure and its standard deviation, in the values' unit.
    gain : value per kPa, and its relative standard deviation.
    top : where top dead centre is expected on ``theta_deg``, and the standard deviation of that. [deg]
    """
    from scipy.optimize import least_squares

    near = (theta_deg >= FROM_DEG) & (theta_deg <= TO_DEG)
    theta, y, speed = theta_deg[near], values[near], speed_deg_s[near]
    step = float(theta[1] - theta[0])
    height = float(y.max() - y.min())
    first = (float(y[0]) - zero[0]) / gain[0]
    sigma = np.hypot(FLOOR * height, SHARE * (y - y.min())) * np.sqrt(CORRELATED_DEG / step)
    mean = np.array([top[0], 0.0, 0.3, zero[0] / gain[0], 0.0, 0.0, first])
    sd = np.array([top[1], 0.6, 3.0, zero[1] / gain[0], gain[1], cylinder.ratio_sd, 0.5 * abs(first) + 30.0])
    settings = np.zeros(c.SETTINGS)
    settings[[c.WALL_K, c.AMBIENT_PA]] = WALL_K, AMBIENT_KPA * 1e3
    settings[[c.BORE_M, c.STROKE_M]] = cylinder.bore_m, cylinder.stroke_m
    shut, out, clearance = np.zeros(len(theta)), np.empty(len(theta)), float(cylinder.volume_m3.min())

    def residuals(x: Floats) -> Floats:
        settings[[c.HEAT, c.HOLE_M2]] = np.exp(x[HEAT]), max(x[HOLE], 0.0) * 1e-6
        volume = cylinder.volume_at(theta - x[TOP]) + clearance * np.expm1(x[CLEARANCE])
        c.march(0, max(x[BEGIN], 3.0) * 1e3, BEGIN_K, step, speed, volume, shut, shut, settings, out)
        model = gain[0] * np.exp(x[GAIN]) * (out * 1e-3 + x[ZERO])
        return np.concatenate([(model - y) / sigma, (x - mean) / sd])

    low, high = mean - 6 * sd, mean + 6 * sd
    low[HOLE], high[HOLE], low[BEGIN] = 0.0, 60.0, 3.0
    found = least_squares(residuals, mean, x_scale=sd, bounds=(low, high), max_nfev=40)
    off = found.fun[: len(theta)] * np.sqrt(CORRELATED_DEG / step)
    misfit = float(np.sqrt(np.mean(off**2)))
    covariance = np.linalg.pinv((jac := np.asarray(found.jac)).T @ jac)
    return TopFit(values=found.x, sd=np.sqrt(np.maximum(np.diag(covariance), 0.0)) * max(misfit, 1.0), misfit=misfit)
