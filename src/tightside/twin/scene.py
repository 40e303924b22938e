"""What is simulated: the engine at hand, how it is run, what is wrong with it, and what records it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from tightside.records import CamPattern, Floats, Record, SensorKind, WheelPattern, array
from tightside.twin.cycle import Breathing, Surroundings

Mode = Literal["cranking", "start", "restart", "idle", "snap", "steady"]
FaultKind = Literal[
    "slip",
    "wear",
    "loose",
    "stuck",
    "moving",
    "lost",
    "crank-shift",
    "weak",
    "leak",
    "slow",
    "hole",
    "bent-intake",
    "bent-exhaust",
]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Subject(Record):
    """An engine as far as its motion and its sensors need it.

    ``cam_kinds`` has one entry per cam. ``firing_angles_deg`` are the compression tops, cylinder by cylinder in firing
    order. Left at None, the moment of inertia follows from the displacement and the wanted cranking swing.
    """

    wheel: WheelPattern
    cams: tuple[CamPattern, ...] = ()
    cam_kinds: tuple[SensorKind, ...] = ()
    firing_order: tuple[int, ...] = ()
    firing_angles_deg: Floats = array()  # (cylinders,)
    idle_rpm: float = 700.0
    bore_mm: float = 86.0
    stroke_mm: float = 86.0
    rod_mm: float = 143.0
    compression_ratio: float = 10.0
    inertia_kg_m2: float | None = None
    breathing: Breathing | None = None  # only the real gas needs it
    valves_of: tuple[tuple[str, str, tuple[int, ...]], ...] = ()  # cam, "intake" or "exhaust", cylinders that it works

    @property
    def cylinders(self) -> int:
        """How many there are."""
        return len(self.firing_angles_deg)

    @property
    def displacement_m3(self) -> float:
        """Swept volume of all cylinders. [m^3]"""
        return float(self.cylinders * np.pi / 4 * (self.bore_mm * 1e-3) ** 2 * self.stroke_mm * 1e-3)

    def kind_of(self, cam: str) -> SensorKind:
        """The sensor of one cam; Hall where nothing is said."""
        named = dict(zip((c.cam for c in self.cams), self.cam_kinds, strict=False))
        return named.get(cam, "hall")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Fault(Record):
    """One thing that is wrong. ``target`` is a cam ("1A"), a bank ("2"), a cylinder, or "all".

    ``value`` by kind: slip: teeth, late positive; wear: deg late; loose: deg of wandering, +-; stuck: deg away from
    park in the phaser's direction; moving: deg of travel under control; lost: share of the time; crank-shift: deg that
    the crank wheel sits late; weak, leak: share of the cylinder's pull or compression that is left; slow
    (seen in slow logs only): how many times slower the phaser moves.
    """

    kind: FaultKind
    target: str = "all"
    value: float = 1.0
    stage: int | None = None  # slip: which stage of the drive, 1 at the crank; None is the last one

    def hits(self, cam: str) -> bool:
        """Whether a cam is meant: itself, its bank, or all."""
        return self.target in ("all", cam, cam[:-1])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Running(Record):
    """How the engine is turned. ``rpm`` None: 200 cranking, the engine's own idle otherwise."""

    mode: Mode = "idle"
    seconds: float = 10.0
    rpm: float | None = None
    swing: float = 0.35  # cranking: peak to peak speed over the mean
    rest_s: float = 0.3  # stands still before the starter turns
    peak_rpm: float = 3500.0  # of a snap of the throttle
    burn_scatter: float = 0.08  # coefficient of variation of a cycle's work
    wander: float = 0.01  # slow random change of speed, share of the mean


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sensor(Record):
    """A sensor, its wheel's imperfections, and how it is wired."""

    low_v: float = 0.2
    high_v: float = 5.0
    rise_s: float = 8e-6  # 10 to 90 %
    fall_s: float = 2e-6
    delay_s: float = 5e-6
    jitter_deg: float = 0.01
    jitter_s: float = 1e-6
    shift_deg_per_krpm: float = 0.0  # switching point's move with speed; opposite for the two polarities
    ringing: float = 0.0  # share of the step
    ringing_hz: float = 30e3
    duty: float = 0.5  # share of the smallest pitch between an active edge and the one that follows
    coil_v_per_krpm: float = 4.0  # peak of an ordinary tooth
    tooth_width: float = 0.3  # standard width of a tooth's flux, share of the pitch
    bias_v: float = 0.0
    clip_v: float | None = None
    runout_deg: float = 0.0  # wheel off centre: once a turn of its shaft
    runout_phase_deg: float = 0.0
    gap_swing: float = 0.0  # coil: change of the amplitude once a turn, share
    tooth_sd_deg: float = 0.0
    mount_deg: float = 0.0  # the wheel sits this much late on its shaft
    missing: float = 0.0  # chance that a pulse is lost
    extra_per_s: float = 0.0
    swapped: bool = False


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Recorder(Record):
    """What writes it down, and what it picks up on the way."""

    kind: Literal["sampled", "edges"] = "sampled"
    rate_hz: float = 50e3
    bits: int = 12
    span_v: float = 10.0  # full scale is +- this
    noise_v: float = 0.01
    drift_v: float = 0.0
    resolution_s: float = 1e-7  # edges: step of the clock
    coupling_hz: float = 0.0  # AC coupling's corner; 0 is DC
    spikes_per_s: float = 0.0
    spike_v: float = 0.0
    ignition_v: float = 0.0  # pick-up at each firing
    brush_v: float = 0.0  # starter's brush noise while it turns


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Starter(Record):
    """Battery, cables and a permanent-magnet starter, seen at the crank. Common practice, no source."""

    battery_v: float = 12.6
    battery_ohm: float = 0.011
    rest_ohm: float = 0.010  # cables, brushes, windings
    grip_nm_a: float | None = None  # torque at the crank per ampere; None: so that the wanted speed comes out
    free_a: float = 35.0
    charging_v: float = 14.2  # once it runs


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RealGas(Record):
    """Turn the crank by the gas of every cylinder, breathing through its valves, and say what else is recorded."""

    around: Surroundings = field(default_factory=Surroundings)
    starter: Starter = field(default_factory=Starter)
    friction: float = 1.0  # times the usual
    cranking_throttle_mm2: float = 1500.0  # effective, while there is no fuel
    also: tuple[str, ...] = ()  # roles to record beside crank and cams: "starter_current", "cylinder_pressure:3", ...


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Scenario(Record):
    """All of it. ``sensors`` holds (role, Sensor) where a role is not like ``sensor``."""

    running: Running = field(default_factory=Running)
    faults: tuple[Fault, ...] = ()
    recorder: Recorder = field(default_factory=Recorder)
    sensor: Sensor = field(default_factory=Sensor)
    sensors: tuple[tuple[str, Sensor], ...] = ()
    wobble_deg: float = 0.2  # a healthy cam's swing at firing frequency
    cycle_sd_deg: float = 0.05  # a healthy cam's change from cycle to cycle
    stretch_deg_per_krpm: float = 0.0
    gas: RealGas | None = None  # None: compression and burn as simple tables, enough for the crank's ripple

    def sensor_of(self, role: str) -> Sensor:
        """The sensor behind one role."""
        return dict(self.sensors).get(role, self.sensor)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CamTruth(Record):
    """What one cam really did."""

    cam: str
    teeth: int  # on the last stage's count, late positive; 0 if none slipped
    offset_deg: float  # mean over the whole cycles with the engine turning, NaN when there is none
    scatter_deg: float  # standard deviation of the cycles' offsets
    erratic: bool  # a loose phaser
    signal_share: float  # of the turning time with a live signal
    cycle_times_s: Floats = array()  # (C,)
    cycle_offset_deg: Floats = array()  # (C,)
    causes: tuple[str, ...] = ()  # kinds of the faults that hit it


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Truth(Record):
    """What really happened."""

    cams: tuple[CamTruth, ...]
    crank_shift_deg: float = 0.0
    zero_times_s: Floats = array()  # compression tops of cylinder 1
    rpm: tuple[float, float, float] = (0.0, 0.0, 0.0)  # least, median, greatest while turning
    cycles: int = 0

    def of(self, cam: str) -> CamTruth:
        """One cam's truth."""
        return next(c for c in self.cams if c.cam == cam)
