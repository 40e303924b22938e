"""From decoded signals to the verdict on each cam."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tightside.joins.contents import turn_known
from tightside.records import CamEdges, CamOffset, CamPattern, DriveStage, EdgeTrain
from tightside.signals.decode import Decoded
from tightside.signals.upside_down import angle_too_large_deg
from tightside.timing.banks import judge_banks
from tightside.timing.judge import CamEvidence, judge_cams
from tightside.timing.offset import measure_cams


def judged_cams(
    decoded: Decoded, pairs: tuple[tuple[CamEdges, CamPattern], ...], patterns: tuple[CamPattern, ...]
) -> tuple[CamOffset, ...]:
    """Measure the cams that were found, judge all that the engine has a channel for."""
    if decoded.clock is None or decoded.wheel is None or decoded.crank_column is None:
        return tuple(_unjudged(p, decoded, "; ".join(decoded.faults)) for p in patterns)
    clock = decoded.clock
    edges, there = tuple(e for e, _ in pairs), tuple(p for _, p in pairs)
    measured = measure_cams(edges, there, clock)
    watched = sum(float(np.ptp(clock.angle_deg[clock.segment == s])) for s in np.unique(clock.segment)) / 720.0
    evidence = [
        CamEvidence(p, m, "", clock.error_deg, watched, _doubt(decoded.trains[m.column]))
        for p, m in zip(there, measured, strict=True)
    ]
    turned = angle_too_large_deg(decoded.trains[decoded.crank_column], decoded.wheel, clock)
    found = {c.cam: c for c in judge_cams(tuple(evidence), clock.repeat_deg, turned)}
    # a cam without a recorded channel is simply not judged; one whose channel is dead has no signal
    dead = [p for p in patterns if p.cam not in found and decoded.recording.with_role(f"cam:{p.cam}") is not None]
    return tuple(
        found[p.cam] if p.cam in found else _unjudged(p, decoded, "") for p in patterns if p.cam in found or p in dead
    )


def _doubt(train: EdgeTrain) -> str:
    """Why a cam's edges cannot be trusted to a degree, though they come."""
    if any("wrap" in note for note in train.notes):
        return "its readings run over the recorder's range and wrap around: record it again at a wider range"
    return ""


def _unjudged(pattern: CamPattern, decoded: Decoded, crank_fault: str) -> CamOffset:
    """A cam that cannot be judged: its own signal is missing, or there is no crank to hold it against."""
    channel = decoded.recording.with_role(f"cam:{pattern.cam}")
    column = channel.column if channel is not None else ""
    train = decoded.trains.get(column)
    lost = train is None or len(train.times_s) < 3
    note = crank_fault or (f'"{column}" is {train.quality}: no pulses' if train is not None else "no such channel")
    none = np.empty(0)
    return CamOffset(
        cam=pattern.cam,
        column=column,
        state="no signal" if lost and not crank_fault else "not enough data",
        reference=pattern.reference,
        edges_per_cycle=len(pattern.edges_deg),
        cycle_times_s=none,
        cycle_offset_deg=none,
        cycle_rpm=none,
        notes=(note,),
    )


def with_cam_roles(decoded: Decoded, pairs: tuple[tuple[CamEdges, CamPattern], ...]) -> Decoded:
    """The camshafts that the edges told, as roles of their channels."""
    told = {edges.column: pattern for edges, pattern in pairs if edges.cam != pattern.cam}
    channels = tuple(
        replace(
            c,
            role=f"cam:{told[c.column].cam}",
            why=f"its edges fit {told[c.column].cam} of the {told[c.column].reference}",
        )
        if c.column in told and c.role is None
        else c
        for c in decoded.recording.channels
    )
    return replace(decoded, recording=replace(decoded.recording, channels=channels)) if told else decoded


def banks_compared(decoded: Decoded, drive: tuple[DriveStage, ...]) -> tuple[CamOffset, ...]:
    """Without engine data and reference: banks with the same cam wheel, held against each other."""
    if decoded.clock is None or not turn_known(decoded):
        return ()
    return judge_banks(tuple(c for c in decoded.cams if len(c.times_s) >= 4), decoded.clock, drive)
