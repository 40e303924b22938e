# mypy: disable-error-code="no-any-return"
"""Sensors: from angle to the instants at which an output changes, or to a coil's voltage.

A Hall sensor is a Schmitt comparator in a magnetic field whose flanks are logistic: where an edge falls depends on the
field's height, hence on air gap, runout and temperature, and rising and falling edges move against each other. A coil
(variable reluctance) gives the derivative of a Gaussian per tooth, summed, times speed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from outside.engines import Dict, Floats, wheel_positions_deg
from outside.motion import Motion

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Nasty:
    """How much of each disturbance; all zero is a perfect recorder on a perfect engine."""

    tooth_deg: float = 0.0  # standard deviation of single teeth
    eccentric_deg: float = 0.0  # once and twice a turn, all edges alike
    field: float = 0.0  # departure of the field's height: edges of the two polarities move apart
    flank_deg: float = 0.5  # width of a field flank, wheel degrees
    jitter_s: float = 0.0
    wheel_noise: float = 0.0  # of a pitch, each edge anew
    bent_deg: float = 0.0
    near_gap: float = 0.0  # of a pitch: inactive edges beside a gap
    missing: float = 0.0  # chance for a pulse to drop out
    extra: float = 0.0  # chance for a chattering edge
    stretched: float = 0.0  # chance for a pulse to last until shortly before the next
    chatter: bool = False  # short pulses as the shaft begins to move
    delay_s: float = 0.0
    rise_s: float = 2e-6
    fall_s: float = 1e-6
    swapped: bool = False


@dataclass(frozen=True)
class Toggles:
    """A logic output: it changes at these instants."""

    times_s: Floats
    first: int  # level before the first change

    def level(self, times_s: Floats) -> NDArray[np.int64]:
        return (self.first + np.searchsorted(self.times_s, times_s, side="right")) % 2


@dataclass(frozen=True)
class Wheel:
    """Teeth as windows in wheel order: where each begins and ends, nominal, over one period."""

    begin_deg: Floats
    end_deg: Floats
    begin_rises: bool
    begin_is_active: bool
    period_deg: float  # 360 for a crank wheel, 720 for a cam's
    gap_after: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))


def crank_wheel(rng: Generator, engine: Dict) -> Wheel:
    """Give the crank wheel's active edges a second edge each; the engine file knows nothing of that one."""
    sensor = engine["crank_sensor"]
    active = wheel_positions_deg(engine)
    to_next = np.diff(np.append(active, active[0] + 360))
    pitch = float(to_next.min()) if len(active) != 4 else 70.0
    width = pitch * float(rng.uniform(0.3, 0.6))
    leads = bool(rng.random() < 0.5)
    begin, end = (active, active + width) if leads else (active - width, active)
    rises = (sensor["active_edge"] == "rising") == leads
    gap = to_next > 1.5 * pitch
    return Wheel(begin, end, rises, leads, 360.0, gap if len(active) > 4 else np.zeros(len(active), dtype=bool))


def cam_wheel(rng: Generator, cam: Dict) -> Wheel:
    """Windows of a Hall cam wheel. Where the file lists one polarity only, the other edges are made up."""
    edges = cam["sensor"]["edges"]
    rise = np.array([e["deg"] for e in edges if e["edge"] == "rising"])
    fall = np.array([e["deg"] for e in edges if e["edge"] == "falling"])
    if not len(fall):
        return Wheel(rise, rise + _made_up_width(rng, rise), True, True, 720.0)
    if not len(rise):
        return Wheel(fall - _made_up_width(rng, fall), fall, True, False, 720.0)
    end = np.array([fall[fall > r][0] if np.any(fall > r) else fall[0] + 720 for r in rise])
    return Wheel(rise, end, True, True, 720.0)


def _made_up_width(rng: Generator, edges_deg: Floats) -> float:
    return float(rng.uniform(0.35, 0.6) * np.diff(np.append(edges_deg, edges_deg[0] + 720)).min())


def _eccentric(rng: Generator, at_deg: Floats, period: float, size: float) -> Floats:
    phases = rng.uniform(0, 2 * np.pi, 2)
    turn = 2 * np.pi * at_deg / period
    return size * (np.sin(turn + phases[0]) + 0.4 * np.sin(2 * turn + phases[1]))


def _schmitt_shift(rng: Generator, at_deg: Floats, period: float, nasty: Nasty) -> Floats:
    """How much later a flank's rise crosses the operate point than with the nominal field (a fall: earlier)."""
    threshold = 0.42
    phase = float(rng.uniform(0, 2 * np.pi))
    height = 1 + nasty.field * (float(rng.uniform(-1, 1)) + 0.7 * np.cos(2 * np.pi * at_deg / period + phase))
    logit = np.log(threshold / (np.maximum(height, 0.55) - threshold)) - np.log(threshold / (1 - threshold))
    return nasty.flank_deg * period / 360 * logit


def real_edges_deg(rng: Generator, wheel: Wheel, nasty: Nasty) -> tuple[Floats, Floats]:
    """Where the two edges of each tooth of this very wheel pass, one period."""
    begin, end, period = wheel.begin_deg, wheel.end_deg, wheel.period_deg
    common = _eccentric(rng, begin, period, nasty.eccentric_deg)
    common = common + rng.standard_normal(len(begin)) * nasty.tooth_deg
    if nasty.bent_deg:
        common[int(rng.integers(len(begin)))] += nasty.bent_deg * float(rng.choice([-1, 1]))
    shift = _schmitt_shift(rng, begin, period, nasty)
    begin = begin + common + shift
    end = end + common - shift + rng.standard_normal(len(end)) * nasty.tooth_deg * 0.5
    if nasty.near_gap and wheel.gap_after.any():
        pitch = float(np.diff(wheel.begin_deg).min())
        if wheel.begin_is_active:
            end = end + np.where(wheel.gap_after, nasty.near_gap * pitch, 0.0)
        else:
            begin = begin - np.where(np.roll(wheel.gap_after, 1), nasty.near_gap * pitch, 0.0)
    return begin, end


def unrolled(motion: Motion, phase_deg: Floats, at_deg: Floats, period: float) -> tuple[Floats, Floats]:
    """Times and (tooth, turn) indices at which a shaft of this phase passes each angle of each turn.

    Returns
    -------
    times_s : (turns, teeth), NaN outside the recording
    turns : (turns,)
    """
    turns = np.arange(np.floor(phase_deg[0] / period) - 1, np.ceil(phase_deg[-1] / period) + 2)
    angles = turns[:, None] * period + at_deg
    times = np.interp(angles, phase_deg, motion.times_s)
    times[(angles <= phase_deg[0]) | (angles >= phase_deg[-1])] = np.nan
    return times, turns


def hall_toggles(rng: Generator, wheel: Wheel, nasty: Nasty, motion: Motion, phase_deg: Floats) -> Toggles:
    """The comparator's output while the shaft turns through ``phase_deg``."""
    begin, end = real_edges_deg(rng, wheel, nasty)
    begin_s, _ = unrolled(motion, phase_deg, begin, wheel.period_deg)
    end_s, _ = unrolled(motion, phase_deg, end, wheel.period_deg)
    if nasty.wheel_noise:
        pitch_s = np.nanmedian(np.diff(begin_s[np.isfinite(begin_s)]))
        begin_s = begin_s + rng.standard_normal(begin_s.shape) * nasty.wheel_noise * pitch_s
        end_s = end_s + rng.standard_normal(end_s.shape) * nasty.wheel_noise * pitch_s
    if nasty.stretched and wheel.begin_is_active:
        flat = end_s.ravel()
        until = np.append(begin_s.ravel()[1:], np.nan) - flat
        longer = np.isfinite(until) & (until > 0) & (rng.random(len(flat)) < nasty.stretched)
        end_s = (flat + np.where(longer, 0.8 * until, 0.0)).reshape(end_s.shape)
    lost = (rng.random(begin_s.shape) < nasty.missing) & np.isfinite(begin_s) & np.isfinite(end_s)
    begin_s[lost] = end_s[lost] = np.nan
    return _toggles(rng, begin_s[np.isfinite(begin_s)], end_s[np.isfinite(end_s)], wheel.begin_rises, nasty, motion)


def _toggles(rng: Generator, begin: Floats, end: Floats, begin_rises: bool, nasty: Nasty, motion: Motion) -> Toggles:
    times = np.concatenate([begin, end])
    rises = np.concatenate([np.full(len(begin), begin_rises), np.full(len(end), not begin_rises)])
    times = times + nasty.delay_s + rng.standard_normal(len(times)) * nasty.jitter_s
    order = np.argsort(times, kind="stable")
    times, rises = times[order], rises[order]
    first = int(not rises[0]) if len(rises) else int(rng.integers(2))
    if nasty.chatter and len(times):
        start = times[0] + rng.uniform(-0.03, 0.03, int(rng.integers(1, 5)))
        times = np.sort(np.concatenate([times, start, start + rng.uniform(2e-5, 5e-3, len(start))]))
    if nasty.extra:
        chatter = times[rng.random(len(times)) < nasty.extra]
        width = np.maximum(nasty.rise_s, 4e-6)
        start = chatter + width * rng.uniform(0.2, 1.0, len(chatter))
        times = np.sort(np.concatenate([times, start, start + width * rng.uniform(0.1, 1.0, len(chatter))]))
    inside = (times > 0) & (times < motion.duration_s)
    first = (first + int(np.sum(times <= 0))) % 2
    return Toggles(times[inside], first ^ int(nasty.swapped))


def with_glitches(toggles: Toggles, starts_s: Floats, widths_s: Floats) -> Toggles:
    """Short flips of a logic level, as spikes on the wire make them."""
    times = np.sort(np.concatenate([toggles.times_s, starts_s, starts_s + widths_s]))
    return Toggles(times, toggles.first)


# ------------------------------------------------------------------------------------------------------------- coil


@dataclass(frozen=True)
class Coil:
    """Voltage per speed over one period of a coil's wheel, on an even grid."""

    teeth_deg: Floats  # where each tooth of this very wheel passes (its zero crossing)
    shape: Floats
    period_deg: float

    def voltage(self, phase_deg: Floats, speed_deg_s: Floats) -> Floats:
        grid = np.arange(len(self.shape) + 1) * (self.period_deg / len(self.shape))
        return speed_deg_s * np.interp(phase_deg % self.period_deg, grid, np.append(self.shape, self.shape[0]))


def coil(rng: Generator, teeth_deg: Floats, period: float, sigma_deg: float, nasty: Nasty) -> Coil:
    """A coil before a toothed wheel: positive as a tooth comes, negative as it leaves, a fall through rest between."""
    where = teeth_deg + _eccentric(rng, teeth_deg, period, nasty.eccentric_deg)
    where = where + rng.standard_normal(len(where)) * nasty.tooth_deg
    height = 1 + nasty.field * np.cos(2 * np.pi * where / period + float(rng.uniform(0, 6.28)))
    height = height * (1 + 0.1 * nasty.field * rng.standard_normal(len(where)))
    if nasty.bent_deg:
        bent = int(rng.integers(len(where)))
        where[bent] += nasty.bent_deg * float(rng.choice([-1, 1]))
        height[bent] *= float(rng.uniform(0.4, 0.8))
    grid = np.arange(0, period, min(0.05, sigma_deg / 20))
    shape = np.zeros_like(grid)
    for centre, size in zip(where, height, strict=True):
        from_centre = (grid - centre + period / 2) % period - period / 2
        near = np.abs(from_centre) < 6 * sigma_deg
        z = from_centre[near] / sigma_deg
        shape[near] -= size * z * np.exp(0.5 - z**2 / 2)
    return Coil(where % period, shape, period)


def coil_toggles(
    rng: Generator, made: Coil, sigma_deg: float, nasty: Nasty, motion: Motion, phase_deg: Floats
) -> Toggles:
    """What an input circuit makes of a coil: armed as a tooth comes, vaguely; switched at the crossing, sharply."""
    cross, _ = unrolled(motion, phase_deg, made.teeth_deg, made.period_deg)
    early = sigma_deg * float(rng.uniform(0.9, 1.6)) * (1 + 0.03 * rng.standard_normal(len(made.teeth_deg)))
    arm, _ = unrolled(motion, phase_deg, made.teeth_deg - early, made.period_deg)
    if nasty.wheel_noise:
        pitch_s = np.nanmedian(np.diff(cross[np.isfinite(cross)]))
        cross = cross + rng.standard_normal(cross.shape) * nasty.wheel_noise * pitch_s
        arm = arm + rng.standard_normal(arm.shape) * nasty.wheel_noise * pitch_s
    lost = (rng.random(cross.shape) < nasty.missing) & np.isfinite(cross) & np.isfinite(arm)
    cross[lost] = arm[lost] = np.nan
    return _toggles(rng, arm[np.isfinite(arm)], cross[np.isfinite(cross)], True, nasty, motion)
