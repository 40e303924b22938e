"""Learn a crank wheel from its edges alone: what repeats, after how many pulses, and where the pulses stand.

Source: our derivation; ``tests/test_learn.py`` learns random wheels from simulated truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.records import Bools, EdgeTrain, Floats, WheelPattern
from tightside.signals.follow import follow_wheel

MOST_PULSES = 200  # the largest repeat that is looked for
LIKENESS = 0.75  # a repeat must look this much like the best one
HALF_LIKE = 0.95  # where two repeats agree so well, one must agree this much as well to be one
UNEVEN = 0.04  # rms of the second difference of log intervals below which a wheel counts as even
SCATTERED_GAPS = 0.1  # misfit of each further gap in one repeat: a split gap is mostly the wrong polarity
MANY_PULSES = 20  # from here on a gap is held against its neighbours, not against all
NEIGHBOURS = 4
USUAL_POSITIONS = 24  # a repeat with fewer positions than this is seldom a whole turn (common practice, no source)


@dataclass(frozen=True, slots=True)
class Learned:
    """A wheel as far as one recording shows it."""

    wheel: WheelPattern
    repeats_per_turn: int  # how often the pattern comes in one turn
    turn_certain: bool  # False: the pattern could also be a whole turn, or another part of one
    misfit: float  # how badly the pulses fit the pattern, 0 is perfect; to choose between polarities
    notes: tuple[str, ...] = ()


def roughness(times_s: Floats) -> Floats:
    """How much each interval differs from the mean of its two neighbours, in logarithms, cut at +-1.5. (E-3,)

    The engine's speed changes smoothly and drops out; gaps and odd teeth stay.
    """
    x = np.log(np.diff(times_s))
    return np.clip(x[1:-1] - 0.5 * (x[:-2] + x[2:]), -1.5, 1.5)


def find_repeat(times_s: Floats) -> tuple[int, float]:
    """After how many pulses the pattern repeats, and how sure that looks.

    Returns
    -------
    n : int
        1 for an evenly spaced wheel.
    likeness : float
        Correlation of the pattern with itself n pulses later, 0 to 1.
    """
    z = roughness(times_s)
    z = z - z.mean()
    most = min(MOST_PULSES, int(len(z) / 2.2))
    if most < 2:
        return 1, 0.0
    lags = np.arange(1, most + 1)
    full = np.correlate(z, z, "full")[len(z) - 1 :] if len(z) < 4000 else _autocorrelation(z)
    energy = np.concatenate(([0.0], np.cumsum(z * z)))
    head = energy[len(z) - lags]
    tail = energy[-1] - energy[lags]
    like = full[lags] / np.sqrt(np.maximum(head * tail, 1e-30))
    best = float(like.max())
    if float(np.sqrt(np.mean(z * z))) < UNEVEN or best < 0.35:
        return 1, 1.0 - min(1.0, best)
    first = int(np.flatnonzero(like >= LIKENESS * best)[0])
    while first + 1 < most and like[first + 1] > like[first]:
        first += 1
    twice = 2 * int(lags[first]) - 1
    if twice < most and like[twice] > 0.9 and like[first] < HALF_LIKE * like[twice]:
        first = twice  # two unlike gaps half a turn apart
    return int(lags[first]), float(like[first])


def _autocorrelation(z: Floats) -> Floats:
    size = 1 << (2 * len(z) - 1).bit_length()
    spectrum = np.fft.rfft(z, size)
    out: Floats = np.fft.irfft(spectrum * np.conj(spectrum), size)[: len(z)]
    return out


def _slowness(log_interval: Floats, n: int) -> Floats:
    """Smooth log slowness at each interval, from its neighbours and never from itself."""
    if n <= 8:  # few pulses: the mean over one whole repeat, which holds each gap once
        kernel = np.ones(n) if n % 2 else np.concatenate(([0.5], np.ones(n - 1), [0.5]))
        half = len(kernel) // 2
        weights = kernel / kernel.sum()
    else:  # quadratic through three on either side, read off at the middle
        k = np.array([-3, -2, -1, 1, 2, 3], dtype=np.float64)
        fit = np.linalg.pinv(np.stack([np.ones(6), k, k * k], axis=1))[0]
        weights = np.concatenate((fit[:3], [0.0], fit[3:]))
        half = 3
    padded = np.pad(log_interval, half, mode="edge")
    out: Floats = np.convolve(padded, weights[::-1], mode="valid")
    return out


def _template(times_s: Floats, n: int) -> Floats:
    """First guess of the n gaps, as fractions of the repeat, from the stretch that repeats best."""
    x = np.log(np.diff(times_s))
    x = x - _running_median(x, max(n, 5))
    rows = len(x) - n
    change = np.abs(x[n:] - x[:-n])
    span = min(rows, max(n, 3 * n))
    cost = np.convolve(np.minimum(change, 0.7), np.ones(span), mode="valid")
    start = int(np.argmin(cost))
    stack = x[start : start + (span // n + 1) * n]
    stack = stack[: len(stack) // n * n].reshape(-1, n)
    gaps: Floats = np.exp(np.median(stack, axis=0))
    return np.asarray(gaps / gaps.sum())


def _running_median(x: Floats, width: int) -> Floats:
    width = min(width | 1, len(x) - 1 + len(x) % 2)
    half = width // 2
    padded = np.pad(x, half, mode="edge")
    out: Floats = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return out


def _refined(times_s: Floats, gaps: Floats) -> tuple[Floats, float]:
    """Follow the guessed wheel and measure its gaps anew. Returns gaps, and the share of odd edges."""
    n = len(gaps)
    angles = 360.0 * np.concatenate(([0.0], np.cumsum(gaps)[:-1]))
    track = follow_wheel(times_s, WheelPattern("guess", angles, learned=True))
    if len(track.times_s) < n + 3:
        return gaps, 1.0
    place = np.searchsorted(angles, track.turn_deg % 360.0 + 1e-6, side="right") - 1
    step = np.diff(track.times_s)
    whole = (np.diff(track.segment) == 0) & ((np.diff(place) - 1) % n == 0) & (np.diff(track.turn_deg) < 360.0)
    x = np.log(step)
    flat = x - np.log(gaps[place[:-1]])
    speed = _slowness(flat, n)
    fast = _fast_part(speed)
    value = x - speed
    new = gaps.copy()
    for k in range(n):
        mine = value[(place[:-1] == k) & whole & fast]
        if len(mine) == 0:
            mine = value[(place[:-1] == k) & whole]
        if len(mine):
            new[k] = np.exp(np.median(mine))
    new /= new.sum()
    odd = (track.missed + track.extra) / max(len(times_s), 1)
    return new, odd


def _fast_part(log_slowness: Floats) -> Bools:
    """Where the engine turns fast enough that compression hardly shapes the intervals (ripple falls as 1/speed^2)."""
    fastest = np.percentile(log_slowness, 5)
    slowest = np.percentile(log_slowness, 95)
    if slowest - fastest < 0.9:
        return np.ones(len(log_slowness), dtype=np.bool_)
    return np.asarray(log_slowness < fastest + 0.5)


def _usual_around(gaps: Floats) -> Floats:
    """Usual gap around each one: what cranking ripple in step with the turn leaves in a pattern drops out with it."""
    if len(gaps) < MANY_PULSES:
        return np.full(len(gaps), np.median(gaps))
    padded = np.pad(gaps, NEIGHBOURS, mode="wrap")
    out: Floats = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * NEIGHBOURS + 1), axis=1)
    return out


def _snap(gaps: Floats) -> tuple[Floats, str, float]:
    """Put the gaps on a grid of equal positions where they fit one. Returns gaps in positions, a name, the misfit."""
    ratio = gaps / _usual_around(gaps)
    whole = np.maximum(np.round(ratio), 1.0)
    off = np.abs(ratio - whole) / np.sqrt(whole)
    if len(gaps) >= 4 and np.all(off < 0.38) and np.median(off) < 0.12:
        return whole, "grid", float(np.sqrt(np.mean(off**2)))
    for k in np.flatnonzero(ratio < 0.85):
        j = (k + 1) % len(gaps)
        others = np.delete(ratio, [k, j])
        if ratio[j] < 0.9 and abs(ratio[k] + ratio[j] - 1.0) < 0.2 and np.all(np.abs(others - 1.0) < 0.2):
            snapped = np.ones(len(gaps))
            share = ratio[k] / (ratio[k] + ratio[j])
            snapped[k], snapped[j] = share, 1.0 - share
            return snapped, "extra", float(np.sqrt(np.mean((others - 1.0) ** 2)))
    return ratio, "uneven", 0.3


def _name(gaps: Floats, kind: str, repeats: int) -> str:
    if kind == "even":
        return f"even {repeats}"
    if kind == "extra":
        return f"{len(gaps) - 1}+1"
    if kind == "uneven":
        return f"uneven {len(gaps) * repeats}"
    positions = int(gaps.sum()) * repeats
    missing = [int(g) - 1 for g in gaps if g > 1.5] * repeats
    return "-".join([str(positions), *map(str, missing)])


def learn_polarity(times_s: Floats) -> tuple[Floats, str, float] | None:
    """Gaps of one repeat (in positions or fractions), what sort of wheel, and misfit; None when nothing repeats."""
    if len(times_s) < 6:
        return None
    n, likeness = find_repeat(times_s)
    if n == 1:
        return np.ones(1), "even", 1.0 - likeness
    gaps = _template(times_s, n)
    odd = 1.0
    for _ in range(4):
        gaps, odd = _refined(times_s, gaps)
    snapped, sort, misfit = _snap(gaps)
    places = int((snapped > 1.5).sum()) if sort == "grid" else 1
    return snapped, sort, misfit + odd + 0.3 * (1.0 - likeness) + SCATTERED_GAPS * max(places - 1, 0)


def _rotated(gaps: Floats, kind: str) -> Floats:
    """Start the pattern at the first pulse after the longest gap (or at the extra tooth's predecessor)."""
    if kind == "extra":
        return np.roll(gaps, -int(np.argmin(np.where(gaps < 0.95, 0.0, 1.0))))
    longest = int(np.flatnonzero(gaps >= gaps.max() * 0.98)[0])
    return np.roll(gaps, -(longest + 1))


def learn_wheel(train: EdgeTrain, repeats_from_cams: int | None = None) -> Learned | None:
    """The wheel that a crank sensor's edges show.

    Parameters
    ----------
    train : EdgeTrain
    repeats_from_cams : int, optional
        How often the pattern comes in one turn, where the cams' own repeat has told it.

    Returns
    -------
    Learned or None
        None when nothing repeats or too few edges were seen.
    """
    found = []
    for edge in (train.sharper,) if train.sharper else ("rising", "falling"):
        got = learn_polarity(train.of(edge))
        if got is not None:
            found.append((got[2], edge, got[0], got[1]))
    if not found:
        return None
    misfit, edge, gaps, sort = min(found, key=lambda f: (round(f[0], 3), f[1] != "rising"))
    gaps = _rotated(gaps, sort) if sort != "even" else gaps
    positions = gaps.sum() if sort in ("grid", "extra") else float(USUAL_POSITIONS)
    whole = sort == "extra" or (sort == "grid" and positions >= USUAL_POSITIONS)
    certain = repeats_from_cams is not None or whole
    repeats = repeats_from_cams or 1
    notes: tuple[str, ...] = ()
    if sort == "grid" and repeats_from_cams is None and positions < USUAL_POSITIONS:
        repeats = int(np.ceil(USUAL_POSITIONS / positions)) + (1 if positions == 12 else 0)
        notes = (
            f"the pattern repeats after {len(gaps)} pulses on {int(positions)} positions; that this is one "
            f"{_ordinal(repeats)} of a turn is a guess from common wheels",
        )
    one = gaps / gaps.sum() * 360.0 / repeats
    angles = np.concatenate(([0.0], np.cumsum(np.tile(one, repeats))[:-1]))
    wheel = WheelPattern(
        name=_name(gaps, sort, repeats),
        angles_deg=angles,
        active_edge="rising" if edge == "rising" else "falling",
        kind=train.kind,
        learned=True,
        repeat_deg=360.0 / repeats,
        position_known=False,
    )
    return Learned(wheel, repeats, certain, misfit, notes)


def _ordinal(n: int) -> str:
    return {1: "whole", 2: "half", 3: "third", 4: "quarter"}.get(n, f"{n}th")


def cam_repeat(angle_deg: Floats, repeat_deg: float) -> tuple[int, int] | None:
    """After how many of the crank's repeats one cam's like edges come again, and how many of them there are.

    Parameters
    ----------
    angle_deg : (E,) float64. Edges of one polarity on the crank clock, increasing. [deg]
    repeat_deg : float. The crank pattern's repeat on that clock. [deg]

    Returns
    -------
    (repeats, pulses) or None
        The fewest pulses after which every edge comes a whole number of repeats later.
    """
    tolerance = 0.035 if repeat_deg > 60.0 else 0.25
    for pulses in range(1, min(25, len(angle_deg) // 2 + 1)):
        later = (angle_deg[pulses:] - angle_deg[:-pulses]) / repeat_deg
        whole = float(np.round(np.median(later)))
        if whole >= 1 and np.percentile(np.abs(later - whole), 80) < tolerance:
            return int(whole), pulses
    return None
