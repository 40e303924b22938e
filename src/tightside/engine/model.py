"""The engine file: what a technician or a maker's sheet knows of one engine, checked.

The fields and their meaning are a contract with outside users (``docs/engine-file.md``). Angles are crank degrees, 0 at
compression top of cylinder 1. Everything that is not needed for a verdict on valve timing may be left out; what is left
out reads as ``None`` (or empty), never as a made-up value.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from math import prod
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

Edge = Literal["rising", "falling"]
SensorName = Literal["hall", "vr"]
ValveKind = Literal["intake", "exhaust"]

Length = Annotated[float, Field(gt=0, le=2000)]
Teeth = Annotated[int, Field(ge=1, le=1000)]

SCHEMA = "tightside/engine/1"


class Misfit(ValueError):
    """One thing in an engine file that does not fit.

    Parameters
    ----------
    path : tuple
        Where, from the model that found it: keys and list positions.
    what : str
        What does not fit, in plain words.
    mend : str
        What to write instead.
    """

    def __init__(self, path: Sequence[str | int], what: str, mend: str) -> None:
        self.path = tuple(path)
        self.what = what
        self.mend = mend
        super().__init__(f"{what}. {mend}")


class Part(BaseModel):
    """Base of every part of the file: frozen, finite numbers, unknown keys refused with the nearest known one."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _only_known_keys(cls, data: Any) -> Any:
        if isinstance(data, dict):
            known = [f.alias or name for name, f in cls.model_fields.items()]
            for key in data:
                if key not in known and key not in cls.model_fields:
                    raise Misfit((key,), f"there is no field called {key!r} here", _meant(str(key), known))
        return data


def _meant(key: str, known: list[str]) -> str:
    near = difflib.get_close_matches(key.lower(), known, n=1, cutoff=0.6)
    return f"Did you mean {near[0]!r}? Rename it." if near else f"Known fields: {', '.join(known)}."


def _refuse_unsorted(name: str, angles: Sequence[float], turn_deg: float) -> None:
    for i, angle in enumerate(angles):
        if not 0 <= angle < turn_deg:
            mend = f"Write it as {angle % turn_deg:g}; angles go from 0 to just under {turn_deg:g}."
            raise Misfit((name, i), f"{angle:g} deg is outside 0..{turn_deg:g}", mend)
    for i, (a, b) in enumerate(pairwise(angles)):
        if b <= a:
            raise Misfit(
                (name, i + 1), f"{b:g} deg does not come after {a:g} deg", "List the angles in increasing order."
            )


# ------------------------------------------------------------------------------------------------ crank and wheel


class Geometry(Part):
    """Bore, stroke, rod. What is left out is estimated where it can be, and the result says so."""

    bore_mm: Length | None = None
    stroke_mm: Length | None = None
    rod_mm: Length | None = Field(default=None, description="centre to centre")
    pin_offset_mm: float = Field(
        default=0.0, description="positive toward the side that the throw moves to first after top"
    )
    compression_ratio: Annotated[float, Field(gt=1, le=30)] | None = None
    displacement_cm3: Annotated[float, Field(gt=0, le=100_000)] | None = Field(
        default=None, description="of the whole engine; used only where bore or stroke is left out"
    )

    @model_validator(mode="after")
    def _rod_clears_the_throw(self) -> Self:
        if self.rod_mm is None or self.stroke_mm is None:
            return self
        if self.rod_mm <= self.stroke_mm / 2 + abs(self.pin_offset_mm):
            what = f"a rod of {self.rod_mm:g} mm cannot turn with a stroke of {self.stroke_mm:g} mm"
            raise Misfit(
                ("rod_mm",), what, "Give the rod's length from centre to centre; most are 1.5 to 2 strokes long."
            )
        return self


class Wheel(Part):
    """A crank wheel: evenly spaced positions some of which are missing, or edges as they stand."""

    teeth: Annotated[int, Field(ge=1, le=720)] | None = Field(
        default=None, description="evenly spaced positions, missing included"
    )
    missing: tuple[int, ...] = Field(default=(), description="positions without a tooth, counted from 0")
    edges_deg: tuple[float, ...] | None = Field(
        default=None,
        description="of an irregular wheel: active edges in one revolution, measured from the first, which is 0",
    )

    @model_validator(mode="after")
    def _one_description(self) -> Self:
        if (self.teeth is None) == (self.edges_deg is None):
            got = "neither" if self.teeth is None else "both"
            mend = "Write 'teeth' (with 'missing') for evenly spaced positions, or 'edges_deg' for an irregular wheel."
            raise Misfit((), f"a wheel needs either 'teeth' or 'edges_deg', this one has {got}", mend)
        return self._even_fits() if self.teeth is not None else self._edges_fit()

    def _even_fits(self) -> Self:
        teeth = self.teeth or 0
        for i, position in enumerate(self.missing):
            if not 0 <= position < teeth:
                what = f"position {position} does not exist on a {teeth}-position wheel (0..{teeth - 1})"
                raise Misfit(("missing", i), what, "Write positions counted from 0.")
            if position in self.missing[:i]:
                raise Misfit(("missing", i), f"position {position} is listed twice", "List each missing position once.")
        if len(self.missing) == teeth:
            raise Misfit(("missing",), "no tooth is left on the wheel", "List only the positions without a tooth.")
        return self

    def _edges_fit(self) -> Self:
        edges = self.edges_deg or ()
        if not edges:
            raise Misfit(
                ("edges_deg",), "no edge is listed", "List every active edge of one revolution, the first as 0."
            )
        if edges[0] != 0:
            mend = f"Take {edges[0]:g} from every entry and add it to position_0_deg."
            raise Misfit(("edges_deg", 0), f"the first edge is at {edges[0]:g} deg, and must be 0", mend)
        if self.missing:
            raise Misfit(("missing",), "an irregular wheel has no missing positions", "Leave 'missing' out.")
        _refuse_unsorted("edges_deg", edges, 360.0)
        return self


class CrankSensor(Part):
    """The crank sensor, its wheel, and where on the crank the wheel sits."""

    kind: SensorName = "hall"
    wheel: Wheel
    position_0_deg: Annotated[float, Field(ge=-360, le=720)] | None = Field(
        description="crank angle (mod 360) at which position 0's active edge passes the sensor; null where not known"
    )
    position_0_known: bool = Field(
        default=True,
        description="false: position_0_deg is a convention, as in a file learned from a recording; cams can be held "
        "against it, but top dead centre is not known",
    )
    active_edge: Edge = Field(description="the edge, in the recorded voltage, that these angles mean")

    @property
    def finds_top(self) -> bool:
        """Whether crank angles in this file mean degrees from top dead centre."""
        return self.position_0_deg is not None and self.position_0_known


# ------------------------------------------------------------------------------------------------------------ cams


class CamEdge(Part):
    """One edge of a cam sensor's signal."""

    deg: float
    edge: Edge
    sd_deg: Annotated[float, Field(ge=0, le=90)] | None = Field(
        default=None, description="standard deviation of that angle, where it was learned"
    )


class CamSensor(Part):
    """A cam sensor: its edges over one cycle, at base timing (phaser parked)."""

    kind: SensorName = "hall"
    edges: Annotated[tuple[CamEdge, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _edges_fit(self) -> Self:
        try:
            _refuse_unsorted("edges", [e.deg for e in self.edges], 720.0)
        except Misfit as misfit:
            raise Misfit((*misfit.path, "deg"), misfit.what, misfit.mend) from None
        if len({e.edge for e in self.edges}) == 2:
            self._alternate()
        return self

    def _alternate(self) -> None:
        for i, edge in enumerate(self.edges):
            if edge.edge == self.edges[i - 1].edge:
                before = self.edges[i - 1].deg
                what = f"two {edge.edge} edges in a row, at {before:g} and {edge.deg:g} deg"
                mend = "A signal that rises must fall before it rises again: list both kinds in turn, or one kind only."
                raise Misfit(("edges", i, "edge"), what, mend)


class Stage(Part):
    """One chain, belt or gear pair, from the crank outward."""

    driver_teeth: Teeth
    driven_teeth: Teeth
    pitch_mm: Length | None = None
    links: Annotated[int, Field(ge=4, le=10_000)] | None = None

    @model_validator(mode="after")
    def _chain_reaches(self) -> Self:
        around = (self.driver_teeth + self.driven_teeth) / 2
        if self.links is not None and self.links <= around:
            what = f"{self.links} links cannot go around sprockets of {self.driver_teeth} and {self.driven_teeth} teeth"
            raise Misfit(("links",), what, f"Count the pitches of the whole chain; it needs more than {around:g}.")
        return self


class Phaser(Part):
    """How far a cam can be moved by oil or motor, and which way from its parked place."""

    authority_deg: Annotated[float, Field(ge=0, le=180)] = Field(description="crank degrees")
    direction: Literal["advance", "retard"]


class Cam(Part):
    """One camshaft."""

    works: tuple[Literal["intake", "exhaust", "both"], ...] = Field(
        default=(), description="left out in a learned file: not known"
    )
    sensor: CamSensor | None = None
    drive: tuple[Stage, ...] = Field(default=(), description="from crank to cam; one stage, or several in order")
    cam_teeth: Annotated[int, Field(ge=6, le=400)] | None = Field(
        default=None, description="teeth of the cam's own sprocket, where the rest of the drive is not known"
    )
    vehicle_sd_deg: Annotated[float, Field(ge=0, le=90)] | None = Field(
        default=None, description="standard deviation of this cam's place from vehicle to vehicle, where it was learned"
    )
    phaser: Phaser | None = None
    valves_for_cylinder: int | None = Field(
        default=None, description="the cylinder whose own compression top the valve angles are counted from"
    )

    @property
    def kinds(self) -> tuple[ValveKind, ...]:
        """Kinds of valve that this cam works, intake first."""
        both: tuple[ValveKind, ...] = ("intake", "exhaust")
        return both if "both" in self.works else tuple(k for k in both if k in self.works)

    @field_validator("works", mode="before")
    @classmethod
    def _one_word_will_do(cls, works: Any) -> Any:
        return [works] if isinstance(works, str) else works

    @model_validator(mode="after")
    def _half_speed(self) -> Self:
        if not self.drive:
            return self
        ratio = prod(Fraction(s.driven_teeth, s.driver_teeth) for s in self.drive)
        if ratio != 2:
            stages = " then ".join(f"{s.driver_teeth}/{s.driven_teeth}" for s in self.drive)
            what = f"the drive {stages} turns the cam at 1/{float(ratio):.4g} of crank speed, and must be 1/2"
            mend = "A cam turns once in two crank turns: check the tooth counts, and that every stage is listed."
            raise Misfit(("drive",), what, mend)
        return self


# ---------------------------------------------------------------------------------------------------------- valves


class Valve(Part):
    """One kind of valve. Angles at base timing, counted from the cylinder's own compression top."""

    count: Annotated[int, Field(ge=1, le=4)] = 2
    head_diameter_mm: Length | None = None
    max_lift_mm: Annotated[float, Field(ge=0, le=40)] | None = None
    opens_deg: Annotated[float, Field(ge=-360, le=1080)] | None = None
    closes_deg: Annotated[float, Field(ge=-360, le=1080)] | None = None
    inclination_deg: Annotated[float, Field(ge=-60, le=60)] | None = Field(
        default=None, description="valve to cylinder axis"
    )
    recess_mm: float | None = Field(
        default=None, description="valve head above the deck plane when closed, along the cylinder"
    )
    pocket_depth_mm: float | None = Field(default=None, description="valve pocket in the piston crown")
    timing_lift_mm: Annotated[float, Field(ge=0)] = Field(
        default=0.0, description="lift at which the two angles are given"
    )
    lift_table: tuple[tuple[float, float], ...] | None = Field(
        default=None, description="[[deg, mm], ...] instead of sin^2"
    )
    tolerance_mm: Annotated[float, Field(ge=0)] | None = Field(
        default=None, description="overrides the engine's tolerance_mm"
    )
    valves_for_cylinder: int | None = None

    @model_validator(mode="after")
    def _opens_then_closes(self) -> Self:
        if self.opens_deg is not None and self.closes_deg is not None and self.closes_deg <= self.opens_deg:
            what = f"the valve closes at {self.closes_deg:g} deg, before it opens at {self.opens_deg:g} deg"
            mend = f"Write the closing as {self.closes_deg + 720:g} if it is in the next cycle, or swap the two."
            raise Misfit(("closes_deg",), what, mend)
        if self.opens_deg is not None and self.closes_deg is not None and self.closes_deg - self.opens_deg > 600:
            what = f"the valve is open for {self.closes_deg - self.opens_deg:g} deg, nearly the whole cycle"
            raise Misfit(("closes_deg",), what, "Give both angles of one opening, in crank degrees.")
        if self.max_lift_mm is not None and self.timing_lift_mm >= self.max_lift_mm > 0:
            what = f"a timing lift of {self.timing_lift_mm:g} mm is not below the full lift of {self.max_lift_mm:g} mm"
            raise Misfit(("timing_lift_mm",), what, "Give the lift at which the two angles were read, often 1.0 mm.")
        return self

    @model_validator(mode="after")
    def _table_fits(self) -> Self:
        table = self.lift_table
        if table is None:
            return self
        if len(table) < 3:
            raise Misfit(
                ("lift_table",), f"{len(table)} points make no lift curve", "Give at least 3 pairs of [deg, mm]."
            )
        for i, (a, b) in enumerate(pairwise(table)):
            if b[0] <= a[0]:
                what = f"{b[0]:g} deg does not come after {a[0]:g} deg"
                raise Misfit(("lift_table", i + 1), what, "List the pairs in increasing angle.")
        if table[-1][0] - table[0][0] > 720:
            raise Misfit(
                ("lift_table",), "the table is longer than one cycle", "Give one opening only, within 720 deg."
            )
        low = next((i for i, (_, lift) in enumerate(table) if lift < 0), None)
        if low is not None:
            raise Misfit(("lift_table", low), f"a lift of {table[low][1]:g} mm is below 0", "Lift is 0 on the seat.")
        return self


class Valves(Part):
    """Both kinds; either may be left out."""

    intake: Valve | None = None
    exhaust: Valve | None = None

    def of(self, kind: ValveKind) -> Valve | None:
        """The valve of that kind."""
        return self.intake if kind == "intake" else self.exhaust


# --------------------------------------------------------------------------------------------------------- learned


class SeenEdge(Part):
    """One edge as one recording showed it."""

    deg: float
    sd_deg: Annotated[float, Field(ge=0, le=90)]


class LearnedRecording(Part):
    """One known-good recording that the file rests on."""

    file: str
    sha256: str = Field(default="", description="of the recording, so that it counts once")
    vehicle: str = Field(default="", description="recordings of one vehicle count as one; left out: a further vehicle")
    cycles: Annotated[int, Field(ge=0)] = 0
    rpm: Annotated[float, Field(ge=0)] | None = None
    edges: dict[str, tuple[SeenEdge, ...]] = Field(
        default_factory=dict, description="what it showed of each cam, in the order of the cam's edges"
    )


class Learned(Part):
    """Where a learned file comes from."""

    vehicles: Annotated[int, Field(ge=1)] = 1
    recordings: tuple[LearnedRecording, ...] = ()
    notes: tuple[str, ...] = ()


# ---------------------------------------------------------------------------------------------------------- engine


class Engine(Part):
    """One engine, as its file describes it."""

    schema_: Literal["tightside/engine/1"] = Field(alias="schema")
    name: Annotated[str, Field(min_length=1, max_length=200)]
    learned: Learned | None = Field(default=None, description="a file that was learned from recordings, and from which")
    cylinders: Annotated[int, Field(ge=0, le=24)] = Field(default=0, description="0 or left out: not known")
    banks: dict[int, tuple[int, ...]] = Field(default_factory=dict, description="left out: one bank, 1")
    firing_order: tuple[int, ...] = ()
    firing_angles_deg: tuple[float, ...] | None = Field(
        default=None, description="compression top of each, in firing order; left out: evenly spaced"
    )
    geometry: Geometry | None = None
    idle_rpm: Annotated[float, Field(gt=0, le=5000)] | None = None
    crank_sensor: CrankSensor
    cams: dict[str, Cam] = Field(default_factory=dict, description="by bank and letter: 1A, 1B, 2A, 2B")
    valves: Valves | None = None
    valves_for_cylinder: int | None = None
    deck_clearance_mm: float | None = Field(
        default=None, description="piston below (positive) deck at top, gasket included"
    )
    tolerance_mm: Annotated[float, Field(ge=0)] = Field(
        default=0.25, description="standard deviation of the sum of the static lengths between valve and piston"
    )

    @field_validator("banks", "cams", "valves", mode="before")
    @classmethod
    def _nothing_is_empty(cls, value: Any) -> Any:
        return {} if value is None else value

    @model_validator(mode="before")
    @classmethod
    def _single_bank(cls, data: Any) -> Any:
        if isinstance(data, dict) and isinstance(data.get("cylinders"), int):
            cylinders = list(range(1, data["cylinders"] + 1))
            data = dict(data)
            data.setdefault("banks", {1: cylinders} if cylinders else {})
            if len(cylinders) == 1:
                data.setdefault("firing_order", [1])
        return data

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        for check in (
            _check_banks,
            _check_firing_order,
            _check_firing_angles,
            _check_cams,
            _check_works,
            _check_valve_cylinders,
        ):
            check(self)
        return self

    def cylinders_of_bank(self, bank: int | str) -> tuple[int, ...]:
        """Cylinders on a bank; empty where the file does not say."""
        return self.banks.get(int(bank), ())

    def bank_of(self, cylinder: int) -> int:
        """The bank that a cylinder is on."""
        return next(bank for bank, members in self.banks.items() if cylinder in members)

    def cylinders_of_cam(self, cam: str) -> tuple[int, ...]:
        """Cylinders whose valves a camshaft works."""
        return self.cylinders_of_bank(cam[:-1])

    def firing_angle_deg(self, cylinder: int) -> float:
        """Crank angle of a cylinder's compression top, in [0, 720)."""
        place = self.firing_order.index(cylinder)
        if self.firing_angles_deg is not None:
            return self.firing_angles_deg[place]
        return place * 720.0 / len(self.firing_order)

    def tolerance_of(self, kind: ValveKind) -> float:
        """Standard deviation of the static lengths between that kind of valve and the piston. [mm]"""
        valve = self.valves.of(kind) if self.valves else None
        return self.tolerance_mm if valve is None or valve.tolerance_mm is None else valve.tolerance_mm


def _check_banks(engine: Engine) -> None:
    everyone = list(range(1, engine.cylinders + 1))
    seen: dict[int, int] = {}
    for bank, members in engine.banks.items():
        if bank < 1:
            raise Misfit(("banks", bank), f"there is no bank {bank}", "Banks count from 1, the bank of cylinder 1.")
        for i, cylinder in enumerate(members):
            if cylinder not in everyone:
                what = f"cylinder {cylinder} does not exist (1..{engine.cylinders})"
                raise Misfit(("banks", bank, i), what, "List every cylinder once, on its bank.")
            if cylinder in seen:
                what = f"cylinder {cylinder} is already on bank {seen[cylinder]}"
                raise Misfit(("banks", bank, i), what, "List every cylinder once, on its bank.")
            seen[cylinder] = bank
    left_out = [c for c in everyone if c not in seen]
    if left_out:
        what = f"no bank has cylinder {', '.join(map(str, left_out))}"
        raise Misfit(("banks",), what, "List every cylinder once, on its bank.")
    if engine.cylinders and seen[1] != 1:
        mend = "Bank 1 is by definition the bank of cylinder 1: rename the banks and their cams."
        raise Misfit(("banks", seen[1]), f"cylinder 1 is on bank {seen[1]}", mend)


def _check_firing_order(engine: Engine) -> None:
    order, n = engine.firing_order, engine.cylinders
    if sorted(order) != list(range(1, n + 1)):
        what = f"the firing order {list(order)} does not name each of {n} cylinders once"
        raise Misfit(("firing_order",), what, f"Write the numbers 1 to {n}, each once, in the order they fire.")
    if order and order[0] != 1:
        turned = list(order[order.index(1) :] + order[: order.index(1)])
        raise Misfit(("firing_order",), "the firing order does not begin with cylinder 1", f"Write it as {turned}.")


def _check_firing_angles(engine: Engine) -> None:
    angles = engine.firing_angles_deg
    if angles is None:
        return
    if len(angles) != engine.cylinders:
        what = f"{len(angles)} firing angles for {engine.cylinders} cylinders"
        raise Misfit(("firing_angles_deg",), what, "Give one per cylinder, in firing order, or leave them out if even.")
    _refuse_unsorted("firing_angles_deg", angles, 720.0)
    if angles and angles[0] != 0:
        what = f"cylinder 1 fires at {angles[0]:g} deg, and must be at 0"
        raise Misfit(("firing_angles_deg", 0), what, f"Angles count from it: take {angles[0]:g} from every entry.")


def _check_cams(engine: Engine) -> None:
    for name in engine.cams:
        bank, letter = name[:-1], name[-1:]
        if not bank.isdecimal() or letter not in ("A", "B"):
            mend = "Name a cam by its bank and letter: 1A intake (or the only cam), 1B exhaust, 2A, 2B."
            raise Misfit(("cams", name), f"{name!r} is no camshaft's name", mend)
        if engine.banks and int(bank) not in engine.banks:
            banks = ", ".join(map(str, engine.banks))
            raise Misfit(
                ("cams", name), f"cam {name} is on bank {bank}, but the banks are {banks}", "Add the bank, or rename."
            )


def _check_works(engine: Engine) -> None:
    for name, cam in engine.cams.items():
        if not cam.works and engine.learned is None:
            mend = "Say which valves it works: [intake], [exhaust] or [both]."
            raise Misfit(("cams", name, "works"), "this field is missing", mend)


def _check_valve_cylinders(engine: Engine) -> None:
    named: list[tuple[tuple[str, ...], int | None, tuple[int, ...]]] = [
        (("cams", name), cam.valves_for_cylinder, engine.cylinders_of_cam(name)) for name, cam in engine.cams.items()
    ]
    everyone = tuple(range(1, engine.cylinders + 1))
    named.append(((), engine.valves_for_cylinder, everyone))
    for kind in ("intake", "exhaust"):
        valve = getattr(engine.valves, kind, None)
        named.append((("valves", kind), valve.valves_for_cylinder if valve else None, everyone))
    for path, cylinder, allowed in named:
        if cylinder is not None and cylinder not in allowed:
            what = f"cylinder {cylinder} is not one of {', '.join(map(str, allowed)) or 'none'}"
            raise Misfit((*path, "valves_for_cylinder"), what, "Name a cylinder whose valves this cam works.")
