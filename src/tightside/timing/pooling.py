"""Several known-good vehicles of one engine: where each cam's edges are expected, and how far vehicles differ.

Two spreads are kept apart. Within one vehicle each edge is measured with its own error, which shrinks with cycles. From
vehicle to vehicle the whole cam stands a little elsewhere: cam wheel, sensor and crank sensor as mounted. The second is
a random effect with a variance of its own, estimated with a weak prior, so that one or two vehicles do not pretend to
know it.

Source: normal-normal hierarchical model with a flat prior on the mean, Gelman et al., Bayesian Data Analysis, 3rd ed.,
section 5.4, eq. 5.20 and 5.21 (from memory); held to a general statistics library's random-effects estimates and to
simulated vehicles in ``tests/test_pooling.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from tightside.records import CamPattern, Floats, Ints

BETWEEN_PRIOR_DEG = 1.1  # scale of a half-normal prior for the spread between vehicles (common practice, no source)
MOST_BETWEEN_DEG = 8.0
SHARED_SD_DEG = (
    0.06  # what all edges of one recording have in common: sensor delays, runout (common practice, no source)
)
TOOTH_SD_DEG, TOOTH_PRIOR = 0.1, 3.0  # spread of one edge beside the others of its wheel, and what that prior is worth


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """One cam as one recording of one vehicle showed it."""

    vehicle: str
    edges_deg: Floats  # (N,) in the frame common to all
    sds_deg: Floats  # (N,)


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """One cam as all vehicles show it."""

    edges_deg: Floats  # (N,) expected
    edge_sds_deg: Floats  # (N,) how well that is known
    mean_sd_deg: float  # of the cam's place as a whole
    ci95_deg: tuple[float, float]  # of the cam's place as a whole, from ``edges_deg``
    between_sd_deg: float  # from vehicle to vehicle
    vehicles: int


@dataclass(frozen=True, slots=True, eq=False)
class Hierarchy:
    """Posterior of a mean and of the spread between groups, on a grid of the spread."""

    spread: Floats  # (G,)
    weight: Floats  # (G,) sums to 1
    mean: Floats  # (G,) of the mean, given each spread
    sd: Floats  # (G,)

    @property
    def centre(self) -> float:
        """Posterior mean."""
        return float(self.weight @ self.mean)

    @property
    def centre_sd(self) -> float:
        """Posterior standard deviation of the mean."""
        return float(np.sqrt(self.weight @ (self.sd**2 + (self.mean - self.centre) ** 2)))

    @property
    def between_sd(self) -> float:
        """Root of the posterior mean of the variance between groups."""
        return float(np.sqrt(self.weight @ self.spread**2))

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Equal-tailed interval of the mean."""
        reach = 12.0 * max(self.centre_sd, 1e-6)
        x = np.linspace(self.centre - reach, self.centre + reach, 601)
        below = ndtr((x[:, None] - self.mean) / self.sd) @ self.weight
        tail = (1.0 - level) / 2.0
        return float(np.interp(tail, below, x)), float(np.interp(1.0 - tail, below, x))


def hierarchy_of(
    values: Floats, sds: Floats, *, between_sd: float | None = None, prior_scale: float = BETWEEN_PRIOR_DEG
) -> Hierarchy:
    """Normal-normal model: values scatter about their groups' own means, those about a common one.

    Parameters
    ----------
    values, sds : (V,) float64. Each group's estimate and its standard error.
    between_sd : where the spread between groups is known; it is estimated otherwise.
    prior_scale : of the half-normal prior of that spread.

    Notes
    -----
    Given the spread t, the mean is normal about sum(w y) / sum(w) with variance 1 / sum(w), w = 1 / (s^2 + t^2)
    (eq. 5.20); the spread's own posterior is prior(t) * sqrt(1 / sum(w)) * product of N(y; mean, s^2 + t^2) (eq. 5.21).
    """
    u = (np.arange(200) + 0.5) / 200.0  # a grid that is finer at small spreads; its step goes into the weights
    spread = MOST_BETWEEN_DEG * u * u if between_sd is None else np.array([between_sd])
    w = 1.0 / (sds[None, :] ** 2 + spread[:, None] ** 2)
    total = w.sum(axis=1)
    mean = (w @ values) / total
    log_p = 0.5 * np.log(w).sum(axis=1) - 0.5 * (w * (values[None, :] - mean[:, None]) ** 2).sum(axis=1)
    log_p += -0.5 * np.log(total) - 0.5 * (spread / prior_scale) ** 2 + (np.log(u) if between_sd is None else 0.0)
    weight = np.exp(log_p - log_p.max())
    return Hierarchy(spread, weight / weight.sum(), mean, total**-0.5)


def pool_vehicles(shown: Sequence[Shown]) -> Pooled:
    """One cam's expected edges from all vehicles that showed it.

    Parameters
    ----------
    shown : recordings of the same cam, edges in the same order and frame; at least one
    """
    edges, sds = _by_vehicle(shown)
    middle = edges.mean(axis=0)
    shift = (edges - middle).mean(axis=1)
    own = np.sqrt((sds**2).mean(axis=1) / edges.shape[1] + SHARED_SD_DEG**2)
    found = hierarchy_of(shift, own)
    left = edges - middle - shift[:, None]
    count = len(edges)
    tooth = (TOOTH_PRIOR * TOOTH_SD_DEG**2 + (left**2).sum(axis=0)) / (TOOTH_PRIOR + count - 1)
    each = np.sqrt((tooth + (sds**2).mean(axis=0)) / count)
    low, high = found.interval()
    return Pooled(
        edges_deg=middle + found.centre,
        edge_sds_deg=np.hypot(found.centre_sd, each),
        mean_sd_deg=found.centre_sd,
        ci95_deg=(low - found.centre, high - found.centre),
        between_sd_deg=found.between_sd,
        vehicles=count,
    )


def _by_vehicle(shown: Sequence[Shown]) -> tuple[Floats, Floats]:
    """(V, N) edges and their errors, recordings of one vehicle averaged by how well each knows."""
    edges, sds = [], []
    for vehicle in dict.fromkeys(s.vehicle for s in shown):
        mine = [s for s in shown if s.vehicle == vehicle]
        w = np.array([1.0 / np.maximum(s.sds_deg, 1e-3) ** 2 for s in mine])
        edges.append((w * [s.edges_deg for s in mine]).sum(axis=0) / w.sum(axis=0))
        sds.append(w.sum(axis=0) ** -0.5)
    return np.array(edges), np.array(sds)


# ------------------------------------------------------------------------------------------------------- one frame


@dataclass(frozen=True, slots=True, eq=False)
class Aligned:
    """Another recording's cams in the frame of the first."""

    shift_deg: float
    order: dict[str, Ints]  # per cam: which of the other's edges is each of the first's
    edges_deg: dict[str, Floats]  # ... and where it stands, near the first's


def align_cams(pairs: Sequence[tuple[CamPattern, CamPattern]], repeat_deg: float) -> Aligned | None:
    """Bring the cams of one recording into the frame of another: which turn of the cycle came first was arbitrary.

    Parameters
    ----------
    pairs : (first's, other's) pattern of each cam, with as many edges
    repeat_deg : the crank wheel's smallest turn onto itself. [deg]

    Returns
    -------
    Aligned or None
        None where no turn brings each edge next to one of its own polarity.
    """
    best: Aligned | None = None
    least = np.inf
    for k in range(max(1, round(720.0 / repeat_deg))):
        found = [_matched(a, b, k * repeat_deg) for a, b in pairs]
        if all(f is not None for f in found):
            off = [float(np.abs(f[1] - a.edges_deg).mean()) for f, (a, _) in zip(found, pairs, strict=True) if f]
            if float(np.mean(off)) < least:
                least = float(np.mean(off))
                named = {a.cam: f for f, (a, _) in zip(found, pairs, strict=True) if f}
                best = Aligned(k * repeat_deg, {c: f[0] for c, f in named.items()}, {c: f[1] for c, f in named.items()})
    return best


def _matched(first: CamPattern, other: CamPattern, shift_deg: float) -> tuple[Ints, Floats] | None:
    """The other's edges in the first's order, turned around the cycle to fit best; None where polarities do not."""
    n = len(first.edges_deg)
    if len(other.edges_deg) != n:
        return None
    moved = (other.edges_deg + shift_deg) % 720.0
    order = np.argsort(moved)
    best: tuple[Ints, Floats] | None = None
    for k in range(n):
        turned = np.roll(order, -k)
        if not np.array_equal(other.rising[turned], first.rising):
            continue
        near = first.edges_deg + (moved[turned] - first.edges_deg + 360.0) % 720.0 - 360.0
        if best is None or np.abs(near - first.edges_deg).max() < np.abs(best[1] - first.edges_deg).max():
            best = turned, near
    return best
