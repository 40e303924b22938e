"""The whole way, on one screen: recording -> edges -> crank clock -> cam offsets -> verdict.

Rooms meet here and nowhere else. Nothing below this file prints, asks the clock or reads the environment.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from tightside import __version__
from tightside.causes.evidence import Known
from tightside.causes.infer import Cause
from tightside.causes.next_tests import Suggestion
from tightside.causes.numbers import PRACTICE
from tightside.causes.observations import Observations
from tightside.causes.tools import known_tools
from tightside.causes.weigh import judge_causes
from tightside.codes.read import read_codes
from tightside.codes.together import codes_alone, read_together
from tightside.diagnosis import (
    CamSeen,
    CamVerdict,
    CausePart,
    CodePart,
    CodeSetPart,
    CrankPart,
    Diagnosis,
    EvidencePart,
    Examination,
    PhaserPart,
    RecordingPart,
    TestPart,
)
from tightside.engine.model import Engine
from tightside.engine.patterns import cam_patterns, drive_stages, wheel_pattern
from tightside.errors import UsageError
from tightside.per_cylinder import cylinders_joined, with_cylinders
from tightside.recordings.registry import read_recording
from tightside.records import (
    OTHER_BANK,
    CamEdges,
    CamOffset,
    CamPattern,
    CodeFinding,
    DriveStage,
    EdgeTrain,
    PhaserMotion,
    Readings,
    Recording,
    SensorKind,
    WheelPattern,
)
from tightside.report.contents import recording_part
from tightside.report.text import with_words
from tightside.signals.clock import rpm_of
from tightside.signals.decode import Decoded
from tightside.signals.other_roles import decode_all
from tightside.signals.upside_down import angle_too_large_deg
from tightside.timing.assign import assign_cams
from tightside.timing.banks import judge_banks
from tightside.timing.judge import CamEvidence, judge_cams
from tightside.timing.learn import learn_patterns, seen_angles
from tightside.timing.log_convention import Said
from tightside.timing.log_judge import judge_log
from tightside.timing.offset import measure_cams

LOG_WORTH = 0.01  # of a log's reading, beside an engine cycle of a sensor recording
APART_DEG = 2.0  # two recordings of one cam may differ by so much more than their intervals: phasers move

Progress = Callable[[str, float], None]
Paths = Sequence[str | os.PathLike[str]]


def _silent(_what: str, _share: float) -> None:
    pass


Read = Callable[..., Recording]


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
        decoded = decode_all(recording, wheel, kinds=_kinds(wheel, patterns), tops_deg=_tops(engine), progress=say)
        decoded = _with_cam_roles(decoded, assign_cams(decoded.cams, patterns, decoded.clock))
        parts.append(_recording_part(decoded))
        crank = crank or _crank_part(decoded)
        cams = cams or _cams_seen(decoded)
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
    wheel, patterns = _reference(engine, reference, cam_teeth, read)
    examined = [
        diagnose_log(r, _log_patterns(r, engine, cam_teeth), said=phase, idle_rpm=engine.idle_rpm if engine else None)
        if _is_log(r)
        else diagnose_recording(r, wheel, patterns, tops_deg=_tops(engine), drive=_drive(cam_teeth), progress=say)
        for r in recordings
    ]
    examined = [with_cylinders(e, engine) for e in examined]
    joined = cylinders_joined(_joined(examined, engine), examined)
    whole = _coded(joined, engine, codes, code_table)
    return _caused(whole, engine, observations, tools)


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
    decoded = decode_all(recording, wheel, kinds=_kinds(wheel, patterns), tops_deg=tops_deg, progress=say)
    say("cams", 0.8)
    pairs = assign_cams(decoded.cams, patterns, decoded.clock)
    decoded = _with_cam_roles(decoded, pairs)
    cams = _judged(decoded, pairs, patterns) if patterns else _banks_compared(decoded, drive)
    say("done", 1.0)
    verdicts = tuple(CamVerdict.of(c) for c in cams)
    diagnosis = Diagnosis(
        version=__version__,
        recordings=(_recording_part(decoded),),
        crank=_crank_part(decoded),
        cams=verdicts if patterns and verdicts else _with_seen(verdicts, decoded),
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


def _is_log(recording: Recording) -> bool:
    """Whether a recording is about what a module says of its cams, not about their sensors."""
    phases = any((c.role or "").startswith("log:cam_phase_") for c in recording.channels)
    return recording.kind == "log" or (phases and recording.with_role("crank") is None)


def _log_patterns(recording: Recording, engine: Engine | None, cam_teeth: int | None) -> tuple[CamPattern, ...]:
    """Drive and phaser of each cam that a log can be about; a module sees cams of which the file gives no sensor."""
    none = np.empty(0)
    if engine is not None:
        known = {p.cam: p for p in cam_patterns(engine)}
        for name, cam in engine.cams.items():
            reach, advances = (
                (cam.phaser.authority_deg, cam.phaser.direction == "advance") if cam.phaser else (0.0, True)
            )
            bare = CamPattern(name, none, none > 0, drive_stages(cam), reach, advances)
            known.setdefault(name, bare)
        return tuple(known.values())
    named = {
        c.role.rsplit(":", 1)[1] for c in recording.channels if (c.role or "").startswith("log:cam_phase_") and c.role
    }
    return tuple(CamPattern(cam, none, none > 0, _drive(cam_teeth), reference="log") for cam in sorted(named))


def _tops(engine: Engine | None) -> dict[int, float]:
    """Cylinder to the crank angle of its compression top, as far as the engine file says."""
    if engine is None or not engine.crank_sensor.finds_top:
        return {}
    return {n: engine.firing_angle_deg(n) for n in engine.firing_order}


def _with_cam_roles(decoded: Decoded, pairs: tuple[tuple[CamEdges, CamPattern], ...]) -> Decoded:
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


def _banks_compared(decoded: Decoded, drive: tuple[DriveStage, ...]) -> tuple[CamOffset, ...]:
    """Without engine data and reference: banks with the same cam wheel, held against each other."""
    if decoded.clock is None or not _turn_known(decoded):
        return ()
    return judge_banks(tuple(c for c in decoded.cams if len(c.times_s) >= 4), decoded.clock, drive)


def _with_seen(judged: tuple[CamVerdict, ...], decoded: Decoded) -> tuple[CamVerdict | CamSeen, ...]:
    """The cams that were compared, and what is seen of the others."""
    done = {c.column for c in judged}
    return (*judged, *(c for c in _cams_seen(decoded) if c.column not in done))


def _kinds(wheel: WheelPattern | None, patterns: tuple[CamPattern, ...]) -> dict[str, SensorKind]:
    """Role to sensor kind, as far as the engine file says."""
    kinds = {f"cam:{p.cam}": p.kind for p in patterns if p.kind is not None}
    return kinds | ({"crank": wheel.kind} if wheel is not None and not wheel.learned else {})


def _judged(
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


def _reference(
    engine: Engine | None,
    reference: str | os.PathLike[str] | None,
    cam_teeth: int | None,
    read: Read,
) -> tuple[WheelPattern | None, tuple[CamPattern, ...]]:
    """What the cams are held against: an engine file, or a recording known to be good."""
    if engine is not None and reference is None:
        return wheel_pattern(engine), cam_patterns(engine)
    if reference is None:
        return None, ()
    wheel = wheel_pattern(engine) if engine is not None else None
    good = decode_all(read(reference), wheel, tops_deg=_tops(engine))
    if good.wheel is None:
        raise UsageError(
            code="reference-unusable",
            what=f"{os.fspath(reference)} cannot serve as reference",
            got="; ".join(good.faults),
        )
    stages = {p.cam: p for p in cam_patterns(engine)} if engine is not None else {}
    learned = learn_patterns(good.cams, _drive(cam_teeth), f"recording {Path(reference).name}")
    kept = tuple(replace(p, stages=stages[p.cam].stages) if p.cam in stages else p for p in learned)
    return replace(good.wheel, position_known=True), kept


def _drive(cam_teeth: int | None) -> tuple[DriveStage, ...]:
    """A single stage of ratio two, of which only the cam sprocket is known."""
    return (DriveStage(driver_teeth=cam_teeth // 2, driven_teeth=cam_teeth),) if cam_teeth else ()


def _recording_part(decoded: Decoded) -> RecordingPart:
    rpm = rpm_of(decoded.clock) if decoded.clock is not None and _turn_known(decoded) else np.empty(0)
    return recording_part(decoded.recording, rpm, (*decoded.notes, *decoded.faults))


def _crank_part(decoded: Decoded) -> CrankPart | None:
    wheel, track = decoded.wheel, decoded.track
    if decoded.crank_column is None or wheel is None or track is None:
        return None
    turns = sum(float(np.ptp(track.turn_deg[track.segment == s])) for s in np.unique(track.segment)) / 360.0
    learned, known = decoded.learned, _turn_known(decoded)
    return CrankPart(
        column=decoded.crank_column,
        wheel=wheel.name if known else None,
        pulses_per_revolution=wheel.pulses_per_revolution if known else None,
        learned=wheel.learned,
        turn_certain=learned is None or learned.turn_certain,
        pulses_per_repeat=len(learned.shape.gaps) if learned is not None else None,
        could_be=learned.could_be if learned is not None and not learned.turn_certain else (),
        revolutions=round(turns, 2) if known else None,
        faults=decoded.faults,
        missed_pulses=track.missed,
        extra_pulses=track.extra,
    )


def _turn_known(decoded: Decoded) -> bool:
    """Whether it is known what a turn is: a learned pattern can be one of several parts of it."""
    return decoded.learned is None or decoded.learned.turns.likely


def _cams_seen(decoded: Decoded) -> tuple[CamSeen, ...]:
    out = []
    for edges, cycle in zip(decoded.cams, decoded.cycles, strict=True):
        angles, rising, _ = seen_angles(edges)
        watched = float(np.ptp(edges.angle_deg)) / 720.0 if len(edges.angle_deg) else 0.0
        pulses = int(max(rising.sum(), (~rising).sum())) if len(rising) else (cycle[1] if cycle else 0)
        out.append(
            CamSeen(
                cam=edges.cam,
                column=edges.column,
                edges_per_cycle=len(angles),
                pulses_per_cycle=pulses,
                cycles=int(watched),
                edge_angles_deg=tuple(float(a) for a in angles),
            )
        )
    return tuple(out)


def _joined(examined: list[Examination], engine: Engine | None) -> Examination:
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


# -------------------------------------------------------------------------------------------------------------- codes


def _coded(
    whole: Examination, engine: Engine | None, codes: Sequence[str], table: Mapping[str, CodeFinding] | None
) -> Examination:
    """The examination with what the trouble codes say, each and together."""
    if not codes:
        return whole
    found = read_codes(codes, table)
    together = read_together(found, {str(b): c for b, c in engine.banks.items()} if engine is not None else None)
    if not whole.diagnosis.recordings:
        together = (*together, codes_alone(found))
    told = whole.diagnosis.model_copy(
        update={
            "codes": tuple(CodePart.of(c) for c in found),
            "code_sets": tuple(CodeSetPart.of(s) for s in together) or None,
        }
    )
    return replace(whole, diagnosis=told, codes=found, code_sets=together)


# ------------------------------------------------------------------------------------------------------------- causes


def _caused(
    whole: Examination, engine: Engine | None, observations: Observations | None, tools: Sequence[str] | None
) -> Examination:
    """The examination with its causes and the tests worth doing next, where there is anything to weigh."""
    seen = observations or Observations()
    whole = replace(whole, cams=tuple(c for c in whole.cams if not _only_compared(c)))
    if not (whole.cams or whole.phasers or whole.codes or seen.any_given):
        return whole
    found = judge_causes(_known(whole, engine, seen), known_tools(tools) if tools is not None else None)
    told = whole.diagnosis.model_copy(
        update={
            "causes": tuple(_cause_part(c, found.changes) for c in found.causes),
            "conflicts": found.conflict.odd or None,
            "next_tests": tuple(_test_part(t) for t in found.tests) or None,
            "verdict": None,
            "cautions": None,
        }
    )
    return replace(whole, diagnosis=with_words(told))


def _only_compared(cam: CamOffset) -> bool:
    """Whether a cam was held against the other bank and shows nothing by itself: that speaks for no cause."""
    return cam.reference.startswith(OTHER_BANK) and cam.state == "not enough data"


def _known(whole: Examination, engine: Engine | None, seen: Observations) -> Known:
    crank = whole.diagnosis.crank
    pulses = (crank.pulses_per_revolution or 0) * (crank.revolutions or 0.0) if crank and whole.cams else 0.0
    return Known(
        cams=whole.cams,
        patterns=whole.patterns,
        phasers=whole.phasers,
        codes=whole.codes,
        codes_read=bool(seen.codes_read),
        crank_odd_share=(crank.missed_pulses + crank.extra_pulses) / pulses if crank and pulses else None,
        observations=seen,
        cylinder_banks={c: str(b) for b, mine in engine.banks.items() for c in mine} if engine is not None else {},
    )


def _cause_part(found: Cause, changes: Mapping[str, str]) -> CausePart:
    return CausePart(
        cause=found.cause,
        cam=found.cam,
        probability=found.probability,
        present=found.present,
        because=tuple(r.text for r in found.reasons if r.decibans > 0.0),
        evidence=tuple(EvidencePart(text=r.text, decibans=round(r.decibans, 1)) for r in found.reasons),
        would_change=changes.get(found.cam or "", ""),
    )


def _test_part(found: Suggestion) -> TestPart:
    return TestPart(
        test=found.text,
        minutes=found.minutes,
        why=found.why,
        expected_gain=round(found.expected_gain_min, 1),
        source=f"worth by the cause network; minutes are {PRACTICE}",
        tools=found.test.tools,
        cautions=found.test.cautions,
    )
