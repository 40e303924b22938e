"""Several recordings of one vehicle, joined into one examination."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tightside import __version__
from tightside.diagnosis import CamVerdict, Diagnosis, Examination, PhaserPart
from tightside.engine.model import Engine
from tightside.engine.patterns import cam_patterns
from tightside.records import CamOffset, PhaserMotion
from tightside.report.text import with_words

LOG_WORTH = 0.01  # of a log's reading, beside an engine cycle of a sensor recording
APART_DEG = 2.0  # two recordings of one cam may differ by so much more than their intervals: phasers move


def joined(examined: list[Examination], engine: Engine | None) -> Examination:
    """Several recordings of one vehicle as one examination: each cam from the recording that carries it best."""
    if not examined:
        patterns = cam_patterns(engine) if engine is not None else ()
        name = engine.name if engine is not None else None
        return Examination(diagnosis=Diagnosis(version=__version__, engine=name), patterns=patterns)
    best: dict[str, CamOffset] = {}
    for cam in (cam for e in examined for cam in e.cams):
        if cam.cam not in best or _worth(cam) > _worth(best[cam.cam]):
            best[cam.cam] = cam
    first = max(examined, key=lambda e: sum(_worth(c) for c in e.cams))
    cams = tuple(_held_against_others(cam, examined) for cam in best.values())
    moved: dict[str, PhaserMotion] = {}
    for motion in (m for e in examined for m in e.phasers):
        told = moved.get(motion.cam)
        if told is None or (motion.steps, motion.effective_count) > (told.steps, told.effective_count):
            moved[motion.cam] = motion
    phasers = tuple(moved.values())
    every = {p.cam: p for e in reversed(examined) for p in (*e.patterns, *first.patterns)}
    whole = replace(first, cams=cams or first.cams, phasers=phasers, patterns=tuple(every.values()))
    diagnosis = whole.diagnosis.model_copy(
        update={
            "engine": engine.name if engine is not None else None,
            "recordings": tuple(r for e in examined for r in e.diagnosis.recordings),
            "cams": tuple(CamVerdict.of(c) for c in cams) or first.diagnosis.cams,
            "phasers": tuple(PhaserPart.of(m) for m in phasers) or None,
        }
    )
    return replace(whole, diagnosis=with_words(diagnosis))


def _worth(cam: CamOffset) -> float:
    judged = cam.state not in ("no signal", "not enough data")
    weight = 1.0 if cam.evidence == "sensor" else LOG_WORTH
    return weight * cam.cycles if judged else -1.0 / (1 + weight * cam.cycles)


def _held_against_others(cam: CamOffset, examined: Sequence[Examination]) -> CamOffset:
    """The cam with a note where another recording puts it elsewhere: said, not averaged away."""
    others = [c for e in examined for c in e.cams if c.cam == cam.cam and c is not cam and c.offset_deg is not None]
    said = []
    for other in others:
        if cam.offset_deg is None or other.offset_deg is None or cam.ci95_deg is None or other.ci95_deg is None:
            continue
        apart = abs(other.offset_deg - cam.offset_deg)
        allowed = 0.5 * (np.ptp(cam.ci95_deg) + np.ptp(other.ci95_deg)) + APART_DEG
        if apart > allowed:
            side = "late" if other.offset_deg > 0 else "early"
            what = "log" if other.evidence == "log" else "recording"
            said.append(f"contradicted: another {what} puts it {abs(other.offset_deg):.1f} degrees {side}")
    return replace(cam, notes=(*cam.notes, *said)) if said else cam
