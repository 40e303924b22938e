"""Crank clocks and cam edges in closed form: every offset is put in by hand, nothing is computed by the package."""

from __future__ import annotations

import numpy as np

from tightside.records import CamEdges, CamPattern, CrankClock, CycleOffsets, DriveStage

STAGES = (DriveStage(20, 40),)  # one tooth: 18 crank degrees
PITCH_DEG = 18.0
FOUR_EDGES = (30.0, 95.0, 310.0, 520.0)


def pattern_of(cam="1A", edges_deg=FOUR_EDGES, rising=None, stages=STAGES, **more):
    """A cam whose edges take turns in polarity unless said otherwise."""
    edges = np.asarray(edges_deg, dtype=float)
    up = np.arange(len(edges)) % 2 == 0 if rising is None else np.asarray(rising)
    return CamPattern(cam=cam, edges_deg=edges, rising=up, stages=stages, **more)


def drawn_pattern(rng, count, cam="1A", apart_deg=17.0):
    """That many edges, unevenly spaced."""
    parts = rng.uniform(0.0, 1.0, count) ** 2
    gaps = apart_deg + parts / parts.sum() * (720.0 - apart_deg * count)
    angles = np.sort((np.cumsum(gaps) + rng.uniform(0.0, 720.0)) % 720.0)
    return pattern_of(cam, angles)


def even_clock(cycles, rpm=600.0, repeat_deg=360.0, segments=1):
    """A crank that turns evenly; a pause of one second between segments, each of which starts anew."""
    angle = np.arange(0.0, 720.0 * cycles + 3.0, 6.0)
    times = angle / (6.0 * rpm)
    return CrankClock(
        times_s=np.concatenate([times + s * (times[-1] + 1.0) for s in range(segments)]),
        angle_deg=np.tile(angle, segments),
        speed_deg_s=np.full(len(angle) * segments, 6.0 * rpm),
        segment=np.repeat(np.arange(segments), len(angle)),
        repeat_deg=repeat_deg,
    )


def edge_angles(pattern, offset_deg, *, fixed_deg=0.0, noise=None):
    """(C, N) angles in the engine file's frame; cycle c stands ``offset_deg[c]`` late."""
    offset = np.asarray(offset_deg, dtype=float)
    angle = 720.0 * np.arange(len(offset))[:, None] + pattern.edges_deg + offset[:, None] + fixed_deg
    return angle if noise is None else angle + noise


def edges_on(clock, pattern, angle_deg, *, place_deg=0.0, upside_down=False, extra_deg=(), keep=None):
    """What a sensor gives for edges at those angles. ``place_deg``: how far the clock is from the engine's frame.

    ``keep`` (C, N) leaves edges out, ``extra_deg`` adds pulses' edges of turn-about polarity.
    """
    rising = np.broadcast_to(pattern.rising, angle_deg.shape)
    keep = np.ones(angle_deg.shape, dtype=bool) if keep is None else keep
    extra = np.asarray(extra_deg, dtype=float)
    angle = np.concatenate((angle_deg[keep], extra)) - place_deg
    up = np.concatenate((rising[keep], np.arange(len(extra)) % 2 == 0)) ^ upside_down
    parts = []
    for s in np.unique(clock.segment):
        mine = clock.segment == s
        knots, times = clock.angle_deg[mine], clock.times_s[mine]
        on = np.flatnonzero((angle > knots[0]) & (angle < knots[-1]))
        on = on[np.argsort(angle[on])]
        parts.append((np.interp(angle[on], knots, times), angle[on], up[on], np.full(len(on), s)))
    times_s, on_clock, polarity, segment = (np.concatenate(p) for p in zip(*parts, strict=True))
    return CamEdges(
        cam=pattern.cam,
        column=f"cam {pattern.cam}",
        times_s=times_s,
        angle_deg=on_clock,
        rising=polarity,
        speed_deg_s=np.full(len(times_s), clock.speed_deg_s[0]),
        segment=segment,
    )


def cycles_of(offset_deg, pattern=None, *, rpm=700.0, systematic_sd_deg=0.08, seen=1.0, cam="1A"):
    """A cam's offsets, cycle by cycle, as if measured; ``seen`` is the share of its edges that were."""
    pattern = pattern or pattern_of(cam)
    offset = np.asarray(offset_deg, dtype=float)
    speed = np.broadcast_to(np.asarray(rpm, dtype=float), offset.shape)
    n = len(pattern.edges_deg)
    return CycleOffsets(
        cam=pattern.cam,
        column=f"cam {pattern.cam}",
        times_s=np.cumsum(120.0 / speed),
        offset_deg=offset,
        rpm=speed,
        edge_offset_deg=np.full(n, offset.mean() if len(offset) else np.nan),
        edge_count=np.full(n, len(offset)),
        edges_per_cycle=n,
        cycles=len(offset),
        systematic_sd_deg=systematic_sd_deg,
        edge_angles_deg=pattern.edges_deg + (offset.mean() if len(offset) else 0.0),
        edges_seen=round(seen * n * len(offset)),
        edges_total=round(seen * n * len(offset)),
    )


def autoregressive(rng, count, rho, sd):
    """First-order autoregression of that standard deviation, started in its steady state."""
    x = sd * rng.standard_normal(count)
    for i in range(1, count):
        x[i] = rho * x[i - 1] + np.sqrt(1.0 - rho**2) * x[i]
    return x
