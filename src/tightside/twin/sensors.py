"""What a sensor puts out while its wheel turns: switching times of a Hall sensor, volts of either kind."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit

from tightside.records import Bools, CamPattern, Floats, Record, SensorKind, WheelPattern, array
from tightside.twin.crossings import find_passes, hermite
from tightside.twin.motion import DT_S
from tightside.twin.scene import Sensor

FLUX_STEPS = 14400  # entries of a flux table over one turn of the wheel
TAIL_SHARE, TAIL_WIDTH = 0.08, 3.0  # stray field of a tooth: what makes teeth beside a gap stand off a little
ARM_V = 0.15  # a comparator on a coil needs this much before it switches
WIDEST_TOOTH_DEG = 36.0
LOBE_DEG = 8.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Target(Record):
    """A wheel as it really is: every edge in one period of the angle that turns it, flaws included."""

    edges_deg: Floats = array()  # (E,) increasing, within one period of each other
    rising: Bools = array(np.bool_)  # (E,) turning forward
    sharp: Bools = array(np.bool_)  # (E,) the edges that the pattern lists; a coil's tooth centres
    period_deg: float = 360.0
    kind: SensorKind = "hall"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Turning(Record):
    """The angle of one shaft in time, knots ``DT_S`` apart."""

    angle_deg: Floats = array()
    speed_deg_s: Floats = array()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Switching(Record):
    """A two-level signal: level from each time on."""

    times_s: Floats = array()
    high: Bools = array(np.bool_)


# --------------------------------------------------------------------------------------------------------- wheels


def crank_target(wheel: WheelPattern, sensor: Sensor, shift_deg: float, rng: np.random.Generator) -> Target:
    """The crank wheel, ``shift_deg`` late on its shaft, with the other polarity's edges added."""
    listed = np.full(len(wheel.angles_deg), wheel.active_edge == "rising")
    angles = wheel.angles_deg + wheel.position_0_deg + shift_deg + sensor.mount_deg
    edges, rising, sharp = _with_opposite(angles, listed, 360.0, sensor.duty)
    return _flawed(edges, rising, sharp, 360.0, wheel.kind, sensor, rng)


def cam_target(cam: CamPattern, kind: SensorKind, sensor: Sensor, rng: np.random.Generator) -> Target:
    """A cam wheel, in crank degrees over a cycle. Where one polarity is listed, the other is added."""
    edges, rising = np.asarray(cam.edges_deg) + sensor.mount_deg, np.asarray(cam.rising)
    sharp = np.ones(len(edges), dtype=bool)
    if rising.all() or not rising.any():
        edges, rising, sharp = _with_opposite(edges, rising, 720.0, sensor.duty)
    return _flawed(edges, rising, sharp, 720.0, kind, sensor, rng)


def _with_opposite(edges: Floats, rising: Bools, period_deg: float, duty: float) -> tuple[Floats, Bools, Bools]:
    """Each listed edge followed by one of the other polarity, ``duty`` of the smallest pitch later."""
    pitch = float(np.min(np.diff(edges, append=edges[0] + period_deg)))
    both = np.concatenate([edges, edges + duty * min(pitch, 2 * WIDEST_TOOTH_DEG)])
    sharp = np.arange(len(both)) < len(edges)
    return both, np.concatenate([rising, ~rising]), sharp


def _flawed(
    edges: Floats,
    rising: Bools,
    sharp: Bools,
    period_deg: float,
    kind: SensorKind,
    sensor: Sensor,
    rng: np.random.Generator,
) -> Target:
    turn = 2 * np.pi * edges / period_deg
    error = sensor.runout_deg * np.sin(turn + np.radians(sensor.runout_phase_deg))
    error += np.clip(sensor.tooth_sd_deg * rng.standard_normal(len(edges)), -3 * sensor.tooth_sd_deg, None)
    real = np.mod(edges + error, period_deg)
    order = np.argsort(real)
    return Target(edges_deg=real[order], rising=rising[order], sharp=sharp[order], period_deg=period_deg, kind=kind)


def flux_slope(target: Target, sensor: Sensor) -> Floats:
    """Slope of a coil's flux over one turn of its wheel, peaks of about 1; (FLUX_STEPS + 1,), the last as the first.

    Where one polarity is listed, those crossings are the centres of teeth, whose flux adds up. Where both are, the
    voltage keeps one sign from each crossing to the next.
    """
    listed = target.rising[target.sharp]
    if listed.any() and not listed.all():
        return _lobes(target.edges_deg[target.sharp], listed, target.period_deg)
    slope = _teeth(target, sensor)
    return -slope if listed.all() else slope


def _teeth(target: Target, sensor: Sensor) -> Floats:
    """Falling through zero at each tooth centre."""
    centres = target.edges_deg[target.sharp]
    pitch = float(np.min(np.diff(centres, append=centres[0] + target.period_deg)))
    width = sensor.tooth_width * min(pitch, WIDEST_TOOTH_DEG)
    grid = np.arange(FLUX_STEPS) * target.period_deg / FLUX_STEPS
    away = (grid[:, None] - centres[None, :] + target.period_deg / 2) % target.period_deg - target.period_deg / 2
    flux = np.exp(-0.5 * (away / width) ** 2) + TAIL_SHARE * np.exp(-0.5 * (away / (TAIL_WIDTH * width)) ** 2)
    total = flux.sum(axis=1)
    total *= 1 + sensor.gap_swing * np.cos(2 * np.pi * grid / target.period_deg + np.radians(sensor.runout_phase_deg))
    step = target.period_deg / FLUX_STEPS
    slope = (np.roll(total, -1) - np.roll(total, 1)) / (2 * step)
    return np.asarray(np.append(slope, slope[0]) * width / np.exp(-0.5))


def _lobes(crossings_deg: Floats, rising: Bools, period_deg: float) -> Floats:
    """A rise to a peak behind each crossing and before the next, sagging between them; positive after a rising one."""
    grid = np.arange(FLUX_STEPS + 1) * period_deg / FLUX_STEPS
    before = np.searchsorted(crossings_deg, grid, side="right") - 1
    ends = np.append(crossings_deg, crossings_deg[0] + period_deg)
    since = (grid - crossings_deg[before]) % period_deg
    span = np.diff(ends)[before]
    reach = np.minimum(since, span - since)
    peak = np.minimum(span / 2, LOBE_DEG)
    shape = np.sin(np.pi / 2 * np.clip(reach / peak, 0.0, 1.0)) * np.exp(-np.clip(reach - peak, 0.0, None) / LOBE_DEG)
    return np.asarray(np.where(rising[before], 1.0, -1.0) * shape)


def _coil_crossings(target: Target, sensor: Sensor) -> Target:
    """Where a coil's voltage really crosses zero: stray flux moves the crossings beside a gap."""
    slope = flux_slope(target, sensor)
    down = np.flatnonzero((slope[:-1] > 0) & (slope[1:] <= 0))
    up = np.flatnonzero((slope[:-1] < 0) & (slope[1:] >= 0))
    at = np.concatenate([down, up])
    at_deg = (at + slope[at] / (slope[at] - slope[at + 1])) * target.period_deg / FLUX_STEPS
    rises = np.arange(len(at)) >= len(down)
    listed = target.rising[target.sharp]
    order = np.argsort(at_deg)
    sharp = (rises & listed.any()) | (~rises & ~listed.all())
    return replace(target, edges_deg=at_deg[order], rising=rises[order], sharp=sharp[order])


# ------------------------------------------------------------------------------------------------------ switching


def find_switching(target: Target, sensor: Sensor, turning: Turning, rng: np.random.Generator) -> Switching:
    """Times at which a Hall sensor, or a comparator on a coil, changes level: jitter, delay, lost and extra pulses."""
    coil = target.kind == "vr"
    wheel = _coil_crossings(target, sensor) if coil else target
    passes = find_passes(turning.angle_deg, turning.speed_deg_s, wheel.edges_deg, wheel.period_deg)
    rising, sharp = wheel.rising[passes.edge], wheel.sharp[passes.edge]
    high = rising == passes.forward
    angle_sd = np.where(sharp, sensor.jitter_deg, (8.0 if coil else 1.0) * sensor.jitter_deg)
    off_deg = angle_sd * rng.standard_normal(len(high))
    off_deg += sensor.shift_deg_per_krpm * passes.speed_deg_s / 6e3 * np.where(rising, 1.0, -1.0)
    pace = np.maximum(np.abs(passes.speed_deg_s), 60.0)
    times = passes.times_s + off_deg / pace + sensor.delay_s + sensor.jitter_s * rng.standard_normal(len(high))
    keep = _kept(sharp, sensor.missing, rng)
    if coil:
        keep &= sensor.coil_v_per_krpm * np.abs(passes.speed_deg_s) / 6e3 > ARM_V
    return _alternating(times[keep], high[keep])


def _kept(sharp: Bools, missing: float, rng: np.random.Generator) -> Bools:
    """False for both edges of each lost pulse."""
    lost = np.flatnonzero(sharp & (rng.random(len(sharp)) < missing))
    keep = np.ones(len(sharp), dtype=bool)
    keep[lost] = False
    keep[np.minimum(lost + 1, len(sharp) - 1)] = False
    return keep


def _alternating(times_s: Floats, high: Bools) -> Switching:
    order = np.argsort(times_s, kind="stable")
    times_s, high = times_s[order], high[order]
    changes = np.ones(len(high), dtype=bool)
    changes[1:] = high[1:] != high[:-1]
    return Switching(times_s=times_s[changes], high=high[changes])


def with_extra(signal: Switching, sensor: Sensor, seconds: float, rng: np.random.Generator) -> Switching:
    """Short false pulses at random times: 20 to 300 us."""
    n = rng.poisson(sensor.extra_per_s * seconds)
    if n == 0 or len(signal.times_s) == 0:
        return signal
    begins = np.sort(rng.uniform(0, seconds, n))
    ends = begins + rng.uniform(20e-6, 300e-6, n)
    free = np.searchsorted(signal.times_s, begins) == np.searchsorted(signal.times_s, ends)
    free[1:] &= begins[1:] > ends[:-1]
    begins, ends = begins[free], ends[free]
    before = np.searchsorted(signal.times_s, begins) - 1
    level = np.where(before >= 0, signal.high[np.maximum(before, 0)], ~signal.high[0])
    times = np.concatenate([signal.times_s, begins, ends])
    return _alternating(times, np.concatenate([signal.high, ~level, level]))


def without(signal: Switching, dead: tuple[tuple[float, float], ...]) -> Switching:
    """A signal that hangs at its level through each dead time."""
    alive = np.ones(len(signal.times_s), dtype=bool)
    for begin, end in dead:
        alive &= (signal.times_s < begin) | (signal.times_s >= end)
    return _alternating(signal.times_s[alive], signal.high[alive])


# ---------------------------------------------------------------------------------------------------------- volts


def hall_volts(signal: Switching, sensor: Sensor, rate_hz: float, n: int) -> Floats:
    """Sampled output of a Hall sensor: exponential edges, ringing. (n,) [V]"""
    first = not bool(signal.high[0]) if len(signal.high) else False
    shape = np.array(
        [sensor.low_v, sensor.high_v, sensor.rise_s / 2.197, sensor.fall_s / 2.197, sensor.ringing, sensor.ringing_hz]
    )
    return np.asarray(_hall(np.ascontiguousarray(signal.times_s), signal.high, first, shape, rate_hz, n))


@njit(cache=True, nogil=True)
def _hall(times, high, first, shape, rate_hz, n):  # type: ignore[no-untyped-def]
    low_v, high_v, rise, fall, ringing, ring_hz = shape[0], shape[1], shape[2], shape[3], shape[4], shape[5]
    out = np.empty(n)
    target = high_v if first else low_v
    v = target
    tau = rise
    last, began, kick = 0.0, -1.0, 0.0
    k = 0
    for i in range(n):
        t = i / rate_hz
        while k < len(times) and times[k] <= t:
            if v != target:
                v = target + (v - target) * np.exp(-max(times[k] - last, 0.0) / max(tau, 1e-9))
            target = high_v if high[k] else low_v
            tau = rise if high[k] else fall
            last, began, kick = max(times[k], last), times[k], ringing * (target - v)
            k += 1
        if v != target:
            v = target + (v - target) * np.exp(-(t - last) / max(tau, 1e-9))
            if abs(v - target) < 1e-5:
                v = target
        last = t
        out[i] = v
        if kick != 0.0:
            age = (t - began) * ring_hz
            if age > 8.0:
                kick = 0.0
            else:
                out[i] += kick * np.exp(-age / 1.3) * np.sin(2 * np.pi * age)
    return out


def coil_volts(target: Target, sensor: Sensor, turning: Turning, rate_hz: float, n: int) -> Floats:
    """Sampled voltage of a coil: slope of the flux times speed. (n,) [V]"""
    slope = flux_slope(target, sensor) * sensor.coil_v_per_krpm / 6e3
    return np.asarray(
        _coil(turning.angle_deg, turning.speed_deg_s, slope, target.period_deg, DT_S, sensor.delay_s, rate_hz, n)
    )


@njit(cache=True, nogil=True)
def _coil(angle, speed, slope, period, dt, delay, rate_hz, n):  # type: ignore[no-untyped-def]
    out = np.empty(n)
    steps = len(slope) - 1
    per_deg = steps / period
    for i in range(n):
        place = max(i / rate_hz - delay, 0.0) / dt
        k = min(int(place), len(angle) - 2)
        f = min(place - k, 1.0)
        at = hermite(angle[k], angle[k + 1], speed[k] * dt, speed[k + 1] * dt, f)
        at = (at - period * np.floor(at / period)) * per_deg
        j = min(int(at), steps - 1)
        g = slope[j] + (at - j) * (slope[j + 1] - slope[j])
        out[i] = g * (speed[k] * (1 - f) + speed[k + 1] * f)
    return out
