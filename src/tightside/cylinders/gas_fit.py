"""A measured pressure cycle held against the gas of a cylinder: where top dead centre, the cams and the zero must be.

Free are top dead centre, both cams, both manifolds, heat to the walls, a hole, the clearance volume, the valves'
discharge, and the transducer's zero and scale as far as they are not known. Each has a wide prior, so that what the
trace does not show stays as wide as it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.cylinders import charge as c
from tightside.cylinders.mechanism import TABLE_DEG, Cylinder
from tightside.records import Floats, Record, array

AMBIENT_KPA = 101.3
BEGIN_DEG = {"motored": 70.0, "fired": 88.0}
BEGIN_K = {"motored": 370.0, "fired": 1500.0}
EXHAUST_K = {"motored": 305.0, "fired": 800.0}
UNTIL_DEG = -38.0  # a fired cycle is followed up to here only: then the spark may come
WALL_K = {"motored": 320.0, "fired": 400.0}
# what is fitted; the order of the vector
NAMES = (
    "top",
    "intake",
    "exhaust",
    "p_intake",
    "p_exhaust",
    "heat",
    "hole",
    "zero",
    "gain",
    "clearance",
    "begin",
    "discharge",
)
TOP, INTAKE, EXHAUST, P_INTAKE, P_EXHAUST, HEAT, HOLE, ZERO, GAIN, CLEARANCE, BEGIN, DISCHARGE = range(12)
FLOOR = 0.0012  # model error, share of the hump's height
SHARE = 0.02  # ... and share of the pressure above the manifolds'
CORRELATED_DEG = 12.0  # over which the model's errors go together
SAME_CAM_SD_DEG = 0.7  # valves of one camshaft stand together but for this
SEARCH_DEG = np.arange(-75.0, 76.0, 7.5)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Trace(Record):
    """One mean cycle and what is known of its scale. ``zero`` and ``gain`` are (guess, standard deviation)."""

    kind: str
    theta_deg: Floats = array()  # (A,) from -360, even steps
    values: Floats = array()  # (A,)
    speed_deg_s: Floats = array()  # (A,)
    noise: float = 0.0  # of one value of the mean cycle
    top: tuple[float, float] = (0.0, 4.0)  # top dead centre on theta_deg: guess and its standard deviation
    zero: tuple[float, float] = (0.0, 5.0)  # value at no pressure
    gain: tuple[float, float] = (1.0, 0.03)  # value per kPa; relative standard deviation
    heat: tuple[float, float] = (0.0, 0.5)  # logarithm of its share of the usual
    hole_mm2: tuple[float, float] = (0.0, 3.0)
    clearance: tuple[float, float] = (0.0, 0.02)  # logarithm of its share of the engine file's
    discharge_sd: float = 0.15


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class GasFit(Record):
    """What came out. ``values`` and ``sd`` in the order of NAMES."""

    values: Floats = array()
    sd: Floats = array()
    prior_sd: Floats = array()
    model: Floats = array()  # (A,) in the trace's unit
    misfit: float = 0.0  # root mean square residual over its expected size
    off: tuple[float, ...] = ()

    def of(self, index: int) -> tuple[float, float]:
        """Value and standard deviation."""
        return float(self.values[index]), float(self.sd[index])


class _Held:
    """The trace, the mechanism and the priors, and the model's value for a vector."""

    def __init__(self, trace: Trace, cylinder: Cylinder) -> None:
        assert cylinder.intake is not None and cylinder.exhaust is not None
        self.trace, self.cylinder = trace, cylinder
        theta = trace.theta_deg
        self.step = float(theta[1] - theta[0])
        self.start = int(np.argmin(np.abs(theta - BEGIN_DEG[trace.kind])))
        self.height = float(trace.values.max() - np.percentile(trace.values, 20))
        base = float(np.percentile(trace.values, 20))
        model = (FLOOR * self.height) ** 2 + (SHARE * (trace.values - base)) ** 2
        self.sigma = np.sqrt(model + trace.noise**2) * np.sqrt(CORRELATED_DEG / self.step)
        self.seen = (theta <= UNTIL_DEG) | (theta >= BEGIN_DEG["fired"]) if trace.kind == "fired" else theta == theta
        self.mean, self.sd = self._priors()
        self.one_cam = cylinder.intake.cam is not None and cylinder.intake.cam == cylinder.exhaust.cam
        self.settings = np.zeros(c.SETTINGS)
        self.settings[[c.INTAKE_K, c.EXHAUST_K]] = 300.0, EXHAUST_K[trace.kind]
        self.settings[[c.WALL_K, c.AMBIENT_PA]] = WALL_K[trace.kind], AMBIENT_KPA * 1e3
        self.settings[[c.BORE_M, c.STROKE_M]] = cylinder.bore_m, cylinder.stroke_m
        self.out = np.empty(len(theta))

    def _priors(self) -> tuple[Floats, Floats]:
        trace = self.trace
        at_start = (trace.values[self.start] - trace.zero[0]) / trace.gain[0]
        mean = np.zeros(12)
        mean[[TOP, ZERO, BEGIN]] = trace.top[0], trace.zero[0] / trace.gain[0], at_start
        fired = trace.kind == "fired"
        mean[P_INTAKE] = -0.4 if fired else -0.1
        mean[[HEAT, HOLE, CLEARANCE]] = trace.heat[0], trace.hole_mm2[0], trace.clearance[0]
        zero_sd, begin_sd = trace.zero[1] / trace.gain[0], 0.3 * abs(at_start) + 20.0
        sd = np.array([trace.top[1], 40.0, 40.0, 0.5, 0.03, trace.heat[1], trace.hole_mm2[1], zero_sd,
                       trace.gain[1], trace.clearance[1], begin_sd, trace.discharge_sd])  # fmt: skip
        return mean, sd

    def pressure_kpa(self, x: Floats) -> Floats:
        """The model's absolute pressure. (A,)"""
        cylinder, s = self.cylinder, self.settings
        assert cylinder.intake is not None and cylinder.exhaust is not None
        theta = self.trace.theta_deg - x[TOP]
        clearance = float(cylinder.volume_m3.min())
        volume = cylinder.volume_at(theta) + clearance * np.expm1(x[CLEARANCE])
        intake = _turned(theta - x[INTAKE], cylinder.intake.area_mm2)
        exhaust = _turned(theta - x[EXHAUST], cylinder.exhaust.area_mm2)
        s[c.INTAKE_PA], s[c.EXHAUST_PA] = AMBIENT_KPA * 1e3 * np.exp(x[[P_INTAKE, P_EXHAUST]])
        s[c.HEAT], s[c.HOLE_M2], s[c.DISCHARGE] = np.exp(x[HEAT]), max(x[HOLE], 0.0) * 1e-6, 0.7 * np.exp(x[DISCHARGE])
        begin = max(x[BEGIN], 5.0) * 1e3
        c.march(
            self.start,
            begin,
            BEGIN_K[self.trace.kind],
            self.step,
            self.trace.speed_deg_s,
            volume,
            intake,
            exhaust,
            s,
            self.out,
        )
        return self.out * 1e-3

    def model(self, x: Floats) -> Floats:
        """The model in the trace's unit; ``zero`` is carried in kPa so that both scale together."""
        return np.asarray(self.trace.gain[0] * np.exp(x[GAIN]) * (self.pressure_kpa(x) + x[ZERO]))

    def residuals(self, x: Floats) -> Floats:
        """Weighted differences, then the priors'."""
        off = ((self.model(x) - self.trace.values) / self.sigma)[self.seen]
        together = [(x[INTAKE] - x[EXHAUST]) / SAME_CAM_SD_DEG] if self.one_cam else []
        return np.concatenate([off, (x - self.mean) / self.sd, together])


def _turned(theta_deg: Floats, area_mm2: Floats) -> Floats:
    return np.interp((theta_deg + 360.0) % 720.0 - 360.0, TABLE_DEG, area_mm2) * 1e-6


def fit_gas(trace: Trace, cylinder: Cylinder) -> GasFit:
    """Fit the gas of a cylinder to a mean cycle."""
    from scipy.optimize import least_squares

    held = _Held(trace, cylinder)
    best = None
    for start in _starts(held):
        found = least_squares(held.residuals, start, x_scale=held.sd, max_nfev=40, bounds=_bounds(held))
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    n = int(held.seen.sum())
    off = best.fun[:n] * np.sqrt(CORRELATED_DEG / held.step)
    misfit = float(np.sqrt(np.mean(off**2)))
    covariance = np.linalg.pinv((jac := np.asarray(best.jac)).T @ jac)
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0)) * max(misfit, 1.0)
    return GasFit(values=best.x, sd=sd, prior_sd=held.sd, model=held.model(best.x), misfit=misfit)


def _bounds(held: _Held) -> tuple[Floats, Floats]:
    low, high = held.mean - 8 * held.sd, held.mean + 8 * held.sd
    low[HOLE], high[HOLE] = 0.0, 60.0
    low[[INTAKE, EXHAUST]], high[[INTAKE, EXHAUST]] = -110.0, 110.0
    low[[P_INTAKE, P_EXHAUST]], high[[P_INTAKE, P_EXHAUST]] = -2.5, 1.0
    low[BEGIN] = 4.0
    return low, high


def _starts(held: _Held) -> list[Floats]:
    """Each cam where it alone fits best, tried in turn, from a coarse comb."""
    x = held.mean.copy()
    x[HOLE] = max(x[HOLE], 0.2)
    for _ in range(2):
        for cam in (INTAKE, EXHAUST):
            costs = []
            for turned in SEARCH_DEG:
                y = x.copy()
                y[cam] = turned
                costs.append(float(np.sum(np.minimum(held.residuals(y) ** 2, 25.0))))
            x[cam] = SEARCH_DEG[int(np.argmin(costs))]
    return [x]
