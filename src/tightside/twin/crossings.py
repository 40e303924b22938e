"""When the edges of a turning wheel pass its sensor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from tightside.records import Bools, Floats, Ints, Record, array
from tightside.twin.motion import DT_S


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Passes(Record):
    """Edges of one wheel as they pass, in time order. Backward ones happen when a stopping engine rocks back."""

    times_s: Floats = array()  # (E,)
    edge: Ints = array(np.int64)  # (E,) which of the wheel's edges
    turn: Ints = array(np.int64)  # (E,) which turn of the wheel
    forward: Bools = array(np.bool_)  # (E,)
    speed_deg_s: Floats = array()  # (E,) never 0


def find_passes(angle_deg: Floats, speed_deg_s: Floats, edges_deg: Floats, period_deg: float) -> Passes:
    """Times at which ``angle_deg`` (knots ``DT_S`` apart) goes through ``edges_deg`` plus whole periods.

    ``edges_deg`` must increase and lie within one period of each other.
    """
    edges = np.asarray(edges_deg, dtype=np.float64)
    turns = np.abs(np.diff(angle_deg)).sum() / period_deg + 2
    room = int(turns * len(edges)) + 16
    times, index, speed = _passes(
        np.ascontiguousarray(angle_deg), np.ascontiguousarray(speed_deg_s), edges, float(period_deg), DT_S, room
    )
    return Passes(
        times_s=times,
        edge=np.mod(index, len(edges)),
        turn=np.floor_divide(index, len(edges)),
        forward=speed > 0,
        speed_deg_s=speed,
    )


@njit(cache=True, nogil=True)
def hermite(y0, y1, d0, d1, f):  # type: ignore[no-untyped-def]
    """Cubic through two knots with slopes per step, at the fraction f."""
    a = 2 * (y0 - y1) + d0 + d1
    b = 3 * (y1 - y0) - 2 * d0 - d1
    return ((a * f + b) * f + d0) * f + y0


@njit(cache=True, nogil=True)
def _place(edges, period, index):  # type: ignore[no-untyped-def]
    n = len(edges)
    turn = index // n
    return edges[index - turn * n] + turn * period


@njit(cache=True, nogil=True)
def _fraction(y0, y1, d0, d1, level):  # type: ignore[no-untyped-def]
    """Where a step's cubic meets a level between its ends, by bisection and secant (regula falsi, Illinois)."""
    lo, hi, flo, fhi = 0.0, 1.0, y0 - level, y1 - level
    f = 0.0
    for _ in range(40):
        f = lo - flo * (hi - lo) / (fhi - flo) if fhi != flo else lo
        value = hermite(y0, y1, d0, d1, f) - level
        if abs(value) < 1e-9:
            break
        if (value > 0) == (fhi > 0):
            hi, fhi = f, value
            flo *= 0.5
        else:
            lo, flo = f, value
            fhi *= 0.5
    return min(max(f, 0.0), 1.0)


@njit(cache=True, nogil=True)
def _passes(angle, speed, edges, period, dt, room):  # type: ignore[no-untyped-def]
    n = len(edges)
    times = np.empty(room)
    index = np.empty(room, dtype=np.int64)
    pace = np.empty(room)
    found = 0
    turn = np.floor((angle[0] - edges[0]) / period)
    ahead = int(turn) * n  # the next edge going forward
    while _place(edges, period, ahead) <= angle[0]:
        ahead += 1
    for k in range(len(angle) - 1):
        y0, y1, d0, d1 = angle[k], angle[k + 1], speed[k] * dt, speed[k + 1] * dt
        while found < room and _place(edges, period, ahead) <= y1:
            f = _fraction(y0, y1, d0, d1, _place(edges, period, ahead))
            times[found], index[found] = (k + f) * dt, ahead
            pace[found] = max(speed[k] * (1 - f) + speed[k + 1] * f, 1.0)
            found += 1
            ahead += 1
        while found < room and _place(edges, period, ahead - 1) > y1:
            f = _fraction(y0, y1, d0, d1, _place(edges, period, ahead - 1))
            times[found], index[found] = (k + f) * dt, ahead - 1
            pace[found] = min(speed[k] * (1 - f) + speed[k + 1] * f, -1.0)
            found += 1
            ahead -= 1
    return times[:found], index[:found], pace[:found]
