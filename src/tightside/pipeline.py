"""The whole way, on one screen: recording -> edges -> crank clock -> cam offsets -> verdict -> causes.

Rooms meet in ``joins/`` and here, and nowhere else. Nothing below this file prints, asks the clock or reads the
environment.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial

import numpy as np

from tightside import __version__
from tightside.causes.observations import Observations
from tightside.diagnosis import CamSeen, CamVerdict, CrankPart, Diagnosis, Examination, PhaserPart, RecordingPart
from tightside.engine.model import Engine
from tightside.engine.patterns import cam_patterns, wheel_pattern
from tightside.joins.cams import banks_compared, judged_cams, with_cam_roles
from tightside.joins.causes import with_causes, with_codes
from tightside.joins.contents import cams_seen, crank_seen, recording_seen, with_seen
from tightside.joins.cylinders import cylinders_joined, with_cylinders
from tightside.joins.reference import Read, drive_of, kinds_of, log_patterns, reference_of, tops_of
from tightside.joins.together import joined
from tightside.recordings.registry import read_recording
from tightside.records import CamPattern, CodeFinding, DriveStage, Readings, Recording, WheelPattern
from tightside.report.contents import recording_part
from tightside.signals.other_roles import decode_all
from tightside.timing.assign import assign_cams
from tightside.timing.log_convention import Said
from tightside.timing.log_judge import judge_log

Progress = Callable[[str, float], None]
Paths = Sequence[str | os.PathLike[str]]


def _silent(_what: str, _share: float) -> None:
    pass


def _read(paths: Paths, read: Read, say: Progress) -> Iterator[Recording]:
    """Each recording in turn; ``read`` knows what was said by hand."""
    for path in paths:
        yield read(path, progress=lambda f: say("reading", f / 10))


def describe(
    paths: Paths,
    *,
    engine: Engine | None = None,
    channels: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    rate_hz: float | None = None,
    scales: Mapping[str, float] | None = None,
    dbc: str | os.PathLike[str] | None = None,
    memory_limit_bytes: int | None = None,
    progress: Progress | None = None,
) -> Diagnosis:
    """What is in a recording: channels, roles, wheel, speed, cams, and what is wrong with it."""
    say = progress or _silent
    parts: list[RecordingPart] = []
    crank: CrankPart | None = None
    cams: tuple[CamSeen, ...] = ()
    read = partial(
        read_recording,
        channels=channels,
        units=units,
        rate_hz=rate_hz,
        scales=scales,
        dbc=dbc,
        memory_limit_bytes=memory_limit_bytes,
    )
    for recording in _read(paths, read, say):
        wheel, patterns = (wheel_pattern(engine), cam_patterns(engine)) if engine else (None, ())
        decoded = decode_all(recording, wheel, kinds=kinds_of(wheel, patterns), tops_deg=tops_of(engine), progress=say)
        decoded = with_cam_roles(decoded, assign_cams(decoded.cams, patterns, decoded.clock))
        parts.append(recording_seen(decoded))
        crank = crank or crank_seen(decoded)
        cams = cams or cams_seen(decoded)
    return Diagnosis(version=__version__, recordings=tuple(parts), crank=crank, cams=cams)


def diagnose(
    paths: Paths,
    *,
    engine: Engine | None = None,
    reference: str | os.PathLike[str] | None = None,
    cam_teeth: int | None = None,
    channels: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    codes: Sequence[str] = (),
    code_table: Mapping[str, CodeFinding] | None = None,
    phase: Said | None = None,
    observations: Observations | None = None,
    tools: Sequence[str] | None = None,
    rate_hz: float | None = None,
    scales: Mapping[str, float] | None = None,
    dbc: str | os.PathLike[str] | None = None,
    memory_limit_bytes: int | None = None,
    progress: Progress | None = None,
) -> Examination:
    """The verdict on a vehicle, from its recordings and an engine file or a recording known to be good.

    Slow logs and sensor recordings may be mixed. ``phase`` is what was said of a log's cam phase, ``code_table`` holds
    makers' own codes. Codes and observations are weighed with them, or alone. ``tools`` are what the shop has; None:
    everything.

    Raises
    ------
    DataError, UsageError
        A file that cannot be used, or options that do not fit it; one line says what to do.
    """
    say = progress or _silent
    read = partial(
        read_recording,
        channels=channels,
        units=units,
        rate_hz=rate_hz,
        scales=scales,
        dbc=dbc,
        memory_limit_bytes=memory_limit_bytes,
    )
    recordings = list(_read(paths, read, say))
    wheel, patterns = reference_of(engine, reference, cam_teeth, read)
    examined = [
        diagnose_log(r, log_patterns(r, engine, cam_teeth), said=phase, idle_rpm=engine.idle_rpm if engine else None)
        if is_log(r)
        else diagnose_recording(r, wheel, patterns, tops_deg=tops_of(engine), drive=drive_of(cam_teeth), progress=say)
        for r in recordings
    ]
    examined = [with_cylinders(e, engine) for e in examined]
    whole = cylinders_joined(joined(examined, engine), examined)
    whole = with_codes(whole, engine, codes, code_table)
    return with_causes(whole, engine, observations, tools)


def diagnose_recording(
    recording: Recording,
    wheel: WheelPattern | None,
    patterns: tuple[CamPattern, ...],
    *,
    tops_deg: Mapping[int, float] | None = None,
    drive: tuple[DriveStage, ...] = (),
    progress: Progress | None = None,
) -> Examination:
    """One recording, from samples to the verdict on each cam. The one function that every door leads to."""
    say = progress or _silent
    decoded = decode_all(recording, wheel, kinds=kinds_of(wheel, patterns), tops_deg=tops_deg, progress=say)
    say("cams", 0.8)
    pairs = assign_cams(decoded.cams, patterns, decoded.clock)
    decoded = with_cam_roles(decoded, pairs)
    cams = judged_cams(decoded, pairs, patterns) if patterns else banks_compared(decoded, drive)
    say("done", 1.0)
    verdicts = tuple(CamVerdict.of(c) for c in cams)
    diagnosis = Diagnosis(
        version=__version__,
        recordings=(recording_seen(decoded),),
        crank=crank_seen(decoded),
        cams=verdicts if patterns and verdicts else with_seen(verdicts, decoded),
    )
    return Examination(
        diagnosis=diagnosis,
        recording=decoded.recording,
        cams=cams,
        clock=decoded.clock,
        wheel=decoded.wheel,
        patterns=patterns,
        trains=dict(decoded.trains),
        edges=tuple(edges for edges, _ in pairs),
    )


def diagnose_log(
    recording: Recording,
    patterns: tuple[CamPattern, ...],
    *,
    said: Said | None = None,
    idle_rpm: float | None = None,
) -> Examination:
    """One slow log, from its columns to the verdict on each cam and the motion of each phaser."""
    found = judge_log(recording, patterns, said=said, idle_rpm=idle_rpm)
    speed = recording.with_role("log:rpm")
    rpm = speed.data.values if speed is not None and isinstance(speed.data, Readings) else np.empty(0)
    diagnosis = Diagnosis(
        version=__version__,
        recordings=(recording_part(recording, rpm[np.isfinite(rpm) & (rpm > 0.0)]),),
        cams=tuple(CamVerdict.of(c) for c in found.cams),
        phasers=tuple(PhaserPart.of(m) for m in found.phasers) or None,
    )
    return Examination(
        diagnosis=diagnosis, recording=recording, cams=found.cams, patterns=patterns, phasers=found.phasers
    )


def is_log(recording: Recording) -> bool:
    """Whether a recording is about what a module says of its cams, not about their sensors."""
    phases = any((c.role or "").startswith("log:cam_phase_") for c in recording.channels)
    return recording.kind == "log" or (phases and recording.with_role("crank") is None)
