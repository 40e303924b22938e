"""From a known-good recording to a learned engine, and from several to one; beside ``pipeline.py``.

Recording -> edges -> crank wheel and clock -> each cam's own mean pattern -> engine file. Rooms meet here as they do
there; nothing below prints, asks the clock or reads the environment.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tightside.engine.learned import engine_from_patterns, with_pooled, with_recordings
from tightside.engine.model import Engine, LearnedRecording, SeenEdge
from tightside.engine.patterns import cam_patterns, wheel_pattern
from tightside.errors import DataError, UsageError
from tightside.records import CamEdges, CamPattern, CrankClock, Recording, WheelPattern
from tightside.signals.clock import rpm_of
from tightside.signals.decode import Decoded, decode
from tightside.timing.banks import compare_banks
from tightside.timing.health import health_of
from tightside.timing.learn import learn_patterns
from tightside.timing.offset import measure_cams, robust_sd
from tightside.timing.pooling import Pooled, Shown, align_cams, pool_vehicles

CAM_NAME = re.compile(r"\d+[AB]")
FAR_FROM_OTHERS_DEG = 6.0  # a recording this far from the learned ones is of another engine, or not in order
BANKS_APART_DEG = 3.0


@dataclass(frozen=True, slots=True)
class LearnedCam:
    """What was learned of one cam, for people and for ``--json``."""

    cam: str
    column: str
    cycles: int
    scatter_deg: float
    edges: tuple[tuple[float, str, float], ...]  # deg, polarity, sd_deg


@dataclass(frozen=True, slots=True)
class LearnedEngine:
    """A learned engine file, and what has to be said about it."""

    engine: Engine
    wheel: str
    pulses_per_revolution: int
    cams: tuple[LearnedCam, ...]
    warnings: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """Plain Python, for ``--json``."""
        learned = self.engine.learned
        return {
            "schema": "tightside/learn/1",
            "engine": self.engine.name,
            "vehicles": learned.vehicles if learned else 0,
            "recordings": [
                {"file": r.file, "sha256": r.sha256, "cycles": r.cycles, "rpm": r.rpm}
                for r in (learned.recordings if learned else ())
            ],
            "crank": {"wheel": self.wheel, "pulses_per_revolution": self.pulses_per_revolution},
            "cams": [
                {
                    "cam": c.cam,
                    "column": c.column,
                    "cycles": c.cycles,
                    "scatter_deg": c.scatter_deg,
                    "edges": [{"deg": d, "edge": e, "sd_deg": s} for d, e, s in c.edges],
                    "vehicle_sd_deg": self.engine.cams[c.cam].vehicle_sd_deg,
                }
                for c in self.cams
            ],
            "warnings": list(self.warnings),
        }


def learn_engine(
    recording: Recording, *, name: str, cam_teeth: int | None = None, vehicle: str = "", like: Engine | None = None
) -> LearnedEngine:
    """Crank wheel and cam edges of a recording of an engine in good order.

    Parameters
    ----------
    recording : Recording
    name : the engine's name
    cam_teeth : teeth of the cams' sprockets, where that is known
    vehicle : whose recording it is, where several of one vehicle are learned
    like : an engine learned before, whose crank wheel this recording has too

    Raises
    ------
    DataError
        "nothing-to-learn" where no crank wheel repeats or its turn cannot be told; "not-in-order" where a cam moves,
        wanders or was hardly seen.
    """
    decoded = decode(recording, wheel_pattern(like) if like is not None else None)
    wheel, clock = _known_turn(decoded)
    cams, notes = _named(tuple(c for c in decoded.cams if len(c.times_s) >= 4))
    patterns = tuple(_with_kind(p, decoded, c) for c, p in _learned(cams))
    kept = tuple(c for c in cams if any(p.cam == c.cam for p in patterns))
    measured = measure_cams(kept, patterns, clock)
    health = health_of(measured, clock.error_deg)
    if health.refused:
        raise DataError(
            code="not-in-order",
            what=f"{recording.file} is no recording to learn from",
            got="; ".join(health.refused),
            hint="Record an engine in good order, 10 s at a steady idle",
        )
    warnings = [*notes, *decoded.faults, *decoded.notes, *health.warnings, *_banks_apart(kept, clock.repeat_deg)]
    if not patterns:
        warnings.append("no cam was learned: the file holds the crank wheel alone")
    source = LearnedRecording(
        file=recording.file.replace("\\", "/").rsplit("/", 1)[-1],
        sha256=recording.sha256,
        vehicle=vehicle,
        cycles=min((m.cycles for m in measured), default=0),
        rpm=round(float(np.median(rpm_of(clock))), 1),
    )
    engine = engine_from_patterns(name, wheel, patterns, source, cam_teeth=cam_teeth, notes=warnings)
    told = tuple(
        LearnedCam(p.cam, m.column, m.cycles, round(robust_sd(m.offset_deg), 3), _edges_of(p))
        for p, m in zip(patterns, measured, strict=True)
    )
    return LearnedEngine(engine, wheel.name, wheel.pulses_per_revolution, told, tuple(warnings))


def _known_turn(decoded: Decoded) -> tuple[WheelPattern, CrankClock]:
    """The wheel and its clock, or why there are none to learn."""
    if decoded.wheel is None or decoded.clock is None or len(decoded.clock.times_s) < 3:
        raise DataError(
            code="nothing-to-learn",
            what=f"{decoded.recording.file} shows no crank wheel",
            got="; ".join(decoded.faults),
            hint="Say which column is the crank with --channel crank=COLUMN",
        )
    if decoded.learned is not None and not decoded.learned.turns.likely:
        raise DataError(
            code="nothing-to-learn",
            what=f"{decoded.recording.file}: what a crank turn is cannot be told",
            got="; ".join(decoded.learned.notes),
            hint="Record a cam sensor beside the crank",
        )
    return decoded.wheel, decoded.clock


def _learned(cams: tuple[CamEdges, ...]) -> list[tuple[CamEdges, CamPattern]]:
    by_name = {p.cam: p for p in learn_patterns(cams, (), "")}
    return [(c, by_name[c.cam]) for c in cams if c.cam in by_name]


def _with_kind(pattern: CamPattern, decoded: Decoded, cam: CamEdges) -> CamPattern:
    return replace(pattern, kind=decoded.trains[cam.column].kind)


def _edges_of(pattern: CamPattern) -> tuple[tuple[float, str, float], ...]:
    return tuple(
        (round(float(d), 3), "rising" if up else "falling", round(float(s), 3))
        for d, up, s in zip(pattern.edges_deg, pattern.rising, pattern.edge_sds_deg, strict=True)
    )


def _named(cams: tuple[CamEdges, ...]) -> tuple[tuple[CamEdges, ...], list[str]]:
    """Cams with names of the engine file: those that have one keep it, one alone is 1A; more must be named by hand."""
    unnamed = [c for c in cams if not CAM_NAME.fullmatch(c.cam)]
    if not unnamed:
        return cams, []
    if len(cams) == 1:
        return (replace(cams[0], cam="1A"),), [f'"{cams[0].column}" was taken for cam 1A']
    columns = ", ".join(f'"{c.column}"' for c in unnamed)
    raise UsageError(
        code="cams-unnamed",
        what=f"which camshaft is which is not known: {columns}",
        hint=f"Name each: --channel cam:1A={unnamed[0].column}; 1 and 2 are banks, A intake or the only cam, B exhaust",
    )


def _banks_apart(cams: tuple[CamEdges, ...], repeat_deg: float) -> list[str]:
    """Banks that stand apart by more than their mounting explains: one of them may have slipped."""
    return [
        f"{pair.cam} and {pair.other} stand {abs(pair.apart_deg):.1f} degrees apart, beyond a usual bank offset: "
        "make sure that neither has slipped"
        for pair in compare_banks(cams, repeat_deg)
        if abs(pair.apart_deg) > BANKS_APART_DEG
    ]


# -------------------------------------------------------------------------------------------- several recordings


def add_to_learned(known: Engine, new: LearnedEngine) -> LearnedEngine:
    """A learned engine with one more recording behind it.

    The same recording (by its SHA-256) counts once.

    Raises
    ------
    DataError
        "another-engine" where wheel or cam edges do not fit, or stand far from those of the others.
    """
    recordings = known.learned.recordings if known.learned else ()
    one = new.engine.learned.recordings[0] if new.engine.learned else None
    if one is None or (one.sha256 and any(r.sha256 == one.sha256 for r in recordings)):
        return replace(new, engine=known, warnings=(*new.warnings, "this recording is in the library already"))
    _same_wheel(wheel_pattern(known), wheel_pattern(new.engine), known.name)
    moved = one.model_copy(update={"edges": _aligned(known, new.engine)})
    engine = with_recordings(known, [*recordings, moved])
    return replace(new, engine=pooled_engine(engine))


def pooled_alone(new: LearnedEngine) -> LearnedEngine:
    """A first recording as the library keeps it: how far vehicles differ is allowed for, though one cannot show it."""
    return replace(new, engine=pooled_engine(new.engine))


def _same_wheel(known: WheelPattern, new: WheelPattern, name: str) -> None:
    alike = known.pulses_per_revolution == new.pulses_per_revolution and known.active_edge == new.active_edge
    if not alike or np.abs(known.angles_deg - new.angles_deg).max() > 0.2 * 360.0 / known.pulses_per_revolution:
        expected, got = (f"{w.name}, by {w.active_edge} edges" for w in (known, new))
        raise _other_engine(name, expected, got)


def _aligned(known: Engine, new: Engine) -> Mapping[str, tuple[SeenEdge, ...]]:
    """The new recording's edges in the frame of the known file: which turn of the cycle came first was arbitrary."""
    mine = {p.cam: p for p in cam_patterns(known)}
    theirs = {p.cam: p for p in cam_patterns(new)}
    both = [c for c in mine if c in theirs]
    for cam in both:
        if len(mine[cam].edges_deg) != len(theirs[cam].edges_deg):
            raise _other_engine(known.name, *(f"{len(p[cam].edges_deg)} edges of cam {cam}" for p in (mine, theirs)))
    aligned = align_cams([(mine[c], theirs[c]) for c in both], wheel_pattern(known).repeat_deg)
    if aligned is None:
        raise _other_engine(known.name, "cam edges of the same order", "another order of edges")
    out = {}
    for cam in both:
        degrees = aligned.edges_deg[cam]
        off = float(np.median(degrees - mine[cam].edges_deg))
        if abs(off) > FAR_FROM_OTHERS_DEG:
            near = f"cam {cam} within {FAR_FROM_OTHERS_DEG:g} degrees of the learned ones"
            raise _other_engine(known.name, near, f"{off:+.1f} degrees")
        seen = new.learned.recordings[0].edges[cam] if new.learned else ()
        out[cam] = tuple(
            seen[int(k)].model_copy(update={"deg": round(float(d), 3)})
            for k, d in zip(aligned.order[cam], degrees, strict=True)
        )
    return out


def _other_engine(name: str, expected: str, got: str) -> DataError:
    return DataError(
        code="another-engine",
        what=f"this recording is not of the engine {name!r}, or not of one in good order",
        expected=expected,
        got=got,
        hint="Give it a library name of its own",
    )


def pooled_engine(engine: Engine) -> Engine:
    """The engine's expected edges and their spread, from all vehicles behind it."""
    recordings = engine.learned.recordings if engine.learned else ()
    edges: dict[str, list[tuple[float, float]]] = {}
    between: dict[str, float] = {}
    vehicles = 1
    for cam in engine.cams:
        shown = [
            Shown(
                r.vehicle or f"recording {i}",
                np.array([e.deg for e in r.edges[cam]]),
                np.array([e.sd_deg for e in r.edges[cam]]),
            )
            for i, r in enumerate(recordings)
            if cam in r.edges
        ]
        if shown:
            found: Pooled = pool_vehicles(shown)
            edges[cam] = list(zip(found.edges_deg.tolist(), found.edge_sds_deg.tolist(), strict=True))
            between[cam] = found.between_sd_deg
            vehicles = max(vehicles, found.vehicles)
    return with_pooled(engine, edges, between, vehicles)
