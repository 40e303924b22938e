"""The frozen values that cross rooms.

Arrays are checked for dtype and dimension and made read-only on construction; a record that is unpickled goes
through its constructor again, so the promise holds in other processes too. Change means ``dataclasses.replace``.

Shape letters: S samples, E edges, T teeth of one wheel turn, K clock knots, C engine cycles, N edges of a cam wheel.
Times are seconds from the recording's own zero. Angles are crank degrees, positive late; see ``docs/adr/0001``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from tightside.errors import InternalError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

RAW_DTYPES = (np.int16, np.uint16, np.uint8, np.int8, np.int32, np.float32, np.float64)


def _rebuild(kind: type[Any], values: dict[str, Any]) -> Any:
    return kind(**values)


def array(dtype: type | None = np.float64, ndim: int = 1) -> Any:
    """Declare a read-only array field. dtype None takes any of RAW_DTYPES as it is."""
    return field(metadata={"array": (dtype, ndim)})


class Record:
    """Base of every record: checks declared arrays, freezes them, pickles through the constructor."""

    __slots__ = ()

    def __post_init__(self) -> None:
        for f in fields(self):  # type: ignore[arg-type]
            if "array" in f.metadata:
                object.__setattr__(self, f.name, self._checked(f.name, *f.metadata["array"]))

    def _checked(self, name: str, dtype: type | None, ndim: int) -> NDArray[Any]:
        value = np.asarray(getattr(self, name), dtype=dtype)
        if dtype is None and value.dtype.type not in RAW_DTYPES:
            value = value.astype(np.float64)
        if value.ndim != ndim:
            raise InternalError(
                code="record-shape",
                what=f"{type(self).__name__}.{name} has the wrong number of dimensions",
                expected=str(ndim),
                got=str(value.ndim),
            )
        if value.flags.writeable:
            value = value.view()
            value.flags.writeable = False
        return value

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (type(self), {f.name: getattr(self, f.name) for f in fields(self)})  # type: ignore[arg-type]


def same(a: Any, b: Any) -> bool:
    """Whether two records (or plain values) hold the same, arrays element by element, NaN equal to NaN."""
    if isinstance(a, Record):
        return type(a) is type(b) and all(same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))  # type: ignore[arg-type]
    if isinstance(a, np.ndarray):
        return isinstance(b, np.ndarray) and a.dtype == b.dtype and np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
    if isinstance(a, tuple | list):
        return type(a) is type(b) and len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, dict):
        return isinstance(b, dict) and a.keys() == b.keys() and all(same(a[k], b[k]) for k in a)
    if isinstance(a, float) and isinstance(b, float) and np.isnan(a):
        return bool(np.isnan(b))
    return bool(a == b)


# ---------------------------------------------------------------------------------------------------- recordings


@dataclass(frozen=True, slots=True, eq=False)
class Trace(Record):
    """An evenly sampled channel. Physical value = raw * scale + offset, in the channel's unit."""

    raw: NDArray[Any] = array(None)  # (S,)
    rate_hz: float = 1.0
    start_s: float = 0.0
    scale: float = 1.0
    offset: float = 0.0

    @property
    def duration_s(self) -> float:
        return len(self.raw) / self.rate_hz

    def times_s(self) -> Floats:
        return self.start_s + np.arange(len(self.raw)) / self.rate_hz

    def values(self) -> Floats:
        return self.raw * self.scale + self.offset


@dataclass(frozen=True, slots=True, eq=False)
class Levels(Record):
    """A logic channel of an edge list: only real changes of this channel, strictly in time order."""

    times_s: Floats = array()  # (E,)
    levels: NDArray[np.int8] = array(np.int8)  # (E,) the level from that time on, 0 or 1
    start_s: float = 0.0  # the recorder was watching from here ...
    end_s: float = 0.0  # ... to here
    resolution_s: float = 0.0  # step of the recorder's clock as far as the times show it

    @property
    def duration_s(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, eq=False)
class Readings(Record):
    """A slow log's column, or anything sampled unevenly."""

    times_s: Floats = array()  # (S,)
    values: Floats = array()  # (S,) NaN where the cell was empty

    @property
    def duration_s(self) -> float:
        return float(self.times_s[-1] - self.times_s[0]) if len(self.times_s) else 0.0


Samples = Trace | Levels | Readings


@dataclass(frozen=True, slots=True, eq=False)
class Channel(Record):
    """One column: its heading, what it measures, and why we think so."""

    column: str
    data: Samples
    unit: str = ""
    role: str | None = None  # DESIGN 5: "crank", "cam:1A", "starter_current", "log:rpm", ...
    why: str = ""
    by_hand: bool = False  # the user said so; never overruled, though doubted aloud


@dataclass(frozen=True, slots=True, eq=False)
class Recording(Record):
    """A time base and named channels."""

    file: str
    kind: Literal["sensor", "log", "sound"]
    channels: tuple[Channel, ...]
    format: str = ""  # name of the reader that read it
    warnings: tuple[str, ...] = ()
    hashed: object = ""  # the file's SHA-256 as text, or something still at work that becomes it

    @property
    def sha256(self) -> str:
        """Of the file as it was given; waits where it is still being worked out."""
        return str(self.hashed)

    def with_role(self, role: str) -> Channel | None:
        return next((c for c in self.channels if c.role == role), None)


# ------------------------------------------------------------------------------------------------------- signals

SensorKind = Literal["hall", "vr", "logic"]
Quality = Literal["good", "clipped", "noisy", "flat"]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeTrain(Record):
    """Level changes of one sensor, sub-sample, strictly in time order.

    A VR sensor's edges are its zero crossings about its own rest level: ``rising`` ones go up through it. ``quality``
    is "flat" (nothing moves), "noisy" (it moves, but no pattern stands out of the noise: edges are then empty),
    "clipped" (usable, tops cut off or wrapped) or "good".
    """

    column: str
    times_s: Floats = array()  # (E,)
    rising: Bools = array(np.bool_)  # (E,)
    kind: SensorKind = "logic"
    quality: Quality = "good"
    start_s: float = 0.0
    end_s: float = 0.0
    timing_sd_s: float = 0.0  # one edge's random timing error: sampling, noise over slope
    transition_s: float = 0.0  # median 10 to 90 % time of a level change; 0 where the recorder hides it
    low: float = 0.0  # typical levels (or the swing of a coil) in the channel's unit
    high: float = 1.0
    notes: tuple[str, ...] = ()
    sharper: Literal["rising", "falling"] | None = None  # a coil's steeper crossing, at the tooth; None where unknown

    def of(self, edge: str) -> Floats:
        """Times of one polarity, "rising" or "falling"."""
        times: Floats = self.times_s[self.rising == (edge == "rising")]
        return times


@dataclass(frozen=True, slots=True, eq=False)
class WheelPattern(Record):
    """Where the active edges of a wheel stand in one turn.

    ``repeat_deg`` is the smallest turn that maps the wheel onto itself: 360 for a wheel with one gap, 120 for three
    like gaps, a tooth pitch for an even wheel. The angle read from such a wheel is known only modulo that.
    """

    name: str  # "60-2", "12+1", "uneven 4", "even 24", "36-2-2-2"
    angles_deg: Floats = array()  # (T,) in [0, 360), increasing, first is 0 (measured from position 0's edge)
    position_0_deg: float = 0.0  # crank angle at which angles_deg == 0 passes
    active_edge: Literal["rising", "falling"] = "rising"
    kind: SensorKind = "hall"
    learned: bool = False
    repeat_deg: float = 360.0
    position_known: bool = True  # False when learned: position 0 is then only a convention
    tooth_sd_deg: float = 0.0  # how well the angles are known

    @property
    def pulses_per_revolution(self) -> int:
        return len(self.angles_deg)


@dataclass(frozen=True, slots=True, eq=False)
class ToothTrack(Record):
    """Crank edges that were given a place on the wheel.

    ``turn_deg`` is unwrapped: it counts on by 360 each turn, and starts anew with each segment (the engine stopped, or
    the wheel was lost for longer than could be bridged). Zero of ``turn_deg`` is the wheel's position 0.
    """

    times_s: Floats = array()  # (K,)
    turn_deg: Floats = array()  # (K,)
    segment: Ints = array(np.int64)  # (K,) 0, 0, 0, 1, 1, ...
    missed: int = 0  # teeth that gave no pulse
    extra: int = 0  # pulses that belong to no tooth
    lost_s: float = 0.0  # turning, but not followed
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class CrankClock(Record):
    """Time to crank angle and back.

    Piecewise cubic between teeth, monotone. ``angle_deg`` counts on from 0..repeat; add ``k * repeat_deg`` to reach the
    engine file's frame: which k, the cams say.
    """

    times_s: Floats = array()  # (K,) knots
    angle_deg: Floats = array()  # (K,) strictly increasing within a segment
    speed_deg_s: Floats = array()  # (K,) slope at the knot
    segment: Ints = array(np.int64)  # (K,)
    repeat_deg: float = 360.0
    position_known: bool = True
    error_deg: float = 0.0  # standard deviation of the angle between teeth
    transition_s: float = 0.0  # of the crank sensor's level changes


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AngleTrace(Record):
    """A sampled channel over even steps of crank angle, on the crank clock."""

    column: str
    role: str
    unit: str
    step_deg: float
    angle_deg: Floats = array()  # (A,) middle of each step, unwrapped, increasing within a segment
    values: Floats = array()  # (A,) mean over the step
    speed_deg_s: Floats = array()  # (A,)
    times_s: Floats = array()  # (A,)
    segment: Ints = array(np.int64)  # (A,) of the clock


# -------------------------------------------------------------------------------------------------------- timing


class Sprockets(Protocol):
    """Anything with the tooth counts of one stage."""

    @property
    def driver_teeth(self) -> int:
        """Teeth on the sprocket nearer the crank."""

    @property
    def driven_teeth(self) -> int:
        """Teeth on the sprocket nearer the cam."""


@dataclass(frozen=True, slots=True, eq=False)
class DriveStage(Record):
    """One chain, belt or gear pair between crank and cam, from the crank outward."""

    driver_teeth: int
    driven_teeth: int
    pitch_mm: float | None = None
    links: int | None = None


def tooth_pitch_deg(stages: Sequence[Sprockets], stage_index: int = -1) -> float:
    """Crank degrees that a cam moves when the chain of one stage jumps one tooth. [deg]

    Parameters
    ----------
    stages : from crank to cam
    stage_index : which of them; the last one by default

    Examples
    --------
    One stage 21/42: 720 / 42 = 17.14. Two stages 24/36 and 24/32 (3/2 * 4/3 = 2): the last gives 2 * 360/32 = 22.5, the
    first 2 * 360/36 * 24/32 = 15.

    Notes
    -----
    One tooth turns the driven shaft 360 / N; the later stages bring that to the cam; a cam degree is two crank degrees.
    """
    index = range(len(stages))[stage_index]
    pitch_deg = 2.0 * 360.0 / stages[index].driven_teeth
    for stage in stages[index + 1 :]:
        pitch_deg *= stage.driver_teeth / stage.driven_teeth
    return pitch_deg


@dataclass(frozen=True, slots=True, eq=False)
class CamPattern(Record):
    """What a camshaft's sensor should show: edges over one cycle, and what drives the shaft."""

    cam: str  # "1A"
    edges_deg: Floats = array()  # (N,) in [0, 720), increasing
    rising: Bools = array(np.bool_)  # (N,)
    stages: tuple[DriveStage, ...] = ()
    phaser_authority_deg: float = 0.0
    phaser_advances: bool = True
    edge_sd_deg: float = 0.0  # how well the angles are known (0 for an engine file's own)
    edge_sds_deg: tuple[float, ...] = ()  # the same for each edge, where it is known
    reference: str = "engine file"
    kind: SensorKind | None = None

    @property
    def bank(self) -> str:
        return self.cam[:-1]


OTHER_BANK = "other bank"  # how the reference of a cam begins that was only compared with another
CamState = Literal["in time", "slipped", "erratic", "off, not by a whole tooth", "no signal", "not enough data"]


@dataclass(frozen=True, slots=True, eq=False)
class CamEdges(Record):
    """A cam's edges on the crank clock, before any reference: what ``describe`` shows and ``learn`` stores."""

    cam: str
    column: str
    times_s: Floats = array()  # (E,)
    angle_deg: Floats = array()  # (E,) on the clock, unwrapped
    rising: Bools = array(np.bool_)  # (E,)
    speed_deg_s: Floats = array()  # (E,)
    segment: Ints = array(np.int64)  # (E,) of the clock
    timing_sd_s: float = 0.0
    transition_s: float = 0.0
    sharper: Literal["rising", "falling"] | None = None  # of a coil


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CycleOffsets(Record):
    """One cam's offset, cycle by cycle, and where each of its edges stands on average. Positive late."""

    cam: str
    column: str
    times_s: Floats = array()  # (C,) mid-time of the cycle
    offset_deg: Floats = array()  # (C,) NaN where a cycle could not be used
    rpm: Floats = array()  # (C,)
    edge_offset_deg: Floats = array()  # (N,) mean actual minus nominal of each nominal edge, NaN where never seen
    edge_count: Ints = array(np.int64)  # (N,) cycles in which it was seen
    edges_per_cycle: int = 0
    cycles: int = 0
    systematic_sd_deg: float = 0.0  # wheel runout, sensor delay, interpolation: does not average out
    edge_angles_deg: Floats = array()  # (N,) mean angles in the engine file's frame
    within_sd_deg: float = 0.0  # spread of single edges about their cycle, fixed differences taken out
    inverted: bool = False  # the signal is upside down against its pattern
    place_certain: bool = True  # no other place of the crank wheel fits the cams as well
    edges_seen: int = 0  # edges that found their place ...
    edges_total: int = 0  # ... of those the sensor gave
    turned: CycleOffsets | None = None  # the same, should the signal be upside down, where nothing shows whether it is


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CamOffset(Record):
    """The verdict on one camshaft: DESIGN 6, an entry of ``cams``."""

    cam: str
    column: str
    state: CamState
    reference: str
    edges_per_cycle: int = 0
    cycles: int = 0
    offset_deg: float | None = None
    ci95_deg: tuple[float, float] | None = None
    scatter_deg: float | None = None
    tooth_pitch_deg: float | None = None
    teeth: tuple[tuple[int, float], ...] = ()  # (teeth, probability), positive late
    teeth_call: int | None = None
    teeth_stage: int | None = None  # stage of the drive on which teeth are counted, from the crank, 1 is the first
    edge_angles_deg: tuple[float, ...] = ()
    cycle_times_s: Floats = array()  # (C,)
    cycle_offset_deg: Floats = array()  # (C,)
    cycle_rpm: Floats = array()  # (C,)
    drift_deg_per_krpm: float | None = None
    drift_deg_per_s: float | None = None
    notes: tuple[str, ...] = ()
    evidence: Literal["sensor", "log"] = "sensor"  # a log's "cycles" are its readings in steady stretches
    ways: tuple[tuple[float, float], ...] = ()  # (offset_deg, probability) where a log's unit or side stays open


# -------------------------------------------------------------------------------------------------- logs and codes

CauseName = Literal[
    "in_time",
    "chain_slipped",
    "chain_worn",
    "phaser_loose",
    "phaser_stuck",
    "oil_control",
    "cam_signal",
    "crank_signal",
    "drive_broken",
    "wrong_reference",
]
#: how far a finding moves a cause: a class of likelihood ratio, not a threshold; "against" speaks against the cause
Weight = Literal["strong", "moderate", "weak", "against"]
Supports = tuple[tuple[CauseName, Weight], ...]

CodeKind = Literal[
    "circuit",  # the wire: open, short, low, high, intermittent
    "performance",  # a signal or an actuator that does not behave
    "position",  # a camshaft that is not where it is told to be
    "correlation",  # cam and crank that do not agree
    "misfire",
    "airflow",  # throttle, idle air, manifold and mass air flow
    "oil",
    "other",
]
CodeStatus = Literal["stored", "pending", "confirmed", "permanent", "new", "history"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CodeFinding(Record):
    """One trouble code: what it says, what it does not, and which causes it supports."""

    code: str
    meaning: str
    standard: bool = True  # False: a maker's own code, from the user's table or not known at all
    known: bool = True  # False: in no table; kept, and said to be unknown
    says: str = ""
    does_not_say: str = ""
    bank: str | None = None
    cam: str | None = None  # "1A"
    kind: CodeKind = "other"
    status: CodeStatus = "stored"  # "new": came back after the codes were cleared
    status_byte: int | None = None  # ISO 14229-1 DTC status, where it was given
    supports: Supports = ()
    points_to: tuple[str, ...] = ()  # other rooms to ask: "airflow", "cylinders"
    source: str = ""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CodeSetFinding(Record):
    """What several codes say together. For the causes it names it stands in place of its codes' own weights."""

    pattern: str  # short name: "correlation on both banks"
    codes: tuple[str, ...]
    says: str
    does_not_say: str = ""
    bank: str | None = None
    cam: str | None = None
    supports: Supports = ()
    contradiction: bool = False  # the codes cannot all follow from one sound reading


PhaserEvidence = Literal["actual and desired", "error only", "actual only", "desired only"]
PhaserState = Literal["follows", "slow", "stuck", "wandering", "offset", "lost signal", "cannot tell"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PhaserMotion(Record):
    """How one phaser moves, from a slow log. Crank degrees, positive late; None where the log does not show it."""

    cam: str
    columns: tuple[str, ...] = ()
    evidence: PhaserEvidence = "actual and desired"
    state: PhaserState = "cannot tell"  # the plainest reading; causes weigh the numbers below instead
    duration_s: float = 0.0
    steps: int = 0  # moves of the desired angle that were large enough to fit
    response_s: float | None = None  # time constant of its answer to a step
    response_ci95_s: tuple[float, float] | None = None
    lag_s: float | None = None  # dead time before it begins to move, sampling stagger included
    lag_ci95_s: tuple[float, float] | None = None
    follows: float | None = None  # share of a desired move that it makes in the end: 1 sound, 0 stuck
    follows_ci95: tuple[float, float] | None = None
    steady_error_deg: float | None = None  # actual minus desired while both hold still
    steady_error_ci95_deg: tuple[float, float] | None = None
    wander_deg: float | None = None  # robust sd of that, recorder's step taken out
    wander_ci95_deg: tuple[float, float] | None = None
    steady_s: float = 0.0  # length of the steady stretches
    effective_count: float = 0.0  # independent readings that they are worth
    parked_share: float | None = None  # share of the time in which desired is at park
    unit: Literal["crank", "cam", "unknown"] = "unknown"  # of the columns as logged
    sign: Literal["advance positive", "retard positive", "unknown"] = "unknown"
    signal: Literal["", "frozen", "out of range", "default value", "dropouts"] = ""
    learned_offset: bool = False  # the module may have learned an offset that hides a slip
    notes: tuple[str, ...] = ()


# ------------------------------------------------------------------------------------------------------- cylinders


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ValveEvent(Record):
    """Where one valve really opens or closes, after the cylinder's own compression top, as the engine file means it."""

    name: Literal["evo", "evc", "ivo", "ivc"]
    angle_deg: float
    sd_deg: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PressureOffset(Record):
    """How far one kind of valve is from where the engine file puts it, by one cylinder's pressure. Positive late."""

    cam: str
    valve: Literal["intake", "exhaust"]
    offset_deg: float
    sd_deg: float


PressureZero = Literal["absolute", "gauge", "unknown"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PressureFinding(Record):
    """What one cylinder's pressure shows. None where it does not show it; ``notes`` say why."""

    cylinder: int
    column: str
    unit: str
    kind: Literal["motored", "fired", "none"]
    cycles: int = 0
    fired_cycles: int = 0
    rpm: float | None = None
    zero: PressureZero = "unknown"
    zero_value: float | None = None  # reading at no pressure at all, in the channel's unit
    per_kpa: float | None = None  # reading per kPa
    scale_known: bool = False
    drift: float = 0.0  # taken out, in the channel's unit
    tdc_deg: float | None = None  # in the engine file's frame; 0 where it should be
    tdc_sd_deg: float | None = None
    loss_angle_deg: float | None = None  # top dead centre after the peak
    peak_kpa_abs: float | None = None
    peak_spread: float | None = None  # of the peak from cycle to cycle, share
    lean_deg: float | None = None
    compression_exponent: tuple[float, float] | None = None  # value, standard deviation
    expansion_exponent: tuple[float, float] | None = None
    expansion_ratio: float | None = None  # absolute pressure 60 deg after top over 60 before
    hole_mm2: tuple[float, float] | None = None
    held: float | None = None  # gauge peak over what the same charge would give without a hole
    intake_kpa_abs: tuple[float, float] | None = None
    exhaust_kpa_abs: tuple[float, float] | None = None
    events: tuple[ValveEvent, ...] = ()
    offsets: tuple[PressureOffset, ...] = ()
    notes: tuple[str, ...] = ()
    theta_deg: Floats = array()  # (A,) after its compression top
    mean: Floats = array()  # (A,) in kPa absolute where the scale is known or fitted, else in the channel's unit
    low: Floats = array()  # (A,) least and greatest over the cycles
    high: Floats = array()
    model: Floats = array()  # (A,) or empty
    volume_m3: Floats = array()  # (A,)


Sealing = Literal["good", "suspect", "poor", "unknown"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CylinderFinding(Record):
    """What one cylinder does, beside the others. ``place`` counts in firing order from 1."""

    place: int
    cylinder: int | None  # None: no sync, only the order is known
    relative_compression: tuple[float, float] | None = None  # share of the engine's sound cylinders, standard deviation
    contribution: tuple[float, float] | None = None  # share of the better half's work, standard deviation
    sealing: Sealing = "unknown"
    pulls: Literal["good", "weak", "none", "unknown"] = "unknown"
    cycle_compression: tuple[float, ...] = ()  # cycle by cycle
    cycle_contribution: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CylindersFinding(Record):
    """All cylinders in firing order, and what the numbers rest on."""

    cylinders: tuple[CylinderFinding, ...] = ()
    compression_from: str = ""  # "starter current", "battery voltage", "crank speed" or ""
    contribution_from: str = ""
    sync: str = ""  # what named the cylinders; "" where nothing did
    cycles: int = 0
    spread: float | None = None  # of relative compression: one less lowest over highest
    notes: tuple[str, ...] = ()


# ---------------------------------------------------------------------------------------- what the mechanism will do


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CylinderForecast(Record):
    """What a compression gauge would show at one cylinder. Pressures in kPa; intervals hold 95 in 100."""

    cylinder: int
    bank: int
    peak_kpa_abs: float
    gauge_kpa: float  # above ambient
    gauge_ci95_kpa: tuple[float, float]
    in_time_gauge_kpa: float  # the same engine with nothing wrong
    relative_to_in_time: float  # gauge reading over that in time
    relative_ci95: tuple[float, float]
    evo_deg: float  # where the valves open and close, after the cylinder's own compression top
    evc_deg: float
    ivo_deg: float
    ivc_deg: float
    leak_mm2: float = 0.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ToothForecast(Record):
    """Compression with one kind of cam off by whole teeth, all else sound, as a share of that in time."""

    works: str  # "intake", "exhaust" or "intake and exhaust"
    teeth: int  # positive late
    offset_deg: float
    relative_to_in_time: float
    relative_ci95: tuple[float, float]
    contact: float  # chance that valves and pistons meet there


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Unknown(Record):
    """Something that the forecast had to assume, and what that is worth."""

    name: str
    taken: str
    gauge_percent: float  # change of the gauge reading by one standard deviation of it
    relative_percent: float  # ... and of the share of in time


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Forecast(Record):
    """What an engine with given cam offsets and leaks would show while cranking."""

    engine: str
    rpm: float
    manifold_kpa_abs: float
    ambient_kpa: float
    cams: tuple[tuple[str, float, int | None], ...]  # cam, offset late [deg], teeth where counted
    cylinders: tuple[CylinderForecast, ...]
    shut_throttle_kpa_abs: tuple[float, float] | None = None  # manifold with the throttle shut: so, and in time
    by_tooth: tuple[ToothForecast, ...] = ()
    unknowns: tuple[Unknown, ...] = ()
    assumed: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    theta_deg: Floats = array()  # (A,) after each cylinder's own compression top
    pressure_kpa: Floats = array(ndim=2)  # (A, Y) absolute, cylinders in the order of ``cylinders``
    in_time_kpa: Floats = array(ndim=2)  # (A, Y)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class GapTrace(Record):
    """Gap between one kind of valve and its piston over crank angle, at one offset of its cam."""

    cam: str
    valve: str
    teeth: int | None  # None for an offset that was measured
    offset_deg: float
    gap_mm: float
    gap_ci95_mm: tuple[float, float]
    probability: float  # that they meet
    bend: float  # that they meet hard enough to bend
    theta_deg: Floats = array()  # (A,) after the cylinder's own compression top
    trace_mm: Floats = array()  # (A,)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class GapSurvey(Record):
    """Everything that the clearance report shows."""

    engine: str
    tolerance_mm: float
    traces: tuple[GapTrace, ...]
    phaser: tuple[tuple[str, str, int, float], ...] = ()  # cam, valve, teeth, gap with the phaser at its worst
    assumed: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
