"""Valve to piston for a whole engine: every cam and kind of valve, tooth by tooth, and what to say about it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from math import ceil
from typing import Any

from tightside.engine.clearance import Contact, GapCurve, contact_at, offset_of_contact_deg, worst_between
from tightside.engine.learned import require_valve_data
from tightside.engine.model import Cam, Engine, ValveKind
from tightside.engine.valve_train import cam_kinds, curve_of_valve, phaser_range_deg
from tightside.records import tooth_pitch_deg

TEETH = range(-4, 5)
DEGREES = range(-90, 91)
LIKELY = 0.05  # from this chance on, contact is warned of

HANDLE_WITH_CARE = (
    "Never crank or run an engine whose valves may be touching: turn it by hand, plugs out, and stop at the first "
    "resistance.",
    "This is computed from the engine file, not measured: check with the maker's service information, and with a "
    "leak-down test or a borescope, before anything is bought or condemned.",
)


@dataclass(frozen=True, slots=True)
class ContactRow:
    """One cam, one kind of valve, one offset."""

    cam: str
    valve: ValveKind
    offset_deg: float
    contact: Contact  # phaser parked
    phaser: Contact | None  # at the worst place of the phaser's travel; None where the cam is fixed
    passing_gap_mm: float  # least gap on the way from in time to this offset
    closest_deg: tuple[tuple[int, float], ...]  # cylinder and the crank angle of nearest approach
    teeth: int | None = None  # on the last stage, unless ``stage`` says another
    stage: int | None = None  # 1 is the stage at the crank

    @property
    def worst(self) -> Contact:
        """Phaser parked or moving, whichever is nearer."""
        return self.contact if self.phaser is None else self.phaser


@dataclass(frozen=True, slots=True)
class FirstTouch:
    """How far a cam may be off before its valves reach the pistons; None: not within half a cycle, or no drive."""

    cam: str
    valve: ValveKind
    early_deg: float | None
    late_deg: float | None
    early_teeth: int | None
    late_teeth: int | None
    phaser_early_teeth: int | None  # the same with the phaser at its worst
    phaser_late_teeth: int | None


@dataclass(frozen=True, slots=True)
class Clearances:
    """Everything that ``tightside clearance`` says."""

    engine: str
    rows: tuple[ContactRow, ...]  # by tooth, last stage
    other_stages: tuple[ContactRow, ...]  # by tooth on the earlier stages, where their pitch differs
    first_touch: tuple[FirstTouch, ...]
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    by_degree: tuple[ContactRow, ...] = ()


class Curves:
    """Gap curves of one engine, each computed once."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._kept: dict[tuple[object, ...], GapCurve] = {}

    def of(self, cam: Cam, kind: ValveKind) -> GapCurve:
        """The curve of a cam's valves. It depends on the cam only where the phaser helps to estimate."""
        key = (kind, cam.phaser)
        if key not in self._kept:
            self._kept[key] = curve_of_valve(self.engine, kind, cam.phaser)
        return self._kept[key]


def clearances_of(engine: Engine, *, by_degree: bool = False) -> Clearances:
    """Gap and chance of contact of every cam and kind of valve from 4 teeth early to 4 late.

    Parameters
    ----------
    engine : Engine
    by_degree : also every degree from 90 early to 90 late
    """
    require_valve_data(engine)
    curves = Curves(engine)
    rows = tuple(row for name, cam, kind in cam_kinds(engine) for row in _tooth_rows(curves, name, cam, kind))
    others = tuple(row for name, cam, kind in cam_kinds(engine) for row in _other_stages(curves, name, cam, kind))
    firsts = tuple(_first_touch(curves.of(cam, kind), name, cam, kind) for name, cam, kind in cam_kinds(engine))
    degrees = tuple(
        contact_row(curves, name, kind, float(d))
        for name, _, kind in cam_kinds(engine)
        for d in (DEGREES if by_degree else ())
    )
    return Clearances(
        engine=engine.name,
        rows=rows,
        other_stages=others,
        first_touch=firsts,
        assumed=_assumed(curves),
        notes=_notes(engine),
        cautions=cautions_for(rows),
        by_degree=degrees,
    )


def contacts_from_offset(engine: Engine, cam: str, offset_deg: float, offset_sd_deg: float) -> tuple[ContactRow, ...]:
    """Gap and chance of contact at a measured offset with its own error, for each kind of valve that the cam works."""
    require_valve_data(engine)
    curves = Curves(engine)
    return tuple(contact_row(curves, cam, kind, offset_deg, offset_sd_deg) for kind in engine.cams[cam].kinds)


def contact_row(curves: Curves, cam: str, kind: ValveKind, offset_deg: float, offset_sd_deg: float = 0.0) -> ContactRow:
    """One row for any offset."""
    camshaft = curves.engine.cams[cam]
    curve = curves.of(camshaft, kind)
    low, high = phaser_range_deg(camshaft.phaser)
    moving = None
    if camshaft.phaser is not None:
        moving = contact_at(curve, worst_between(curve, offset_deg + low, offset_deg + high), offset_sd_deg)
    passing = contact_at(curve, worst_between(curve, 0.0, offset_deg)).gap_mm
    at = curve.angle_at(offset_deg)
    engine = curves.engine
    closest = tuple((c, round((at + engine.firing_angle_deg(c)) % 720.0, 2)) for c in engine.cylinders_of_cam(cam))
    return ContactRow(cam, kind, offset_deg, contact_at(curve, offset_deg, offset_sd_deg), moving, passing, closest)


def _tooth_rows(curves: Curves, name: str, cam: Cam, kind: ValveKind) -> Iterator[ContactRow]:
    if cam.drive:
        yield from _stage_rows(curves, name, kind, tooth_pitch_deg(cam.drive), None)


def _other_stages(curves: Curves, name: str, cam: Cam, kind: ValveKind) -> Iterator[ContactRow]:
    for i in range(len(cam.drive) - 1):
        pitch_deg = tooth_pitch_deg(cam.drive, i)
        if abs(pitch_deg - tooth_pitch_deg(cam.drive)) > 1e-9:
            yield from _stage_rows(curves, name, kind, pitch_deg, i + 1)


def _stage_rows(
    curves: Curves, name: str, kind: ValveKind, pitch_deg: float, stage: int | None
) -> Iterator[ContactRow]:
    for teeth in TEETH:
        row = contact_row(curves, name, kind, teeth * pitch_deg)
        yield replace(row, teeth=teeth, stage=stage)


def _first_touch(curve: GapCurve, name: str, cam: Cam, kind: ValveKind) -> FirstTouch:
    early, late = offset_of_contact_deg(curve, late=False), offset_of_contact_deg(curve, late=True)
    pitch_deg = tooth_pitch_deg(cam.drive) if cam.drive else None
    low, high = phaser_range_deg(cam.phaser)
    return FirstTouch(
        name,
        kind,
        early,
        late,
        _teeth(early, pitch_deg),
        _teeth(late, pitch_deg),
        _teeth(None if early is None else min(0.0, early - low), pitch_deg),
        _teeth(None if late is None else max(0.0, late - high), pitch_deg),
    )


def _teeth(offset_deg: float | None, pitch_deg: float | None) -> int | None:
    """The first whole tooth at or past an offset."""
    if offset_deg is None or pitch_deg is None:
        return None
    teeth = ceil(abs(offset_deg) / pitch_deg - 1e-9)
    return teeth if offset_deg > 0 else -teeth


def _assumed(curves: Curves) -> tuple[str, ...]:
    said: dict[str, None] = {}
    for _, cam, kind in cam_kinds(curves.engine):
        for guess in curves.of(cam, kind).guesses:
            said[guess.sentence()] = None
    return tuple(said)


def _notes(engine: Engine) -> tuple[str, ...]:
    notes = ["Each probability is that of one valve; valves of one engine share most of their error."]
    if not engine.cams:
        notes = ["The engine file has no cams: there is nothing to compute."]
    for name, cam in engine.cams.items():
        if not cam.drive:
            notes.append(f"Cam {name} has no drive in the engine file: see the gaps by the degree.")
    return tuple(notes)


def cautions_for(rows: Sequence[ContactRow]) -> tuple[str, ...]:
    """What must be said with these rows, most urgent first."""
    return (*_measured_touching(rows), *_touching(rows), *HANDLE_WITH_CARE)


def _measured_touching(rows: Sequence[ContactRow]) -> Iterator[str]:
    for row in rows:
        if row.teeth is None and row.worst.probability >= LIKELY:
            chance = f"{100 * row.worst.probability:.0f} %"
            yield (
                f"Cam {row.cam} as measured: {row.valve} valves may meet pistons ({chance}). Do not crank the engine; "
                "look before it is turned."
            )


def _touching(rows: Sequence[ContactRow]) -> Iterator[str]:
    for cam, valve in dict.fromkeys((row.cam, row.valve) for row in rows):
        likely = [r for r in rows if (r.cam, r.valve) == (cam, valve) and r.worst.probability >= LIKELY]
        late = min((r.teeth for r in likely if r.teeth is not None and r.teeth >= 0), default=None)
        early = max((r.teeth for r in likely if r.teeth is not None and r.teeth <= 0), default=None)
        sides = dict.fromkeys(_side(n, word) for n, word in ((early, "early"), (late, "late")) if n is not None)
        if sides:
            where = " and from ".join(sides)
            yield f"Cam {cam}: {valve} valves may meet pistons from {where} on. Do not crank it like that."


def _side(teeth: int, word: str) -> str:
    return "in time" if teeth == 0 else f"{abs(teeth)} {'tooth' if abs(teeth) == 1 else 'teeth'} {word}"


# ------------------------------------------------------------------------------------------------------------- JSON


def clearances_as_json(result: Clearances, measured: Sequence[ContactRow] = ()) -> dict[str, Any]:
    """The result as the JSON contract has it (``contact``), and more beside it."""
    found: dict[str, Any] = {
        "schema": "tightside/clearance/1",
        "engine": result.engine,
        "contact": [row_as_json(row) for row in result.rows],
        "other_stages": [row_as_json(row) for row in result.other_stages],
        "first_touch": [asdict(first) for first in result.first_touch],
        "assumed": list(result.assumed),
        "notes": list(result.notes),
        "cautions": list(cautions_for([*measured, *result.rows])),
    }
    if result.by_degree:
        found["by_degree"] = [row_as_json(row) for row in result.by_degree]
    if measured:
        found["measured"] = [row_as_json(row) for row in measured]
    return found


def row_as_json(row: ContactRow) -> dict[str, Any]:
    """One row of ``contact``."""
    contact = row.contact
    entry: dict[str, Any] = {
        "cam": row.cam,
        "valve": row.valve,
        "teeth": row.teeth,
        "offset_deg": round(row.offset_deg, 6),
        "gap_mm": round(contact.gap_mm, 5),
        "gap_ci95_mm": [round(end, 5) for end in contact.gap_ci95_mm],
        "probability": round(contact.probability, 6),
        "touch": round(contact.touch, 6),
        "bend": round(contact.bend, 6),
        "passing_gap_mm": round(row.passing_gap_mm, 5),
        "closest_deg": {str(cylinder): deg for cylinder, deg in row.closest_deg},
    }
    if row.stage is not None:
        entry["stage"] = row.stage
    if row.phaser is not None:
        entry["phaser_gap_mm"] = round(row.phaser.gap_mm, 5)
        entry["phaser_probability"] = round(row.phaser.probability, 6)
    return entry
