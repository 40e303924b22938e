"""From matched cam edges to a camshaft's offset: per cycle, on average, how sure, how steady.

The interval counts what averages out (scatter, with its autocorrelation) and what does not: the crank wheel's runout
and tooth errors and the cam wheel's own, which show as a fixed difference from edge to edge; sensor delays, which show
between rising and falling edges; and an allowance for what nothing shows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tightside.records import CamEdges, CamPattern, CrankClock, CycleOffsets, Floats
from tightside.timing.match import CamMatch, choose_place, hides_polarity, match_segment
from tightside.timing.runout import EdgeMeans, offsets_from_edges

CLOCK_SHARE = 0.5  # of the clock's error between teeth: what of it is alike in each cycle
DELAY_SD_S = 3e-6  # unequal delay of two sensors and their wiring (common practice, no source)
TRANSITION_SHARE = 0.16  # of a sensor's transition time: where in it the real edge lies is not known
SYSTEMATIC_FREE = 40.0  # degrees of freedom of what does not average out
COMMON_SD_DEG = 0.05  # crank sensor's own level and mounting: alike for all edges, so that nothing shows it
SPARSE_DEG = 45.0  # teeth further apart than this do not show the speed within one compression
RIPPLE_SD_DEG, RIPPLE_RPM = 2.0, 230.0  # ... which may then move the angle by so much, while cranking at so many rpm
DELAY_SD_DEG = 0.03  # one polarity of a sensor against the other, whatever the speed
OUTLIERS_SHARE = 0.12  # at most so many cycles are set aside as standing far out
MAD_TO_SD = 1.482602  # 1 / Phi^-1(3/4)


def robust_sd(x: Floats) -> float:
    """Normal-consistent median absolute deviation. NaN for an empty array.

    Source: any text on robust statistics; checked against scipy.stats.median_abs_deviation(scale="normal").
    """
    x = x[np.isfinite(x)]
    return float(MAD_TO_SD * np.median(np.abs(x - np.median(x)))) if len(x) else float("nan")


def lag1(x: Floats) -> float:
    """Lag-1 autocorrelation, 0 where it is not defined. Source: NIST StRD, univariate summary statistics."""
    d = x - x.mean()
    energy = float(d @ d)
    return float(d[1:] @ d[:-1] / energy) if len(x) > 2 and energy > 0 else 0.0


def _unbiased_lag1(x: Floats) -> float:
    """Lag-1 autocorrelation with the bias of short records taken out: the plain one is too low by (1 + 4 rho) / n.

    Source: Marriott and Pope, Biometrika 41 (1954) 390, from memory; shown by the coverage in ``tests/test_offset.py``.
    """
    rho = lag1(x)
    return min(rho + (1.0 + 4.0 * rho) / len(x), 1.0) if len(x) > 2 else rho


def effective_count(n: int, rho: float) -> float:
    """Independent values that n values with lag-1 correlation rho are worth (first-order autoregression).

    n (1 - rho) / (1 + rho), between 1 and n: negative correlation is given no credit.
    """
    rho = min(max(rho, 0.0), 0.98)
    return max(1.0, min(float(n), n * (1.0 - rho) / (1.0 + rho)))


def measure_cams(
    cams: tuple[CamEdges, ...], patterns: tuple[CamPattern, ...], clock: CrankClock
) -> tuple[CycleOffsets, ...]:
    """Offset of every cam, cycle by cycle, against its pattern.

    Parameters
    ----------
    cams, patterns : same length, cam by cam
    clock : CrankClock

    Returns
    -------
    tuple of CycleOffsets
        ``cycles`` is 0 for a cam of which no edge could be matched.
    """
    matches: list[list[CamMatch]] = [[] for _ in cams]
    turned: list[list[CamMatch]] = [[] for _ in cams]
    inverted: dict[int, bool] = {}
    unsure = False
    for s in _long_segments(clock):
        use = [edges.segment == s for edges in cams]
        there = [i for i, mine in enumerate(use) if mine.sum() >= 2]
        if not there:
            continue
        known = tuple(inverted[i] for i in there) if all(i in inverted for i in there) else None
        at = tuple(_standing_deg(matches[i]) for i in there)
        pairs = [(cams[i], patterns[i]) for i in there]
        place = choose_place(pairs, [use[i] for i in there], clock.repeat_deg, known, at)
        unsure |= not place.certain
        for i, upside_down in zip(there, place.inverted, strict=True):
            inverted.setdefault(i, upside_down)
            found = match_segment(cams[i], patterns[i], inverted[i], use[i], place.shift_deg)
            if found is not None:
                matches[i].append(found)
            if hides_polarity(cams[i], patterns[i]):
                other = match_segment(cams[i], patterns[i], not inverted[i], use[i], place.shift_deg)
                turned[i] += [other] if other is not None else []

    def measured(of: list[list[CamMatch]]) -> list[CycleOffsets]:
        return [_offsets(e, p, m, clock, unsure) for e, p, m in zip(cams, patterns, of, strict=True)]

    upright = _without_runout(measured(matches), cams, patterns, clock)
    over = _without_runout(measured(turned), cams, patterns, clock)
    return tuple(replace(o, turned=u if u.cycles else None) for o, u in zip(upright, over, strict=True))


def _standing_deg(matches: list[CamMatch]) -> float:
    """Where a cam stands by what has been matched so far, 0 at first."""
    return float(np.nanmedian(np.concatenate([m.residual_deg.ravel() for m in matches]))) if matches else 0.0


def _without_runout(
    measured: list[CycleOffsets], cams: tuple[CamEdges, ...], patterns: tuple[CamPattern, ...], clock: CrankClock
) -> list[CycleOffsets]:
    """The same with what wheels and sensors add taken out, and with the standard deviation of what may be left."""
    there = [i for i, o in enumerate(measured) if np.isfinite(o.edge_offset_deg).any()]
    if not there:
        return measured
    parts = [_edge_means(measured[i], cams[i], patterns[i], clock) for i in there]
    joined = EdgeMeans(
        np.concatenate([p.offset_deg for p in parts]),
        np.concatenate([p.cam + k for k, p in enumerate(parts)]),
        np.concatenate([p.angle_deg for p in parts]),
        np.concatenate([p.rising for p in parts]),
        np.concatenate([p.sd_deg for p in parts]),
        np.concatenate([p.delay_sd_deg for p in parts]),
    )
    out = list(measured)
    unseen = _unseen_ripple_deg(clock)
    for i, part, mean, sd in zip(there, parts, *offsets_from_edges(joined), strict=True):
        shift = float(mean - part.offset_deg.mean())
        out[i] = replace(
            out[i],
            offset_deg=out[i].offset_deg + shift,
            systematic_sd_deg=float(np.sqrt(sd**2 + COMMON_SD_DEG**2 + unseen**2 + patterns[i].edge_sd_deg ** 2)),
        )
    return out


def _unseen_ripple_deg(clock: CrankClock) -> float:
    """What compression does between teeth so far apart that the clock cannot follow it, alike in every cycle. [deg]

    A swing of speed once per compression moves the angle between two teeth; it falls with the square of the speed, as
    the turning masses hold the more. Source: our derivation from energy; ``tests/test_offset.py`` shows it from 230 rpm
    up for a swing of 15 % at 200 rpm. Slower than that it is too small: at 180 rpm the same engine is off by 3.4 deg.
    """
    inside = np.diff(clock.segment) == 0
    if not inside.any():
        return 0.0
    apart = float(np.median(np.diff(clock.angle_deg)[inside]))
    rpm = max(float(np.median(clock.speed_deg_s)) / 6.0, 1.0)
    return RIPPLE_SD_DEG * min(1.0, (RIPPLE_RPM / rpm) ** 2) if apart > SPARSE_DEG else 0.0


def _edge_means(offsets: CycleOffsets, edges: CamEdges, pattern: CamPattern, clock: CrankClock) -> EdgeMeans:
    seen = np.isfinite(offsets.edge_offset_deg)
    n = int(seen.sum())
    rate = 6.0 * float(np.median(offsets.rpm))
    random = max(offsets.within_sd_deg, 0.0) / np.sqrt(np.maximum(offsets.edge_count[seen], 1))
    delay = rate * float(np.hypot(DELAY_SD_S, TRANSITION_SHARE * np.hypot(edges.transition_s, clock.transition_s)))
    return EdgeMeans(
        offset_deg=offsets.edge_offset_deg[seen],
        cam=np.zeros(n, np.int64),
        angle_deg=offsets.edge_angles_deg[seen],
        rising=pattern.rising[seen],
        sd_deg=np.hypot(random, CLOCK_SHARE * clock.error_deg),
        delay_sd_deg=np.full(n, float(np.hypot(delay, DELAY_SD_DEG))),
    )


def _long_segments(clock: CrankClock) -> list[int]:
    """Segments of at least one cycle, the longest first; the longest alone where none is."""
    spans = {int(s): float(np.ptp(clock.angle_deg[clock.segment == s])) for s in np.unique(clock.segment)}
    long = sorted((s for s, span in spans.items() if span >= 720.0), key=lambda s: -spans[s])
    return long or ([max(spans, key=lambda s: spans[s])] if spans else [])


def _offsets(
    edges: CamEdges, pattern: CamPattern, found: list[CamMatch], clock: CrankClock, unsure: bool
) -> CycleOffsets:
    n = len(pattern.edges_deg)
    if not found:
        none = np.empty(0)
        return CycleOffsets(
            cam=pattern.cam, column=edges.column, times_s=none, offset_deg=none, rpm=none,
            edge_offset_deg=np.full(n, np.nan), edge_count=np.zeros(n, np.int64), edge_angles_deg=pattern.edges_deg,
        )  # fmt: skip
    residual = np.concatenate([f.residual_deg for f in found])
    times = np.concatenate([f.times_s for f in found])
    speed = np.concatenate([f.speed_deg_s for f in found])
    enough = np.isfinite(residual).sum(axis=1) >= max(1, (n + 1) // 2)
    residual, times, speed = residual[enough], times[enough], speed[enough]
    own, cycle = _two_way(residual)
    mean_edge = np.nanmean(own) if np.isfinite(own).any() else np.nan
    fixed = own - mean_edge
    count = np.isfinite(residual).sum(axis=0)
    return CycleOffsets(
        cam=pattern.cam,
        column=edges.column,
        times_s=times,
        offset_deg=cycle,
        rpm=speed / 6.0,
        edge_offset_deg=own,
        edge_count=count,
        edges_per_cycle=n,
        cycles=len(cycle),
        edge_angles_deg=np.where(np.isfinite(own), pattern.edges_deg + own, np.nan),
        within_sd_deg=robust_sd(residual - cycle[:, None] - fixed[None, :]),
        inverted=found[0].inverted,
        place_certain=not unsure,
        edges_seen=int(np.isfinite(residual).sum()),
        edges_total=len(edges.times_s),
    )


def _two_way(residual: Floats) -> tuple[Floats, Floats]:
    """Mean residual of each nominal edge, and each cycle's offset with those fixed differences taken out.

    Returns own (N,), cycle (C,): a cycle in which edges are missing is not shifted by which ones they are.
    """
    cycle = np.zeros(len(residual))
    own = np.zeros(residual.shape[1])
    if not len(residual):
        return np.full(residual.shape[1], np.nan), cycle
    for _ in range(4):
        own = _column_median(residual - cycle[:, None])
        centred = own - np.nanmean(own)
        cycle = _row_middle(residual - centred[None, :])
        level = np.nanmedian(cycle)
        cycle = cycle - level
    # means, not medians, over what stands near: the fixed part of each edge averages down with the cycles
    left = residual - cycle[:, None]
    own = _trimmed_column_mean(left)
    centred = own - np.nanmean(own)
    return own, _row_middle(residual - centred[None, :])


def _column_median(x: Floats) -> Floats:
    out = np.full(x.shape[1], np.nan)
    some = np.isfinite(x).any(axis=0)
    out[some] = np.nanmedian(x[:, some], axis=0)
    return out


def _row_middle(x: Floats) -> Floats:
    """Mean of each row's values; their median where one stands far out."""
    mean, middle = np.nanmean(x, axis=1), np.nanmedian(x, axis=1)
    wild = np.nanmax(np.abs(x - middle[:, None]), axis=1) > 2.0
    return np.where(wild, middle, mean)


def _trimmed_column_mean(x: Floats) -> Floats:
    out = np.full(x.shape[1], np.nan)
    for n in range(x.shape[1]):
        v = x[np.isfinite(x[:, n]), n]
        if len(v):
            far = max(4.0 * robust_sd(v), 0.05)
            out[n] = v[np.abs(v - np.median(v)) <= far].mean()
    return out


def summarise(offsets: CycleOffsets) -> tuple[float, tuple[float, float], float]:
    """Offset, its 95 % interval, and scatter. [deg]

    The mean is over cycles that do not stand far out, and takes every edge of the cam wheel as equally telling.
    """
    from scipy.special import stdtrit

    x = offsets.offset_deg
    scatter = robust_sd(x)
    keep = np.abs(x - np.median(x)) <= max(5.0 * scatter, 0.3)
    if (~keep).sum() > max(1, OUTLIERS_SHARE * len(x)):  # so many are what the cam does, as one that goes to and fro
        keep[:] = True
    mean = float(x[keep].mean())
    n_eff = effective_count(int(keep.sum()), _unbiased_lag1(x[keep]))
    spread = float(x[keep].std(ddof=1)) if keep.sum() > 1 else max(scatter, 0.2)
    random_sd = spread / n_eff**0.5
    sd = float(np.hypot(random_sd, offsets.systematic_sd_deg))
    # Welch: few independent cycles widen the random part, the systematic part has its own uncertainty in it
    free = sd**4 / max(random_sd**4 / max(n_eff - 1.0, 1.0) + offsets.systematic_sd_deg**4 / SYSTEMATIC_FREE, 1e-30)
    half = float(stdtrit(min(max(free, 2.0), 200.0), 0.975)) * sd
    return mean, (mean - half, mean + half), scatter
