"""Vehicles of simulated clinics: what is wrong with each, and all that its technician would have in hand.

This is a second fault model, apart from the cause network: it moves sprockets, phasers and sensors in degrees, lets a
module store codes when it would notice, and lets a technician see or miss things. Its numbers are drawn anew for every
clinic from wide distributions; none is read from ``tightside.causes``. The names of results and causes are the only
thing that both share.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tightside.causes.observations import Observations
from tightside.codes.read import read_codes
from tightside.records import CamOffset, CamPattern, CodeFinding, DriveStage, PhaserMotion

LAYOUTS = (
    (("1A", "1B", "2A", "2B"), 0.4),
    (("1A", "1B"), 0.35),
    (("1A", "2A"), 0.1),
    (("1A",), 0.15),
)
ORDER = (  # what must be mended first
    "drive_broken",
    "chain_slipped",
    "phaser_loose",
    "phaser_stuck",
    "oil_control",
    "cam_signal",
    "wheel_moved",
    "chain_worn",
    "crank_signal",
    "reference_off",
    "oil_low",
)
CAUSE = {"wheel_moved": "wrong_reference", "reference_off": "wrong_reference", "oil_low": "oil_control"}
#: base weight of each kind of fault; a clinic sees its own mix
KINDS = {
    "chain_slipped": 20.0,
    "chain_worn": 10.0,
    "phaser_loose": 12.0,
    "phaser_stuck": 8.0,
    "oil_control": 12.0,
    "oil_low": 7.0,
    "cam_signal": 12.0,
    "crank_signal": 5.0,
    "drive_broken": 3.5,
    "reference_off": 3.5,
    "wheel_moved": 2.5,
}
PHASER_KINDS = ("phaser_loose", "phaser_stuck", "oil_control", "oil_low")
SENSOR_CODE = {"1A": "P0340", "1B": "P0365", "2A": "P0345", "2B": "P0390"}
CORRELATION = {"1A": "P0016", "1B": "P0017", "2A": "P0018", "2B": "P0019"}
LATE = {"1A": "P0012", "1B": "P0015", "2A": "P0022", "2B": "P0025"}
EARLY = {"1A": "P0011", "1B": "P0014", "2A": "P0021", "2B": "P0024"}
SLOW = {"1A": "P000A", "1B": "P000B", "2A": "P000C", "2B": "P000D"}
ACTUATOR = {"1A": "P0010", "1B": "P0013", "2A": "P0020", "2B": "P0023"}


@dataclass(frozen=True)
class Fault:
    """What is wrong, where, and how much of it."""

    kind: str
    place: str  # "", "1" or "1A"
    size: float = 0.0  # teeth, degrees or share, by kind
    mode: str = ""


@dataclass(frozen=True)
class Clinic:
    """Numbers of one clinic, its customers' vehicles and its people."""

    rng: np.random.Generator
    mix: dict[str, float]
    two_faults: float
    none: float
    late_share: float
    bank_share: float  # of slips, those of a whole bank
    told: float  # chance that any one observation is written down
    false_code: float
    blind: float  # chance that a module does not run a family of tests at all
    notice_deg: float
    keen: float  # chance that a module stores what it could notice
    recorded: float
    logged: float
    codes_read: float
    signs: dict[tuple[str, str], float] = field(default_factory=dict)

    def chance(self, sign: str, kind: str, usual: float) -> float:
        """This clinic's own number for a sign and a fault, drawn once around the usual one."""
        if (sign, kind) not in self.signs:
            self.signs[sign, kind] = float(self.rng.beta(6.0 * usual, 6.0 * (1.0 - usual)))
        return self.signs[sign, kind]


def draw_clinic(rng: np.random.Generator) -> Clinic:
    """A clinic with its own habits, vehicles and share of each fault."""
    weights = np.array(list(KINDS.values())) * rng.lognormal(0.0, 0.5, len(KINDS))
    return Clinic(
        rng=rng,
        mix=dict(zip(KINDS, weights / weights.sum(), strict=True)),
        two_faults=rng.uniform(0.1, 0.25),
        none=rng.uniform(0.03, 0.15),
        late_share=rng.beta(6, 4),
        bank_share=rng.beta(4, 4),
        told=rng.uniform(0.3, 0.9),
        false_code=rng.uniform(0.005, 0.05),
        blind=rng.uniform(0.0, 0.3),
        notice_deg=rng.uniform(6.0, 12.0),
        keen=rng.uniform(0.6, 0.95),
        recorded=rng.uniform(0.4, 0.8),
        logged=rng.uniform(0.3, 0.7),
        codes_read=rng.uniform(0.7, 1.0),
    )


@dataclass(frozen=True)
class Vehicle:
    """One vehicle: what is wrong, and what is in hand."""

    cams: tuple[str, ...]
    phased: tuple[str, ...]
    faults: tuple[Fault, ...]
    pitch_deg: float
    authority_deg: float
    offset_deg: dict[str, float]  # where each cam really reads, its sensor being well
    scatter_deg: dict[str, float]
    response_s: dict[str, float]
    follows: dict[str, float]
    measured: tuple[CamOffset, ...] = ()
    patterns: tuple[CamPattern, ...] = ()
    phasers: tuple[PhaserMotion, ...] = ()
    codes: tuple[CodeFinding, ...] = ()
    codes_read: bool = False
    crank_odd_share: float | None = None
    observations: Observations = field(default_factory=Observations)
    cylinder_banks: dict[int, str] = field(default_factory=dict)
    affected: tuple[str, ...] = ()  # phasers that low oil really troubles

    def faults_of(self, cam: str) -> tuple[Fault, ...]:
        """Faults that concern a cam, what must be mended first before the rest."""
        mine = [f for f in self.faults if f.place in ("", cam, cam[:-1])]
        mine = [f for f in mine if f.kind != "oil_low" or cam in self.affected]
        return tuple(sorted(mine, key=lambda f: (ORDER.index(f.kind), f.place == "")))

    def cause_of(self, cam: str) -> str:
        """What a perfect technician writes down for this cam."""
        mine = self.faults_of(cam)
        return CAUSE.get(mine[0].kind, mine[0].kind) if mine else "in_time"


def bank(cam: str) -> str:
    """Its bank."""
    return cam[:-1]


# ---------------------------------------------------------------------------------------------------- what is wrong


def draw_faults(clinic: Clinic, cams: tuple[str, ...], phased: tuple[str, ...], rng: Any) -> tuple[Fault, ...]:
    """None, one or two faults at different places, or two that go together."""
    if rng.random() < clinic.none:
        return ()
    count = 2 if rng.random() < clinic.two_faults else 1
    found: list[Fault] = []
    while len(found) < count and not (found and found[0].kind == "drive_broken"):
        fault = _draw_fault(clinic, cams, phased, rng)
        alike = any(f.kind == fault.kind or (f.place == fault.place != "") for f in found)
        if not found or not (alike or fault.kind == "drive_broken"):
            found.append(fault)
    return tuple(found)


def _draw_fault(clinic: Clinic, cams: tuple[str, ...], phased: tuple[str, ...], rng: Any) -> Fault:
    kinds = [k for k in KINDS if phased or k not in PHASER_KINDS]
    weights = np.array([clinic.mix[k] for k in kinds])
    kind = str(rng.choice(kinds, p=weights / weights.sum()))
    cam = str(rng.choice(phased if kind in PHASER_KINDS else cams))
    match kind:
        case "chain_slipped":
            teeth = float(rng.choice([1, 2, 3, 4], p=[0.6, 0.25, 0.1, 0.05]))
            place = bank(cam) if rng.random() < clinic.bank_share or cams == (cam,) else cam
            return Fault(kind, place, teeth if rng.random() < clinic.late_share else -teeth)
        case "chain_worn":
            return Fault(kind, bank(cam), float(rng.uniform(3.0, 8.0)))
        case "phaser_loose":
            return Fault(kind, cam, float(np.exp(rng.uniform(np.log(1.6), np.log(8.0)))))
        case "phaser_stuck":
            return Fault(kind, cam, 0.0 if rng.random() < 0.3 else float(rng.uniform(3.0, 45.0)))
        case "oil_control":
            return Fault(kind, cam, 0.0 if rng.random() < 0.6 else float(rng.uniform(2.0, 30.0)))
        case "oil_low":
            return Fault(kind, "", float(rng.uniform(0.4, 0.95)))
        case "cam_signal":
            return Fault(kind, cam, mode=str(rng.choice(["dead", "dropouts", "noisy"], p=[0.45, 0.35, 0.2])))
        case "crank_signal":
            return Fault(kind, "", float(np.exp(rng.uniform(np.log(0.001), np.log(0.1)))))
        case "drive_broken":
            return Fault(kind, bank(cam) if rng.random() < 0.7 or cams == (cam,) else cam)
        case "reference_off":
            return Fault(kind, "", _beyond(rng, 3.0, 10.0))
        case _:
            return Fault(kind, cam, _beyond(rng, 3.0, 9.0))


def _beyond(rng: Any, least: float, more: float) -> float:
    return float((least + rng.exponential(more)) * rng.choice([-1.0, 1.0]))


def draw_vehicle(clinic: Clinic) -> Vehicle:
    """One vehicle with faults and everything in hand."""
    rng = clinic.rng
    cams = LAYOUTS[int(rng.choice(len(LAYOUTS), p=[w for _, w in LAYOUTS]))][0]
    phased = tuple(c for c in cams if rng.random() < (0.85 if c.endswith("A") else 0.7))
    faults = draw_faults(clinic, cams, phased, rng)
    pitch = 720.0 / float(rng.choice([36, 38, 40, 42, 44]))
    bare = Vehicle(cams, phased, faults, pitch, float(rng.uniform(30.0, 60.0)), {}, {}, {}, {})
    placed = _placed(bare, rng)
    return _observed(_coded(_measured(placed, clinic, rng), clinic, rng), clinic, rng)


def _placed(v: Vehicle, rng: Any) -> Vehicle:
    """Where every cam stands, how it scatters and how its phaser moves."""
    reference = float(rng.normal(0.0, 0.5)) + sum(f.size for f in v.faults if f.kind == "reference_off")
    wear = {b: min(float(rng.exponential(0.6)), 2.0) for b in {bank(c) for c in v.cams}}
    affected = _troubled_by_oil(v, rng)
    v = replace(v, affected=affected)
    offset, scatter, response, follows = {}, {}, {}, {}
    for cam in v.cams:
        kinds = {f.kind: f for f in v.faults_of(cam)}
        x = reference + wear[bank(cam)] + float(rng.normal(0.0, 0.8))
        noise = float(0.2 * rng.lognormal(0.0, 0.5))
        tau, share = float(0.3 * rng.lognormal(0.0, 0.4)), float(rng.normal(1.0, 0.04))
        if "chain_worn" in kinds:
            x += kinds["chain_worn"].size - wear[bank(cam)]
        for f in v.faults_of(cam):
            if f.kind == "chain_slipped":
                x += f.size * v.pitch_deg
        if "wheel_moved" in kinds:
            x += kinds["wheel_moved"].size
        if "phaser_stuck" in kinds:
            x -= min(kinds["phaser_stuck"].size, v.authority_deg)
            share, tau = float(abs(rng.normal(0.0, 0.06))), 1.0
        elif "phaser_loose" in kinds:
            noise = kinds["phaser_loose"].size
            x -= float(rng.uniform(0.0, 6.0))
            share = float(rng.normal(0.95, 0.15))
        elif "oil_control" in kinds:
            x -= min(kinds["oil_control"].size, v.authority_deg)
            noise *= float(rng.lognormal(0.6, 0.6))
            share, tau = float(rng.uniform(0.05, 1.0)), float(rng.lognormal(0.1, 0.6))
        elif cam in affected:
            x -= float(rng.uniform(0.0, 10.0)) if rng.random() < 0.3 else 0.0
            noise *= float(rng.lognormal(0.9, 0.7))
            share, tau = float(rng.uniform(0.4, 1.0)), float(rng.lognormal(-0.3, 0.6))
        offset[cam], scatter[cam], response[cam], follows[cam] = x, noise, tau, share
    return replace(
        v,
        offset_deg=offset,
        scatter_deg=scatter,
        response_s=response,
        follows=follows,
        cylinder_banks=_cylinder_banks(v.cams),
    )


def _troubled_by_oil(v: Vehicle, rng: Any) -> tuple[str, ...]:
    """Phasers that oil which is short really troubles."""
    short = next((f.size for f in v.faults if f.kind == "oil_low"), 0.0)
    return tuple(cam for cam in v.phased if rng.random() < short)


def _cylinder_banks(cams: tuple[str, ...]) -> dict[int, str]:
    banks = sorted({bank(c) for c in cams})
    return {c: banks[(c - 1) % len(banks)] for c in range(1, 3 * len(banks) + 1)}


# ------------------------------------------------------------------------------------------------------- recordings


def _measured(v: Vehicle, clinic: Clinic, rng: Any) -> Vehicle:
    if rng.random() < clinic.recorded:
        v = with_recording(v, rng)
    if rng.random() < clinic.logged:
        v = with_log(v, rng)
    return v


def with_recording(v: Vehicle, rng: Any) -> Vehicle:
    """A recording of all sensors, with an engine file to hold it against."""
    crank = next((f for f in v.faults if f.kind == "crank_signal"), None)
    odd = crank.size if crank else float(rng.choice([0.0, 0.0003, 0.004], p=[0.85, 0.11, 0.04]))
    cycles = int(rng.integers(12, 80))
    cams = tuple(_recorded_cam(v, cam, cycles, crank, rng) for cam in v.cams)
    return replace(v, measured=cams, patterns=tuple(_pattern(v, c) for c in v.cams), crank_odd_share=odd)


def _pattern(v: Vehicle, cam: str) -> CamPattern:
    teeth = round(720.0 / v.pitch_deg)
    return CamPattern(
        cam=cam,
        edges_deg=np.array([0.0, 180.0]),
        rising=np.array([True, False]),
        stages=(DriveStage(driver_teeth=teeth // 2, driven_teeth=teeth),),
        phaser_authority_deg=v.authority_deg if cam in v.phased else 0.0,
    )


def _recorded_cam(v: Vehicle, cam: str, cycles: int, crank: Fault | None, rng: Any) -> CamOffset:
    kinds = {f.kind: f for f in v.faults_of(cam)}
    x, noise = v.offset_deg[cam], v.scatter_deg[cam]
    if "drive_broken" in kinds:
        return _cam(cam, v, "no signal" if rng.random() < 0.85 else "not enough data")
    if "cam_signal" in kinds:
        mode = kinds["cam_signal"].mode
        if mode == "dead":
            return _cam(cam, v, "no signal" if rng.random() < 0.85 else "not enough data")
        if mode == "dropouts":
            if rng.random() < 0.5:
                return _cam(cam, v, "not enough data")
            cycles, noise = max(cycles // 3, 4), noise * float(rng.lognormal(0.7, 0.6))
        else:
            noise *= float(rng.lognormal(1.5, 0.7))
            x += float(rng.normal(0.0, 15.0)) if rng.random() < 0.4 else 0.0
    if crank is not None:
        if rng.random() < min(0.9, 8.0 * crank.size):
            return _cam(cam, v, "not enough data")
        noise *= 1.0 + float(rng.lognormal(0.0, 0.7)) * 30.0 * crank.size
    if cam in v.phased and not set(kinds) & set(PHASER_KINDS) and rng.random() < 0.03:
        x -= float(rng.uniform(2.0, v.authority_deg))  # told to be there while it was recorded
    if rng.random() < 0.02:
        return _cam(cam, v, str(rng.choice(["no signal", "not enough data"])))
    return _cam(cam, v, "in time", _wander(x, noise, cycles, "phaser_loose" in kinds, rng))


def _wander(mean: float, sd: float, cycles: int, loose: bool, rng: Any) -> np.ndarray:
    """Offsets cycle by cycle: white, or a loose phaser's memory from one cycle to the next."""
    keep = float(rng.uniform(0.0, 0.7)) if loose else float(rng.uniform(0.0, 0.3))
    out = np.empty(cycles)
    state = float(rng.normal())
    for i in range(cycles):
        state = keep * state + float(np.sqrt(1.0 - keep**2) * rng.normal())
        out[i] = mean + sd * state
    return out


def _cam(cam: str, v: Vehicle, state: str, x: np.ndarray | None = None) -> CamOffset:
    if x is None:
        none = np.empty(0)
        return CamOffset(
            cam=cam,
            column=cam,
            state=state,  # type: ignore[arg-type]
            reference="engine file",
            tooth_pitch_deg=v.pitch_deg,
            cycle_times_s=none,
            cycle_offset_deg=none,
            cycle_rpm=none,
        )
    half = 1.96 * float(np.hypot(np.std(x) / np.sqrt(max(len(x) / 2.0, 1.0)), 0.15))
    scatter = 1.4826 * float(np.median(np.abs(x - np.median(x))))
    return CamOffset(
        cam=cam,
        column=cam,
        state="erratic" if scatter > 1.3 else "in time",
        reference="engine file",
        cycles=len(x),
        offset_deg=float(x.mean()),
        ci95_deg=(float(x.mean()) - half, float(x.mean()) + half),
        scatter_deg=scatter,
        tooth_pitch_deg=v.pitch_deg,
        cycle_times_s=0.17 * np.arange(len(x)),
        cycle_offset_deg=x,
        cycle_rpm=np.full(len(x), 700.0),
    )


def with_log(v: Vehicle, rng: Any) -> Vehicle:
    """A slow log of every phaser, with a few moves."""
    if any(f.kind in ("drive_broken", "crank_signal") for f in v.faults):
        return v  # it does not run well enough to be driven
    out = []
    for cam in v.phased:
        kinds = {f.kind: f for f in v.faults_of(cam)}
        signal = ""
        if "cam_signal" in kinds and rng.random() < 0.8:
            signal = "frozen" if kinds["cam_signal"].mode == "dead" else "dropouts"
        elif rng.random() < 0.02:
            signal = "dropouts"
        share = float(v.follows[cam] + rng.normal(0.0, 0.05))
        tau = float(v.response_s[cam] * rng.lognormal(0.0, 0.2))
        out.append(
            PhaserMotion(
                cam=cam,
                duration_s=60.0,
                steps=4,
                signal=signal,  # type: ignore[arg-type]
                follows=None if signal == "frozen" else share,
                follows_ci95=None if signal == "frozen" else (share - 0.12, share + 0.12),
                response_s=tau if share > 0.25 and not signal else None,
                response_ci95_s=(0.7 * tau, 1.4 * tau) if share > 0.25 and not signal else None,
            )
        )
    return replace(v, phasers=tuple(out))


# ------------------------------------------------------------------------------------------------------------- codes


def _coded(v: Vehicle, clinic: Clinic, rng: Any) -> Vehicle:
    """Codes that the module would store, those that it does not, and those of other origin."""
    if rng.random() > clinic.codes_read:
        return v
    families = ("correlation", "position", "actuator", "sensor", "crank", "oil", "misfire", "bank")
    runs = {f for f in families if rng.random() > clinic.blind}
    found: set[str] = set()

    def may(family: str, code: str, p: float) -> None:
        if family in runs and rng.random() < p:
            found.add(code)

    for cam in v.cams:
        kinds = {f.kind: f for f in v.faults_of(cam)}
        _cam_codes(v, cam, kinds, clinic, may, rng)
        for family, table in (("correlation", CORRELATION), ("position", SLOW), ("sensor", SENSOR_CODE)):
            if rng.random() < clinic.false_code:
                may(family, table[cam], 1.0)
    _engine_codes(v, clinic, may)
    return replace(v, codes=read_codes(sorted(found)), codes_read=True)


def _cam_codes(v: Vehicle, cam: str, kinds: dict[str, Fault], clinic: Clinic, may: Any, rng: Any) -> None:
    broken, dead = "drive_broken" in kinds, "cam_signal" in kinds
    if broken:
        may("sensor", SENSOR_CODE[cam], 0.6 * clinic.keen)
        may("correlation", CORRELATION[cam], 0.4 * clinic.keen)
        return
    if dead:
        may(
            "sensor",
            SENSOR_CODE[cam],
            clinic.keen * {"dead": 1.0, "dropouts": 0.8, "noisy": 0.5}[kinds["cam_signal"].mode],
        )
        may("correlation", CORRELATION[cam], 0.15)
    # the module knows its own wheel: a reference that is only wrong in our file stores nothing
    real = v.offset_deg[cam] - sum(f.size for f in v.faults if f.kind == "reference_off" and f.place == "")
    moved = any(f.kind == "reference_off" and abs(f.size) > 12 for f in v.faults)
    if abs(real) > clinic.notice_deg or moved:
        parked = "phaser_stuck" not in kinds and "oil_control" not in kinds
        may("correlation", CORRELATION[cam], clinic.keen * (0.95 if parked else 0.35))
        if cam in v.phased:
            may("position", (LATE if real > 0 else EARLY)[cam], clinic.keen * (0.2 if parked else 0.7))
    if cam in v.phased:
        if v.follows[cam] < 0.6:
            may("position", (LATE if rng.random() < 0.5 else EARLY)[cam], clinic.keen * 0.7)
        if v.response_s[cam] > 0.9:
            may("position", SLOW[cam], clinic.keen * 0.5)
        if v.scatter_deg[cam] > 3.0:
            may("position", EARLY[cam], clinic.keen * 0.35)
            may("correlation", CORRELATION[cam], clinic.keen * 0.2)
        if "oil_control" in kinds:
            may("actuator", ACTUATOR[cam], clinic.chance("actuator", "oil_control", 0.4))


def _engine_codes(v: Vehicle, clinic: Clinic, may: Any) -> None:
    kinds = {f.kind: f for f in v.faults}
    if "crank_signal" in kinds:
        may("crank", "P0335", clinic.keen * min(1.0, 0.4 + 20.0 * kinds["crank_signal"].size))
    if "oil_low" in kinds:
        may("oil", "P0521", clinic.chance("oil", "oil_low", 0.35))
    for f in v.faults:
        if f.kind == "chain_slipped" and f.place.isdigit():
            may("bank", "P0008" if f.place == "1" else "P0009", 0.4 * clinic.keen)
    rough = any(k in kinds for k in ("chain_slipped", "drive_broken"))
    may("misfire", "P0300", 0.5 if rough else 0.12)
    may("crank", "P0336", 0.3 * clinic.false_code)


# ------------------------------------------------------------------------------------------------------ observations

RATTLES = {"chain_worn": 0.6, "chain_slipped": 0.35, "phaser_loose": 0.5, "oil_low": 0.4, "drive_broken": 0.2}
SEEN: dict[str, tuple[float, dict[str, float]]] = {  # usual chance without, and with each fault
    "drive_noise": (0.06, {"chain_worn": 0.35, "chain_slipped": 0.3, "drive_broken": 0.4, "phaser_loose": 0.25}),
    "plastic": (0.01, {"chain_worn": 0.2, "chain_slipped": 0.3, "drive_broken": 0.45}),
    "metal": (0.03, {"drive_broken": 0.25, "oil_low": 0.12, "phaser_loose": 0.08, "chain_slipped": 0.1}),
    "leak": (0.18, {"oil_low": 0.35}),
    "no_start": (0.05, {"drive_broken": 0.85, "chain_slipped": 0.3, "crank_signal": 0.55, "cam_signal": 0.08}),
    "sudden": (0.2, {"drive_broken": 0.9, "chain_slipped": 0.6, "crank_signal": 0.5, "cam_signal": 0.5}),
    "timing_work": (0.04, {"chain_slipped": 0.2, "reference_off": 0.35, "wheel_moved": 0.35}),
    "sensor_work": (0.06, {"cam_signal": 0.12, "crank_signal": 0.12, "reference_off": 0.15, "wheel_moved": 0.2}),
    "level_low": (0.08, {"oil_low": 0.6}),
    "bad_oil": (0.06, {"oil_low": 0.4, "oil_control": 0.25, "phaser_stuck": 0.25}),
}


def sees(v: Vehicle, clinic: Clinic, sign: str, rng: Any) -> bool:
    """Whether a sign is there on this vehicle."""
    leak, brings = SEEN[sign]
    miss = 1.0 - clinic.chance(sign, "", leak)
    for f in v.faults:
        if f.kind in brings:
            miss *= 1.0 - clinic.chance(sign, f.kind, brings[f.kind])
    return bool(rng.random() < 1.0 - miss)


def _observed(v: Vehicle, clinic: Clinic, rng: Any) -> Vehicle:
    """What the technician wrote down: each thing only if he looked."""
    seen: dict[str, Any] = {}
    oil: dict[str, Any] = {}

    def told() -> bool:
        return bool(rng.random() < clinic.told)

    if told():
        seen["cold_rattle_s"] = rattle_s(v, clinic, rng)
    if told():
        seen["drive_noise"] = sees(v, clinic, "drive_noise", rng)
    if told():
        seen["starts"] = not sees(v, clinic, "no_start", rng)
    if told():
        seen["failed"] = "suddenly" if sees(v, clinic, "sudden", rng) else "gradually"
    if told():
        work = [w for w, s in (("timing", "timing_work"), ("sensors", "sensor_work")) if sees(v, clinic, s, rng)]
        seen["recent_work"] = tuple(work) or ("none",)
    if told():
        worn = any(f.kind == "chain_worn" for f in v.faults)
        seen["mileage_km"] = float((200_000 if worn else 140_000) * rng.lognormal(0.0, 0.5))
    if told():
        oil["leak_at_cover"] = sees(v, clinic, "leak", rng)
    if told():
        oil["level"] = "low" if sees(v, clinic, "level_low", rng) else "ok"
    if rng.random() < 0.3 * clinic.told:
        oil["pressure_kpa"] = oil_kpa(v, rng)
    if rng.random() < 0.3 * clinic.told:
        oil["plastic"], oil["metal"] = sees(v, clinic, "plastic", rng), sees(v, clinic, "metal", rng)
    if rng.random() < 0.3 * clinic.told:
        seen["compression_kpa"] = compression_kpa(v, rng)
    return replace(v, observations=Observations(**seen, oil=oil))


def rattle_s(v: Vehicle, clinic: Clinic, rng: Any) -> float:
    """Seconds of rattle after a cold start."""
    for f in v.faults:
        if f.kind in RATTLES and rng.random() < clinic.chance("rattle", f.kind, RATTLES[f.kind]):
            return float(round(4.0 * rng.lognormal(0.0, 0.8), 1))
    return 0.0 if rng.random() < 0.6 else float(round(0.7 * rng.lognormal(0.0, 0.8), 1))


def oil_kpa(v: Vehicle, rng: Any) -> float:
    """Pressure at warm idle, gauge."""
    low = any(f.kind == "oil_low" for f in v.faults) and rng.random() < 0.8
    return max(float(rng.normal(55.0, 20.0) if low else rng.normal(160.0, 35.0)), 10.0)


def compression_kpa(v: Vehicle, rng: Any) -> dict[int, float]:
    """By gauge: a late intake cam closes late; a cam that stands still leaves next to nothing."""
    out = {}
    for cylinder, b in v.cylinder_banks.items():
        intake = f"{b}A"
        late = v.offset_deg[intake] - sum(f.size for f in v.faults if f.kind in ("reference_off", "wheel_moved"))
        share = 1.0 - 0.008 * max(late, 0.0) - 0.002 * max(-late, 0.0)
        if any(f.kind == "drive_broken" and f.place in (b, intake, f"{b}B") for f in v.faults):
            share = float(rng.uniform(0.0, 0.3))
        out[cylinder] = float(max(1250.0 * share * rng.normal(1.0, 0.04), 0.0))
    return out
