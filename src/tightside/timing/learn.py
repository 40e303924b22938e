"""A cam's pattern from a recording: the angles at which its edges come, cycle after cycle."""

from __future__ import annotations

import numpy as np

from tightside.records import CamEdges, CamPattern, DriveStage, Floats
from tightside.timing.offset import robust_sd

EDGE_SD_DEG = 0.05  # what of an edge's place does not average out (common practice, no source)
SAME_EDGE_DEG = 14.0  # edges of one polarity nearer than this, cycle after cycle, are one edge


def seen_angles(
    edges: CamEdges, cycle_deg: float = 720.0, least_share: float = 0.5
) -> tuple[Floats, np.ndarray, Floats]:
    """Mean angle, polarity and scatter of each edge that comes in at least half of the cycles.

    Returns
    -------
    angle_deg : (N,) float64, increasing, in [0, cycle)
    rising : (N,) bool
    sd_deg : (N,) float64
    """
    found: list[tuple[float, bool, float]] = []
    longest = _longest_segment(edges)
    cycles = max(float(np.ptp(edges.angle_deg[longest])) / cycle_deg, 1.0) if longest.any() else 1.0
    for up in (True, False):
        folded = np.sort(edges.angle_deg[longest & (edges.rising == up)] % cycle_deg)
        for group in _groups(folded, cycle_deg):
            if len(group) >= max(2.0, least_share * cycles):
                middle = float(np.median(group))
                near = group[np.abs(group - middle) <= max(5.0 * robust_sd(group), 0.1)]
                found.append((float(near.mean()) % cycle_deg, up, robust_sd(group)))
    found.sort()
    return (
        np.array([f[0] for f in found]),
        np.array([f[1] for f in found], dtype=np.bool_),
        np.array([f[2] for f in found]),
    )


def _longest_segment(edges: CamEdges) -> np.ndarray:
    if not len(edges.segment):
        return np.zeros(0, dtype=np.bool_)
    names, counts = np.unique(edges.segment, return_counts=True)
    return np.asarray(edges.segment == names[counts.argmax()])


def _groups(folded: Floats, cycle_deg: float) -> list[Floats]:
    """Split sorted angles on a circle where they leave a gap wider than within one edge's spread."""
    if len(folded) < 2:
        return [folded] if len(folded) else []
    around = np.append(folded, folded[0] + cycle_deg)
    start = int(np.argmax(np.diff(around))) + 1  # begin after the widest gap
    rolled = np.concatenate((folded[start:], folded[:start] + cycle_deg))
    gap = min(SAME_EDGE_DEG, 0.35 * float(np.diff(around).max()))
    return np.split(rolled, np.flatnonzero(np.diff(rolled) > max(gap, 2.0)) + 1)


def learn_patterns(
    cams: tuple[CamEdges, ...], stages: tuple[DriveStage, ...], reference: str
) -> tuple[CamPattern, ...]:
    """Patterns of every cam of a recording that is known to be good."""
    out = []
    for edges in cams:
        angles, rising, sd = seen_angles(edges)
        if len(angles):
            often = max(len(edges.times_s) / len(angles), 1.0)
            out.append(
                CamPattern(
                    cam=edges.cam,
                    edges_deg=angles,
                    rising=rising,
                    stages=stages,
                    edge_sd_deg=float(np.hypot(EDGE_SD_DEG, np.median(sd) / often**0.5)),
                    edge_sds_deg=tuple(float(np.hypot(EDGE_SD_DEG, s / often**0.5)) for s in sd),
                    reference=reference,
                )
            )
    return tuple(out)
