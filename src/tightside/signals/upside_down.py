"""By how much every angle is off if the crank signal is upside down.

A logic level shows both edges of each tooth, but not which of them the engine file means: read upside down, the wheel
still fits, with every tooth off by its own width. Only the cams can tell, so the possibility is handed on to them.
"""

from __future__ import annotations

import numpy as np

from tightside.records import CrankClock, EdgeTrain, Floats, WheelPattern
from tightside.signals.clock import angle_at

LONG = 1.4  # a level that lasts so many times the usual is the gap's
FEWEST_EDGES = 8


def angle_too_large_deg(train: EdgeTrain, wheel: WheelPattern, clock: CrankClock) -> tuple[float, ...]:
    """How much too large every angle is, should the signal be upside down. [deg]

    Returns
    -------
    tuple of float
        Empty where a coil's steep crossing has told the polarity; one value where the gap shows which level is the
        tooth; else two, for the tooth may be either level.
    """
    told_by_coil = train.kind == "vr" and train.sharper is not None
    active = train.of(wheel.active_edge)
    other = train.of("falling" if wheel.active_edge == "rising" else "rising")
    if told_by_coil or len(active) < FEWEST_EDGES or len(other) < FEWEST_EDGES:
        return ()
    until, since = _to_next_deg(active, other, clock), _to_next_deg(other, active, clock)
    if not len(until) or not len(since):
        return ()
    after, before = float(np.median(until)), -float(np.median(since))
    gap_after, gap_before = float(np.quantile(until, 0.99)), float(np.quantile(since, 0.99))
    if gap_after > LONG * after and gap_before < LONG * -before:
        return (before,)  # the level after the active edge holds the gap: the tooth is before it
    if gap_before > LONG * -before and gap_after < LONG * after:
        return (after,)
    return (before, after)


def _to_next_deg(edges_s: Floats, others_s: Floats, clock: CrankClock) -> Floats:
    """Crank angle from each edge to the next of the other polarity."""
    k = np.searchsorted(others_s, edges_s)
    inside = k < len(others_s)
    begin, _, segment = angle_at(clock, edges_s[inside])
    end, _, there = angle_at(clock, others_s[k[inside]])
    return np.asarray((end - begin)[(segment == there) & (segment >= 0)])
