"""Whether a recording can stand for an engine in good order, as far as crank and cams alone show it.

A cam that has slipped and stays where it is looks as healthy as any: that the engine was in order is what the person
who records it must know. What moves or wanders is seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.records import CycleOffsets, Floats
from tightside.timing.judge import is_erratic, is_moving
from tightside.timing.offset import lag1, robust_sd

FEWEST_CYCLES = 3
FEW_CYCLES = 10  # fewer than this is worth a word
RESTLESS_DEG = 0.8  # scatter from which it is worth a word (common practice, no source)
LEAST_SEEN = 0.8  # share of the edges that must have been seen
TRAVEL_DEG = 3.0  # between the slow and the fast part of a recording: a phaser that moved (common practice, no source)
SMOOTH = 0.8  # lag-1 correlation of what moves rather than wanders
FEW_EDGES_SEEN = 0.97


@dataclass(frozen=True, slots=True)
class Health:
    """What speaks against learning from a recording."""

    refused: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def health_of(measured: tuple[CycleOffsets, ...], clock_error_deg: float) -> Health:
    """What one recording's cams, each held against its own mean pattern, say against learning from it."""
    refused: list[str] = []
    warnings: list[str] = []
    for cam in measured:
        fault = _fault(cam, clock_error_deg)
        if fault:
            refused.append(f"{cam.cam}: {fault}")
        else:
            warnings.extend(f"{cam.cam}: {w}" for w in _doubts(cam))
    return Health(tuple(refused), tuple(warnings))


def _fault(cam: CycleOffsets, clock_error_deg: float) -> str:
    whole = cam.edges_seen / max(cam.edges_per_cycle, 1)
    if whole < FEWEST_CYCLES:
        return (
            f"its edges make {whole:.1f} engine cycles, and {FEWEST_CYCLES} are the least to learn from: record longer"
        )
    if cam.edges_seen < LEAST_SEEN * cam.cycles * cam.edges_per_cycle:
        return "many of its edges are missing or do not repeat from cycle to cycle"
    erratic = is_erratic(cam.offset_deg, clock_error_deg)
    if is_moving(cam.offset_deg) or (lag1(cam.offset_deg) > SMOOTH if erratic else _travels(cam)):
        return "it moved while recorded, as a phaser does: record at idle, its oil valve unplugged if the maker allows"
    if erratic:
        return f"it wanders by {robust_sd(cam.offset_deg):.1f} degrees from cycle to cycle: that is no engine in order"
    return ""


def _travels(cam: CycleOffsets) -> bool:
    """Whether it stands elsewhere in one third of the recording than in another."""
    thirds: list[Floats] = [part for part in np.array_split(cam.offset_deg, 3) if len(part) >= 2]
    middles = [float(np.median(part)) for part in thirds]
    return len(middles) == 3 and max(middles) - min(middles) > TRAVEL_DEG


def _doubts(cam: CycleOffsets) -> list[str]:
    doubts = []
    if cam.cycles < FEW_CYCLES:
        doubts.append(f"only {cam.cycles} engine cycles: {FEW_CYCLES} or more tell its edges better")
    if robust_sd(cam.offset_deg) > RESTLESS_DEG:
        doubts.append(f"it varies by {robust_sd(cam.offset_deg):.1f} degrees from cycle to cycle, more than most do")
    if cam.edges_seen < FEW_EDGES_SEEN * cam.cycles * cam.edges_per_cycle:
        doubts.append("some of its edges were missed")
    return doubts
