"""What is true of a drawn recording, and whether anyone could tell it from what was recorded."""

from __future__ import annotations

import numpy as np

from outside.engines import Dict, Floats, common_repeat_deg, stage_pitches_deg, wheel_positions_deg, wheel_repeat_deg
from outside.faults import CamFault, Faults
from outside.motion import Motion
from outside.sensors import unrolled

EDGE_OF_A_CALL = 0.15 / 2  # of a tooth: "within 15 % of a half tooth from the boundary" between two calls
WANDERS_DEG = 1.5  # spread from cycle to cycle above which a loose cam is erratic; to twice that nobody is held to it


def judge_truth(
    engine: Dict,
    motion: Motion,
    faults: Faults,
    lags: dict[str, Floats],
    cuts: dict[str, tuple[float, float]],
    bias_deg: dict[str, float],
) -> Dict:
    """Truth of every recorded cam. ``bias_deg``: by how much a role's wiring hides where its edges are."""
    seen = {c: _seen_offsets_deg(engine, motion, faults, c, lags[c], cuts.get(f"cam:{c}")) for c in faults.cams}
    bias = {c: bias_deg.get("crank", 0.0) + bias_deg.get(f"cam:{c}", 0.0) for c in faults.cams}
    cams = {c: _judge_cam(engine, motion, faults, c, seen, bias[c]) for c in faults.cams}
    return {"mode": motion.mode, "cams": cams, "wheel_moved_deg": faults.wheel_moved_deg}


def _seen_offsets_deg(
    engine: Dict, motion: Motion, faults: Faults, name: str, lag: Floats, here: tuple[float, float] | None
) -> Floats:
    """(turns, edges) true minus nominal angle as seen from the crank wheel, NaN where no edge was given."""
    edges = np.array([e["deg"] for e in engine["cams"][name]["sensor"]["edges"]])
    times, _ = unrolled(motion, motion.theta_deg - lag, edges, 720.0)
    start, stop = here or (0.0, motion.duration_s)
    times[(times < start) | (times > stop)] = np.nan
    return np.interp(times, motion.times_s, lag) - faults.wheel_moved_deg


def _judge_cam(
    engine: Dict, motion: Motion, faults: Faults, name: str, seen: dict[str, Floats], bias_deg: float
) -> Dict:
    fault, offsets = faults.cams[name], seen[name]
    per_edge = [np.nanmean(c) for c in offsets.T if np.isfinite(c).any()]
    offset = float(np.mean(per_edge)) if per_edge else None
    cycles = int(np.isfinite(offsets).sum(axis=0).min()) if offsets.size else 0
    wanders = _spread_deg(offsets)
    loose = fault.motion in ("wander", "swing", "hunting")
    even = wheel_repeat_deg(engine) < 45 and len(faults.cams) == 1
    reason = _why_not(engine, motion, faults, name, seen, offset, cycles, bias_deg)
    known = offset is not None and cycles >= 2 and faults.crank_signal and not loose and bias_deg == 0 and not even
    known = known and not _another_frame(engine, faults, seen) and not _beyond_half_repeat(engine, name, offset or 0.0)
    return {
        "offset_deg": offset,
        "offset_known": bool(known),
        "teeth": fault.teeth,
        "erratic": bool(loose and wanders >= WANDERS_DEG and cycles >= 3),
        "erratic_known": bool(cycles >= 5 and faults.crank_signal and _clear_cut(loose, wanders)),
        "callable": not reason,
        "reason": reason,
        "cycles": cycles,
        "spread_deg": wanders,
        "tooth_pitch_deg": stage_pitches_deg(engine["cams"][name])[-1],
        "slip_deg": fault.slip_deg,
        "wear_deg": fault.wear_deg,
        "mounting_deg": fault.mounting_deg,
        "moves": fault.motion,
        "signal": fault.signal,
        "notes": list(fault.notes),
    }


def _clear_cut(loose: bool, spread_deg: float) -> bool:
    return spread_deg >= 2 * WANDERS_DEG if loose else True


def _spread_deg(offsets: Floats) -> float:
    """Standard deviation of the cam's place from cycle to cycle, exact."""
    cycle = np.array([row[np.isfinite(row)].mean() for row in offsets if np.isfinite(row).any()])
    return float(np.std(cycle)) if len(cycle) > 1 else 0.0


def _why_not(
    engine: Dict,
    motion: Motion,
    faults: Faults,
    name: str,
    seen: dict[str, Floats],
    offset: float | None,
    cycles: int,
    bias_deg: float,
) -> str:
    """Why no one could count this cam's teeth from this recording; empty where one could."""
    fault, cam = faults.cams[name], engine["cams"][name]
    pitch = stage_pitches_deg(cam)[-1]
    if not faults.crank_signal:
        return "no crank signal"
    if fault.signal == "lost" or offset is None:
        return "no cam signal"
    if cycles < 2:
        return "fewer than two full cycles"
    if fault.motion != "steady":
        return "erratic" if fault.motion != "controlled" else "the controller moves the phaser"
    if fault.teeth is None:
        return "slipped on an earlier stage than the one teeth are counted on"
    if faults.wheel_moved_deg:
        return "the crank reference moved: all cams off together"
    if len(faults.cams) == 1 and wheel_repeat_deg(engine) < 45:
        return "an even wheel: the cam itself is the only reference"
    if _all_alike(faults):
        return "all cams slipped alike: a moved crank wheel looks the same"
    if abs(abs(offset / pitch - fault.teeth) - 0.5) < EDGE_OF_A_CALL or abs(offset / pitch - fault.teeth) > 0.5:
        return "near the boundary between two calls"
    if abs(bias_deg) > 0.2 * pitch:
        return "polarity swapped unseen: a window's width is too much of a tooth"
    if _other_stage(cam, offset, fault):
        return "as well a slip on another stage"
    if _another_frame(engine, faults, seen) or _beyond_half_repeat(engine, name, offset):
        return "wheel or cam pattern repeats: another place fits as well"
    if abs(between_pulses_error_deg(engine, motion, cam, offset)) > 0.2 * pitch:
        return "too few crank pulses for the swing of speed"
    return ""


def _all_alike(faults: Faults) -> bool:
    steady = [f for f in faults.cams.values() if f.signal != "lost"]
    return len(steady) > 1 and len({f.teeth for f in steady}) == 1 and steady[0].teeth != 0


def _other_stage(cam: Dict, offset: float, fault: CamFault) -> bool:
    earlier = stage_pitches_deg(cam)[:-1]
    return fault.teeth != 0 and any(abs(offset - k * p) < 2.5 for p in earlier for k in range(-3, 4) if k)


def _beyond_half_repeat(engine: Dict, name: str, offset: float) -> bool:
    """Whether the cam stands so far off that its pattern, moved the other way, would need a smaller shift."""
    repeat = common_repeat_deg(engine, engine["cams"][name])
    return repeat > 45 and abs(offset) > repeat / 2 - 6  # with an even wheel the cams together decide


def _another_frame(engine: Dict, faults: Faults, seen: dict[str, Floats]) -> bool:
    """Whether turning the wheel's frame by one of its own repeats explains all cams with hardly more slipped teeth."""
    first = engine["cams"][next(iter(faults.cams))]
    repeat = wheel_repeat_deg(engine) if len(faults.cams) > 1 else common_repeat_deg(engine, first)
    pitch = {c: stage_pitches_deg(engine["cams"][c])[-1] for c in faults.cams}
    place = {c: float(np.nanmean(s)) for c, s in seen.items() if np.isfinite(s).any()}
    true_total = sum(abs(f.teeth or 0) for f in faults.cams.values())
    for m in (-3, -2, -1, 1, 2, 3):
        other = [(v + m * repeat) / pitch[c] for c, v in place.items()]
        fits = all(abs(o) < 3.5 and abs(o - round(o)) < 0.25 for o in other)
        if fits and sum(abs(round(o)) for o in other) <= true_total + 1:
            return True
    return False


def between_pulses_error_deg(engine: Dict, motion: Motion, cam: Dict, offset: float) -> float:
    """Mean error, at this cam's edges, of going straight from crank pulse to crank pulse."""
    pulses, _ = unrolled(motion, motion.theta_deg, wheel_positions_deg(engine), 360.0)
    knots = np.sort(pulses[np.isfinite(pulses)])
    edges, _ = unrolled(motion, motion.theta_deg - offset, np.array([e["deg"] for e in cam["sensor"]["edges"]]), 720.0)
    at = np.sort(edges[np.isfinite(edges)])
    at = at[(at > knots[0]) & (at < knots[-1])] if len(knots) > 1 else at[:0]
    if not len(at):
        return 0.0
    return float(np.mean(np.interp(at, knots, motion.angle_at(knots)) - motion.angle_at(at)))
