"""Match a cam's edges to the edges it should show, cycle by cycle, however far off the cam sits.

Two questions are settled by counting coincidences between actual and nominal edges. Which of the ``720 / repeat``
places of the crank wheel it is: the one place, common to all cams, that leaves the cams nearest to where they should
be. Then where each cam stands in each cycle: a Viterbi search along the cycles, since a loose cam moves but does not
jump to and fro between far places.

Source: our derivation; ``tests/test_match.py`` shows it on simulated truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.records import Bools, CamEdges, CamPattern, Floats

BIN_DEG = 0.5
NEAR_DEG = 3.0  # coincidence: half weight at this distance
STEP_DEG = 2.0  # grid of the cycle-by-cycle search
UPRIGHT_BONUS = 0.12  # a signal is taken for upside down only if it then fits better by this share of its edges
REACH_DEG = 110.0  # a cam is looked for this far from its place: four teeth, or two and a whole phaser


@dataclass(frozen=True, slots=True)
class CamMatch:
    """Residuals of one cam, in one segment of the clock."""

    cam: str
    residual_deg: Floats  # (C, N) actual minus nominal; NaN where the edge was not seen
    times_s: Floats  # (C,)
    speed_deg_s: Floats  # (C,)
    inverted: bool
    matched: float  # share of the cam's own edges that found a nominal edge


def _wrapped_difference_counts(actual: Floats, nominal: Floats) -> Floats:
    """Histogram over [0, 720) of all differences actual minus nominal, blurred to NEAR_DEG."""
    n_bins = int(720 / BIN_DEG)
    difference = (actual[:, None] - nominal[None, :]).ravel() % 720.0
    counts = np.bincount((difference / BIN_DEG).astype(np.int64) % n_bins, minlength=n_bins).astype(np.float64)
    reach = int(2 * NEAR_DEG / BIN_DEG)
    kernel = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1)
    wrapped = np.concatenate((counts[-reach:], counts, counts[:reach]))
    return np.convolve(wrapped, kernel, mode="valid")


def coincidence(edges: CamEdges, pattern: CamPattern, inverted: bool, use: Bools) -> Floats:
    """Share of expected coincidences at each shift of the whole cycle. (1440,), about 1 at a perfect match."""
    total = np.zeros(int(720 / BIN_DEG))
    expected = 0
    for polarity in (True, False):
        nominal = pattern.edges_deg[pattern.rising == polarity]
        actual = edges.angle_deg[use & (edges.rising == (polarity != inverted))]
        if len(nominal) and len(actual):
            total += _wrapped_difference_counts(actual, nominal)
        expected += len(actual)
    return total / max(expected, 1)


def best_by_place(share: Floats, repeat_deg: float, expected_deg: float = 0.0) -> Floats:
    """For each place of the crank wheel: the best score of a cam near where it is expected, far ones costing some."""
    places = max(1, round(720.0 / repeat_deg))
    offset = np.arange(-REACH_DEG, REACH_DEG + BIN_DEG, BIN_DEG)
    cost = np.abs(offset - expected_deg) / 900.0
    shift = np.arange(places)[:, None] * repeat_deg + offset[None, :]
    index = np.round(shift / BIN_DEG).astype(np.int64) % len(share)
    best: Floats = (share[index] - cost[None, :]).max(axis=1)
    return best


def is_turned_coil(edges: CamEdges, pattern: CamPattern) -> bool:
    """Whether a coil's steep crossing, the one at the tooth, has the other polarity than the pattern's edges."""
    nominal = "rising" if pattern.rising[0] else "falling"
    return pattern.kind == "vr" and edges.sharper is not None and edges.sharper != nominal


def hides_polarity(edges: CamEdges, pattern: CamPattern) -> bool:
    """Whether nothing in the signal could show it to be upside down: one polarity listed, and no coil's steep side."""
    return len(set(pattern.rising.tolist())) == 1 and not (pattern.kind == "vr" and edges.sharper is not None)


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the cycle a segment of the clock begins, and which cams read upside down there."""

    shift_deg: float  # subtract from the clock to reach the engine file's frame
    inverted: tuple[bool, ...]
    certain: bool


def choose_place(
    cams: list[tuple[CamEdges, CamPattern]],
    use: list[Bools],
    repeat_deg: float,
    inverted: tuple[bool, ...] | None = None,
    expected_deg: tuple[float, ...] | None = None,
) -> Place:
    """The place of the crank wheel that fits all cams together, and whether another would do as well.

    Parameters
    ----------
    use : one mask per cam
        The edges of the segment in question.
    inverted, expected_deg : tuples, optional
        Which way up each cam reads and where it stands, if another segment has told: a wheel that repeats leaves the
        place of each segment to the cams, and they are the same cams.
    """
    upright, turned = [], []
    for (edges, pattern), mine, at in zip(cams, use, expected_deg or [0.0] * len(cams), strict=True):
        weight = min(1.0, mine.sum() / 6.0)
        upright.append(weight * best_by_place(coincidence(edges, pattern, False, mine), repeat_deg, at))
        over = weight * best_by_place(coincidence(edges, pattern, True, mine), repeat_deg, at)
        if len(set(pattern.rising.tolist())) == 2:
            turned.append(over - UPRIGHT_BONUS)
        elif is_turned_coil(edges, pattern):
            turned.append(over + 1.0)
        else:  # edges of one polarity cannot tell
            turned.append(np.full(len(over), -1.0))
    if inverted is None:
        total = np.maximum(upright, turned).sum(axis=0)
    else:
        total = np.sum([t if i else u for u, t, i in zip(upright, turned, inverted, strict=True)], axis=0)
    order = np.argsort(-total, kind="stable")
    best = int(order[0])
    margin = total[best] - total[order[1]] if len(order) > 1 else 1.0
    if inverted is None:
        inverted = tuple(bool(t[best] > u[best]) for u, t in zip(upright, turned, strict=True))
    return Place(best * repeat_deg, inverted, bool(margin > 0.02 * len(cams)))


def _cycle_scores(angle: Floats, pattern: CamPattern, rising: Bools, first: int, count: int, grid: Floats) -> Floats:
    """(C, G): how many nominal edges of each cycle have an actual edge near, at each trial offset."""
    score = np.zeros((count, len(grid)))
    for polarity in (True, False):
        nominal = pattern.edges_deg[pattern.rising == polarity]
        actual = angle[rising == polarity]
        if not len(nominal) or not len(actual):
            continue
        expected = (
            (np.arange(first, first + count) * 720.0)[:, None, None] + nominal[None, :, None] + grid[None, None, :]
        )
        k = (
            np.clip(np.searchsorted(actual, expected), 1, len(actual) - 1)
            if len(actual) > 1
            else np.zeros(expected.shape, int)
        )
        near = np.abs(actual[k] - expected)
        if len(actual) > 1:
            near = np.minimum(near, np.abs(actual[k - 1] - expected))
        score += np.maximum(0.0, 1.0 - near / (2 * NEAR_DEG)).sum(axis=1)
    return score / len(pattern.edges_deg)


def _smooth_path(score: Floats, grid: Floats) -> Floats:
    """Viterbi: the offset path that coincides most and moves least. (C,)"""
    move = np.minimum(np.abs(grid[:, None] - grid[None, :]) * 0.02, 0.6)
    start = np.abs(grid) * 0.002
    total = score[0] - start
    back = np.zeros(score.shape, dtype=np.int64)
    for c in range(1, len(score)):
        through = total[:, None] - move
        back[c] = through.argmax(axis=0)
        total = through.max(axis=0) + score[c] - start
    path = np.empty(len(score), dtype=np.int64)
    path[-1] = int(total.argmax())
    for c in range(len(score) - 1, 0, -1):
        path[c - 1] = back[c, path[c]]
    return grid[path]


def _residuals(angle: Floats, rising: Bools, pattern: CamPattern, first: int, offset: Floats, reach: Floats) -> Floats:
    """(C, N) actual minus nominal of the nearest edge of the same polarity within reach of the expected place."""
    out = np.full((len(offset), len(pattern.edges_deg)), np.nan)
    turns = np.arange(first, first + len(offset)) * 720.0
    for n, (nominal, up) in enumerate(zip(pattern.edges_deg, pattern.rising, strict=True)):
        actual = angle[rising == up]
        if not len(actual):
            continue
        expected = turns + nominal + offset
        k = np.clip(np.searchsorted(actual, expected), 0, len(actual) - 1)
        j = np.maximum(k - 1, 0)
        near = np.where(np.abs(actual[k] - expected) < np.abs(actual[j] - expected), actual[k], actual[j])
        out[:, n] = np.where(np.abs(near - expected) <= reach[n], near - turns - nominal, np.nan)
    return out


def _reach(pattern: CamPattern) -> Floats:
    """How far from its expected place an edge may stand: under half way to the next of its polarity, 8 deg at most."""
    reach = np.full(len(pattern.edges_deg), 8.0)
    for polarity in (True, False):
        mine = np.flatnonzero(pattern.rising == polarity)
        if len(mine) > 1:
            spacing = np.diff(np.append(pattern.edges_deg[mine], pattern.edges_deg[mine[0]] + 720.0))
            reach[mine] = np.minimum(8.0, 0.45 * np.minimum(spacing, np.roll(spacing, 1)))
    return reach


def match_segment(
    edges: CamEdges, pattern: CamPattern, inverted: bool, use: Bools, shift_deg: float
) -> CamMatch | None:
    """Match one cam in one segment whose place is settled.

    Parameters
    ----------
    shift_deg : float
        Subtracted from the clock to reach the engine file's frame. [deg]
    """
    angle = edges.angle_deg[use] - shift_deg
    rising = edges.rising[use] != inverted
    if len(angle) < 2:
        return None
    grid = np.arange(-REACH_DEG, REACH_DEG + STEP_DEG, STEP_DEG)
    first = int(np.floor((angle[0] - REACH_DEG) / 720.0))
    count = int(np.ceil((angle[-1] + REACH_DEG) / 720.0)) - first + 1
    score = _cycle_scores(angle, pattern, rising, first, count, grid)
    offset = _smooth_path(score, grid)
    reach = _reach(pattern)
    for _ in range(2):
        residual = _residuals(angle, rising, pattern, first, offset, reach)
        seen = np.isfinite(residual).any(axis=1)
        middle = np.full(len(offset), np.nan)
        middle[seen] = np.nanmedian(residual[seen], axis=1)
        offset = np.where(seen, middle, offset)
    residual = _residuals(angle, rising, pattern, first, offset, reach)
    seen = np.isfinite(residual).any(axis=1)
    if not seen.any():
        return None
    at = (np.arange(first, first + count) * 720.0 + 360.0 + offset)[seen]
    times, speed = edges.times_s[use], edges.speed_deg_s[use]
    return CamMatch(
        cam=pattern.cam,
        residual_deg=residual[seen],
        times_s=np.interp(at, angle, times),
        speed_deg_s=np.interp(at, angle, speed),
        inverted=inverted,
        matched=float(np.isfinite(residual).sum() / max(len(angle), 1)),
    )
