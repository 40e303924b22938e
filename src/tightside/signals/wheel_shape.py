"""What a measured row of gaps is: equal positions some of which are missing, one pulse too many between equal ones, a
shorter row come several times, or no grid at all.

While an engine is cranked an interval says as much of compression as of the wheel. So each possibility is weighed by
its marginal likelihood: log gaps are those of the wheel, plus a swing of speed of some order with its double, plus each
pulse's own error. What needs fewer free numbers wins unless the gaps speak against it.

Source: our derivation; ``benchmarks/wheels.py`` holds it to random wheels. Marginal likelihood of a linear Gaussian
model: Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), eq. 2.43, and the matrix inversion lemma,
eq. A.9, A.10 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from tightside.records import Floats
from tightside.signals.turns import Sort

ORDERS = (1, 2, 3, 4, 5, 6, 8)  # of the swing of speed, in one repeat (which two turns can be)
SWINGS = (0.02, 0.13)  # its amplitude in log speed, running and cranking (common practice, no source) ...
FEWEST_OF_PART = 8  # a row of fewer is explained by a swing of speed only if the whole turn is so slow
CRANKING_PER_S, MOST_USUAL_PULSES = 7.5, 60.0  # turns a second that no starter reaches; pulses of a turn
OVERTONES = ((1, 1.0), (2, 0.3), (3, 0.12))  # its multiples, and their amplitude as a share of that
PULSE_SDS = (0.006, 0.02, 0.06)  # error of one log gap; the largest only of narrow pitches or while cranked
SMOOTH_SDS = (0.006, 0.02, 0.035)  # of a wheel that is even, whatever the swing
COARSE_PULSES = 12
QUICK_SDS = (0.03,)  # for a first look at every possibility ...
CLOSE_NATS = 60.0  # ... after which those this far behind are left out
BESIDE_GAP_SD = 0.05  # ... and what it is more beside a missing tooth, with many sensors
GAP_SD = 0.04  # ... and over the gap itself
UNEVEN_SD = 0.3  # of the log gaps of a wheel on no grid
GAP_COST, EXTRA_COST, UNEVEN_COST = 2.5, 3.0, 1.0  # nats: what each more complicated wheel must bring
FEWEST_EVEN, FEW_EVEN_COST = 5, 4.0  # fewer gaps than that can nearly always be a swing of speed
MOST_ALIKE = 12  # parts of a row that may be one shorter row
FEWEST_SINGLE = 0.5  # share of gaps that are single on a wheel with missing teeth
PULSES_A_WAVE = 2.5  # a swing of speed is seen in the gaps where so many of them fall on each of its waves
LARGEST_SLIP = 0.2  # log of a gap over what its neighbours make likely, in an even wheel
OUTLIER = 0.3
NO_GRID_MISFIT = 0.12  # of a wheel on no grid, to weigh it against the other polarity's
PART = (0.15, 0.85)  # where the one pulse too many may stand between two


@dataclass(frozen=True, slots=True)
class Shape:
    """One repeat of a wheel's pattern."""

    gaps: Floats  # in positions where there is a grid, else relative to the mean
    sort: Sort
    misfit: float = 0.0  # rms of log gaps over these

    @property
    def positions(self) -> float:
        """Of one repeat, missing ones included."""
        return float(np.round(self.gaps.sum())) if self.sort != "uneven" else float(len(self.gaps))


def shape_of(gaps: Floats, repeats_per_s: float = 0.0) -> Shape:
    """The likeliest wheel behind a row of gaps.

    Parameters
    ----------
    gaps : (n,) float64. Each the mean over many repeats, in any unit.
    repeats_per_s : float
        How fast they come by: above what a starter reaches, speed hardly swings.
    """
    gaps = gaps / gaps.mean()
    few = len(gaps) < FEWEST_OF_PART
    parts = 1.0 if few else min(4.0, max(1.0, MOST_USUAL_PULSES / len(gaps)))  # of a turn, that the row could be
    slow = repeats_per_s < CRANKING_PER_S * parts
    swings = SWINGS if slow else SWINGS[:1]
    sds = PULSE_SDS if slow or len(gaps) >= COARSE_PULSES else PULSE_SDS[:2]
    first = [
        (_evidence(np.log(gaps / n), n, s, swings[-1:], QUICK_SDS)[0] - cost, s, n, cost)
        for s, n, cost in _candidates(gaps)
    ]
    hopeful = max(f[0] for f in first) - CLOSE_NATS
    best, most = Shape(gaps, "uneven", NO_GRID_MISFIT), -np.inf
    for quick, shape, nominal, cost in first:
        if quick < hopeful:
            continue
        allowed = SMOOTH_SDS if shape.sort == "even" else sds
        evidence, left = _evidence(np.log(gaps / nominal), nominal, shape, swings, allowed)
        if evidence - cost > most and (shape.sort != "even" or np.abs(left).max() < LARGEST_SLIP):
            misfit = float(np.sqrt(np.mean(np.clip(left, -OUTLIER, OUTLIER) ** 2)))
            best, most = replace(shape, misfit=shape.misfit + misfit), evidence - cost
    return _other_gaps(gaps, best, most, swings, sds) if best.sort == "grid" else best


def _other_gaps(gaps: Floats, best: Shape, most: float, swings: tuple[float, ...], sds: tuple[float, ...]) -> Shape:
    """The grid with one gap after another made one longer or shorter, as long as that is likelier."""
    for _ in range(4):
        better = False
        for k in np.flatnonzero(best.gaps > 1):
            for step in (-1.0, 1.0):
                row = best.gaps.copy()
                row[k] += step
                nominal = np.tile(row, len(gaps) // len(row))
                shape = Shape(row, "grid")
                evidence, left = _evidence(np.log(gaps / nominal), nominal, shape, swings, sds)
                evidence -= GAP_COST * float(np.count_nonzero(row > 1))
                if evidence > most and (row > 1).any():
                    misfit = float(np.sqrt(np.mean(np.clip(left, -OUTLIER, OUTLIER) ** 2)))
                    best, most, better = replace(shape, misfit=misfit), evidence, True
                    break
        if not better:
            return best
    return best


def _candidates(gaps: Floats) -> Iterator[tuple[Shape, Floats, float]]:
    """Each possibility: the shape of one repeat, its gaps along the whole row, and what it must bring in nats."""
    n, ones = len(gaps), np.ones(len(gaps))
    yield Shape(np.ones(1), "even"), ones, 0.0 if n >= FEWEST_EVEN else FEW_EVEN_COST
    for parts in range(1, min(n // 2, MOST_ALIKE) + 1):
        if n % parts:
            continue
        row = np.exp(np.log(gaps).reshape(parts, -1).mean(axis=0))
        yield Shape(row / row.mean(), "uneven", NO_GRID_MISFIT), ones, UNEVEN_COST
        for whole in _grids(row):
            short = _shortest(whole)
            yield Shape(short, "grid"), np.tile(whole, parts), GAP_COST * float(np.count_nonzero(short > 1))
        for extra in _extras(row):
            yield Shape(extra, "extra"), np.tile(extra, parts), EXTRA_COST


def _shortest(whole: Floats) -> Floats:
    """The shortest row that, come several times, is this one."""
    n = len(whole)
    for length in range(1, n):
        if n % length == 0 and np.array_equal(np.tile(whole[:length], n // length), whole):
            return whole[:length]
    return whole


# ------------------------------------------------------------------------------------------------------- candidates


def _grids(gaps: Floats) -> Iterator[Floats]:
    """Whole gaps: by each gap's neighbours, and for few pulses by every number of positions."""
    found: list[Floats] = []
    around = gaps / _around(gaps)
    for whole in (_plain(around), _against_swing(gaps, _plain(around))):
        found.append(whole)
    if len(gaps) <= 24:
        share = gaps / gaps.sum()
        found += [w for p in range(len(gaps) + 1, 2 * len(gaps) + 1) if (w := _made_up(share * p, p)) is not None]
    seen = set()
    for whole in found:
        single = np.count_nonzero(whole == 1) / len(whole)
        if FEWEST_SINGLE <= single < 1 and whole.tobytes() not in seen:
            seen.add(whole.tobytes())
            yield whole


def _plain(ratio: Floats) -> Floats:
    return np.asarray(np.maximum(np.round(ratio), 1.0))


def _against_swing(gaps: Floats, whole: Floats) -> Floats:
    """Gaps against the swing of speed that the pulses around them show, until both agree."""
    for _ in range(4):
        expected = np.exp(_swing_of(np.log(gaps / whole), whole))
        again = _plain(gaps / expected)
        if np.array_equal(again, whole):
            break
        whole = again
    return whole


def _swing_of(x: Floats, width: Floats) -> Floats:
    """Smooth part of log gaps; wide gaps and outliers do not shape it."""
    at = _middles(width)
    orders = range(1, min(6, len(x) // 5) + 1)
    base = np.stack([np.ones(len(x)), *(f(k * at) for k in orders for f in (np.cos, np.sin))], axis=1)
    trust = np.where(width > 1, 0.1, 1.0)
    weight = trust
    for _ in range(3):
        found = np.linalg.lstsq(base * weight[:, None], x * weight, rcond=None)[0]
        weight = trust / np.maximum(np.abs(x - base @ found) / 0.05, 1.0)
    return np.asarray(base @ found)


def _made_up(ratio: Floats, positions: int) -> Floats | None:
    """The nearest whole gaps that make up that many positions."""
    whole = _plain(ratio)
    short = int(positions - whole.sum())
    if abs(short) > 3:
        return None
    step = float(np.sign(short))
    for _ in range(abs(short)):
        cost = np.abs(np.log(ratio / np.maximum(whole + step, 0.5))) - np.abs(np.log(ratio / whole))
        whole[int(np.argmin(cost + np.where(whole + step < 1, 9.0, 0.0)))] += step
    return whole


def _extras(gaps: Floats) -> Iterator[Floats]:
    """Equal gaps, one of them split by one more pulse."""
    n = len(gaps)
    if n < 4:
        return
    pair = gaps + np.roll(gaps, -1)
    for k in map(int, np.argsort(pair / _around(pair))[:6]):
        j = (k + 1) % n
        part = float(gaps[k] / pair[k])
        if PART[0] < part < PART[1]:
            row = np.ones(n)
            row[k], row[j] = part, 1.0 - part
            yield row


def _around(x: Floats) -> Floats:
    """Median of a few values on either side, around the wheel."""
    reach = min(4, (len(x) - 1) // 2)
    padded = np.pad(x, reach, mode="wrap")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1))


# --------------------------------------------------------------------------------------------------------- evidence


def _evidence(
    x: Floats, nominal: Floats, shape: Shape, swings: tuple[float, ...], sds: tuple[float, ...]
) -> tuple[float, Floats]:
    """Log marginal likelihood of log gaps over nominal ones, the best over swings and errors; and what they leave."""
    gap = nominal > 1
    more = GAP_SD**2 * gap + BESIDE_GAP_SD**2 * (np.roll(gap, 1) | np.roll(gap, -1))
    own = _own_gaps(len(x), shape)
    at = _middles(nominal)
    best, left = -np.inf, x
    orders = [k for k in ORDERS if len(x) >= PULSES_A_WAVE * k] or [1]
    for order, swing, sd in product(orders, swings, sds):
        waves = [
            (f(m * order * at), share * swing)
            for m, share in OVERTONES
            for f in (np.cos, np.sin)
            if len(x) >= PULSES_A_WAVE * m * order
        ]
        base = np.column_stack([np.ones(len(x)), *(w for w, _ in waves), *own])
        prior = np.array([1.0, *(s**2 for _, s in waves), *[UNEVEN_SD**2] * len(own)])
        evidence, after = _log_normal(x, sd**2 + more, base, prior)
        if evidence > best:
            best, left = evidence, after
    return best, left


def _own_gaps(n: int, shape: Shape) -> list[Floats]:
    """One column for each gap that is free to be anything."""
    if shape.sort != "uneven":
        return []
    length = len(shape.gaps)
    return [(np.arange(n) % length == k).astype(np.float64) for k in range(length)]


def _log_normal(x: Floats, variance: Floats, base: Floats, prior: Floats) -> tuple[float, Floats]:
    """Log density of x, normal about 0, covariance diag(variance) + base diag(prior) base'; and the unexplained x."""
    scaled = base / variance[:, None]
    inner = base.T @ scaled + np.diag(1.0 / prior)
    b = scaled.T @ x
    found = np.linalg.solve(inner, b)
    log_det = float(np.log(variance).sum() + np.log(prior).sum() + np.linalg.slogdet(inner)[1])
    quadratic = float(x @ (x / variance) - b @ found)
    return -0.5 * (quadratic + log_det + len(x) * np.log(2.0 * np.pi)), x - base @ found


def _middles(width: Floats) -> Floats:
    """Middle of each gap in the repeat. [rad]"""
    return np.asarray(2.0 * np.pi * (np.cumsum(width) - 0.5 * width) / width.sum())


# ------------------------------------------------------------------------------------------------------------ names


def wheel_name(shape: Shape, repeats: int) -> str:
    """What the trade calls a wheel of so many repeats."""
    gaps, sort = shape.gaps, shape.sort
    if sort == "even":
        return f"even {repeats}"
    if sort == "extra" and repeats == 1:
        return f"{len(gaps) - 1}+1"
    if sort in ("uneven", "extra"):
        return f"uneven {len(gaps) * repeats}"
    missing = [int(g) - 1 for g in gaps if g > 1.5] * repeats
    return "-".join([str(int(shape.positions) * repeats), *map(str, missing)])


def rotated(shape: Shape) -> Shape:
    """Start the pattern at the first pulse after the longest gap (or at the extra tooth's predecessor)."""
    gaps = shape.gaps
    if shape.sort == "even":
        return shape
    if shape.sort == "extra":
        return Shape(np.roll(gaps, -int(np.argmin(np.where(gaps < 0.95, 0.0, 1.0)))), shape.sort, shape.misfit)
    longest = int(np.flatnonzero(gaps >= gaps.max() * 0.98)[0])
    return Shape(np.roll(gaps, -(longest + 1)), shape.sort, shape.misfit)
