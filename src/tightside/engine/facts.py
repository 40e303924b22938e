"""What follows from an engine file: the numbers a technician would otherwise work out by hand, and what looks odd."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from tightside.engine.chain import realignment_turns
from tightside.engine.estimate import known_geometry
from tightside.engine.model import Cam, Engine, Valve, ValveKind
from tightside.engine.patterns import wheel_pattern
from tightside.engine.slider_crank import clearance_volume_cm3, displacement_cm3, mean_speed_m_s
from tightside.errors import DataError
from tightside.records import tooth_pitch_deg

# Middle of opening after the cylinder's own compression top, wide enough for every road engine.
# common practice, no source
USUAL_MIDDLE_DEG: dict[ValveKind, tuple[float, float]] = {"intake": (400.0, 530.0), "exhaust": (190.0, 320.0)}


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of what follows: a name, a value, a unit, and how it came about."""

    name: str
    value: float | int | str
    unit: str = ""
    why: str = ""


def facts_of(engine: Engine) -> tuple[Fact, ...]:
    """Everything that follows from the file, most used first."""
    parts = (_learned_facts, _tooth_facts, _wheel_facts, _volume_facts, _firing_facts)
    return tuple(fact for part in parts for fact in part(engine))


def _learned_facts(engine: Engine) -> Iterator[Fact]:
    if engine.learned is None:
        return
    yield Fact("learned from", engine.learned.vehicles, "vehicles" if engine.learned.vehicles > 1 else "vehicle")
    for name, cam in engine.cams.items():
        sds = [e.sd_deg for e in cam.sensor.edges if e.sd_deg is not None] if cam.sensor else []
        if sds:
            yield Fact(f"edges of cam {name} known to", round(max(sds), 2), "crank deg", "one standard deviation")
        if cam.vehicle_sd_deg is not None:
            yield Fact(f"cam {name} from vehicle to vehicle", round(cam.vehicle_sd_deg, 2), "crank deg", "one sd")


def _tooth_facts(engine: Engine) -> Iterator[Fact]:
    for name, cam in engine.cams.items():
        for i, stage in enumerate(cam.drive):
            label = f"one tooth on cam {name}" + (f", stage {i + 1} of {len(cam.drive)}" if len(cam.drive) > 1 else "")
            teeth = f"{stage.driver_teeth} to {stage.driven_teeth} teeth"
            yield Fact(label, round(tooth_pitch_deg(cam.drive, i), 4), "crank deg", teeth)
        if not cam.drive and cam.cam_teeth is not None:
            pitch = round(720.0 / cam.cam_teeth, 4)
            yield Fact(f"one tooth on cam {name}", pitch, "crank deg", f"{cam.cam_teeth} teeth")
        yield from _mark_facts(name, cam)


def _mark_facts(name: str, cam: Cam) -> Iterator[Fact]:
    shaft_turns = 1.0  # turns of the crank per turn of this stage's driver
    for i, stage in enumerate(cam.drive):
        if stage.links is not None:
            turns = realignment_turns(stage.links, stage.driver_teeth, stage.driven_teeth) * shaft_turns
            label = f"marks and links of cam {name} meet again" + (f", stage {i + 1}" if len(cam.drive) > 1 else "")
            yield Fact(label, round(turns, 3), "crank turns", f"{stage.links} links")
        shaft_turns *= stage.driven_teeth / stage.driver_teeth


def _wheel_facts(engine: Engine) -> Iterator[Fact]:
    wheel = wheel_pattern(engine)
    yield Fact("crank wheel", wheel.name)
    yield Fact("pulses per crank turn", wheel.pulses_per_revolution)
    why = "" if wheel.repeat_deg == 360 else "the wheel alone cannot tell places closer than this apart"
    yield Fact("wheel looks the same again after", round(wheel.repeat_deg, 4), "deg", why)


def _volume_facts(engine: Engine) -> Iterator[Fact]:
    try:
        geometry = known_geometry(engine)
    except DataError:
        return
    each = displacement_cm3(geometry)
    yield Fact("displacement of one cylinder", round(each, 1), "cm3")
    if engine.cylinders:
        yield Fact("displacement", round(each * engine.cylinders, 0), "cm3")
    yield Fact("volume left at compression top", round(clearance_volume_cm3(geometry), 1), "cm3")
    yield Fact("rod over throw", round(geometry.rod_mm / geometry.throw_mm, 2))
    if engine.idle_rpm is not None:
        speed = mean_speed_m_s(geometry, engine.idle_rpm)
        yield Fact("mean piston speed at idle", round(speed, 2), "m/s", f"{engine.idle_rpm:g} rpm")


def _firing_facts(engine: Engine) -> Iterator[Fact]:
    if not engine.cylinders:
        return
    angles = [engine.firing_angle_deg(c) for c in engine.firing_order]
    gaps = [b - a for a, b in pairwise([*angles, 720.0])]
    yield Fact(
        "firing intervals", ", ".join(f"{g:g}" for g in gaps), "deg", "even" if len(set(gaps)) == 1 else "uneven"
    )


# ----------------------------------------------------------------------------------------------------- what is odd


def oddities_of(engine: Engine) -> tuple[str, ...]:
    """What is allowed but looks like a mistake, or leaves something unanswered; one sentence each."""
    return (*_missing_parts(engine), *_odd_geometry(engine), *_odd_cams(engine), *_odd_valves(engine))


def _missing_parts(engine: Engine) -> Iterator[str]:
    if engine.crank_sensor.position_0_deg is None:
        yield "position_0_deg is not known: cams can be compared with one another and with a reference recording only."
    elif not engine.crank_sensor.position_0_known:
        yield "position_0_deg is a convention: offsets are against this file, where top dead centre is is not known."
    if engine.learned is not None:
        yield from _unlearned(engine)
    if not engine.cams:
        yield "There are no cams: valve timing cannot be judged with this file."
    for name, cam in engine.cams.items():
        if cam.sensor is None:
            yield f"Cam {name} has no sensor: it is not judged."
        if not cam.drive and cam.cam_teeth is None:
            yield f"Cam {name} has no drive: offsets are given in degrees, not in teeth."


def _unlearned(engine: Engine) -> Iterator[str]:
    """What a recording of crank and cams does not show."""
    missing = [name for name in ("cylinders", "geometry", "valves") if not getattr(engine, name)]
    if missing:
        yield f"Not in this learned file: {', '.join(missing)}. Clearance, predictions and simulations need them."
    for name, cam in engine.cams.items():
        if not cam.works:
            yield f"Cam {name}: which valves it works is not known."


def _odd_geometry(engine: Engine) -> Iterator[str]:
    g = engine.geometry
    if g is None or g.stroke_mm is None:
        return
    if g.rod_mm is not None and not 2.6 <= 2 * g.rod_mm / g.stroke_mm <= 5.0:
        yield f"A rod of {g.rod_mm:g} mm for a stroke of {g.stroke_mm:g} mm is unusual (1.3 to 2.5 strokes)."
    if g.bore_mm is not None and not 0.6 <= g.bore_mm / g.stroke_mm <= 1.7:
        yield f"Bore {g.bore_mm:g} mm over stroke {g.stroke_mm:g} mm is unusual: are they swapped?"
    if abs(g.pin_offset_mm) > 3:
        yield f"A pin offset of {g.pin_offset_mm:g} mm is unusual: most are under 1 mm."


def _odd_cams(engine: Engine) -> Iterator[str]:
    patterns: dict[tuple[tuple[float, str], ...], str] = {}
    for name, cam in engine.cams.items():
        if cam.sensor is not None:
            edges = tuple((e.deg, e.edge) for e in cam.sensor.edges)
            if edges in patterns:
                yield f"Cams {patterns[edges]} and {name} have the very same edges: is one a copy?"
            patterns.setdefault(edges, name)
    for cylinder in range(1, engine.cylinders + 1):
        works = [k for n, c in engine.cams.items() if cylinder in engine.cylinders_of_cam(n) for k in c.kinds]
        for kind in ("intake", "exhaust"):
            if works.count(kind) > 1:
                yield f"Two cams work the {kind} valves of cylinder {cylinder}."


def _odd_valves(engine: Engine) -> Iterator[str]:
    kinds: tuple[ValveKind, ...] = ("intake", "exhaust")
    for kind in kinds:
        valve = engine.valves.of(kind) if engine.valves else None
        if valve is not None:
            yield from _odd_valve(kind, valve)


def _odd_valve(kind: ValveKind, valve: Valve) -> Iterator[str]:
    if valve.opens_deg is not None and valve.closes_deg is not None:
        middle = (valve.opens_deg + valve.closes_deg) / 2
        low, high = USUAL_MIDDLE_DEG[kind]
        if not low <= middle % 720 <= high:
            yield (
                f"The {kind} valve is widest open near {middle:g} deg after its own compression top; "
                f"{low:g} to {high:g} is usual."
            )
        if not 160 <= valve.closes_deg - valve.opens_deg <= 380:
            yield f"The {kind} valve is open for {valve.closes_deg - valve.opens_deg:g} deg; 180 to 340 is usual."
    if valve.max_lift_mm is not None and valve.head_diameter_mm is not None and valve.max_lift_mm > 0:
        ratio = valve.max_lift_mm / valve.head_diameter_mm
        if not 0.1 <= ratio <= 0.45:
            yield f"A lift of {valve.max_lift_mm:g} mm for a {kind} head of {valve.head_diameter_mm:g} mm is unusual."
