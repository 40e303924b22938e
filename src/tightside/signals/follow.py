"""Give every crank edge its place on a known wheel, through ripple, missed and extra pulses, stops and restarts.

The wheel is followed by a Viterbi search over (place on the wheel, last accepted edge), with a small Kalman filter of
the logarithm of the engine's slowness (seconds per degree) carried along each surviving path: a tooth is right when the
speed it implies continues the speed before it. Only paths close to the best one are kept, so that a clean recording
costs little more than one look per edge.

Source: our derivation; ``tests/test_follow.py`` shows it on truth in closed form. Viterbi search: Forney, Proc. IEEE 61
(1973) 268; per-survivor filtering: Raheli et al., IEEE Trans. Commun. 43 (1995) 354 (both from memory).
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit

from tightside.records import Floats, Ints, ToothTrack, WheelPattern
from tightside.signals.extrema import INNER

MISS_COST = 5.0  # each missed tooth, in nats: about one pulse in 150
EXTRA_COST = 5.0  # each pulse that is no tooth
RESTART_COST = 8.0  # giving up the place on the wheel, offered only when it fits badly
CLOSE_NATS = 9.0  # an odd step this close to the best path is kept beside the plain one at the same tooth
BEAM_NATS = 32.0  # paths further behind the best than this are dropped
WALK_PER_DEG = 0.02**2  # variance of log speed gained per degree: 35 % cranking ripple with room to spare
LONGEST_WALK_DEG = 90.0  # over more degrees than this the speed gains no more: compression gives back what it takes
FIRST_SPEED_VARIANCE = 0.3**2  # of log speed, after one interval: an engine pulled from rest gains fast
FINE_WHEEL = 20  # pulses a turn from which neighbouring teeth show nearly one speed
STEADY = 0.3  # change of log speed from tooth to tooth below which nothing can be missed, added or out of place
LONGEST_BRIDGE_DEG = 270.0  # how far the place on the wheel is carried across silence
LONGEST_SILENCE_S = 0.6  # ... if it lasts longer than this; else a whole turn
LONGEST_FIRST_S = 1.2  # the same for a path that has only one tooth
LOG_BRIDGE, LOG_TURN = math.log(LONGEST_BRIDGE_DEG), math.log(360.0)
NEAR = 3  # teeth ahead that are always tried
FURTHEST = 399  # none beyond
REACH = 1.4  # further ones are, if the last speed leads to them within this factor
ROUNDING = 1e-9
FEWEST_TO_SPLIT, MUCH_CALMER = 60, 0.3  # intervals, and spread of the quietest quarter against that of the half


class _Wheel(NamedTuple):
    """What a search has to know of a wheel, of the noise on its edges, and of how its speed may change."""

    angles_deg: Floats  # (N,)
    log_ahead: Floats  # (N, NEAR) log of the angle from each tooth to the next ones
    noise_ahead: Floats  # (N, NEAR) variance that the edges' noise adds to the log of such an interval
    walk_ahead: Floats  # (N, NEAR) variance that the log of the speed gains meanwhile
    mean_gap: float
    noise: float  # variance of the log of the mean gap's interval
    usual: float  # variance of the usual innovation
    least: float  # no surprise is less, in nats
    beyond: float  # log of the angle turned from which teeth beyond the near ones come into question


def _wheel_of(angles_deg: Floats, jitter: float) -> _Wheel:
    n, mean_gap, noise = len(angles_deg), 360.0 / len(angles_deg), 2.0 * jitter * jitter
    turned = np.concatenate([angles_deg + 360.0 * k for k in range(NEAR // n + 3)])
    near = np.stack([turned[m : m + n] - angles_deg for m in range(1, NEAR + 1)], axis=1)
    next_one = float((turned[NEAR + 1 : NEAR + 1 + n] - angles_deg).min())
    walk = WALK_PER_DEG * np.minimum(near, LONGEST_WALK_DEG)
    usual = WALK_PER_DEG * mean_gap + noise
    return _Wheel(
        angles_deg=angles_deg,
        log_ahead=np.log(near),
        noise_ahead=noise * np.minimum(mean_gap / near, 2.0) ** 2,
        walk_ahead=walk,
        mean_gap=mean_gap,
        noise=noise,
        usual=usual,
        least=0.5 * math.log(float(walk.min()) / usual) - ROUNDING,
        beyond=math.log(max((next_one - mean_gap) / REACH, 1e-300)) - ROUNDING,
    )


NODE = np.dtype([("before", np.int32), ("edge", np.int32), ("tooth", np.int32), ("segment", np.int32)])
"""One edge taken for one tooth, counted on over the turns, and the node before it on its path, or -1."""

PATH = np.dtype(
    [(name, np.int64) for name in ("node", "place", "edge", "known")]
    + [(name, np.float64) for name in ("slow", "variance", "cost")]
)
"""The end of a path: its last node, that node's place on the wheel and its edge, whether its speed is known, the log of
its slowness with the variance of that, and what the path costs in nats."""


@njit(**INNER)
def _cost_of_missing(teeth: int) -> float:
    """Nats for teeth without a pulse; a long dropout is one event, not many."""
    return MISS_COST * (teeth if teeth < 3 else 3.0 + 0.3 * (teeth - 3))


@njit(**INNER)
def _spread(da: float, mean_gap: float, noise: float) -> tuple[float, float]:
    """Variance of the log of an interval over an angle: from the noise on its edges, and from the speed it may gain."""
    rel = min(mean_gap / da, 2.0)
    return noise * rel * rel, WALK_PER_DEG * min(da, LONGEST_WALK_DEG)


@njit(**INNER)
def _speed_after(
    known: int, slow: float, variance: float, seen: float, noise: float, walk: float, usual: float
) -> tuple[float, float, float]:
    """Kalman step of the log of slowness by an interval that shows ``seen``: it, its variance, the surprise in nats."""
    if known == 0:
        return seen, noise + FIRST_SPEED_VARIANCE, 0.0
    prior = variance + walk
    total = prior + noise
    innovation = seen - slow
    z2 = innovation * innovation / total
    q = 1.0 + 0.25 * z2  # Student-like: a wild interval costs much, not everything
    surprise = 0.5 * math.log(q * q * q * q * q * (total / usual))
    if z2 > 25.0:  # take the new speed as it is
        return seen, noise, surprise
    gain = prior / total
    return slow + gain * innovation, (1.0 - gain) * prior, surprise


@njit(**INNER)
def _lost(known: int, dt: float, log_turned: float) -> bool:
    """Whether too much time or turning has passed for a path's place on the wheel to be carried on."""
    if known == 0:
        return dt > LONGEST_FIRST_S
    return log_turned > LOG_TURN or (dt > LONGEST_SILENCE_S and log_turned > LOG_BRIDGE)


@njit(**INNER)
def _cheapest(paths: Any) -> int:
    best = 0
    for h in range(len(paths)):
        if paths[h].cost < paths[best].cost:
            best = h
    return best


@njit(**INNER)
def _keep_below(paths: Any, limit: float) -> int:
    """Only paths that cost no more, moved to the front; how many there are."""
    kept = 0
    for h in range(len(paths)):
        if paths[h].cost <= limit:
            if kept != h:
                paths[kept] = paths[h]
            kept += 1
    return kept


@njit(**INNER)
def _wait(path: Any, later: Any, slots: Any, own: int, count: int) -> int:
    """Let a path pass over an edge, as a pulse too many. How many paths there are then."""
    cost = path.cost + EXTRA_COST
    s = slots[own]
    if s < 0:
        s = slots[own] = count
        count += 1
    elif cost >= later[s].cost:
        return count
    later[s] = path
    later[s].cost = cost
    return count


@njit(**INNER)
def _write(path: Any, edge: int, teeth: int, node: int, tree: Any) -> None:
    """Write down that an edge is that many teeth after the last one of a path."""
    tree[node].before = path.node
    tree[node].edge = edge
    tree[node].tooth = tree[path.node].tooth + teeth
    tree[node].segment = tree[path.node].segment


@njit(**INNER)
def _step(
    i: int, times: Any, wheel: Any, tree: Any, used: int, now: Any, later: Any, slots: Any
) -> tuple[int, int, float]:
    """Every path by one edge, as a pulse too many and as each tooth that it could be.

    Returns how many paths there are then, the nodes used, and the least cost. A path that came by the next edge and the
    next tooth, and one that passed over some, compete an edge later: the speed that each carries has to prove itself
    first. One function, because what is handed on from one to the next is counted at each call.
    """
    angles, log_ahead, noise_ahead, walk_ahead = wheel.angles_deg, wheel.log_ahead, wheel.noise_ahead, wheel.walk_ahead
    n = len(angles)
    slots[:] = -1  # of paths by the plain step to each place, by an odd one, and waiting there
    count = 0
    best = np.inf
    first = _cheapest(now)  # before the others: most of them are no match for it
    close = now[first].cost + CLOSE_NATS
    for k in range(len(now)):
        path = now[first if k == 0 else k - 1 if k <= first else k]
        dt = times[i] - times[path.edge]
        log_dt = math.log(dt)
        log_turned = log_dt - path.slow
        if _lost(path.known, dt, log_turned):
            continue
        best = min(best, path.cost + EXTRA_COST)
        if path.cost + EXTRA_COST <= best + BEAM_NATS:
            count = _wait(path, later, slots, 2 * n + path.place, count)
        last, turned = NEAR, 0.0
        if path.known and log_turned > wheel.beyond:
            last, turned = FURTHEST, math.exp(log_turned)
        for m in range(1, last + 1):
            turns, place = 0, path.place + m
            while place >= n:
                turns, place = turns + 1, place - n
            cost = path.cost + _cost_of_missing(m - 1)
            plain = m == 1 and path.edge == i - 1
            bound = cost + wheel.least
            if bound > best + BEAM_NATS:
                break
            if (plain or bound >= close) and slots[place] >= 0 and bound >= later[slots[place]].cost:
                continue
            if m <= NEAR:
                seen = log_dt - log_ahead[path.place, m - 1]
                noise, walk = noise_ahead[path.place, m - 1], walk_ahead[path.place, m - 1]
            else:
                da = 360.0 * turns + angles[place] - angles[path.place]
                if da > REACH * turned + wheel.mean_gap:
                    break
                if da < turned / REACH:
                    continue
                seen = log_dt - math.log(da)
                noise, walk = _spread(da, wheel.mean_gap, wheel.noise)
            slow, variance, surprise = _speed_after(
                path.known, path.slow, path.variance, seen, noise, walk, wheel.usual
            )
            cost += surprise
            own = place if plain or cost >= close else n + place
            s = slots[own]
            if s >= 0 and cost >= later[s].cost:
                continue
            if s < 0:
                s = slots[own] = count
                later[s].node = used
                count, used = count + 1, used + 1
            _write(path, i, m, later[s].node, tree)
            later[s].place, later[s].edge, later[s].known = place, i, 1
            later[s].slow, later[s].variance, later[s].cost = slow, variance, cost
            best = min(best, cost)
    return count, used, best


@njit(**INNER)
def _begin_anew(i: int, n_teeth: int, before: int, cost: float, tree: Any, used: int, paths: Any, count: int) -> int:
    """A fresh path from each place on the wheel, going on from node ``before`` if any. Nodes there are then."""
    segment = tree[before].segment + 1 if before >= 0 else 0
    for k in range(n_teeth):
        node, path = tree[used + k], paths[count + k]
        node.before, node.edge, node.tooth, node.segment = before, i, k, segment
        path.node, path.place, path.edge, path.known = used + k, k, i, 0
        path.slow, path.variance, path.cost = 0.0, 0.0, cost
    return used + n_teeth


@njit(**INNER)
def _doubled(tree: Any) -> Any:
    """The array with as much room again behind it."""
    larger = np.empty(2 * len(tree), NODE)
    larger[: len(tree)] = tree
    return larger


@njit(**INNER)
def _traced(tree: Any, node: int, n_edges: int) -> tuple[Ints, Ints]:
    """Tooth and segment of each edge on the path that ends at a node; -1 where an edge is no tooth."""
    tooth_of = np.full(n_edges, -1, np.int64)
    segment_of = np.full(n_edges, -1, np.int64)
    while node >= 0:
        tooth_of[tree[node].edge] = tree[node].tooth
        segment_of[tree[node].edge] = tree[node].segment
        node = tree[node].before
    return tooth_of, segment_of


@njit(cache=True, nogil=True)
def _search(times: Floats, wheel: Any) -> tuple[Ints, Ints]:
    """Best path. Returns per edge: absolute tooth number (or -1 for no tooth), and segment."""
    n = len(wheel.angles_deg)
    tree = np.empty(4 * len(times) + 16 * n, NODE)
    now, later = np.empty(4 * n + 16, PATH), np.empty(4 * n + 16, PATH)
    slots = np.empty(3 * n, np.int64)
    count, used = n, _begin_anew(0, n, -1, 0.0, tree, 0, now, 0)
    last_best = strain = 0.0
    since_restart = 0
    for i in range(1, len(times)):
        if used + 4 * n > len(tree):
            tree = _doubled(tree)
        there = now[:count]
        count, used, best = _step(i, times, wheel, tree, used, there, later, slots)
        since_restart += 1
        if count == 0:  # the engine stood: start anew, after the best path so far
            end = there[_cheapest(there)]
            count, used = n, _begin_anew(i, n, end.node, end.cost, tree, used, later, 0)
            last_best, strain, since_restart = end.cost, 0.0, 0
        else:
            gained = best - last_best
            strain = strain * (1.0 - 0.7 / n) + (gained if gained > 3.0 else 0.0)
            last_best = best
            # more than two odd pulses in about a turn: let every place on the wheel compete afresh
            if strain > 2.2 * MISS_COST and since_restart > n // 2 and count <= 2 * n + 16:
                before = later[_cheapest(later[:count])].node
                before = tree[before].before if tree[before].edge == i else before
                used = _begin_anew(i, n, before, best + RESTART_COST, tree, used, later, count)
                count, strain, since_restart = count + n, 0.0, 0
            count = _keep_below(later[:count], best + BEAM_NATS)
        now, later = later, now
    found: tuple[Ints, Ints] = _traced(tree, now[_cheapest(now[:count])].node, len(times))
    return found


def interval_jitter(times_s: Floats, n_teeth: int) -> float:
    """Random part of one edge's time, as a fraction of the tooth interval it stands beside. [-]

    From intervals one turn apart, which the same two teeth bound, so that the wheel's pattern drops out.

    Parameters
    ----------
    times_s : (E,) float64. Active edges. [s]
    n_teeth : int. Edges in one turn.

    Returns
    -------
    float
        Between 0.003 and 0.25. Speed changes from turn to turn count as jitter, which errs to the safe side. Where the
        quietest quarter is far quieter than jitter could be, the rest are missing or added pulses, and it alone counts.
    """
    gaps = np.diff(times_s)
    lag = n_teeth if len(gaps) >= n_teeth + 8 else 1
    if len(gaps) < lag + 2:
        return 0.05
    change = np.diff(np.log(gaps[lag:] / gaps[:-lag]))  # the second difference takes out steady acceleration
    away = np.abs(change - np.median(change))
    spread = 1.482602 * float(np.median(away))
    if len(away) >= FEWEST_TO_SPLIT:
        calmer = float(np.quantile(away, 0.25)) / 0.318639
        spread = calmer if calmer < MUCH_CALMER * spread else spread
    # four intervals, of six edge errors weighted 1, -2, 1 and their opposites a lag away: variance 12
    return float(np.clip(spread / 12.0**0.5, 0.003, 0.25))


def follow_wheel(times_s: Floats, wheel: WheelPattern) -> ToothTrack:
    """Follow a known wheel through its active edges.

    Parameters
    ----------
    times_s : (E,) float64, strictly increasing. Edges of the wheel's active polarity. [s]
    wheel : WheelPattern

    Returns
    -------
    ToothTrack
        Empty when fewer than three edges could be placed.
    """
    times_s = np.ascontiguousarray(times_s, dtype=np.float64)
    if len(times_s) < 3:
        return _track(times_s[:0], np.empty(0, np.int64), np.empty(0, np.int64), wheel, len(times_s))
    angles = np.ascontiguousarray(wheel.angles_deg)
    jitter = interval_jitter(times_s, wheel.pulses_per_revolution)
    plain = _in_step(times_s, angles, jitter)
    if plain is not None:
        return _track(times_s, plain, np.zeros(len(plain), np.int64), wheel, 0)
    tooth, segment = _search(times_s, _wheel_of(angles, jitter))
    placed = tooth >= 0
    return _track(times_s[placed], tooth[placed], segment[placed], wheel, int(len(times_s) - placed.sum()))


def _in_step(times_s: Floats, angles: Floats, jitter: float) -> Ints | None:
    """Absolute tooth numbers where a few turns tell the place and every pulse after them keeps step; else None.

    A clean recording is the rule, and needs no search: one tooth too many or too few would make the engine jump in
    speed by the ratio of a gap, which ``STEADY`` does not let pass.
    """
    n = len(angles)
    gaps = np.diff(np.append(angles, 360.0))
    if n < FINE_WHEEL or gaps.max() < 1.8 * np.median(gaps):
        return None
    lead = min(len(times_s), 3 * n + 8)
    tooth, segment = _search(times_s[:lead], _wheel_of(angles, jitter))
    if (tooth < 0).any() or segment[-1] != 0 or (np.diff(tooth) != 1).any():
        return None
    whole = tooth[0] + np.arange(len(times_s))
    slow = np.log(np.diff(times_s) / gaps[whole[:-1] % n])
    return whole if len(slow) < 2 or np.abs(np.diff(slow)).max() < STEADY else None


def _track(times_s: Floats, tooth: Ints, segment: Ints, wheel: WheelPattern, extra: int) -> ToothTrack:
    n = wheel.pulses_per_revolution
    step = np.diff(tooth)
    within = np.diff(segment) == 0
    missed = int((step[within] - 1).sum()) if len(step) else 0
    turn = 360.0 * (tooth // n) + wheel.angles_deg[tooth % n] if len(tooth) else np.empty(0)
    return ToothTrack(times_s=times_s, turn_deg=turn, segment=segment, missed=missed, extra=extra)
