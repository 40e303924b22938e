"""What each cylinder adds to the crank's speed: contribution at idle and on a snap of the throttle, from tooth times.

The crank's energy per inertia rises with each burn and falls with load and compression. Over the mean cycle it is a
sum of known shapes: compression of all cylinders, their moving masses, and one burn for each cylinder, whose sizes are
found by least squares; only their ratios are given, so that the inertia need not be known. The wheel's own spacing
error changes the apparent speed by the same share at any speed, while torque counts less and less as speed rises: where
the recording has fast turns, the error is learned from them and taken out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tightside.cylinders import torque
from tightside.cylinders.mechanism import TABLE_STEP_DEG, Cylinder
from tightside.records import CrankClock, Floats, Record, array

GRID_DEG = 6.0
RUNNING_RPM = 450.0
IDLE_SPAN = 1.35  # cycles up to this many times the slow ones' speed count as idle
FAST = 1.7  # times idle: from here on turns teach the wheel's error
FEWEST_CYCLES = 6
SWINGS = 2.0  # of each firing interval that are looked at
IDLE_MANIFOLD_KPA = 38.0  # common practice, no source; its share is fitted
SCALE_SD = 0.25  # of a departure from the others: how much is compression and how much burning shows only roughly
FLOOR_SD = 0.01


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RunningCycles(Record):
    """Whole cycles of a running engine on an even grid from the compression top of the first in firing order."""

    theta_deg: Floats = array()  # (A,)
    energy: Floats = array(ndim=2)  # (C, A) half the speed squared [(rad/s)^2]
    rpm: Floats = array()  # (C,)
    times_s: Floats = array()  # (C,)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Contributions(Record):
    """Work of each cylinder over the mean of the better half, in firing order."""

    share: Floats = array()  # (Y,)
    sd: Floats = array()  # (Y,)
    each: Floats = array(ndim=2)  # (C, Y) cycle by cycle
    wheel_learned: bool = False
    explained: float = 0.0
    rpm: float = 0.0


def running_cycles(clock: CrankClock, shifts_deg: Mapping[int, float]) -> RunningCycles | None:
    """Cut running into cycles, speed from tooth to tooth.

    Parameters
    ----------
    shifts_deg : segment -> what to add to the clock's angle to count from the first cylinder's top.
    """
    grid = np.arange(0.0, 720.0, GRID_DEG)
    rows, rpm, times = [], [], []
    for segment, shift in shifts_deg.items():
        mine = clock.segment == segment
        t, a = clock.times_s[mine], clock.angle_deg[mine] + shift
        if len(t) < 20:
            continue
        pace = np.radians(np.diff(a)) / np.diff(t)
        middle = 0.5 * (a[1:] + a[:-1])
        widest = float(np.percentile(np.diff(a), 99)) * 1.6 + 1.0
        for k in range(int(np.ceil(middle[0] / 720.0)), int(np.floor(middle[-1] / 720.0))):
            inside = (middle > 720.0 * k - 30.0) & (middle < 720.0 * (k + 1) + 30.0)
            turn = np.interp([720.0 * k, 720.0 * (k + 1)], a, t)
            speed = 120.0 / (turn[1] - turn[0])
            if speed < RUNNING_RPM or np.diff(middle[inside]).max() > widest:
                continue
            rows.append(np.interp(grid, middle[inside] - 720.0 * k, 0.5 * pace[inside] ** 2))
            rpm.append(speed)
            times.append(float(turn.mean()))
    if len(rows) < FEWEST_CYCLES:
        return None
    return RunningCycles(theta_deg=grid, energy=np.array(rows), rpm=np.array(rpm), times_s=np.array(times))


def contributions(cycles: RunningCycles, cylinders: tuple[Cylinder, ...]) -> Contributions | None:
    """What each cylinder adds at idle; None where the engine does not idle long enough.

    Parameters
    ----------
    cylinders : tuple of Cylinder
        In firing order, ``top_deg`` in one frame.
    """
    idle = float(np.percentile(cycles.rpm, 25))
    slow = cycles.rpm < IDLE_SPAN * idle
    if slow.sum() < FEWEST_CYCLES:
        return None
    error = _wheel_error(cycles, idle, len(cylinders))
    energy = cycles.energy / (1.0 + error if error is not None else 1.0)
    energy, rpm = energy[slow], cycles.rpm[slow]
    # within a cycle the mean speed may change: a line through neighbouring cycles' means takes that out
    means = energy.mean(axis=1)
    step = np.gradient(means) if len(means) > 2 else np.zeros(len(means))
    energy = energy - means[:, None] - step[:, None] * (cycles.theta_deg / 720.0 - 0.5)[None, :]
    design = _design(cycles.theta_deg, cylinders, float(means.mean()))
    slow_design, energy = _slow(design.T, len(cylinders)).T, _slow(energy, len(cylinders))
    steady = np.abs(step) < 0.12 * means
    if steady.sum() < FEWEST_CYCLES:
        return None
    energy = energy[steady]
    mean = np.median(energy, axis=0)
    found = _solved(slow_design, mean)
    burns = found[2:]
    if burns.mean() <= 0.0:
        return None
    best = float(np.sort(burns)[len(burns) // 2 :].mean())
    each = np.array([_solved(slow_design, row, found[:2])[2:] for row in energy]) / best
    share = burns / best
    spread = each.std(axis=0, ddof=1) / np.sqrt(len(each))
    off = mean - slow_design @ found
    return Contributions(
        share=share,
        sd=np.sqrt(spread**2 + (SCALE_SD * (share - 1.0)) ** 2 + FLOOR_SD**2),
        each=each,
        wheel_learned=error is not None,
        explained=1.0 - float(np.var(off) / max(float(np.var(mean)), 1e-12)),
        rpm=float(np.median(rpm)),
    )


def _wheel_error(cycles: RunningCycles, idle_rpm: float, cylinders: int) -> Floats | None:
    """Apparent relative error of the energy over the cycle, the same in both turns; None without fast turns. (A,)

    What repeats with the firing order is torque, not wheel, and is left alone.
    """
    fast = cycles.rpm > FAST * idle_rpm
    if fast.sum() < FEWEST_CYCLES:
        return None
    energy = cycles.energy[fast]
    level = energy.mean(axis=1, keepdims=True)
    line = np.gradient(level[:, 0])[:, None] * (cycles.theta_deg / 720.0 - 0.5)[None, :]
    relative = np.median((energy - line) / level - 1.0, axis=0)
    half = len(relative) // 2
    turn = 0.5 * (relative[:half] + relative[half:])
    spectrum = np.fft.rfft(turn - turn.mean())
    each_turn = cylinders / 2
    firing = np.array([k > 0 and abs(k / each_turn - round(k / each_turn)) < 1e-6 for k in range(len(spectrum))])
    spectrum[firing] = 0.0
    return np.tile(np.fft.irfft(spectrum, n=half), 2)


def _design(theta_deg: Floats, cylinders: tuple[Cylinder, ...], mean_energy: float) -> Floats:
    """Columns: compression of all, moving masses of all, and one burn for each cylinder. (A, 2 + Y)"""
    first = cylinders[0].top_deg
    tops = [c.top_deg - first for c in cylinders]
    kpa = torque.motored_kpa(cylinders[0], IDLE_MANIFOLD_KPA, speed_deg_s=float(np.degrees(np.sqrt(2 * mean_energy))))
    gas = _energy(torque.torque_nm(cylinders[0], kpa))
    burn = _energy(torque.burning_torque(cylinders[0]))
    moving = _energy(torque.moving_mass_torque(cylinders[0])) * 2.0 * mean_energy
    all_gas = sum(torque.on_grid(gas, theta_deg - t) for t in tops)
    all_moving = sum(torque.on_grid(moving, theta_deg - t) for t in tops)
    burns = [torque.on_grid(burn, theta_deg - t) for t in tops]
    return np.asarray(np.column_stack([np.asarray(all_gas), np.asarray(all_moving), *burns]), dtype=np.float64)


def _energy(torque_nm: Floats) -> Floats:
    """Energy over TABLE_DEG that a torque leaves, its mean given back evenly. (A,)"""
    even = torque_nm - torque_nm[:-1].mean()
    summed = np.concatenate(([0.0], np.cumsum(0.5 * (even[1:] + even[:-1])))) * np.radians(TABLE_STEP_DEG)
    return np.asarray(summed - summed[:-1].mean())


def _slow(rows: Floats, cylinders: int) -> Floats:
    spectrum = np.fft.rfft(rows, axis=-1)
    spectrum[..., 0] = 0.0
    spectrum[..., max(round(SWINGS * cylinders), 6) + 1 :] = 0.0
    return np.fft.irfft(spectrum, n=rows.shape[-1], axis=-1)


def _solved(design: Floats, energy: Floats, fixed: Floats | None = None) -> Floats:
    """Least squares; compression and moving masses held where they are given, never negative."""
    if fixed is None:
        from scipy.optimize import nnls

        scale = np.maximum(np.abs(design).max(axis=0), 1e-12)
        signed = np.column_stack([design[:, :2] / scale[:2], design[:, 2:] / scale[2:], -design[:, 2:] / scale[2:]])
        found, _ = nnls(signed, energy)
        n = design.shape[1] - 2
        return np.asarray(np.concatenate([found[:2], found[2 : 2 + n] - found[2 + n :]]) / scale, dtype=np.float64)
    rest = energy - design[:, :2] @ fixed
    return np.concatenate([fixed, np.linalg.lstsq(design[:, 2:], rest, rcond=None)[0]])
