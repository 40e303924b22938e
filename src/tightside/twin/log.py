"""A slow log as a scan tool would write it, of an engine with any fault, and what really happened.

The module is modelled as it works: it measures each camshaft against the crank (from where it once learned it to be),
compares that with the angle it wants, and opens an oil valve; the phaser's speed follows the valve. Below a small
wanted angle it lets the phaser go back to its stop. So an offset of the chain shows while the phaser is parked, and is
made up for while it is under control, as far as the phaser's travel allows. Numbers: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numba import njit

from tightside.records import CamPattern, Channel, Floats, Readings, Record, Recording, array, tooth_pitch_deg
from tightside.twin.camshafts import slipped_teeth
from tightside.twin.scene import Fault, Subject

STEP_S = 0.01  # of the simulation
PARKED_DEG = 0.75  # wanted angles below this leave the phaser to its lock
GAIN_PER_DEG = 0.055  # valve opening for a degree of error
TRIP_DEG = 15.0  # of the step from which the true response time is read

Drive = Literal["idle", "revs", "drive"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LogRunning(Record):
    """How the engine is run while the log is taken."""

    drive: Drive = "revs"
    seconds: float = 60.0
    ect_start_degc: float = 85.0
    ect_end_degc: float = 90.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Phaser(Record):
    """A phaser and its oil valve."""

    rate_deg_s: float = 130.0  # fastest, warm. Crank degrees
    valve_s: float = 0.05  # first-order lag of valve and oil column
    delay_s: float = 0.04  # dead time of the module's loop
    deadband_deg: float = 0.6  # errors within it are left alone
    noise_deg: float = 0.15  # of a reading of the cam
    ripple_deg: float = 0.15  # slow swing of a healthy cam about its place


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LogFormat(Record):
    """How the tool writes it down."""

    rate_hz: float = 10.0
    columns: Literal["actual and desired", "error", "all"] = "actual and desired"
    unit: Literal["crank", "cam"] = "crank"
    advance_positive: bool = True
    error_is: Literal["desired - actual", "actual - desired"] = "desired - actual"
    quantum: float = 0.5  # resolution of a cell, in its own unit; 0 is none
    staggered: bool = True  # values of a row are asked for one after the other
    jitter: float = 0.1  # of the row's time, share of the period
    dropouts: float = 0.0  # share of the cells that stay empty
    named_unit: bool = False  # the heading says crank or cam degrees


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LogScenario(Record):
    """All of it. Faults as for sensor recordings, and "slow": the phaser is so many times slower."""

    running: LogRunning = field(default_factory=LogRunning)
    faults: tuple[Fault, ...] = ()
    phaser: Phaser = field(default_factory=Phaser)
    log: LogFormat = field(default_factory=LogFormat)
    learned: float = 0.0  # share of an offset that the module has learned and no longer shows
    default_value: float = 0.0  # what a lost signal reads


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PhaserTruth(Record):
    """What one cam and its phaser really did."""

    cam: str
    teeth: int
    offset_deg: float  # of chain, sprockets and crank wheel together, positive late; phaser not counted
    shown_deg: float  # what the log can show of it while parked: less what was learned
    response_s: float  # 63 % of a step, dead time not counted, as if the chain sat right
    wander_deg: float  # standard deviation of the loose part
    stuck_deg: float | None  # where it hangs, from its stop in its own direction
    signal_share: float
    causes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LogTruth(Record):
    """What really happened."""

    cams: tuple[PhaserTruth, ...]
    advance_positive: bool = True
    unit: str = "crank"

    def of(self, cam: str) -> PhaserTruth:
        """One cam's truth."""
        return next(c for c in self.cams if c.cam == cam)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Engine(Record):
    """What the engine did, step by step."""

    times_s: Floats = array()
    rpm: Floats = array()
    throttle: Floats = array()
    ect_degc: Floats = array()


def simulate_log(subject: Subject, scenario: LogScenario, rng: np.random.Generator) -> tuple[Recording, LogTruth]:
    """Run an engine, let its module steer its phasers, and log what the module says.

    Parameters
    ----------
    subject : Subject
        The engine; its cams with a phaser are logged.
    scenario : LogScenario
        How it is run, what is wrong, how it is written down.
    rng : numpy.random.Generator
        All chance comes from here.

    Returns
    -------
    (Recording, LogTruth)
        kind "log"; a column for each value, headed by its role.
    """
    run_rng, cam_rng, row_rng = rng.spawn(3)
    engine = _run_engine(subject, scenario.running, run_rng)
    cams = tuple(c for c in subject.cams if c.phaser_authority_deg > 0.0)
    wanted = [_wanted_deg(engine, cam, k) for k, cam in enumerate(cams)]
    rngs = cam_rng.spawn(len(cams))
    shown = [_shown_deg(engine, cam, d, scenario, r) for cam, d, r in zip(cams, wanted, rngs, strict=True)]
    recording = _written(engine, cams, (wanted, shown), scenario, row_rng)
    truth = tuple(_truth(cam, scenario, engine) for cam in cams)
    return recording, LogTruth(cams=truth, advance_positive=scenario.log.advance_positive, unit=scenario.log.unit)


# ---------------------------------------------------------------------------------------------------------- engine


def _run_engine(subject: Subject, running: LogRunning, rng: np.random.Generator) -> _Engine:
    """Speed, throttle and coolant over time."""
    n = int(running.seconds / STEP_S) + 200
    t = np.arange(n, dtype=np.float64) * STEP_S
    throttle: Floats = 12.0 + {"idle": _no_pedal, "revs": _revs, "drive": _driving}[running.drive](t, rng)
    idle = subject.idle_rpm * (1.0 + 0.008 * _lazy(n, 1.0, rng))
    free = 1.0 if running.drive == "revs" else 0.55
    target = idle + free * (4200.0 * ((throttle - 12.0) / 70.0) ** 0.8) * (throttle > 12.2)
    rpm = _lagged(np.asarray(target, dtype=np.float64), 0.35 if running.drive == "revs" else 1.2, STEP_S)
    ect = np.linspace(running.ect_start_degc, running.ect_end_degc, n, dtype=np.float64)
    return _Engine(times_s=t, rpm=rpm, throttle=throttle, ect_degc=ect)


def _no_pedal(t: Floats, _rng: np.random.Generator) -> Floats:
    return np.zeros(len(t))


def _revs(t: Floats, rng: np.random.Generator) -> Floats:
    """In the bay: idle, then held part throttle, by turns."""
    pedal = np.zeros(len(t))
    at = rng.uniform(4.0, 8.0)
    while at < t[-1]:
        held = rng.uniform(2.5, 7.0)
        pedal[(t >= at) & (t < at + held)] = rng.uniform(8.0, 30.0)
        at += held + rng.uniform(4.0, 9.0)
    return _lagged(pedal, 0.15, STEP_S)


def _driving(t: Floats, rng: np.random.Generator) -> Floats:
    """On the road: the pedal is always moving a little, with stops at idle."""
    pedal = np.zeros(len(t))
    at = rng.uniform(2.0, 6.0)
    while at < t[-1]:
        held = rng.uniform(1.5, 8.0)
        stop = rng.random() < 0.25
        pedal[(t >= at) & (t < at + held)] = 0.0 if stop else rng.uniform(4.0, 45.0)
        at += held
    swing = 1.0 + 0.06 * _lazy(len(t), 2.0, rng)
    return _lagged(pedal, 0.4, STEP_S) * swing


def _lazy(n: int, pace_s: float, rng: np.random.Generator) -> Floats:
    """A first-order autoregression of unit variance."""
    keep = float(np.exp(-STEP_S / pace_s))
    return _recursion(rng.standard_normal(n) * np.sqrt(1.0 - keep**2), keep, float(rng.standard_normal()))


def _lagged(x: Floats, tau_s: float, step_s: float) -> Floats:
    keep = float(np.exp(-step_s / tau_s))
    return _recursion((1.0 - keep) * x, keep, float(x[0]))


@njit(cache=True, nogil=True)
def _recursion(drive: Floats, keep: float, start: float) -> Floats:
    out = np.empty(len(drive))
    y = start
    for i in range(len(drive)):
        y = keep * y + drive[i]
        out[i] = y
    return out


# ---------------------------------------------------------------------------------------------------------- phaser


def _wanted_deg(engine: _Engine, cam: CamPattern, number: int) -> Floats:
    """What the module wants of one phaser, from its stop in its own direction. Crank degrees.

    Parked at idle; with load and speed out to most of the travel, in steps of half a degree.
    """
    load = np.clip((engine.throttle - 12.0) / 30.0, 0.0, 1.0)
    speed = np.clip((engine.rpm - 900.0) / 1500.0, 0.0, 1.0)
    share = speed * (0.35 + 0.55 * np.sqrt(load)) * (0.9 - 0.1 * (number % 3))
    cold = np.clip((engine.ect_degc - 5.0) / 15.0, 0.0, 1.0)
    wanted = cam.phaser_authority_deg * share * cold
    return np.where(wanted < 2.0, 0.0, np.round(wanted * 2.0) / 2.0)


def _shown_deg(
    engine: _Engine, cam: CamPattern, wanted_deg: Floats, scenario: LogScenario, rng: np.random.Generator
) -> Floats:
    """What the module says of one cam, in the phaser's own direction from its stop. Crank degrees, no reading noise."""
    phaser, faults = scenario.phaser, _faults(cam, scenario)
    away = -_offset_deg(cam, scenario) * (1.0 if cam.phaser_advances else -1.0)
    loose = sum(abs(f.value) for f in faults if f.kind == "loose")
    wander = 0.6 * loose * _lazy(len(wanted_deg), float(rng.uniform(0.1, 1.0)), rng)
    ripple = phaser.ripple_deg * _lazy(len(wanted_deg), 0.3, rng)
    moved = away * (1.0 - scenario.learned) + wander + ripple
    stuck = next((abs(f.value) for f in faults if f.kind == "stuck"), -1.0)
    rate = _rate_deg_s(engine.ect_degc, engine.rpm, phaser, faults)
    place = _steer(
        wanted_deg, moved, rate, (phaser.valve_s, phaser.deadband_deg, cam.phaser_authority_deg, stuck),
        round(phaser.delay_s / STEP_S),
    )  # fmt: skip
    return np.asarray(place + moved)


def _faults(cam: CamPattern, scenario: LogScenario) -> tuple[Fault, ...]:
    return tuple(f for f in scenario.faults if f.hits(cam.cam) or f.kind == "crank-shift")


def _offset_deg(cam: CamPattern, scenario: LogScenario) -> float:
    """How late chain, sprockets and crank wheel put the cam. A crank wheel that sits late makes cams look early."""
    faults = _faults(cam, scenario)
    slips = [(f.value, -1 if f.stage is None else f.stage - 1) for f in faults if f.kind == "slip"]
    slipped = sum(teeth * tooth_pitch_deg(cam.stages, stage) for teeth, stage in slips)
    worn = sum(abs(f.value) for f in faults if f.kind == "wear")
    return float(slipped + worn - sum(f.value for f in faults if f.kind == "crank-shift"))


def _rate_deg_s(ect_degc: Floats, rpm: Floats, phaser: Phaser, faults: tuple[Fault, ...]) -> Floats:
    """The phaser's fastest speed: less with cold oil and with little pressure at idle."""
    warm = np.clip(0.25 + 0.75 * (ect_degc + 10.0) / 80.0, 0.15, 1.0)
    pressure = np.clip(rpm / 1200.0, 0.5, 1.0)
    slower = math.prod(max(f.value, 1.0) for f in faults if f.kind == "slow")
    return np.asarray(phaser.rate_deg_s * warm * pressure / slower)


@njit(cache=True, nogil=True)
def _steer(wanted: Floats, moved: Floats, rate: Floats, build: tuple[float, float, float, float], delay: int) -> Floats:
    """Place of the phaser in its travel, step by step, with the module's loop closed on what it measures."""
    valve_s, deadband, travel, stuck = build
    out = np.empty(len(wanted))
    place = stuck if stuck >= 0.0 else 0.0
    opening = 0.0
    for i in range(len(wanted)):
        if stuck < 0.0:
            back = max(i - delay, 0)
            seen = (out[back] if i > 0 else place) + moved[back]
            error = wanted[back] - seen
            asked = 0.0
            if wanted[back] < PARKED_DEG:
                asked = -1.0
            elif abs(error) > deadband:
                asked = min(max(GAIN_PER_DEG * error, -1.0), 1.0)
            opening += (asked - opening) * (1.0 - np.exp(-STEP_S / valve_s))
            place = min(max(place + rate[i] * opening * STEP_S, 0.0), travel)
        out[i] = place
    return out


# ------------------------------------------------------------------------------------------------------ the table


def _written(
    engine: _Engine,
    cams: tuple[CamPattern, ...],
    angles: tuple[list[Floats], list[Floats]],
    scenario: LogScenario,
    rng: np.random.Generator,
) -> Recording:
    log = scenario.log
    rows = int(scenario.running.seconds * log.rate_hz)
    times = (np.arange(rows) + log.jitter * rng.uniform(-0.5, 0.5, rows)) / log.rate_hz
    times = np.maximum(times - times[0], 0.0)
    engine_columns = [("rpm", "rpm", engine.rpm, 0.25), ("throttle", "%", engine.throttle, 100 / 255)]
    columns = [
        (f"log:{n}", unit, x, step) for n, unit, x, step in (*engine_columns, ("ect", "degC", engine.ect_degc, 1))
    ]
    for cam, wanted, shown in zip(cams, *angles, strict=True):
        columns += _cam_columns(cam, wanted, shown, scenario, rng)
    channels = []
    for k, (role, unit, values, quantum) in enumerate(columns):
        late_s = k / len(columns) / log.rate_hz if log.staggered else 0.0
        cells = np.interp(times + late_s, engine.times_s, values)
        cells = np.round(cells / quantum) * quantum + 0.0 if quantum > 0 else cells
        cells[rng.random(rows) < log.dropouts] = np.nan
        heading = f"{role} [{log.unit} deg]" if log.named_unit and unit == "deg" else role
        channels.append(Channel(heading, Readings(times, cells), unit=unit, role=role, why="simulated"))
    return Recording(file="simulated", kind="log", channels=tuple(channels), format="simulated")


def _cam_columns(
    cam: CamPattern, wanted: Floats, shown: Floats, scenario: LogScenario, rng: np.random.Generator
) -> list[tuple[str, str, Floats, float]]:
    log = scenario.log
    sign = (1.0 if cam.phaser_advances else -1.0) * (1.0 if log.advance_positive else -1.0)
    scale = sign * (1.0 if log.unit == "crank" else 0.5)
    noisy = shown + scenario.phaser.noise_deg * rng.standard_normal(len(shown))
    actual, desired = scale * _with_lost(noisy, cam, scenario, rng), scale * wanted
    error = (desired - actual) * (1.0 if log.error_is == "desired - actual" else -1.0)
    named = {"actual": actual, "desired": desired, "error": error}
    kinds = {"actual and desired": ("actual", "desired"), "error": ("error",), "all": ("actual", "desired", "error")}
    return [(f"log:cam_phase_{k}:{cam.cam}", "deg", named[k], log.quantum) for k in kinds[log.columns]]


def _with_lost(x: Floats, cam: CamPattern, scenario: LogScenario, rng: np.random.Generator) -> Floats:
    """What the module says while it has no signal: its default value, in the logged column's own terms."""
    share = _lost_share(cam, scenario)
    if share <= 0.0:
        return x
    out = x.copy()
    if share >= 1.0:
        out[:] = scenario.default_value
        return out
    parts = int(rng.integers(1, 5))
    room = len(x) // parts
    for k in range(parts):
        length = int(share * room)
        begin = k * room + int(rng.integers(0, max(room - length, 1)))
        out[begin : begin + length] = scenario.default_value
    return out


def _lost_share(cam: CamPattern, scenario: LogScenario) -> float:
    return max((f.value for f in scenario.faults if f.kind == "lost" and f.hits(cam.cam)), default=0.0)


def _truth(cam: CamPattern, scenario: LogScenario, engine: _Engine) -> PhaserTruth:
    faults = _faults(cam, scenario)
    offset = _offset_deg(cam, scenario)
    stuck = next((abs(f.value) for f in faults if f.kind == "stuck"), None)
    return PhaserTruth(
        cam=cam.cam,
        teeth=slipped_teeth(cam, scenario.faults),
        offset_deg=offset,
        shown_deg=offset * (1.0 - scenario.learned),
        response_s=float("nan") if stuck is not None else _response_s(cam, scenario, engine),
        wander_deg=0.6 * float(sum(abs(f.value) for f in faults if f.kind == "loose")),
        stuck_deg=stuck,
        signal_share=1.0 - min(_lost_share(cam, scenario), 1.0),
        causes=tuple(f.kind for f in faults),
    )


def _response_s(cam: CamPattern, scenario: LogScenario, engine: _Engine) -> float:
    """Time to 63 % of a step, dead time left out, from the same phaser steered alone at the log's oil and speed."""
    n = int(20.0 / STEP_S)
    trip = min(TRIP_DEG, 0.5 * cam.phaser_authority_deg)
    wanted = np.full(n, 2.0)
    wanted[n // 4 :] = 2.0 + trip
    middle = np.full(n, float(np.median(engine.ect_degc)))
    rate = _rate_deg_s(middle, np.full(n, 1500.0), scenario.phaser, _faults(cam, scenario))
    phaser = replace(scenario.phaser, deadband_deg=0.0)
    build = (phaser.valve_s, phaser.deadband_deg, cam.phaser_authority_deg, -1.0)
    place = _steer(wanted, np.zeros(n), rate, build, round(phaser.delay_s / STEP_S))
    crossed = np.flatnonzero(place[n // 4 :] >= 2.0 + 0.632 * trip)
    return float(crossed[0] * STEP_S - phaser.delay_s) if len(crossed) else float("nan")


def log_truth_as_json(truth: LogTruth) -> str:
    """What was true of each cam, for comparison with a verdict."""
    import json

    cams = [
        {
            "cam": c.cam,
            "teeth": c.teeth,
            "offset_deg": round(c.offset_deg, 4),
            "shown_deg": round(c.shown_deg, 4),
            "response_s": None if math.isnan(c.response_s) else round(c.response_s, 3),
            "wander_deg": round(c.wander_deg, 3),
            "stuck_deg": c.stuck_deg,
            "signal_share": round(c.signal_share, 4),
            "faults": list(c.causes),
        }
        for c in truth.cams
    ]
    sign = "early" if truth.advance_positive else "late"
    return json.dumps({"unit": truth.unit, "positive": sign, "cams": cams}, indent=1)
