"""From an engine file to the lengths and angles between valve and piston, with what is left out estimated.

Typical values are common practice, no source, and so is the gap that makers leave at the closest point with the cams
in time: about 2 mm on the intake and 2.5 mm on the exhaust side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tightside.engine.clearance import GapCurve, ValveTrain, gap_curve, widened, worst_between
from tightside.engine.estimate import Guess, estimated_geometry
from tightside.engine.lift import LiftCurve, curve_from_timing
from tightside.engine.model import Cam, Engine, Phaser, Valve, ValveKind
from tightside.engine.slider_crank import CylinderGeometry
from tightside.records import Floats

USUAL_GAP_MM: dict[ValveKind, float] = {"intake": 2.0, "exhaust": 2.5}
OPENS_DEG: dict[ValveKind, float] = {"intake": 355.0, "exhaust": 125.0}
CLOSES_DEG: dict[ValveKind, float] = {"intake": 595.0, "exhaust": 367.0}
HEAD_PER_BORE: dict[ValveKind, float] = {"intake": 0.38, "exhaust": 0.33}

Values = dict[str, float]


@dataclass(frozen=True, slots=True)
class Known:
    """What the file says of one kind of valve, and what had to be guessed."""

    kind: ValveKind
    values: Values
    guesses: tuple[tuple[str, Guess], ...]  # key in values, and the guess
    table: tuple[tuple[float, float], ...] | None
    pin_offset_mm: float
    timing_lift_mm: float
    tolerance_mm: float
    phaser: Phaser | None


def curve_of_valve(engine: Engine, kind: ValveKind, phaser: Phaser | None = None) -> GapCurve:
    """Least gap against offset for one kind of valve, estimates included.

    Parameters
    ----------
    engine : Engine
    kind : "intake" or "exhaust"
    phaser : of the cam that works it; an unknown pocket depth is estimated so that the usual gap is left over its
    whole travel

    Returns
    -------
    GapCurve
        Its ``guesses`` say what was estimated; its ``sd_mm`` carries their errors.
    """
    known = _known(engine, kind, phaser)
    curve = _curve(known, known.values)
    spreads = tuple(_spread(known, key, guess) for key, guess in known.guesses)
    return widened(curve, spreads, tuple(guess for _, guess in known.guesses))


def train_of_valve(engine: Engine, kind: ValveKind, phaser: Phaser | None = None) -> ValveTrain:
    """The lengths and angles themselves, for showing the gap over the cycle."""
    known = _known(engine, kind, phaser)
    values = known.values
    if "usual" in values:
        bare = gap_curve(_train(known, {**values, "usual": 0.0}))
        values = {**values, "usual": _static_from_usual(bare, values["usual"], phaser)}
    return _train(known, values)


def phaser_range_deg(phaser: Phaser | None) -> tuple[float, float]:
    """Offsets that a phaser can add, least and greatest. [crank deg]"""
    if phaser is None:
        return 0.0, 0.0
    return (-phaser.authority_deg, 0.0) if phaser.direction == "advance" else (0.0, phaser.authority_deg)


def cam_kinds(engine: Engine) -> tuple[tuple[str, Cam, ValveKind], ...]:
    """Every cam with every kind of valve that it works."""
    return tuple((name, cam, kind) for name, cam in engine.cams.items() for kind in cam.kinds)


def estimated_lift(
    kind: ValveKind, valve: Valve, geometry: CylinderGeometry
) -> tuple[LiftCurve, float, float, tuple[Guess, ...]]:
    """Lift curve, opening and closing as the file means them, and what of them was estimated."""
    if valve.lift_table is not None:
        table = valve.lift_table
        curve = LiftCurve(table[0][0], table[-1][0], max(lift for _, lift in table), table)
        return curve, curve.opens_deg, curve.closes_deg, ()
    parts = _lift_parts(kind, valve, geometry)
    opens, closes, top = (guess.value if value is None else value for _, value, guess in parts)
    guesses = tuple(guess for _, value, guess in parts if value is None)
    return curve_from_timing(opens, closes, top, valve.timing_lift_mm), opens, closes, guesses


# --------------------------------------------------------------------------------------------------------- the parts


def _known(engine: Engine, kind: ValveKind, phaser: Phaser | None) -> Known:
    valve = (engine.valves.of(kind) if engine.valves else None) or Valve()
    geometry, geometry_guesses = estimated_geometry(engine)
    keys = {"geometry.rod_mm": "rod", "geometry.stroke_mm": "stroke"}
    guesses = [(keys[g.name], g) for g in geometry_guesses if g.name in keys]
    values: Values = {"rod": geometry.rod_mm, "stroke": geometry.stroke_mm}
    wanted = [*_static_parts(engine, kind, valve), *_lift_parts(kind, valve, geometry)]
    for key, value, guess in wanted:
        values[key] = guess.value if value is None else value
        if value is None:
            guesses.append((key, guess))
    return Known(
        kind,
        values,
        tuple(guesses),
        valve.lift_table,
        geometry.pin_offset_mm,
        valve.timing_lift_mm,
        engine.tolerance_of(kind),
        phaser,
    )


def _static_parts(engine: Engine, kind: ValveKind, valve: Valve) -> list[tuple[str, float | None, Guess]]:
    """Deck, recess and pocket. An unknown pocket makes the usual gap the one thing that is guessed for all three."""
    where = f"valves.{kind}"
    tilt = ("tilt", valve.inclination_deg, Guess(f"{where}.inclination_deg", 14.0, 7.0, "deg", "as most engines"))
    if valve.pocket_depth_mm is None:
        usual = USUAL_GAP_MM[kind]
        why = "as makers often leave with the cam in time; that valves can meet pistons here at all is not known"
        return [tilt, ("usual", None, Guess(f"{where}.pocket_depth_mm", usual, 1.0, "mm", why, "a closest gap"))]
    return [
        tilt,
        ("pocket", valve.pocket_depth_mm, Guess("", 0.0, 0.0, "mm", "")),
        ("recess", valve.recess_mm, Guess(f"{where}.recess_mm", 0.5, 0.4, "mm", "as most engines")),
        ("deck", engine.deck_clearance_mm, Guess("deck_clearance_mm", 1.0, 0.5, "mm", "as most engines")),
    ]


def _lift_parts(kind: ValveKind, valve: Valve, geometry: CylinderGeometry) -> list[tuple[str, float | None, Guess]]:
    if valve.lift_table is not None:
        return []
    where = f"valves.{kind}"
    opens = Guess(f"{where}.opens_deg", OPENS_DEG[kind], 10.0, "deg", "as most road engines")
    closes = Guess(f"{where}.closes_deg", CLOSES_DEG[kind], 12.0, "deg", "as most road engines")
    if valve.closes_deg is not None:
        opens = replace(opens, value=valve.closes_deg - 240.0, sd=12.0, why="240 deg before it closes")
    elif valve.opens_deg is not None:
        closes = replace(closes, value=valve.opens_deg + 240.0, why="240 deg after it opens")
    head = valve.head_diameter_mm or HEAD_PER_BORE[kind] * geometry.bore_mm
    why = "0.28 of the head" if valve.head_diameter_mm else "for a head in proportion to the bore"
    lift = Guess(f"{where}.max_lift_mm", 0.28 * head, 0.03 * head, "mm", why)
    return [("opens", valve.opens_deg, opens), ("closes", valve.closes_deg, closes), ("lift", valve.max_lift_mm, lift)]


def _spread(known: Known, key: str, guess: Guess) -> Floats:
    """Change of gap by one standard deviation of one guess, half of the difference between above and below."""
    above = _curve(known, {**known.values, key: known.values[key] + guess.sd}).gap_mm
    below = _curve(known, {**known.values, key: known.values[key] - guess.sd}).gap_mm
    return (above - below) / 2


def _curve(known: Known, values: Values) -> GapCurve:
    curve = gap_curve(_train(known, {**values, "usual": 0.0} if "usual" in values else values))
    if "usual" not in values:
        return curve
    return replace(curve, gap_mm=curve.gap_mm + _static_from_usual(curve, values["usual"], known.phaser))


def _static_from_usual(bare: GapCurve, usual_mm: float, phaser: Phaser | None) -> float:
    """Static length that leaves the usual gap at the worst place of the phaser's travel."""
    worst_deg = worst_between(bare, *phaser_range_deg(phaser))
    return usual_mm - float(bare.gap_at(np.array([worst_deg]))[0])


def _train(known: Known, values: Values) -> ValveTrain:
    geometry = CylinderGeometry(1.0, values["stroke"], values["rod"], known.pin_offset_mm)
    static = sum(values[k] for k in ("deck", "recess", "pocket", "usual") if k in values)
    return ValveTrain(geometry, _lift_curve(known, values), values["tilt"], static, known.tolerance_mm)


def _lift_curve(known: Known, values: Values) -> LiftCurve:
    if known.table is not None:
        return LiftCurve(known.table[0][0], known.table[-1][0], max(lift for _, lift in known.table), known.table)
    return curve_from_timing(values["opens"], values["closes"], values["lift"], known.timing_lift_mm)
