"""Which measured cam is which camshaft of the engine file."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linear_sum_assignment

from tightside.records import CamEdges, CamPattern, CrankClock
from tightside.timing.match import best_by_place, coincidence

LEAST_LIKENESS = 0.45  # share of edges that must fall where the pattern has one


def assign_cams(
    seen: tuple[CamEdges, ...], patterns: tuple[CamPattern, ...], clock: CrankClock | None
) -> tuple[tuple[CamEdges, CamPattern], ...]:
    """Pair cams that carry a name with the pattern of that name, the others with the pattern they resemble.

    A cam whose name the engine file does not have stays out; so does a column that resembles no pattern.
    """
    by_name = {p.cam: p for p in patterns}
    pairs = [(edges, by_name[edges.cam]) for edges in seen if edges.cam in by_name]
    taken = {pattern.cam for _, pattern in pairs}
    free_edges = [e for e in seen if e.cam not in by_name and len(e.times_s) >= 4]
    free_patterns = [p for p in patterns if p.cam not in taken]
    if clock is not None and free_edges and free_patterns:
        likeness = np.array([[_likeness(e, p, clock.repeat_deg) for p in free_patterns] for e in free_edges])
        rows, columns = linear_sum_assignment(-likeness)
        lone = len(free_edges) == 1 and len(free_patterns) == 1
        for r, c in zip(rows, columns, strict=True):
            if lone or likeness[r, c] >= LEAST_LIKENESS:
                pairs.append((free_edges[r], free_patterns[c]))
    order = [p.cam for p in patterns]
    return tuple(sorted(pairs, key=lambda pair: order.index(pair[1].cam)))


def _likeness(edges: CamEdges, pattern: CamPattern, repeat_deg: float) -> float:
    everywhere = np.ones(len(edges.times_s), dtype=np.bool_)
    upright = best_by_place(coincidence(edges, pattern, False, everywhere), repeat_deg).max()
    turned = best_by_place(coincidence(edges, pattern, True, everywhere), repeat_deg).max()
    # a pattern with more edges than the cam shows is no better fit than one with as many
    per_cycle = len(edges.times_s) / max(float(np.ptp(edges.angle_deg)) / 720.0, 1.0)
    numbers = min(per_cycle, len(pattern.edges_deg)) / max(per_cycle, len(pattern.edges_deg), 1.0)
    return float(max(upright, turned) * numbers)
