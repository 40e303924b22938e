"""Relative compression from whatever slows when a cylinder compresses: starter current, battery voltage, crank speed.

The starter's torque turns the crank against every cylinder's gas at once: g i = J w dw/dtheta + friction + sum of the
cylinders' torques, and a battery's voltage and the crank's speed fall in proportion to the current. Where humps
overlap, as on eight cylinders, their heights do not tell them apart; the known torque of one compression over crank
angle does: each cylinder's share is found by least squares, with the crank's inertia and friction free.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tightside.cylinders import torque
from tightside.cylinders.mechanism import Cylinder
from tightside.records import AngleTrace, Floats, Record, array

GRID_DEG = 3.0
FEWEST_CYCLES = 2
CRANKING_DEG_S = 450.0 * 6.0
USUAL_SPEED = 0.3  # a cycle's speed may differ from the usual by this share
LONGEST_HOLE_DEG = 25.0
MODEL_SD = 0.008  # of a relative value: shapes are not quite those of the model
SOUND_ROOT_MM, ROOT_SD_MM = 0.84, 1.5  # root of the hole that a sound cylinder has, and how far others may be
SHORT = -0.5  # logarithm of a short cylinder's share, to start from
CHARGE_SD = 0.15  # of the logarithm of a cylinder's charge
MODEL_SHARE = 0.015  # of the load's swing that the model does not explain
CORRELATED_STEPS = 4.0
FREE_SHARES = (1.0, 0.85, 0.7, 0.55, 0.4)
SPEED_SD = 0.012  # of a value from the crank's speed alone, on top
SWINGS = 2.5  # of each firing interval that are looked at
HOLES_MM2 = np.array([0.0, 0.3, 0.7, 1.2, 2.0, 3.0, 4.5, 6.5, 9.0, 13.0, 20.0, 40.0, 100.0])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CrankingCycles(Record):
    """Whole cranking cycles on an even grid of crank angle from the compression top of the first in firing order."""

    theta_deg: Floats = array()  # (A,) from 0
    load: Floats = array(ndim=2)  # (C, A) rises with the torque that the starter gives, any unit
    energy: Floats = array(ndim=2)  # (C, A) half the speed squared [(rad/s)^2]
    times_s: Floats = array()  # (C,)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Compressions(Record):
    """Compression of each cylinder, relative to the sound ones, in firing order."""

    relative: Floats = array()  # (Y,)
    sd: Floats = array()  # (Y,)
    each: Floats = array(ndim=2)  # (C, Y) cycle by cycle
    explained: float = 0.0  # share of the swing that the model explains


def cranking_cycles(theta: AngleTrace, load: Floats, shifts_deg: Mapping[int, float]) -> CrankingCycles | None:
    """Cut cranking into cycles.

    Parameters
    ----------
    theta : AngleTrace
        Any channel on the clock; gives angles, speeds and times.
    load : (A,) what rises with the starter's torque, at the same places.
    shifts_deg : segment -> what to add to the clock's angle to count from the first cylinder's top.
    """
    grid = np.arange(0.0, 720.0, GRID_DEG)
    rows: list[tuple[Floats, Floats, float]] = []
    for segment, shift in shifts_deg.items():
        mine = theta.segment == segment
        if mine.sum() < 100:
            continue
        angle, time = theta.angle_deg[mine] + shift, theta.times_s[mine]
        value, speed = load[mine], theta.speed_deg_s[mine]
        holes = np.flatnonzero(np.diff(angle) > LONGEST_HOLE_DEG)
        first, last = int(np.ceil(angle[0] / 720.0)), int(np.floor(angle[-1] / 720.0))
        for k in range(first + (last - first > 3), last):  # the first turns are still gaining speed
            at = 720.0 * k
            if np.any((angle[holes] < at + 720.0) & (angle[holes + 1] > at)):
                continue
            inside = (angle >= at - 2 * GRID_DEG) & (angle < at + 720.0 + 2 * GRID_DEG)
            rows.append(
                (
                    _binned(angle[inside] - at, value[inside], grid),
                    0.5 * np.radians(_binned(angle[inside] - at, speed[inside], grid)) ** 2,
                    float(np.interp(at + 360.0, angle, time)),
                )
            )
    kept = _cranking(rows)
    if len(kept) < FEWEST_CYCLES:
        return None
    loads, energy, times = (np.array(column) for column in zip(*kept, strict=True))
    return CrankingCycles(theta_deg=grid, load=loads, energy=energy, times_s=times)


def _binned(angle: Floats, value: Floats, grid: Floats) -> Floats:
    """Mean in each step of the grid, read between where a step is empty."""
    place = np.round(angle / GRID_DEG).astype(np.int64)
    inside = (place >= 0) & (place < len(grid))
    count = np.bincount(place[inside], minlength=len(grid))
    total = np.bincount(place[inside], value[inside], minlength=len(grid))
    there = count > 0
    return np.interp(grid, grid[there], total[there] / count[there])


def _cranking(rows: list[tuple[Floats, Floats, float]]) -> list[tuple[Floats, Floats, float]]:
    """Cycles turned by the starter at about the usual speed: not the first from rest, not those that fire."""
    speeds = np.array([np.degrees(np.sqrt(2 * row[1].mean())) for row in rows])
    slow = [row for row, s in zip(rows, speeds, strict=True) if s < CRANKING_DEG_S]
    if not slow:
        return []
    usual = float(np.median(speeds[speeds < CRANKING_DEG_S]))
    loads = np.array([row[0].mean() for row in slow])
    same = np.array([abs(np.degrees(np.sqrt(2 * row[1].mean())) / usual - 1.0) < USUAL_SPEED for row in slow])
    under_load = np.abs(loads - np.median(loads)) <= 0.5 * abs(np.median(loads)) + 1e-9
    return [row for row, s, u in zip(slow, same, under_load, strict=True) if s and u]


def relative_compression(cycles: CrankingCycles, cylinders: tuple[Cylinder, ...]) -> Compressions:
    """Compression of each cylinder relative to the sound ones, by the torque that it takes.

    Parameters
    ----------
    cycles : CrankingCycles
        Their angle counts from the first cylinder's top.
    cylinders : tuple of Cylinder
        In firing order, ``top_deg`` in the same frame but for a constant.

    Notes
    -----
    Each cylinder has a hole and a share of the charge: a hole takes more from the fall than from the rise, a charge
    that is short (valves that close late) takes from both alike. Relative to the mean of the upper half: one cylinder
    that leaks, or a whole bank, does not pull down what it is held against.
    """
    model = _Model(cycles, cylinders)
    x = model.fit(np.median(cycles.load, axis=0), np.median(cycles.energy, axis=0))
    each = model.shares(cycles, x)
    gauge = model.gauge(x)
    best = float(np.sort(gauge)[len(gauge) // 2 :].mean())
    rows = each * gauge / best
    n = len(each)
    spread = rows.std(axis=0, ddof=1) / np.sqrt(n) * (1.0 + 1.0 / n) if n > 2 else np.full(len(gauge), 0.05)
    return Compressions(relative=gauge / best, sd=np.hypot(spread, MODEL_SD), each=rows, explained=model.explained)


class _Model:
    """Load over the mean cycle from inertia, moving mass, friction, and each cylinder's charge and hole."""

    def __init__(self, cycles: CrankingCycles, cylinders: tuple[Cylinder, ...]) -> None:
        theta, first = cycles.theta_deg, cylinders[0].top_deg
        tops = [c.top_deg - first for c in cylinders]
        self.size = len(cylinders)
        mean = float(np.mean(cycles.energy))
        moving = [torque.on_grid(torque.moving_mass_torque(c), theta - t) for c, t in zip(cylinders, tops, strict=True)]
        self.moving = self._slow(-2.0 * mean * np.sum(moving, axis=0))
        speed = float(np.degrees(np.sqrt(2.0 * mean)))
        takes, gauges = zip(*_takes(cylinders, speed), strict=True)
        tables = [[torque.on_grid(one, theta - t) for one in take] for take, t in zip(takes, tops, strict=True)]
        self.tables = self._slow(np.array(tables))  # (Y, H, A)
        self.gauges = np.array(gauges)  # (Y, H)
        self.roots = np.sqrt(HOLES_MM2)
        self.unit = float(np.ptp(self.tables[0, 2]))
        self.explained = 0.0

    def _slow(self, values: Floats) -> Floats:
        """Only what swings a few times in each firing interval: above that, the slope of the speed is tooth errors."""
        spectrum = np.fft.rfft(values, axis=-1)
        spectrum[..., max(round(SWINGS * self.size), 8) + 1 :] = 0.0
        return np.fft.irfft(spectrum, n=values.shape[-1], axis=-1)

    def _gas(self, x: Floats) -> Floats:
        """Torque that each cylinder takes. (Y, A)"""
        charge, root = np.exp(x[: self.size]), np.clip(x[self.size :], 0.0, self.roots[-1])
        k = np.clip(np.searchsorted(self.roots, root, side="right") - 1, 0, len(self.roots) - 2)
        f = ((root - self.roots[k]) / (self.roots[k + 1] - self.roots[k]))[:, None]
        each = np.arange(self.size)
        return np.asarray(charge[:, None] * ((1.0 - f) * self.tables[each, k] + f * self.tables[each, k + 1]))

    def gauge(self, x: Floats) -> Floats:
        """Gauge pressure of each cylinder, but for a common factor."""
        each = zip(x[self.size :], self.gauges, strict=True)
        return np.asarray(np.exp(x[: self.size]) * [np.interp(root, self.roots, gauge) for root, gauge in each])

    def _linear(self, load: Floats, gained: Floats, gas: Floats) -> tuple[Floats, Floats]:
        """Inertia, moving mass, friction and scale, and what they leave unexplained."""
        design = np.column_stack([gained, self.moving, np.ones_like(load), gas.sum(axis=0)])
        scale = np.maximum(np.abs(design).max(axis=0), 1e-12)
        found = np.linalg.lstsq(design / scale, load, rcond=None)[0] / scale
        if found[3] <= 0.0:  # compression cannot speed the crank up
            found = np.append(np.linalg.lstsq(design[:, :3], load, rcond=None)[0], 0.0)
        return found, load - design @ found

    def fit(self, load: Floats, energy: Floats) -> Floats:
        """Logarithms of the charges' shares, then roots of the holes [mm]. (2 Y,)"""
        from scipy.optimize import least_squares

        gained, load = self._slow(_slope(energy)), self._slow(load)
        spread = float(np.std(load))
        expected = np.concatenate([np.zeros(self.size), np.full(self.size, SOUND_ROOT_MM)])
        sd = np.concatenate([np.full(self.size, CHARGE_SD), np.full(self.size, ROOT_SD_MM)])

        def residuals(x: Floats) -> Floats:
            _, off = self._linear(load, gained, self._gas(x))
            return np.concatenate([off / (MODEL_SHARE * spread) / np.sqrt(CORRELATED_STEPS), (x - expected) / sd])

        low = np.concatenate([np.full(self.size, -2.5), np.zeros(self.size)])
        high = np.concatenate([np.full(self.size, 0.5), np.full(self.size, self.roots[-1])])
        # like cylinders, or one that is short: from the wrong one the way can be barred
        starts = [expected, *(np.where(np.arange(2 * self.size) == k, SHORT, expected) for k in range(self.size))]
        start = min(starts, key=lambda at: float(np.sum(residuals(at) ** 2)))
        x: Floats = np.asarray(least_squares(residuals, start, bounds=(low, high), x_scale=sd, max_nfev=60).x)
        self.found, off = self._linear(load, gained, self._gas(x))
        self.explained = 1.0 - float(np.var(off)) / max(spread**2, 1e-12)
        return x

    def shares(self, cycles: CrankingCycles, x: Floats) -> Floats:
        """Each cylinder's torque in each cycle over that in the mean cycle. (C, Y)"""
        gas = self._gas(x) * self.found[3]
        step = np.linspace(-0.5, 0.5, gas.shape[1])
        design = np.column_stack([np.ones_like(step), step, *gas])
        rows = []
        for load, energy in zip(cycles.load, cycles.energy, strict=True):
            gained = self._slow(np.gradient(energy, np.radians(GRID_DEG)))
            rest = load - self.found[0] * gained - self.found[1] * self.moving
            rows.append(np.linalg.lstsq(design, rest, rcond=None)[0][2:])
        shares = np.array(rows)
        return np.asarray(shares / np.maximum(shares.mean(axis=0), 0.05))


def _takes(cylinders: tuple[Cylinder, ...], speed_deg_s: float) -> list[tuple[list[Floats], Floats]]:
    """For each cylinder and each hole: torque that it takes, and its gauge pressure."""
    known: dict[bytes, tuple[list[Floats], Floats]] = {}
    found = []
    for cylinder in cylinders:
        valves = (cylinder.intake, cylinder.exhaust)
        key = b"".join(v.area_mm2.tobytes() for v in valves if v is not None)
        if key not in known:
            holes = HOLES_MM2 * 1e-6 * (cylinder.bore_m / 0.09) ** 2
            kpa = [torque.motored_kpa(cylinder, hole_m2=float(h), speed_deg_s=speed_deg_s) for h in holes]
            gauges = np.array([p.max() - torque.AMBIENT_KPA for p in kpa])
            known[key] = [-torque.torque_nm(cylinder, p) for p in kpa], gauges
        found.append(known[key])
    return found


def load_from_speed(energy: Floats, free_share: float) -> Floats:
    """What rises with the starter's torque where only the speed is known: it pulls less the faster it turns.

    Faster than ``free_share`` of the way from the slowest to the fastest it runs free of the engine. [rad/s]
    """
    speed = np.sqrt(2.0 * energy)
    low, high = np.percentile(speed, [0.5, 99.5])
    return np.asarray(-np.minimum(speed, low + free_share * (high - low)))


def compression_from_speed(cycles: CrankingCycles, cylinders: tuple[Cylinder, ...]) -> Compressions:
    """Relative compression from the crank's speed alone, with the starter's free speed as it explains most."""
    tried = [replace(cycles, load=load_from_speed(cycles.energy, share)) for share in FREE_SHARES]
    found = [relative_compression(one, cylinders) for one in tried]
    best = max(found, key=lambda f: f.explained)
    alike = [f.relative for f in found if f.explained > best.explained - 0.01]
    return replace(best, sd=np.sqrt(best.sd**2 + np.ptp(alike, axis=0) ** 2 / 4.0 + SPEED_SD**2))


def _slope(energy: Floats) -> Floats:
    """Change of energy per radian, around the cycle."""
    return np.asarray((np.roll(energy, -1, axis=-1) - np.roll(energy, 1, axis=-1)) / (2 * np.radians(GRID_DEG)))
