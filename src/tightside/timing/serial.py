"""Readings that follow each other too closely to count as separate: what a mean of them is worth.

First-order autoregression: a reading is ``rho`` times the one before it and something new. Source of the sums: the
variance of a mean of correlated values, any text on time series; checked against the correlation matrix itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.records import Floats

MOST_RHO = 0.995


def worth_of_mean(n: int, rho: float) -> float:
    """Independent readings that the mean of n readings is worth: n^2 / sum of rho^|i-j|, in closed form.

    Examples
    --------
    n = 100, rho = 0.5 -> 33.784;  n = 200, rho = 0.8 -> 22.727;  n = 50, rho = -0.3 -> 91.649

    Notes
    -----
    The sum is n (1 + rho) / (1 - rho) - 2 rho (1 - rho^n) / (1 - rho)^2.
    """
    if n <= 1 or rho == 0.0:
        return float(max(n, 0))
    if rho >= 1.0:
        return 1.0
    total = n * (1.0 + rho) / (1.0 - rho) - 2.0 * rho * (1.0 - rho**n) / (1.0 - rho) ** 2
    return n**2 / total


def worth_of_spread(n: int, rho: float) -> float:
    """Independent readings that a standard deviation of n readings is worth: n (1 - rho^2) / (1 + rho^2).

    Source: Bayley and Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184, in the limit of long series (from memory).
    """
    return max(n * (1.0 - rho**2) / (1.0 + rho**2), 1.0)


def pooled_rho(pieces: list[Floats]) -> float:
    """Correlation from one reading to the next, over stretches that each have their own level.

    The plain estimate is too low by about (1 + 4 rho) / n for each stretch; that is put back. Negative correlation is
    given no credit.
    """
    own = [p - p.mean() for p in pieces if len(p) > 2]
    energy = sum(float(d @ d) for d in own)
    if energy <= 0.0:
        return 0.0
    n = sum(map(len, own)) / len(own)
    rho = sum(float(d[1:] @ d[:-1]) for d in own) / energy
    return float(np.clip(rho + (1.0 + 4.0 * rho) / n, 0.0, MOST_RHO))


@dataclass(frozen=True, slots=True)
class Level:
    """The mean of several stretches, and how sure it is."""

    mean: float
    sd: float  # of the mean
    freedom: float  # degrees of freedom of that
    spread: float  # within a stretch
    between: float  # of the stretches' levels, beyond what their own spread explains
    count: int
    worth: float  # independent readings

    def half_width(self, systematic: float = 0.0) -> float:
        """Half of the 95 % interval, with an error on top that does not average out. Student's t, after Welch."""
        from scipy.special import stdtrit

        sd = float(np.hypot(self.sd, systematic))
        if sd == 0.0:
            return 0.0
        free = sd**4 / max(self.sd**4 / max(self.freedom, 1.0) + systematic**4 / 8.0, 1e-30)
        return float(stdtrit(min(max(free, 1.0), 200.0), 0.975)) * sd


def level_of(pieces: list[Floats]) -> Level | None:
    """Mean over stretches, each weighed by what it is worth, with what they differ by counted in. None without any.

    Parameters
    ----------
    pieces : stretches of readings, each evenly spaced

    Notes
    -----
    Between the stretches: DerSimonian and Laird, Controlled Clinical Trials 7 (1986) 177 (from memory). Degrees of
    freedom of the sum of both parts: Satterthwaite.
    """
    pieces = [p for p in pieces if len(p)]
    if not pieces:
        return None
    rho = pooled_rho(pieces)
    worth = np.array([worth_of_mean(len(p), rho) for p in pieces])
    means = np.array([p.mean() for p in pieces])
    count = sum(map(len, pieces))
    spread = _spread(pieces, worth, count)
    variance = spread**2 / worth
    between = _between(means, variance)
    weight = 1.0 / np.maximum(variance + between, 1e-12)
    mean = float(weight @ means / weight.sum())
    total = 1.0 / float(weight.sum())
    inner = spread**2 / float(worth.sum())
    outer = max(total - inner, 0.0)
    free_inner = max(worth_of_spread(count, rho) - len(pieces), 1.0)
    free = total**2 / max(inner**2 / free_inner + outer**2 / max(len(pieces) - 1, 1), 1e-30)
    return Level(mean, total**0.5, free, spread, between**0.5, count, float(worth.sum()))


def _spread(pieces: list[Floats], worth: Floats, count: int) -> float:
    """Standard deviation within stretches; the levels taken out cost as much as they were worth."""
    energy = sum(float((p - p.mean()) @ (p - p.mean())) for p in pieces)
    lost = sum(len(p) / w for p, w in zip(pieces, worth, strict=True))
    return float((energy / max(count - lost, 1.0)) ** 0.5)


def _between(means: Floats, variance: Floats) -> float:
    if len(means) < 2:
        return 0.0
    w = 1.0 / np.maximum(variance, 1e-9)
    middle = float(w @ means / w.sum())
    excess = float(w @ (means - middle) ** 2) - (len(means) - 1)
    return max(excess / float(w.sum() - (w @ w) / w.sum()), 0.0)
