# mypy: disable-error-code="no-any-return"
"""What is wrong with the camshafts: for each, its lag behind the crank as a function of time. Positive late."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator

from outside.engines import Dict, Floats, pick, stage_pitches_deg
from outside.motion import Motion, drift


@dataclass(frozen=True)
class CamFault:
    """How one cam sits and moves. ``teeth`` counts on the last stage; None where an earlier stage slipped."""

    teeth: int | None = 0
    slip_deg: float = 0.0
    wear_deg: float = 0.0
    mounting_deg: float = 0.0
    motion: str = "steady"  # steady | wander | swing | hunting | controlled
    signal: str = "good"  # good | lost | part | leaves
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Faults:
    """All cams, and how far the crank wheel (or its sensor) sits from where the engine file says."""

    cams: dict[str, CamFault]
    wheel_moved_deg: float = 0.0
    crank_signal: bool = True
    notes: list[str] = field(default_factory=list)


def _slipped(rng: Generator, cam: Dict, fault: CamFault, teeth: int) -> CamFault:
    pitches = stage_pitches_deg(cam)
    if len(pitches) > 1 and rng.random() < 0.4:
        note = f"slipped {teeth:+d} on the first stage"
        return replace(fault, teeth=None, slip_deg=teeth * pitches[0], notes=(*fault.notes, note))
    return replace(fault, teeth=teeth, slip_deg=teeth * pitches[-1], notes=(*fault.notes, f"slipped {teeth:+d}"))


def draw_teeth(rng: Generator) -> int:
    size = int(pick(rng, [1, 2, 3], [0.6, 0.27, 0.13]))
    return size if rng.random() < 0.7 else -size


def _loose(rng: Generator, fault: CamFault) -> CamFault:
    motion = pick(rng, ["wander", "swing", "hunting"])
    return replace(fault, motion=motion, notes=(*fault.notes, f"loose phaser: {motion}"))


def _worn(rng: Generator, cams: dict[str, CamFault], names: list[str], most_deg: float = 5.0) -> None:
    wear = float(rng.uniform(0.5, most_deg))
    for name in names:
        shown = wear * float(rng.uniform(0.9, 1.1))
        cams[name] = replace(cams[name], wear_deg=shown, notes=(*cams[name].notes, f"chain worn {shown:.1f} deg"))


SCENES = {
    "healthy": 0.29,
    "slip": 0.24,
    "slip of a bank": 0.06,
    "wear": 0.09,
    "slip and wear": 0.05,
    "loose": 0.09,
    "controlled": 0.03,
    "wheel moved": 0.03,
    "all slipped": 0.02,
    "lost": 0.03,
    "lost for a time": 0.03,
    "mixed": 0.035,
    "no crank": 0.005,
}


def draw_faults(rng: Generator, engine: Dict, recorded: list[str], motion: Motion, scene: str | None = None) -> Faults:
    """Draw one scene and what it does to each recorded cam."""
    scene = scene or pick(rng, list(SCENES), list(SCENES.values()))
    tolerance = 0.7
    cams = {c: CamFault(mounting_deg=float(np.clip(rng.normal(0, tolerance), -2, 2))) for c in recorded}
    drives, wheel = engine["cams"], 0.0
    phased = [c for c in recorded if "phaser" in drives[c]]
    one = pick(rng, phased if phased and scene in ("loose", "controlled") else recorded)
    bank = [c for c in recorded if c[0] == one[0]]
    teeth = draw_teeth(rng)
    if scene in ("slip", "slip and wear"):
        cams[one] = _slipped(rng, drives[one], cams[one], teeth)
    if scene in ("slip of a bank", "mixed", "all slipped"):
        names = recorded if scene == "all slipped" else bank if bank != recorded else [one]
        for name in names:
            pitch = stage_pitches_deg(drives[name])[-1]
            cams[name] = replace(cams[name], teeth=teeth, slip_deg=teeth * pitch, notes=(f"slipped {teeth:+d}",))
    if scene in ("wear", "slip and wear"):
        _worn(rng, cams, recorded if rng.random() < 0.6 else bank)
    if scene == "loose":
        for name in [one] if rng.random() < 0.8 else bank:
            cams[name] = _loose(rng, cams[name])
    if scene == "mixed":
        for name in [c for c in recorded if c not in bank][:1]:
            cams[name] = _loose(rng, cams[name])
        _worn(rng, cams, [c for c in recorded if cams[c].motion == "steady"], 3.0)
    if scene == "controlled" and motion.mode == "running" and phased:
        cams[one] = replace(cams[one], motion="controlled", notes=("phaser moved by the controller",))
    if scene == "wheel moved":
        wheel = float(rng.uniform(4, 40)) * float(rng.choice([-1, 1]))
    if scene in ("lost", "lost for a time"):
        signal = "lost" if scene == "lost" else pick(rng, ["part", "leaves"])
        cams[one] = replace(cams[one], signal=signal, notes=(f"cam signal {signal}",))
        other = [c for c in recorded if c != one]
        if other and rng.random() < 0.3:
            cams[other[0]] = _slipped(rng, drives[other[0]], cams[other[0]], teeth)
    return Faults(cams, wheel, scene != "no crank", [f"scene: {scene}"])


def _movement_deg(rng: Generator, kind: str, cam: Dict, motion: Motion) -> Floats:
    """The part of the lag that a phaser makes."""
    t, end = motion.times_s, motion.duration_s
    sign = 1.0 if cam.get("phaser", {}).get("direction") == "retard" else -1.0
    if kind == "wander":
        return sign * float(rng.uniform(0, 12)) + drift(
            rng, t, float(rng.uniform(2.5, 7)), float(rng.uniform(0.1, 0.5))
        )
    if kind == "swing":
        rate = float(rng.uniform(0.8, 4.5)) * (1 + drift(rng, t, 0.08, 0.5))
        angle = 2 * np.pi * np.cumsum(rate) * (t[1] - t[0])
        return float(rng.uniform(3.5, 11)) * (sign + np.sin(angle) + 0.2 * np.sin(2 * angle + 1))
    if kind == "hunting":
        dwell = np.cumsum(rng.exponential(float(rng.uniform(0.15, 0.6)), int(end / 0.05) + 20))
        state = (np.searchsorted(dwell, t) % 2).astype(float)
        width = max(int(0.06 / (t[1] - t[0])), 1)
        padded = np.pad(state, (width, width), mode="edge")
        total = np.concatenate([[0.0], np.cumsum(padded)])
        smooth = (total[width:] - total[:-width])[: len(t)] / width
        return sign * float(rng.uniform(6, 18)) * smooth
    if kind == "controlled":
        centre, within_s = float(rng.uniform(0.2, 0.8)) * end, float(rng.uniform(0.2, 0.6))
        return sign * float(rng.uniform(3, 15)) / (1 + np.exp(-(t - centre) / within_s))
    return np.zeros_like(t)


def lag_deg(rng: Generator, cam: Dict, fault: CamFault, motion: Motion, *, clean: bool = False) -> Floats:
    """Lag of one cam on the motion's time grid, small enough in rate that the cam never turns backward."""
    base = fault.slip_deg + fault.wear_deg + fault.mounting_deg
    if clean:
        return np.full_like(motion.times_s, base)
    worn = 1 + fault.wear_deg / 2
    size = float(np.exp(rng.normal(np.log(0.04), 0.6)))
    moving = drift(rng, motion.times_s, min(size * worn, 0.5), float(rng.uniform(0.1, 0.6)))
    step = 2 * np.pi * int(pick(rng, [2, 3, 4])) / 720
    moving = moving + float(rng.uniform(0, 0.1)) * np.sin(step * motion.theta_deg + float(rng.uniform(0, 6.28)))
    moving += _movement_deg(rng, fault.motion, cam, motion)
    speed = motion.speed_deg_s()
    turning = np.cumsum(np.minimum(speed / (0.5 * np.median(speed)), 1.0)) * (motion.times_s[1] - motion.times_s[0])
    moving = np.interp(turning, motion.times_s, moving)  # nothing moves while the engine stands
    turn = np.diff(motion.theta_deg)
    while np.any(np.diff(moving) > 0.8 * turn + 1e-9):
        moving *= 0.85
    return base + moving
