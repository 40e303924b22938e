"""What of an engine its gas sees: volume and open valve area over one cycle, with what is left out estimated.

Where valves are open is counted from the cylinder's own compression top with the cams in time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi

from tightside.engine.estimate import Guess, estimated_geometry
from tightside.engine.lift import LiftCurve, lift_mm
from tightside.engine.model import Engine, Valve, ValveKind
from tightside.engine.slider_crank import (
    CylinderGeometry,
    acceleration_mm_s2,
    volume_cm3,
    volume_rate_cm3_deg,
)
from tightside.engine.valve_flow import open_area_mm2, usual_poppet
from tightside.engine.valve_train import HEAD_PER_BORE, estimated_lift
from tightside.records import Floats

ONE_RAD_S_RPM = 30 / pi


@dataclass(frozen=True, slots=True)
class ValveSet:
    """All valves of one kind in one cylinder."""

    kind: ValveKind
    curve: LiftCurve
    opens_deg: float  # as the engine file means it, at its timing lift
    closes_deg: float
    head_mm: float
    count: int


@dataclass(frozen=True, slots=True)
class Lungs:
    """Geometry and valves of one cylinder, all of it known or estimated."""

    geometry: CylinderGeometry
    intake: ValveSet
    exhaust: ValveSet
    guesses: tuple[Guess, ...] = ()

    def of(self, kind: ValveKind) -> ValveSet:
        """The valves of one kind."""
        return self.intake if kind == "intake" else self.exhaust


def lungs_of(engine: Engine) -> Lungs:
    """What an engine file says of its cylinders and valves; the rest estimated, and named in ``guesses``."""
    geometry, guesses = estimated_geometry(engine)
    intake, more = _valve_set(engine, "intake", geometry)
    exhaust, yet_more = _valve_set(engine, "exhaust", geometry)
    return Lungs(geometry, intake, exhaust, (*guesses, *more, *yet_more))


def _valve_set(engine: Engine, kind: ValveKind, geometry: CylinderGeometry) -> tuple[ValveSet, tuple[Guess, ...]]:
    valve = (engine.valves.of(kind) if engine.valves else None) or Valve()
    curve, opens_deg, closes_deg, guesses = estimated_lift(kind, valve, geometry)
    head = valve.head_diameter_mm
    if head is None:
        head = HEAD_PER_BORE[kind] * geometry.bore_mm
        why = "for a head in proportion to the bore"
        guesses = (*guesses, Guess(f"valves.{kind}.head_diameter_mm", head, 0.06 * head, "mm", why))
    count = valve.count if engine.valves and engine.valves.of(kind) else 2
    return ValveSet(kind, curve, opens_deg, closes_deg, head, count), guesses


def shifted(lungs: Lungs, guess: Guess, by: float) -> Lungs:
    """The same cylinder with one guessed number changed."""
    where, _, what = guess.name.partition(".")
    if where == "geometry":
        return replace(lungs, geometry=replace(lungs.geometry, **{what: getattr(lungs.geometry, what) + by}))
    kind = what.partition(".")[0]
    valves = lungs.intake if kind == "intake" else lungs.exhaust
    changed = _valves_shifted(valves, what.partition(".")[2], by)
    return replace(lungs, intake=changed) if kind == "intake" else replace(lungs, exhaust=changed)


def _valves_shifted(valves: ValveSet, what: str, by: float) -> ValveSet:
    curve = valves.curve
    if what == "opens_deg":
        return replace(valves, opens_deg=valves.opens_deg + by, curve=replace(curve, opens_deg=curve.opens_deg + by))
    if what == "closes_deg":
        return replace(
            valves, closes_deg=valves.closes_deg + by, curve=replace(curve, closes_deg=curve.closes_deg + by)
        )
    if what == "max_lift_mm":
        return replace(valves, curve=replace(curve, max_lift_mm=curve.max_lift_mm + by))
    return replace(valves, head_mm=valves.head_mm + by)


# ------------------------------------------------------------------------------------------------------------ tables


def volume_tables(theta_deg: Floats, geometry: CylinderGeometry) -> tuple[Floats, Floats, Floats]:
    """Volume [m^3], dV/dtheta [m^3/rad] and its slope [m^3/rad^2] at crank angles after the cylinder's own top."""
    area_m2 = pi / 4 * (geometry.bore_mm * 1e-3) ** 2
    volume = volume_cm3(theta_deg, geometry) * 1e-6
    slope = volume_rate_cm3_deg(theta_deg, geometry) * 1e-6 * 180 / pi
    return volume, slope, acceleration_mm_s2(theta_deg, geometry, ONE_RAD_S_RPM) * 1e-3 * area_m2


def area_table_mm2(theta_deg: Floats, valves: ValveSet) -> Floats:
    """Open area of all valves of a kind in one cylinder, at crank angles after its own compression top. [mm^2]"""
    return valves.count * open_area_mm2(lift_mm(theta_deg, valves.curve), usual_poppet(valves.head_mm))
