"""The result of an examination: the object that ``tightside diagnose --json`` prints, schema "tightside/diagnosis/1".

Field names are a contract with outside users: extend, never rename or drop. A section that the evidence does not carry
is absent; a value that could not be measured is null. NaN and infinity never appear.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from tightside.records import (
    OTHER_BANK,
    CamEdges,
    CamOffset,
    CamPattern,
    CamState,
    CodeFinding,
    CodeSetFinding,
    CrankClock,
    CylinderFinding,
    CylindersFinding,
    EdgeTrain,
    PhaserMotion,
    PressureFinding,
    Record,
    Recording,
    Sealing,
    WheelPattern,
)

SCHEMA: Literal["tightside/diagnosis/1"] = "tightside/diagnosis/1"

Number = float | None
Interval = tuple[float, float] | None


def plain(value: Any) -> Any:
    """Numpy scalars and arrays to Python's own, NaN and infinity to None, all the way down."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return value


def _interval(found: tuple[float, float] | None) -> Interval:
    """95 % interval of a value and its standard deviation."""
    return (found[0] - 1.96 * found[1], found[0] + 1.96 * found[1]) if found else None


class Part(BaseModel):
    """Base of every section: frozen, open to extension, free of NaN."""

    model_config = ConfigDict(extra="allow", frozen=True, populate_by_name=True)

    @model_validator(mode="before")
    @classmethod
    def _without_nan(cls, values: Any) -> Any:
        if not isinstance(values, Mapping):
            return values
        known = {k: plain(v) for k, v in values.items()}
        for name, value in known.items():
            if isinstance(value, list) and "ci95" in name and None in value:
                known[name] = None  # half an interval is no interval
        return known


class ChannelPart(Part):
    """One column of a recording, and what it was taken for."""

    column: str
    role: str | None = None
    unit: str = ""
    rows: int = 0
    median: Number = None
    why: str = ""


class SpeedPart(Part):
    """Engine speed over a recording. [rpm]"""

    min: Number = None
    median: Number = None
    max: Number = None


class RecordingPart(Part):
    """One recording: what is in it."""

    file: str
    kind: Literal["sensor", "log", "sound"] = "sensor"
    duration_s: Number = None
    rate_hz: Number = None
    rows: int = 0
    rpm: SpeedPart | None = None
    channels: tuple[ChannelPart, ...] = ()
    warnings: tuple[str, ...] = ()
    format: str = ""
    sha256: str = ""


class CrankPart(Part):
    """The crank wheel as it was read or learned."""

    column: str
    wheel: str | None = None
    pulses_per_revolution: int | None = None
    learned: bool = False
    turn_certain: bool = True  # False: the pattern repeats, and could be another part of a turn than was taken
    pulses_per_repeat: int | None = None  # of a learned wheel: pulses after which its pattern comes again
    could_be: tuple[str, ...] = ()  # wheels that would look the same, likeliest first
    revolutions: Number = None
    faults: tuple[str, ...] = ()
    missed_pulses: int = 0
    extra_pulses: int = 0


class CamSeen(Part):
    """A camshaft's sensor as the recording alone shows it, before any reference."""

    cam: str
    column: str
    edges_per_cycle: int = 0
    pulses_per_cycle: int = 0
    cycles: int = 0
    edge_angles_deg: tuple[Number, ...] = ()  # null for an edge that was never seen
    notes: tuple[str, ...] = ()


class CamVerdict(CamSeen):
    """The verdict on one camshaft. Angles are crank degrees, positive late; so are teeth."""

    state: CamState
    reference: str = ""
    offset_deg: Number = None
    ci95_deg: Interval = None
    scatter_deg: Number = None
    tooth_pitch_deg: Number = None
    teeth: dict[str, float] = Field(default_factory=dict)
    teeth_call: int | None = None
    teeth_stage: int | None = None
    drift_deg_per_krpm: Number = None
    drift_deg_per_s: Number = None
    evidence: Literal["sensor", "log"] = "sensor"
    ways: tuple[tuple[float, float], ...] = ()  # (offset_deg, probability) where a log's unit or side stays open

    @property
    def only_compared(self) -> bool:
        """Whether this says how two banks stand to each other, and no more."""
        return self.reference.startswith(OTHER_BANK) and self.state == "not enough data"

    @property
    def call_probability(self) -> float | None:
        """How probable the call is; None where there is no call."""
        return None if self.teeth_call is None else self.teeth.get(str(self.teeth_call))

    @classmethod
    def of(cls, cam: CamOffset, *, pulses_per_cycle: int = 0) -> CamVerdict:
        """The cam's entry in the result, from the record of the timing room."""
        return cls(
            cam=cam.cam,
            column=cam.column,
            state=cam.state,
            reference=cam.reference,
            edges_per_cycle=cam.edges_per_cycle,
            pulses_per_cycle=pulses_per_cycle or cam.edges_per_cycle // 2,
            cycles=cam.cycles,
            offset_deg=cam.offset_deg,
            ci95_deg=cam.ci95_deg,
            scatter_deg=cam.scatter_deg,
            tooth_pitch_deg=cam.tooth_pitch_deg,
            teeth={str(k): p for k, p in cam.teeth},
            teeth_call=cam.teeth_call,
            teeth_stage=cam.teeth_stage,
            edge_angles_deg=cam.edge_angles_deg,
            drift_deg_per_krpm=cam.drift_deg_per_krpm,
            drift_deg_per_s=cam.drift_deg_per_s,
            notes=cam.notes,
            evidence=cam.evidence,
            ways=cam.ways,
        )


class EvidencePart(Part):
    """One piece of evidence: what it adds to a cause's log-odds when all the rest is known. [deciban]"""

    text: str
    decibans: float


class CausePart(Part):
    """One possible cause and how probable it is."""

    cause: Literal[
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
    probability: float
    cam: str | None = None
    bank: str | None = None
    cylinder: int | None = None
    because: tuple[str, ...] = ()
    present: Number = None  # that such a fault concerns the cam at all, be it the first to mend or not
    evidence: tuple[EvidencePart, ...] = ()  # for and against, the weightiest first
    would_change: str = ""  # the likeliest single finding that would bring another cause to the front


class SupportPart(Part):
    """How far a finding moves one cause."""

    cause: str
    weight: Literal["strong", "moderate", "weak", "against"]


class CodePart(Part):
    """A trouble code and what it supports. ``supports`` holds the causes it speaks for, ``weights`` also against."""

    code: str
    meaning: str
    standard: bool = True
    supports: tuple[str, ...] = ()
    known: bool = True
    says: str = ""
    does_not_say: str = ""
    bank: str | None = None
    cam: str | None = None
    kind: str = "other"
    status: str = "stored"
    status_byte: int | None = None
    weights: tuple[SupportPart, ...] = ()
    points_to: tuple[str, ...] = ()
    source: str = ""

    @classmethod
    def of(cls, found: CodeFinding) -> CodePart:
        """The code's entry in the result, from the record of the codes room."""
        return cls(
            code=found.code,
            meaning=found.meaning,
            standard=found.standard,
            supports=tuple(cause for cause, weight in found.supports if weight != "against"),
            known=found.known,
            says=found.says,
            does_not_say=found.does_not_say,
            bank=found.bank,
            cam=found.cam,
            kind=found.kind,
            status=found.status,
            status_byte=found.status_byte,
            weights=tuple(SupportPart(cause=cause, weight=weight) for cause, weight in found.supports),
            points_to=found.points_to,
            source=found.source,
        )


class CodeSetPart(Part):
    """What several codes say together."""

    pattern: str
    codes: tuple[str, ...]
    says: str
    does_not_say: str = ""
    bank: str | None = None
    cam: str | None = None
    weights: tuple[SupportPart, ...] = ()
    contradiction: bool = False

    @classmethod
    def of(cls, found: CodeSetFinding) -> CodeSetPart:
        """The set's entry in the result."""
        return cls(
            pattern=found.pattern,
            codes=found.codes,
            says=found.says,
            does_not_say=found.does_not_say,
            bank=found.bank,
            cam=found.cam,
            weights=tuple(SupportPart(cause=cause, weight=weight) for cause, weight in found.supports),
            contradiction=found.contradiction,
        )


class PhaserPart(Part):
    """How one camshaft's phaser moves, from a log. Crank degrees, positive late."""

    cam: str
    columns: tuple[str, ...] = ()
    evidence: str = ""
    state: str = "cannot tell"
    duration_s: Number = None
    steps: int = 0
    response_s: Number = None
    response_ci95_s: Interval = None
    lag_s: Number = None
    lag_ci95_s: Interval = None
    follows: Number = None
    follows_ci95: Interval = None
    steady_error_deg: Number = None
    steady_error_ci95_deg: Interval = None
    wander_deg: Number = None
    wander_ci95_deg: Interval = None
    steady_s: Number = None
    effective_count: Number = None
    parked_share: Number = None
    unit: str = "unknown"
    sign: str = "unknown"
    signal: str = ""
    learned_offset: bool = False
    notes: tuple[str, ...] = ()

    @classmethod
    def of(cls, motion: PhaserMotion) -> PhaserPart:
        """The phaser's entry in the result, from the record of the timing room."""
        return cls(**{f.name: getattr(motion, f.name) for f in fields(motion)})


class CylinderPart(Part):
    """What one cylinder does."""

    cylinder: int | None  # null where nothing names the cylinders: then only their order is known
    relative_compression: Number = None
    relative_compression_ci95: Interval = None
    contribution: Number = None
    sealing: Literal["good", "suspect", "poor", "unknown"] = "unknown"
    place: int | None = None  # in firing order, from 1
    contribution_ci95: Interval = None
    pulls: Literal["good", "weak", "none", "unknown"] = "unknown"

    @classmethod
    def of(cls, found: CylinderFinding) -> CylinderPart:
        """The cylinder's entry in the result, from the record of the cylinders room."""
        compression, contribution = found.relative_compression, found.contribution
        return cls(
            cylinder=found.cylinder,
            place=found.place,
            relative_compression=compression[0] if compression else None,
            relative_compression_ci95=_interval(compression),
            contribution=contribution[0] if contribution else None,
            contribution_ci95=_interval(contribution),
            sealing=found.sealing,
            pulls=found.pulls,
        )


class PressurePart(Part):
    """One cylinder's pressure: top dead centre, valve events, what the cams' offsets are by it. [deg]"""

    cylinder: int
    tdc_deg: Number = None  # 0 where it should be
    tdc_ci95: Interval = None
    evo_deg: Number = None  # after the cylinder's own compression top
    evo_ci95: Interval = None
    evc_deg: Number = None
    evc_ci95: Interval = None
    ivo_deg: Number = None
    ivo_ci95: Interval = None
    ivc_deg: Number = None
    ivc_ci95: Interval = None
    offsets: dict[str, dict[str, Any]] = Field(default_factory=dict)
    column: str = ""
    kind: Literal["motored", "fired", "none"] = "none"
    cycles: int = 0
    rpm: Number = None
    zero: Literal["absolute", "gauge", "unknown"] = "unknown"
    scale_known: bool = False
    peak_kpa_abs: Number = None
    peak_spread: Number = None
    loss_angle_deg: Number = None
    compression_exponent: Number = None
    expansion_exponent: Number = None
    expansion_ratio: Number = None  # pressure 60 degrees after top over that 60 before
    held: Number = None  # gauge peak over that of the same charge without a leak
    hole_mm2: Number = None
    intake_kpa_abs: Number = None
    exhaust_kpa_abs: Number = None
    sealing: Literal["good", "suspect", "poor", "unknown"] = "unknown"
    notes: tuple[str, ...] = ()

    @classmethod
    def of(
        cls, found: PressureFinding, offsets: Mapping[str, Mapping[str, Any]], sealing: Sealing = "unknown"
    ) -> PressurePart:
        """The cylinder's entry in the result; ``offsets`` by cam, teeth counted."""
        same = (
            "cylinder", "column", "kind", "cycles", "rpm", "zero", "scale_known", "peak_kpa_abs", "peak_spread",
            "loss_angle_deg", "expansion_ratio", "held", "tdc_deg", "notes",
        )  # fmt: skip
        values: dict[str, Any] = {name: getattr(found, name) for name in same}
        for name in ("compression_exponent", "expansion_exponent", "hole_mm2", "intake_kpa_abs", "exhaust_kpa_abs"):
            pair = getattr(found, name)
            values[name] = pair[0] if pair else None
        for event in found.events:
            values[f"{event.name}_deg"] = event.angle_deg
            values[f"{event.name}_ci95"] = _interval((event.angle_deg, event.sd_deg))
        if found.tdc_deg is not None and found.tdc_sd_deg is not None:
            values["tdc_ci95"] = _interval((found.tdc_deg, found.tdc_sd_deg))
        return cls(**values, offsets={cam: dict(told) for cam, told in offsets.items()}, sealing=sealing)


class AirflowPart(Part):
    """Throttle and idle air."""

    effective_area_mm2: Number = None
    clean_area_mm2: Number = None
    loss_percent: Number = None
    idle_margin_percent: Number = None
    state: str = ""


class ContactPart(Part):
    """Gap between a valve and its piston at so many teeth."""

    cam: str
    valve: str
    teeth: int
    gap_mm: Number = None
    gap_ci95_mm: Interval = None
    probability: Number = None


class TestPart(Part):
    """A test worth doing next."""

    __test__ = False  # not for pytest

    test: str
    minutes: int | None = None
    why: str = ""
    expected_gain: Number = None  # cost of a wrong decision that it is expected to save [min]
    source: str = ""
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


class Diagnosis(Part):
    """Everything that was found, in the order in which it is printed."""

    schema_: Literal["tightside/diagnosis/1"] = Field(default=SCHEMA, alias="schema")
    version: str = ""
    engine: str | None = None
    recordings: tuple[RecordingPart, ...] = ()
    crank: CrankPart | None = None
    cams: tuple[Annotated[CamVerdict | CamSeen, Field(union_mode="left_to_right")], ...] = ()
    causes: tuple[CausePart, ...] | None = None
    conflicts: tuple[str, ...] | None = None  # evidence that does not fit the rest
    codes: tuple[CodePart, ...] | None = None
    code_sets: tuple[CodeSetPart, ...] | None = None
    phasers: tuple[PhaserPart, ...] | None = None
    cylinders: tuple[CylinderPart, ...] | None = None
    pressure: tuple[PressurePart, ...] | None = None
    airflow: AirflowPart | None = None
    contact: tuple[ContactPart, ...] | None = None
    next_tests: tuple[TestPart, ...] | None = None
    verdict: str | None = None
    cautions: tuple[str, ...] | None = None

    @property
    def judged(self) -> tuple[CamVerdict, ...]:
        """The cams that carry a verdict."""
        return tuple(c for c in self.cams if isinstance(c, CamVerdict))

    def as_dict(self) -> dict[str, Any]:
        """Plain Python, sections without evidence left out."""
        values = self.model_dump(mode="json", by_alias=True)
        return {k: v for k, v in values.items() if v is not None}

    def to_json(self) -> str:
        """The text of ``--json``, indented, ending in a newline."""
        import json

        return json.dumps(self.as_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"

    @classmethod
    def from_json(cls, text: str) -> Diagnosis:
        """Read back what ``to_json`` wrote."""
        return cls.model_validate_json(text)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Examination(Record):
    """A diagnosis together with the records that its pictures are drawn from."""

    diagnosis: Diagnosis
    recording: Recording | None = None
    cams: tuple[CamOffset, ...] = ()
    clock: CrankClock | None = None
    wheel: WheelPattern | None = None
    patterns: tuple[CamPattern, ...] = ()
    trains: Mapping[str, EdgeTrain] = field(default_factory=dict)  # by column
    edges: tuple[CamEdges, ...] = ()
    phasers: tuple[PhaserMotion, ...] = ()
    codes: tuple[CodeFinding, ...] = ()
    code_sets: tuple[CodeSetFinding, ...] = ()
    pressure: tuple[PressureFinding, ...] = ()
    cylinders: CylindersFinding | None = None
