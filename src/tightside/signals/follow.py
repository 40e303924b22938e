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

import numpy as np
from numba import njit

from tightside.records import Floats, Ints, ToothTrack, WheelPattern

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


@njit(cache=True, nogil=True)
def _cost_of_missing(teeth: int) -> float:
    """Nats for teeth without a pulse; a long dropout is one event, not many."""
    return MISS_COST * (teeth if teeth < 3 else 3.0 + 0.3 * (teeth - 3))


@njit(cache=True, nogil=True)
def _speed_after(
    known: int, u: float, p: float, dt: float, da: float, mean_gap: float, noise: float, walk: float
) -> tuple[float, float, float]:
    """Kalman step of log slowness ``u`` (variance ``p``) by one interval. Returns both, and the surprise in nats."""
    seen = math.log(dt / da)
    rel = min(mean_gap / da, 2.0)
    meas = noise * rel * rel
    if known == 0:
        return seen, meas + FIRST_SPEED_VARIANCE, 0.0
    prior = p + walk * min(da, LONGEST_WALK_DEG)
    total = prior + meas
    innovation = seen - u
    z2 = innovation * innovation / total
    # Student-like: a wild interval costs much, not everything
    surprise = 2.5 * math.log(1.0 + z2 / 4.0) + 0.5 * math.log(total / (walk * mean_gap + noise))
    if z2 > 25.0:  # take the new speed as it is
        return u + innovation, meas, surprise
    gain = prior / total
    return u + gain * innovation, (1.0 - gain) * prior, surprise


@njit(cache=True, nogil=True)
def _doubled(x: Ints) -> Ints:
    """The array with as much room again behind it."""
    larger = np.empty(2 * len(x), np.int64)
    larger[: len(x)] = x
    return larger


@njit(cache=True, nogil=True)
def _search(times: Floats, angles: Floats, jitter: float, walk: float) -> tuple[Ints, Ints]:
    """Best path. Returns per edge: absolute tooth number (or -1 for no tooth), and segment."""
    n_edges = len(times)
    n_teeth = len(angles)
    # angle of absolute tooth number k: 360 * (k // n_teeth) + angles[k % n_teeth]
    beam = 3 * n_teeth + 16
    # nodes of the search tree
    cap = n_edges * 4 + beam * 4
    node_prev = np.empty(cap, np.int64)
    node_edge = np.empty(cap, np.int64)
    node_tooth = np.empty(cap, np.int64)  # absolute
    node_seg = np.empty(cap, np.int64)
    used = 0
    # live paths: two sets, read and written in turn
    l_node = np.empty((2, beam), np.int64)
    l_u = np.empty((2, beam))
    l_p = np.empty((2, beam))
    l_cost = np.empty((2, beam))
    l_known = np.empty((2, beam), np.int64)  # 0 speed unknown, 1 known
    count = np.zeros(2, np.int64)
    # a path that came by the next edge and the next tooth, and one that passed over some, compete an edge later: the
    # speed that each carries has to prove itself first
    slot_accept = np.empty(2 * n_teeth, np.int64)
    slot_extra = np.empty(n_teeth, np.int64)
    cur = 0
    mean_gap = 360.0 / n_teeth
    r0 = 2.0 * jitter * jitter
    since_restart = 0
    last_best = 0.0
    strain = 0.0
    # start: any tooth may be the first
    for k in range(n_teeth):
        node_prev[used] = -1
        node_edge[used] = 0
        node_tooth[used] = k
        node_seg[used] = 0
        l_node[0, k] = used
        l_u[0, k] = 0.0
        l_p[0, k] = 0.0
        l_cost[0, k] = 0.0
        l_known[0, k] = 0
        used += 1
    count[0] = n_teeth
    for i in range(1, n_edges):
        nxt = 1 - cur
        count[nxt] = 0
        for k in range(n_teeth):
            slot_accept[k] = -1
            slot_accept[n_teeth + k] = -1
            slot_extra[k] = -1
        if used + 8 * count[cur] + 4 * n_teeth > len(node_prev):
            node_prev = _doubled(node_prev)
            node_edge = _doubled(node_edge)
            node_tooth = _doubled(node_tooth)
            node_seg = _doubled(node_seg)
        best_old = 1e300
        for h in range(count[cur]):
            if l_cost[cur, h] < best_old:
                best_old = l_cost[cur, h]
        stopped = True
        for h in range(count[cur]):
            if l_cost[cur, h] > best_old + BEAM_NATS:
                continue
            node = l_node[cur, h]
            tooth = node_tooth[node]
            dt = times[i] - times[node_edge[node]]
            place = tooth % n_teeth
            base = 360.0 * (tooth // n_teeth) + angles[place]
            known = l_known[cur, h]
            if known == 1:
                expect = dt * math.exp(-l_u[cur, h])  # degrees turned, at the last speed
                if dt > 0.6 and expect > LONGEST_BRIDGE_DEG:
                    continue
                if expect > 360.0:
                    continue
            elif dt > 1.2:
                continue
            stopped = False
            # as an extra pulse: the path waits
            cost = l_cost[cur, h] + EXTRA_COST
            s = slot_extra[place]
            if s < 0 or cost < l_cost[nxt, s]:
                if s < 0:
                    s = count[nxt]
                    count[nxt] += 1
                    slot_extra[place] = s
                l_node[nxt, s] = node
                l_u[nxt, s] = l_u[cur, h]
                l_p[nxt, s] = l_p[cur, h]
                l_cost[nxt, s] = cost
                l_known[nxt, s] = known
            # as a tooth: the next one, or one further on
            m_last = 3
            for m in range(1, 400):
                if m > m_last:
                    if known == 0:
                        break
                    k2 = tooth + m
                    ang = 360.0 * (k2 // n_teeth) + angles[k2 % n_teeth] - base
                    if ang > 1.4 * expect + mean_gap:
                        break
                    if ang < expect / 1.4:
                        continue
                k2 = tooth + m
                p2 = k2 % n_teeth
                da = 360.0 * (k2 // n_teeth) + angles[p2] - base
                u_new, p_new, surprise = _speed_after(known, l_u[cur, h], l_p[cur, h], dt, da, mean_gap, r0, walk)
                cost = l_cost[cur, h] + _cost_of_missing(m - 1) + surprise
                own = p2
                if (m > 1 or node_edge[node] < i - 1) and cost < best_old + CLOSE_NATS:
                    own += n_teeth
                s = slot_accept[own]
                if s >= 0 and cost >= l_cost[nxt, s]:
                    continue
                if s < 0:
                    s = count[nxt]
                    count[nxt] += 1
                    slot_accept[own] = s
                    node_new = used
                    used += 1
                else:
                    node_new = l_node[nxt, s]
                node_prev[node_new] = node
                node_edge[node_new] = i
                node_tooth[node_new] = k2
                node_seg[node_new] = node_seg[node]
                l_node[nxt, s] = node_new
                l_u[nxt, s] = u_new
                l_p[nxt, s] = p_new
                l_cost[nxt, s] = cost
                l_known[nxt, s] = 1
        best = 1e300
        best_h = -1
        for h in range(count[nxt]):
            if l_cost[nxt, h] < best:
                best = l_cost[nxt, h]
                best_h = h
        since_restart += 1
        prev = -1  # where fresh paths, one from each place on the wheel, go on from; -1 where none are wanted
        fresh_cost = 0.0
        if stopped or best_h < 0:
            # the engine stood: start anew, after the best path so far
            h_best = 0
            for h in range(count[cur]):
                if l_cost[cur, h] < l_cost[cur, h_best]:
                    h_best = h
            prev = l_node[cur, h_best]
            fresh_cost = l_cost[cur, h_best]
            last_best = fresh_cost
            count[nxt] = 0
        else:
            gained = best - last_best
            strain = strain * (1.0 - 0.7 / n_teeth) + (gained if gained > 3.0 else 0.0)
            last_best = best
            # more than two odd pulses in about a turn: let every place on the wheel compete afresh
            if strain > 2.2 * MISS_COST and since_restart > n_teeth // 2 and count[nxt] + n_teeth <= beam:
                prev = l_node[nxt, best_h]
                if node_edge[prev] == i:
                    prev = node_prev[prev]
                fresh_cost = best + RESTART_COST
        if prev >= 0:
            for k in range(n_teeth):
                node_prev[used] = prev
                node_edge[used] = i
                node_tooth[used] = k
                node_seg[used] = node_seg[prev] + 1
                s = count[nxt]
                count[nxt] += 1
                l_node[nxt, s] = used
                l_u[nxt, s] = 0.0
                l_p[nxt, s] = 0.0
                l_cost[nxt, s] = fresh_cost
                l_known[nxt, s] = 0
                used += 1
            since_restart = 0
            strain = 0.0
        # drop the hopeless
        if count[nxt] > 1:
            keep = 0
            limit = best + BEAM_NATS
            if stopped:
                limit = 1e300
            for h in range(count[nxt]):
                if l_cost[nxt, h] <= limit:
                    if keep != h:
                        l_node[nxt, keep] = l_node[nxt, h]
                        l_u[nxt, keep] = l_u[nxt, h]
                        l_p[nxt, keep] = l_p[nxt, h]
                        l_cost[nxt, keep] = l_cost[nxt, h]
                        l_known[nxt, keep] = l_known[nxt, h]
                    keep += 1
            count[nxt] = keep
        cur = nxt
    best = 1e300
    node = -1
    for h in range(count[cur]):
        if l_cost[cur, h] < best:
            best = l_cost[cur, h]
            node = l_node[cur, h]
    tooth_of = np.full(n_edges, -1, np.int64)
    seg_of = np.full(n_edges, -1, np.int64)
    while node >= 0:
        tooth_of[node_edge[node]] = node_tooth[node]
        seg_of[node_edge[node]] = node_seg[node]
        node = node_prev[node]
    return tooth_of, seg_of


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
        Between 0.003 and 0.25. Speed changes from turn to turn count as jitter, which errs to the safe side.
    """
    gaps = np.diff(times_s)
    lag = n_teeth if len(gaps) >= n_teeth + 8 else 1
    if len(gaps) < lag + 2:
        return 0.05
    change = np.diff(np.log(gaps[lag:] / gaps[:-lag]))  # the second difference takes out steady acceleration
    spread = 1.482602 * float(np.median(np.abs(change - np.median(change))))
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
    tooth, segment = _search(times_s, angles, jitter, WALK_PER_DEG)
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
    tooth, segment = _search(times_s[:lead], angles, jitter, WALK_PER_DEG)
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
