"""From measured offsets to the verdict on each camshaft: its state, its teeth, and whether that can be said at all."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tightside.records import CamOffset, CamPattern, CamState, CycleOffsets, Floats, tooth_pitch_deg
from tightside.timing.offset import lag1, robust_sd, summarise
from tightside.timing.teeth import MeasuredCam, TeethBelief, infer_teeth

CALL_AT = 0.9  # probability from which a number of teeth is called
FEWEST_CYCLES = 2
IN_TIME_DEG = 3.0  # a healthy cam stays near zero (common practice, no source)
ERRATIC_DEG = 1.3  # scatter of a loose phaser begins about here (common practice, no source)
FAR_DEG = 3.0  # a cycle this far from the middle counts as astray ...
FAR_SHARE = 0.12  # ... and so many of them make a cam erratic that is steady in between
CRANKING_RPM = 400.0
FITTING = 0.5  # share of the expected edges that must be found
FEW_EDGES, FITTING_FEW = 5, 0.7  # a coil's few like edges match almost anything: more of them must
BELONGING = 0.22  # share of the edges offered that must belong: a loose cam's own stray too, so few may
MANY_FOLD_DEG = 90.0  # a wheel that reads the same so soon leaves its place to the cams
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


def judge_cams(cams: tuple[CamEvidence, ...], repeat_deg: float) -> tuple[CamOffset, ...]:
    """Verdict on every cam, all of them weighed together where they share the crank reference.

    Parameters
    ----------
    repeat_deg : float
        The crank wheel's smallest turn onto itself. [deg]
    """
    states = [_motion(cam) for cam in cams]
    steady = [i for i, state in enumerate(states) if state == "steady"]
    measured = []
    for i in steady:
        mean, interval, _ = summarise(cams[i].offsets)
        measured.append(
            MeasuredCam(cams[i].pattern, mean, (interval[1] - interval[0]) / 3.92, is_cranking(cams[i].offsets))
        )
    beliefs = dict(zip(steady, infer_teeth(tuple(measured), repeat_deg), strict=True))
    if beliefs:
        cams = _replaced(cams, beliefs[steady[0]].reference_deg, repeat_deg)
    return tuple(_verdict(cam, state, beliefs.get(i)) for i, (cam, state) in enumerate(zip(cams, states, strict=True)))


def _replaced(cams: tuple[CamEvidence, ...], reference_deg: float, repeat_deg: float) -> tuple[CamEvidence, ...]:
    """The cams moved to the place of a many-fold wheel that explains them best; place was a guess until now."""
    turns = round(reference_deg / repeat_deg) if repeat_deg < MANY_FOLD_DEG else 0
    if turns == 0:
        return cams
    shift = turns * repeat_deg
    return tuple(
        replace(
            cam,
            offsets=replace(
                cam.offsets,
                offset_deg=cam.offsets.offset_deg - shift,
                edge_offset_deg=cam.offsets.edge_offset_deg - shift,
                edge_angles_deg=cam.offsets.edge_angles_deg - shift,
            ),
        )
        for cam in cams
    )


def _fits(cam: CamEvidence) -> bool:
    """Whether most edges found their place, and most places an edge: else it is another pattern, or no clean signal."""
    offsets, nominal = cam.offsets, len(cam.pattern.edges_deg)
    both = len(set(cam.pattern.rising.tolist())) == 2
    offered = offsets.edges_total if both else offsets.edges_total / 2
    fitting = FITTING_FEW if nominal <= FEW_EDGES and not both else FITTING
    return offsets.edges_seen >= max(fitting * offsets.cycles * nominal, BELONGING * offered)


def is_cranking(offsets: CycleOffsets) -> bool:
    """Whether the starter turned the engine: most cycles slower than any engine idles."""
    return bool(len(offsets.rpm) and np.median(offsets.rpm) < CRANKING_RPM)


def _motion(cam: CamEvidence) -> str:
    """ "lost", "few", "erratic", "moving" or "steady"."""
    offsets = cam.offsets
    expected = cam.cycles_watched * len(cam.pattern.edges_deg)
    if cam.signal:
        return "lost"
    if cam.cycles_watched >= FEWEST_CYCLES and offsets.edges_seen < SEEN_SHARE * expected:
        return "lost" if offsets.edges_total < SEEN_SHARE * expected else "few"
    if offsets.cycles < FEWEST_CYCLES or cam.doubt or not _fits(cam):
        return "few"
    x = offsets.offset_deg
    if not is_erratic(x, cam.clock_error_deg):
        return "steady"
    return "moving" if is_moving(x) else "erratic"


def is_erratic(offset_deg: Floats, clock_error_deg: float = 0.0) -> bool:
    """Whether the offset jumps about more than a sound drive lets it, or strays from its place too often."""
    limit = float(np.hypot(ERRATIC_DEG, 4.0 * clock_error_deg))
    if robust_sd(offset_deg) > limit:
        return True
    far = np.abs(offset_deg - np.median(offset_deg)) > max(FAR_DEG, 2.0 * limit)
    return bool(far.sum() >= 3 and far.mean() >= FAR_SHARE)


def is_moving(offset_deg: Floats) -> bool:
    """Whether it goes smoothly from one place to another, as a phaser does that is told to."""
    if len(offset_deg) < 8 or lag1(offset_deg) < 0.8:
        return False
    step = robust_sd(np.diff(offset_deg))
    span = float(np.ptp(offset_deg))
    head, tail = np.median(offset_deg[:3]), np.median(offset_deg[-3:])
    return bool(abs(head - tail) > 0.7 * span and step < 0.12 * span)


def _verdict(cam: CamEvidence, motion: str, belief: TeethBelief | None) -> CamOffset:
    offsets = cam.offsets
    mean = interval = scatter = None
    if motion not in ("lost", "few") and offsets.cycles:
        mean, interval, scatter = summarise(offsets)
    state, call, notes = _state(cam, motion, belief, mean, interval)
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
        notes=(*_signal_notes(cam), *notes),
    )


def _pitch(pattern: CamPattern) -> float | None:
    return tooth_pitch_deg(pattern.stages) if pattern.stages else None


def _signal_notes(cam: CamEvidence) -> tuple[str, ...]:
    notes = [cam.signal] if cam.signal else []
    if cam.offsets.inverted:
        notes.append("the signal is upside down against the engine file: it was turned over")
    if not cam.offsets.place_certain:
        notes.append("which turn of the cycle it is cannot be told for sure from these cams")
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


def _steady_state(
    belief: TeethBelief | None, mean: float, interval: tuple[float, float]
) -> tuple[CamState, int | None, tuple[str, ...]]:
    near = abs(mean) <= IN_TIME_DEG or interval[0] * interval[1] <= 0.0
    if belief is None or belief.pitch_deg is None:
        return ("in time" if near else "off, not by a whole tooth"), None, ("the drive's sprockets are not known",)
    call = max(belief.probability, key=lambda k: belief.probability[k])
    sure = belief.probability[call] >= CALL_AT
    if sure and call != 0:
        other = 0.1 < belief.first_stage < 0.9
        return "slipped", call, ("which stage of the drive slipped cannot be told",) if other else ()
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
        return (
            "not enough data",
            None,
            ("off by about a whole tooth, but a crank reference that is off would look the same: check it first",),
        )
    return "off, not by a whole tooth", None, ()


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
