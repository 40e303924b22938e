"""From measured offsets to the verdict on each camshaft: its state, its teeth, and whether that can be said at all."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tightside.records import CamOffset, CamPattern, CamState, CycleOffsets, Floats, tooth_pitch_deg
from tightside.timing.frame import AS_READ, EITHER_WAY, Frame, frame_of
from tightside.timing.offset import lag1, robust_sd, summarise
from tightside.timing.teeth import MeasuredCam, TeethBelief, infer_teeth

CALL_AT = 0.75  # probability from which a number of teeth is called; the words say how sure
REFERENCE_OPEN = 0.2  # no slip is called while the crank reference may be what is off
REFERENCE_DOUBT = 0.05  # a slip is called, but what else it might be is said
MUST_SPEAK = 2.0  # odds that the recording itself must add: "in time" is never called from what is usual alone ...
MUST_SPEAK_UP = 4.0  # ... and more where it is the crank reference that seems off
FEWEST_CYCLES = 2
IN_TIME_DEG = 3.0  # a healthy cam stays near zero (common practice, no source)
ERRATIC_DEG = 1.3  # scatter of a loose phaser begins about here (common practice, no source)
FAR_DEG = 3.0  # a cycle this far from the middle counts as astray ...
FAR_SHARE = 0.12  # ... and so many of them make a cam erratic that is steady in between
CLOCK_FACTOR = 3.0  # what the crank clock's own error between teeth may add
STRAY_DEG = 4.0  # beyond its stops by mounting and wear
FEW_CYCLES = 12  # among so few, two astray are enough
CRANKING_RPM, DRIVING_RPM = 400.0, 1400.0
FITTING = 0.5  # share of the expected edges that must be found
FEW_EDGES, FITTING_FEW = 5, 0.7  # a coil's few like edges match almost anything: more of them must
BELONGING = 0.22  # share of the edges offered that must belong: a loose cam's own stray too, so few may
PART_CYCLES, WHOLE = 4, 0.8  # a signal that comes and goes is judged by so many cycles in which it was all there
PART_LEAST = 0.15  # ... and so large a share of all; with less it counts as lost
PART_SHARE = 0.6  # below this share of the cycles it is said
TOO_WIDE = 0.7  # of a tooth: an interval so wide names none
SEEN_SHARE = 0.3  # below this share of its edges a signal counts as lost


@dataclass(frozen=True, slots=True)
class CamEvidence:
    """What is judged of one cam.

    ``signal`` says in words what is wrong where the sensor gives none; ``doubt`` why what it gives cannot be trusted.
    """

    pattern: CamPattern
    offsets: CycleOffsets
    signal: str = ""
    clock_error_deg: float = 0.0
    cycles_watched: float = 0.0  # engine cycles on the clock
    doubt: str = ""


def judge_cams(
    cams: tuple[CamEvidence, ...], repeat_deg: float, crank_turned_deg: tuple[float, ...] = ()
) -> tuple[CamOffset, ...]:
    """Verdict on every cam, all of them weighed together where they share the crank reference.

    Parameters
    ----------
    repeat_deg : float
        The crank wheel's smallest turn onto itself. [deg]
    crank_turned_deg : tuple of float
        How much too late every cam seems, should the crank signal be upside down: one value for each way. [deg]
    """
    cams = tuple(_steadier(cam) for cam in cams)
    states = [_motion(cam) for cam in cams]
    steady = [i for i, state in enumerate(states) if state == "steady"]
    found = infer_teeth(tuple(_measured(cams[i]) for i in steady), repeat_deg, crank_turned_deg)
    beliefs = dict(zip(steady, found, strict=True))
    frame = frame_of(found[0], repeat_deg, crank_turned_deg) if found else AS_READ
    return tuple(
        _verdict(replace(cam, offsets=frame.seen(cam.offsets, beliefs.get(i))), state, beliefs.get(i), frame)
        for i, (cam, state) in enumerate(zip(cams, states, strict=True))
    )


def _steadier(cam: CamEvidence) -> CamEvidence:
    """A coil read upside down where it holds its place only so: the blunt side of a tooth wanders."""
    turned = cam.offsets.turned
    if turned is None or cam.pattern.kind != "vr" or _motion(cam) == "steady":
        return cam
    other = replace(cam, offsets=replace(turned, turned=replace(cam.offsets, turned=None)))
    return other if _motion(other) == "steady" else cam


def _measured(cam: CamEvidence) -> MeasuredCam:
    mean, interval, _ = summarise(cam.offsets)
    turned = cam.offsets.turned
    return MeasuredCam(
        pattern=cam.pattern,
        offset_deg=mean,
        sd_deg=(interval[1] - interval[0]) / 3.92,
        cranking=is_cranking(cam.offsets),
        driving=bool(np.median(cam.offsets.rpm) > DRIVING_RPM),
        turned_deg=summarise(turned)[0] if turned is not None and _is_usable(cam, turned) else None,
    )


def _is_usable(cam: CamEvidence, turned: CycleOffsets) -> bool:
    """Whether the signal read upside down would be a steady cam too."""
    return (
        turned.cycles >= FEWEST_CYCLES
        and _fits(replace(cam, offsets=turned))
        and not is_erratic(turned.offset_deg, cam.clock_error_deg)
    )


def _fits(cam: CamEvidence) -> bool:
    """Whether most edges found their place, and most places an edge: else it is another pattern, or no clean signal."""
    offsets, nominal = cam.offsets, len(cam.pattern.edges_deg)
    both = len(set(cam.pattern.rising.tolist())) == 2
    offered = offsets.edges_total if both else offsets.edges_total / 2
    fitting = FITTING_FEW if nominal <= FEW_EDGES and not both else FITTING
    cycles = min(offsets.cycles, max(cam.cycles_watched, 1.0))  # the first and the last are seen in part
    return offsets.edges_seen >= max(fitting * cycles * nominal, BELONGING * offered)


def _is_whole(cam: CamEvidence) -> bool:
    """Whether a signal that was there for a part of the time was all there in that part."""
    offsets = cam.offsets
    enough = offsets.cycles >= max(PART_CYCLES, PART_LEAST * cam.cycles_watched)
    return enough and offsets.edges_seen >= WHOLE * offsets.cycles * len(cam.pattern.edges_deg)


def is_cranking(offsets: CycleOffsets) -> bool:
    """Whether the starter turned the engine: most cycles slower than any engine idles."""
    return bool(len(offsets.rpm) and np.median(offsets.rpm) < CRANKING_RPM)


def _motion(cam: CamEvidence) -> str:
    """ "lost", "few", "erratic", "moving" or "steady"."""
    offsets = cam.offsets
    expected = cam.cycles_watched * len(cam.pattern.edges_deg)
    if cam.signal:
        return "lost"
    if cam.cycles_watched >= FEWEST_CYCLES and offsets.edges_seen < SEEN_SHARE * expected and not _is_whole(cam):
        return "lost" if offsets.edges_total < SEEN_SHARE * expected else "few"
    if offsets.cycles < FEWEST_CYCLES or cam.doubt or not _fits(cam):
        return "few"
    x = offsets.offset_deg
    if not is_erratic(x, cam.clock_error_deg):
        return "steady"
    return "moving" if is_moving(x) and _could_be_told(x, cam.pattern) else "erratic"


def _could_be_told(offset_deg: Floats, pattern: CamPattern) -> bool:
    """Whether a phaser that is told to could stand everywhere the cam stood; True where its travel is not known."""
    reach = pattern.phaser_authority_deg
    away = -offset_deg if pattern.phaser_advances else offset_deg
    return reach <= 0.0 or bool(away.min() > -STRAY_DEG and away.max() < reach + STRAY_DEG)


def is_erratic(offset_deg: Floats, clock_error_deg: float = 0.0) -> bool:
    """Whether the offset jumps about more than a sound drive lets it, or strays from its place too often."""
    if len(offset_deg) == 0:
        return False
    limit = float(np.hypot(ERRATIC_DEG, CLOCK_FACTOR * clock_error_deg))
    if max(robust_sd(offset_deg), _wide_sd(offset_deg)) > limit:
        return True
    far = np.abs(offset_deg - np.median(offset_deg)) > max(FAR_DEG, 2.0 * limit)
    return bool(far.sum() >= (2 if len(offset_deg) < FEW_CYCLES else 3) and far.mean() >= FAR_SHARE)


def _wide_sd(x: Floats) -> float:
    """Standard deviation of a normal whose middle eight tenths span as much: sees what mostly rests on a stop."""
    low, high = np.quantile(x, (0.1, 0.9))
    return float(high - low) / 2.563  # of a normal, by its quantile function


def is_moving(offset_deg: Floats) -> bool:
    """Whether it goes smoothly from one place to another, as a phaser does that is told to."""
    if len(offset_deg) < 8 or lag1(offset_deg) < 0.8:
        return False
    step = robust_sd(np.diff(offset_deg))
    span = float(np.ptp(offset_deg))
    head, tail = np.median(offset_deg[:3]), np.median(offset_deg[-3:])
    return bool(abs(head - tail) > 0.7 * span and step < 0.12 * span)


def _verdict(cam: CamEvidence, motion: str, belief: TeethBelief | None, frame: Frame) -> CamOffset:
    offsets = cam.offsets
    mean = interval = scatter = None
    if motion not in ("lost", "few") and offsets.cycles:
        mean, interval, scatter = summarise(offsets)
    state, call, notes = _state(cam, motion, belief, mean, interval)
    if interval is not None:
        interval = frame.widened(interval, offsets, belief)
        if call is None and state == "in time" and _is_wide(interval, belief):
            state = "not enough data"
    return CamOffset(
        cam=cam.pattern.cam,
        column=offsets.column,
        state=state,
        reference=cam.pattern.reference,
        edges_per_cycle=offsets.edges_per_cycle or len(cam.pattern.edges_deg),
        cycles=offsets.cycles,
        offset_deg=mean,
        ci95_deg=interval,
        scatter_deg=scatter,
        tooth_pitch_deg=belief.pitch_deg if belief else _pitch(cam.pattern),
        teeth=tuple(sorted(belief.probability.items())) if belief else (),
        teeth_call=call,
        teeth_stage=belief.stage if belief and belief.pitch_deg else None,
        edge_angles_deg=tuple(float(a) for a in offsets.edge_angles_deg if np.isfinite(a)),
        cycle_times_s=offsets.times_s,
        cycle_offset_deg=offsets.offset_deg,
        cycle_rpm=offsets.rpm,
        drift_deg_per_krpm=_slope(offsets.rpm / 1000.0, offsets.offset_deg) if motion == "steady" else None,
        drift_deg_per_s=_slope(offsets.times_s, offsets.offset_deg) if motion == "steady" else None,
        notes=(*_signal_notes(cam), *notes, *(frame.notes(offsets, belief) if interval else ())),
    )


def _pitch(pattern: CamPattern) -> float | None:
    return tooth_pitch_deg(pattern.stages) if pattern.stages else None


def _signal_notes(cam: CamEvidence) -> tuple[str, ...]:
    notes = [cam.signal] if cam.signal else []
    if cam.offsets.inverted:
        notes.append("the signal is upside down against the engine file: it was turned over")
    if cam.offsets.cycles and cam.offsets.cycles < PART_SHARE * cam.cycles_watched:
        notes.append(f"the signal came and went: {cam.offsets.cycles} of {cam.cycles_watched:.0f} engine cycles had it")
    return tuple(notes)


def _state(
    cam: CamEvidence,
    motion: str,
    belief: TeethBelief | None,
    mean: float | None,
    interval: tuple[float, float] | None,
) -> tuple[CamState, int | None, tuple[str, ...]]:
    if motion == "lost":
        return "no signal", None, ()
    if motion == "few" and (cam.doubt or not _fits(cam)):
        return "not enough data", None, (cam.doubt or "its edges do not fit its pattern: noise, or another cam wheel",)
    if motion == "few" or mean is None or interval is None:
        return (
            "not enough data",
            None,
            (f"{cam.offsets.cycles} usable engine cycles; at least {FEWEST_CYCLES} are needed",),
        )
    if motion == "erratic":
        return "erratic", None, ()
    if motion == "moving":
        return (
            "off, not by a whole tooth",
            None,
            ("it moved smoothly while recorded, as a phaser does that is told to",),
        )
    return _steady_state(belief, mean, interval)


def is_sure(belief: TeethBelief, teeth: int) -> bool:
    """Whether so many teeth may be called."""
    open_reference = belief.reference_lost > REFERENCE_OPEN
    if belief.spoken < (MUST_SPEAK_UP if open_reference else MUST_SPEAK):
        return False
    return belief.probability[teeth] >= CALL_AT and not (open_reference and teeth != 0)


def _steady_state(
    belief: TeethBelief | None, mean: float, interval: tuple[float, float]
) -> tuple[CamState, int | None, tuple[str, ...]]:
    near = abs(mean) <= IN_TIME_DEG or interval[0] * interval[1] <= 0.0
    if _is_wide(interval, belief):
        return "not enough data", None, ("where it stands is too unsure to name a tooth",)
    if belief is None or belief.pitch_deg is None:
        return ("in time" if near else "off, not by a whole tooth"), None, ("the drive's sprockets are not known",)
    call = max(belief.probability, key=lambda k: belief.probability[k])
    sure = is_sure(belief, call)
    if sure and call != 0:
        return "slipped", call, _beside(belief)
    if sure:
        lost = (
            ("all cams are off alike: the crank reference is off, not the chain",)
            if belief.reference_lost > 0.5
            else ()
        )
        return ("in time" if near else "off, not by a whole tooth"), 0, lost
    if near and call == 0:
        return "in time", None, ()
    whole = belief.pitch_deg * round(mean / belief.pitch_deg)
    if whole and abs(mean - whole) < 0.2 * belief.pitch_deg:
        return "not enough data", None, _why_open(belief)
    return "off, not by a whole tooth", None, ()


def _is_wide(interval: tuple[float, float], belief: TeethBelief | None) -> bool:
    """Whether an interval holds so much of a tooth that none can be named."""
    return bool(belief and belief.pitch_deg and interval[1] - interval[0] > TOO_WIDE * belief.pitch_deg)


def _beside(belief: TeethBelief) -> tuple[str, ...]:
    """What a called slip leaves open."""
    notes = []
    if belief.other_stage > 0.1:
        notes.append("which stage of the drive slipped cannot be told")
    if belief.reference_lost > REFERENCE_DOUBT:
        notes.append("no cam in time stands beside it: a crank wheel that is off by as much would look the same")
    return tuple(notes)


def _why_open(belief: TeethBelief) -> tuple[str, ...]:
    """Why a cam that is off by about a whole tooth is not called: what else would look the same."""
    if EITHER_WAY < belief.turned < 1.0 - EITHER_WAY:
        return ()  # said beside the interval
    if belief.reference_lost > REFERENCE_OPEN:
        return ("off by about a whole tooth, but a crank reference that is off would look the same: check it first",)
    return ("off by about a whole tooth, but a phaser that is not parked or another stage would look the same",)


def _slope(x: Floats, y: Floats) -> float | None:
    """Least-squares slope where it stands out from its own error, else None."""
    n = len(x)
    if n < 8 or float(np.ptp(x)) <= 0.0:
        return None
    dx, dy = x - x.mean(), y - y.mean()
    power = float(dx @ dx)
    slope = float(dx @ dy) / power
    left = dy - slope * dx
    error = (float(left @ left) / (n - 2) / power) ** 0.5
    return slope if abs(slope) > 3.0 * error else None
