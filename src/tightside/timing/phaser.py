"""How a phaser follows what it is told, from a log's own moves: dead time, time constant, share of the way.

The model is the simplest that has these three: the logged angle is the wanted one, later by a lag, smoothed by a
first-order response, times a share, plus a level. A rate-limited or second-order phaser has no time constant of its
own; what is found is then the time to 63 % of the moves that it made. What the model leaves over is taken as a
first-order autoregression, so that the intervals count it once and not for every reading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from tightside.records import Bools, Floats, Ints
from tightside.timing.log_phase import PhaseLog
from tightside.timing.log_steady import PARKED

MOVE_DEG = 4.0  # a wanted angle that goes so far and stays is a move, in logged degrees
MOST_ROWS = 3000
LONGEST_S = 20.0
MOST_LAG_S = 2.0
SHARE_Z = 2.2  # of the share: 95 % and what the changes' unknown moments between two rows add (shown by coverage)
CHI2_1 = 3.841  # 95 % point, one degree of freedom; standard tables


@dataclass(frozen=True, slots=True)
class Following:
    """How one phaser follows. Times in seconds; ``level`` and ``left`` as logged."""

    moves: int
    response_s: float
    response_ci95_s: tuple[float, float]
    lag_s: float
    lag_ci95_s: tuple[float, float]
    share: float
    share_ci95: tuple[float, float]
    left: float  # standard deviation of what the model does not explain


def count_moves(wanted: Floats, size: float = MOVE_DEG) -> int:
    """Swings of at least ``size`` from one turning point to the next.

    >>> count_moves(np.array([0.0, 0.0, 10.0, 10.0, 9.0, 10.0, 2.0]))
    2
    """
    moves, low, high, way = 0, np.inf, -np.inf, 0
    for value in wanted[np.isfinite(wanted)].tolist():
        low, high = min(low, value), max(high, value)
        if way <= 0 and value - low >= size:
            moves, way, high = moves + 1, 1, value
        elif way >= 0 and high - value >= size:
            moves, way, low = moves + 1, -1, value
        if way > 0:
            low = value if high == value else min(low, value)
        elif way < 0:
            high = value if low == value else max(high, value)
    return moves


def measure_following(log: PhaseLog, usable: Bools, move: float = MOVE_DEG) -> Following | None:
    """Fit one phaser's answer to all that it was told. None where it was hardly told to move.

    Parameters
    ----------
    log : PhaseLog
        With actual and desired.
    usable : (S,) bool
        Readings that can be believed.
    move : float
        What counts as a move, in logged degrees.
    """
    moves = count_moves(log.desired_values, move)
    rows = np.flatnonzero(usable & log.turning & np.isfinite(log.actual))
    if not moves or len(rows) < 20:
        return None
    rows = rows if len(rows) <= MOST_ROWS else _busiest(log, rows)
    return _Fit(log, rows).following(moves)


def answer_of(log: PhaseLog, found: Following) -> Floats:
    """Where a phaser that follows so would have been at each reading, had it gone all of the way: (S,), as logged."""
    taus, lags = np.array([found.response_s]), np.array([found.lag_s])
    return np.asarray(_answers(log.times_s, _switches(log), log.desired_values, taus, lags)[0, 0])


def _switches(log: PhaseLog) -> Floats:
    """When the wanted angle changed: half way between two of its readings, for it is not known nearer."""
    middle = 0.5 * (log.desired_times_s[1:] + log.desired_times_s[:-1])
    return np.append(log.desired_times_s[0] - 1.0, middle)


def _busiest(log: PhaseLog, rows: Ints) -> Ints:
    """The run of rows in which the wanted angle moves most: the middle of a very long log says no more than that."""
    travel = np.concatenate(([0.0], np.cumsum(np.abs(np.diff(np.nan_to_num(log.desired[rows]))))))
    first = int(np.argmax(travel[MOST_ROWS:] - travel[:-MOST_ROWS]))
    return rows[first : first + MOST_ROWS]


class _Fit:
    """The fit of one phaser: profiles over time constant and lag, all else linear.

    Beside level and share there is a third part, alike each time the phaser leaves its stop: an offset that shows while
    it is parked and that control takes out. It keeps such an offset from passing for a quick or a slow answer.
    """

    def __init__(self, log: PhaseLog, rows: Ints) -> None:
        self.times, self.actual = log.times_s[rows], log.actual[rows]
        self.switch_s = _switches(log)
        self.wanted = log.desired_values
        self.held = (np.abs(self.wanted) > PARKED).astype(np.float64)
        self.period_s = log.period_s
        self.gap = np.diff(self.times, prepend=self.times[0] - 1e9) / max(log.period_s, 1e-6)
        floor = float(np.ptp(self.actual)) * 1e-4 + log.quantum * 0.29 + 1e-6
        self.floor = floor**2 * len(rows)

    def following(self, moves: int) -> Following:
        """Coarse, then with what is left over whitened, then fine."""
        taus = np.geomspace(max(0.15 * self.period_s, 0.02), LONGEST_S, 16)
        lags = np.linspace(-1.0 * self.period_s, MOST_LAG_S, 10)
        coarse = self.answers(taus, lags)
        rho = 0.0
        for _ in range(2):
            i, j = _lowest(self.profile(coarse, rho))
            rho = self.left_rho(coarse[:, i, j])
        i, j = _lowest(self.profile(coarse, rho))
        step = float(lags[1] - lags[0])
        taus = np.geomspace(taus[max(i - 2, 0)], taus[min(i + 2, len(taus) - 1)], 17)
        lags = np.linspace(max(lags[j] - 1.4 * step, -1.5 * self.period_s), lags[j] + 1.4 * step, 13)
        fine = self.answers(taus, lags)
        return self.summary(moves, (taus, lags), self.profile(fine, rho), self.share(fine[0], rho))

    def answers(self, taus: Floats, lags: Floats) -> Floats:
        """What a first-order phaser would have done (0) and when it would have left its stop (1): (2, T, L, S)."""
        both = [_answers(self.times, self.switch_s, drive, taus, lags) for drive in (self.wanted, self.held)]
        return np.stack(both)

    def profile(self, answers: Floats, rho: float) -> Floats:
        """Cost (T, L) of the best level, share and offset at the stop."""
        one, y, (f, p) = self.whitened(np.ones(len(self.times)), rho), self.whitened(self.actual, rho), answers
        columns = np.stack((np.broadcast_to(one, f.shape), self.whitened(f, rho), self.whitened(p, rho)), axis=2)
        gram = np.einsum("tlis,tljs->tlij", columns, columns)
        gram = gram + 1e-9 * np.trace(gram, axis1=2, axis2=3)[..., None, None] * np.eye(3)
        right = columns @ y
        best = np.linalg.solve(gram, right[..., None])[..., 0]
        return np.asarray(np.maximum(y @ y - np.einsum("tli,tli->tl", best, right), 0.0) + self.floor)

    def share(self, answer: Floats, rho: float) -> tuple[Floats, Floats]:
        """Share of the way, and its standard error, of a plain level and share: (T, L) each."""
        one, y, f = (self.whitened(x, rho) for x in (np.ones(len(self.times)), self.actual, answer))
        aa, ab, bb = one @ one, f @ one, np.einsum("tls,tls->tl", f, f)
        ya, yb = y @ one, f @ y
        det = np.maximum(aa * bb - ab**2, 1e-9 * aa * np.maximum(bb, 1e-9))
        level, share = (bb * ya - ab * yb) / det, (aa * yb - ab * ya) / det
        left = np.maximum(y @ y - level * ya - share * yb, 0.0) + self.floor
        return share, np.sqrt(left / max(len(y) - 4, 1) * aa / det)

    def whitened(self, x: Floats, rho: float) -> Floats:
        """Each reading less what the one before foretells of it, in units of what is new. Along the last axis."""
        keep = rho**self.gap if rho > 0.0 else np.zeros(len(self.gap))
        scale = 1.0 / np.sqrt(np.maximum(1.0 - keep**2, 1e-3))
        out = x * scale
        out[..., 1:] -= keep[1:] * scale[1:] * x[..., :-1]
        return np.asarray(out)

    def left_rho(self, answer: Floats) -> float:
        """Correlation, from one reading to the next, of what the model leaves over."""
        design = np.stack((np.ones(len(self.times)), *answer), axis=1)
        left = self.actual - design @ np.linalg.lstsq(design, self.actual, rcond=None)[0]
        joined = self.gap[1:] < 2.5
        energy = float(left @ left)
        rho = float((left[1:] * left[:-1])[joined].sum()) / energy if energy > 0.0 else 0.0
        return float(np.clip(rho + (1.0 + 4.0 * rho) / len(left), 0.0, 0.97))

    def summary(
        self, moves: int, grid: tuple[Floats, Floats], cost: Floats, shares: tuple[Floats, Floats]
    ) -> Following:
        """Best values and profile intervals: where the cost rises by no more than chi-squared allows."""
        taus, lags = grid
        n = len(self.times)
        i, j = _lowest(cost)
        near = (n - 5) * np.log(cost / cost[i, j]) <= CHI2_1
        share = float(shares[0][i, j])
        half = float(np.hypot(SHARE_Z * shares[1][i, j], np.ptp(shares[0][near]) / 2.0))
        stagger = self.period_s / 12.0**0.5  # the values of a row are not of one and the same moment
        return Following(
            moves=moves,
            response_s=float(taus[i]),
            response_ci95_s=_ends(taus, np.asarray(near.any(axis=1)), float(taus[i]), 0.0, lowest=0.0),
            lag_s=float(lags[j]),
            lag_ci95_s=_ends(lags, np.asarray(near.any(axis=0)), float(lags[j]), stagger),
            share=share,
            share_ci95=(share - half, share + half),
            left=float((cost[i, j] / n) ** 0.5),
        )


def _lowest(cost: Floats) -> tuple[int, int]:
    i, j = np.unravel_index(int(cost.argmin()), cost.shape)
    return int(i), int(j)


def _ends(grid: Floats, near: Bools, best: float, more: float, lowest: float = -np.inf) -> tuple[float, float]:
    """Ends of the part of a grid that is near the best, a step beyond where it goes on; wider by what is added."""
    inside = np.flatnonzero(near)
    first, last = max(int(inside[0]) - 1, 0), min(int(inside[-1]) + 1, len(grid) - 1)
    low = lowest if inside[0] == 0 and lowest > -np.inf else float(grid[first])
    return best - float(np.hypot(best - low, 1.96 * more)), best + float(np.hypot(grid[last] - best, 1.96 * more))


@njit(cache=True, nogil=True)
def _answers(times: Floats, switch_s: Floats, wanted: Floats, taus: Floats, lags: Floats) -> Floats:
    """First-order answers (T, L, S) to a wanted angle that changes at ``switch_s`` and holds in between. Exact."""
    out = np.empty((len(taus), len(lags), len(times)))
    for a in range(len(taus)):
        for b in range(len(lags)):
            y, now, k = wanted[0], switch_s[0] + lags[b], 0
            for i in range(len(times)):
                t = times[i]
                while k + 1 < len(wanted) and switch_s[k + 1] + lags[b] <= t:
                    then = switch_s[k + 1] + lags[b]
                    y = wanted[k] + (y - wanted[k]) * np.exp(-(then - now) / taus[a])
                    now = then
                    k += 1
                if t > now:
                    y = wanted[k] + (y - wanted[k]) * np.exp(-(t - now) / taus[a])
                    now = t
                out[a, b, i] = y
    return out
