"""From an engine file to what it would show: engine/ says what the parts are, twin/ turns them, records come out.

The way back from a recording is ``pipeline.py``. Numbers that nobody gave are taken as usual, each with the spread that
it really has, and every one of them is turned through the gas to see what it does to the answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tightside.engine.breathing import Lungs, area_table_mm2, lungs_of, shifted, volume_tables
from tightside.engine.clearance import gap_over_cycle_mm
from tightside.engine.contacts import (
    HANDLE_WITH_CARE,
    LIKELY,
    Clearances,
    ContactRow,
    Curves,
    cautions_for,
    contact_row,
)
from tightside.engine.estimate import Guess
from tightside.engine.model import Cam, Engine, ValveKind
from tightside.engine.valve_train import train_of_valve
from tightside.errors import UsageError
from tightside.records import (
    CylinderForecast,
    Floats,
    Forecast,
    GapSurvey,
    GapTrace,
    ToothForecast,
    Unknown,
    tooth_pitch_deg,
)
from tightside.twin.cycle import ANGLES_DEG, Breathing, Cycle, Sealing, Surroundings, sound, steady_cycle
from tightside.twin.scene import Subject

CRANKING_RPM = 200.0
TEETH = range(-4, 5)
SHUT_MM2_PER_LITRE = 3.0  # what a shut throttle and its stops leave open, effective; common practice, no source
MODEL_ABSOLUTE, MODEL_RELATIVE = 0.05, 0.01  # of what the model leaves out: waves, swirl, oil film; our judgement
Z95 = 1.96
FLOW, WALLS, AIR = "flow past the valves", "wall temperature", "air temperature"
EXHAUST_CLOSING = "true closing of the exhaust valves"
OF_NO_CONSEQUENCE = (FLOW, WALLS, AIR, EXHAUST_CLOSING)  # for a share of in time: below 0.5 % each


@dataclass(frozen=True, slots=True)
class Leak:
    """A hole in one cylinder: effective area, and where it leads."""

    mm2: float
    to: str = "crankcase"  # or "intake", "exhaust": past a valve


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """One way that the engine may be, and how it is cranked."""

    lungs: Lungs
    around: Surroundings
    rpm: float
    intake_late_deg: float = 0.0  # of all cylinders: what the file's angles are wrong by
    exhaust_late_deg: float = 0.0


def forecast(
    engine: Engine,
    offsets_deg: Mapping[str, float] | None = None,
    teeth: Mapping[str, int] | None = None,
    leaks: Mapping[int, Leak] | None = None,
    *,
    rpm: float | None = None,
    map_kpa: float | None = None,
) -> Forecast:
    """What a gauge and a vacuum gauge would show while the engine is cranked warm.

    Parameters
    ----------
    engine : Engine
        What the file leaves out is estimated, and the answer is the wider for it.
    offsets_deg, teeth : by cam, positive late; a cam in neither is in time
    leaks : by cylinder, in addition to the usual blow-by
    rpm : cranking speed; ``CRANKING_RPM`` and its usual spread where left out
    map_kpa : pressure in the intake manifold, absolute; an open throttle where left out

    Raises
    ------
    UsageError
        If a cam or cylinder does not exist, or the engine file does not say where the cylinders fire.
    """
    cams = _cams_moved(engine, offsets_deg or {}, teeth or {})
    leaks = known_cylinders(engine, leaks or {})
    setup = Setup(lungs_of(engine), Surroundings(held_intake_kpa=map_kpa), rpm or CRANKING_RPM)
    offsets = {cam: deg for cam, deg, _ in cams}
    now, good = _turned(engine, setup, offsets, leaks), _turned(engine, setup, {}, {})
    spread = _spreads(engine, setup, (offsets, leaks), (now, good), rpm is None)
    shut = None if map_kpa is not None else _shut_throttle(engine, setup, offsets, leaks)
    order = sorted(range(len(engine.firing_order)), key=lambda i: engine.firing_order[i])
    curves = Curves(engine)
    cautions, notes = _words(curves, cams, leaks)
    return Forecast(
        engine=engine.name,
        rpm=setup.rpm,
        manifold_kpa_abs=float(now.manifold_kpa.mean()),
        ambient_kpa=setup.around.ambient_kpa,
        cams=cams,
        cylinders=tuple(_cylinder(engine, setup, offsets, leaks, (now, good, spread), i) for i in order),
        shut_throttle_kpa_abs=shut,
        by_tooth=_by_tooth(curves, setup, rpm is None),
        unknowns=spread.unknowns,
        assumed=tuple(dict.fromkeys(g.sentence() for g in setup.lungs.guesses)),
        notes=notes,
        cautions=cautions,
        theta_deg=ANGLES_DEG - 360.0,
        pressure_kpa=_about_top(now)[:, order],
        in_time_kpa=_about_top(good)[:, order],
    )


def _cams_moved(
    engine: Engine, offsets_deg: Mapping[str, float], teeth: Mapping[str, int]
) -> tuple[tuple[str, float, int | None], ...]:
    for cam in (*offsets_deg, *teeth):
        if cam not in engine.cams:
            names = ", ".join(engine.cams) or "none"
            raise UsageError(code="unknown-cam", what=f"there is no cam {cam!r}", expected=f"one of {names}", got=cam)
        if cam in offsets_deg and cam in teeth:
            raise UsageError(code="cam-twice", what=f"cam {cam} is given both teeth and an offset", hint="Give one")
    return tuple((name, *_moved(name, cam, offsets_deg, teeth)) for name, cam in engine.cams.items())


def _moved(name: str, cam: Cam, offsets_deg: Mapping[str, float], teeth: Mapping[str, int]) -> tuple[float, int | None]:
    if name in offsets_deg:
        return float(offsets_deg[name]), None
    if name not in teeth:
        return 0.0, 0 if cam.drive else None
    if not cam.drive:
        raise UsageError(
            code="no-drive", what=f"the engine file does not give the drive of cam {name}", hint="Use --offset instead"
        )
    return teeth[name] * tooth_pitch_deg(cam.drive), teeth[name]


def known_cylinders(engine: Engine, leaks: Mapping[int, Leak]) -> Mapping[int, Leak]:
    """The leaks, checked: the engine file must say where cylinders fire, and have each that leaks."""
    if not engine.firing_order:
        raise UsageError(
            code="no-firing-order",
            what="compression can only be computed if the cylinders are known",
            hint="Add 'cylinders' and 'firing_order' to the engine file",
        )
    for cylinder in leaks:
        if cylinder not in engine.firing_order:
            raise UsageError(
                code="unknown-cylinder",
                what=f"there is no cylinder {cylinder}",
                expected=f"1 to {engine.cylinders}",
                got=str(cylinder),
            )
    return leaks


# ------------------------------------------------------------------------------------------------- engine to twin


def breathing_of(engine: Engine, lungs: Lungs) -> Breathing:
    """An engine file's cylinders and valves as the twin's gas takes them."""
    volume, slope, curve = volume_tables(ANGLES_DEG, lungs.geometry)
    return Breathing(
        volume_m3=volume,
        slope_m3_rad=slope,
        curve_m3_rad2=curve,
        intake_mm2=area_table_mm2(ANGLES_DEG, lungs.intake),
        exhaust_mm2=area_table_mm2(ANGLES_DEG, lungs.exhaust),
        cylinders=engine.firing_order,
        tops_deg=np.array([engine.firing_angle_deg(c) for c in engine.firing_order]),
        bore_mm=lungs.geometry.bore_mm,
        stroke_mm=lungs.geometry.stroke_mm,
    )


def subject_with_breathing(engine: Engine, subject: Subject) -> Subject:
    """A subject whose crank can be turned by its gas."""
    lungs = lungs_of(engine)
    works = tuple((n, kind, engine.cylinders_of_cam(n)) for n, cam in engine.cams.items() for kind in cam.kinds)
    return replace(subject, breathing=breathing_of(engine, lungs), valves_of=works)


def sealing_of(
    engine: Engine, offsets_deg: Mapping[str, float], leaks: Mapping[int, Leak], trim: tuple[float, float] = (0.0, 0.0)
) -> Sealing:
    """Cam offsets and leaks by cylinder, in firing order."""
    order = engine.firing_order
    holes = {where: np.zeros(len(order)) for where in ("crankcase", "intake", "exhaust")}
    for cylinder, leak in leaks.items():
        holes[leak.to][order.index(cylinder)] += leak.mm2
    return Sealing(
        intake_late_deg=trim[0] + np.array([late_of(engine, c, "intake", offsets_deg) for c in order]),
        exhaust_late_deg=trim[1] + np.array([late_of(engine, c, "exhaust", offsets_deg) for c in order]),
        hole_mm2=holes["crankcase"],
        past_intake_mm2=holes["intake"],
        past_exhaust_mm2=holes["exhaust"],
    )


def late_of(engine: Engine, cylinder: int, kind: ValveKind, offsets_deg: Mapping[str, float]) -> float:
    """How late the valves of one cylinder run. [deg]"""
    for name, cam in engine.cams.items():
        if kind in cam.kinds and cylinder in engine.cylinders_of_cam(name):
            return float(offsets_deg.get(name, 0.0))
    return 0.0


def _turned(engine: Engine, setup: Setup, offsets_deg: Mapping[str, float], leaks: Mapping[int, Leak]) -> Cycle:
    trim = setup.intake_late_deg, setup.exhaust_late_deg
    sealing = sealing_of(engine, offsets_deg, leaks, trim)
    return steady_cycle(breathing_of(engine, setup.lungs), sealing, setup.around, setup.rpm, within=3e-4)


def _gauge_kpa(cycle: Cycle, setup: Setup) -> Floats:
    return np.maximum(cycle.peak_kpa - setup.around.ambient_kpa, 0.5)


def _about_top(cycle: Cycle) -> Floats:
    """Pressures from 360 before to 360 after each cylinder's own compression top. (A, Y)"""
    grid = ANGLES_DEG - 360.0
    each = zip(cycle.tops_deg, cycle.pressure_kpa.T, strict=True)
    return np.column_stack([np.interp(grid + top, cycle.theta_deg, p, period=720.0) for top, p in each])


def _shut_throttle(
    engine: Engine, setup: Setup, offsets_deg: Mapping[str, float], leaks: Mapping[int, Leak]
) -> tuple[float, float]:
    litres = breathing_of(engine, setup.lungs).displacement_m3 * 1e3
    shut = replace(setup, around=replace(setup.around, throttle_mm2=SHUT_MM2_PER_LITRE * litres))
    so, good = _turned(engine, shut, offsets_deg, leaks), _turned(engine, shut, {}, {})
    return float(so.manifold_kpa.mean()), float(good.manifold_kpa.mean())


# ------------------------------------------------------------------------------------------------------ uncertainty


@dataclass(frozen=True, slots=True, eq=False)
class Spreads:
    """Standard deviations, as shares: of each cylinder's gauge reading, and of its ratio to in time. (Y,)"""

    gauge: Floats
    relative: Floats
    unknowns: tuple[Unknown, ...]


Change = Callable[[Setup], Setup]


def unknowns_of(setup: Setup, speed_guessed: bool) -> list[tuple[str, str, Change]]:
    """Name, what was taken, and the change of the setup by one standard deviation. Common practice, no source."""
    around = setup.around

    def surround(**values: float) -> Change:
        return lambda s: replace(s, around=replace(s.around, **values))

    def ratio(s: Setup) -> Setup:
        geometry = s.lungs.geometry
        nearer = replace(geometry, compression_ratio=geometry.compression_ratio + 0.2)
        return replace(s, lungs=replace(s.lungs, geometry=nearer))

    found: list[tuple[str, str, Change]] = [
        ("blow-by of sound rings and valves", f"{around.blow_by_mm2:g} ± 0.3 mm²", surround(blow_by_mm2=0.8)),
        ("heat to the walls", "1 ± 0.4 of Annand's", surround(heat=around.heat * 1.4)),
        (FLOW, f"{around.discharge:g} ± 0.07", surround(discharge=around.discharge + 0.07)),
        (WALLS, "87 ± 12 °C", surround(wall_k=around.wall_k + 12.0)),
        (AIR, "27 ± 10 °C", surround(ambient_k=around.ambient_k + 10.0)),
        ("compression ratio as built and sooted", "± 0.2", ratio),
        ("true closing of the intake valves", "± 2.5°", lambda s: replace(s, intake_late_deg=2.5)),
        (EXHAUST_CLOSING, "± 2.5°", lambda s: replace(s, exhaust_late_deg=2.5)),
    ]
    if speed_guessed:
        found.append(("cranking speed", f"{setup.rpm:.0f} ± 40 rpm", lambda s: replace(s, rpm=s.rpm + 40.0)))
    for guess in setup.lungs.guesses:
        found.append((guess.name, f"{guess.value:.3g} ± {guess.sd:.2g} {guess.unit}".rstrip(), _shift(guess)))
    return found


def _shift(guess: Guess) -> Change:
    return lambda s: replace(s, lungs=shifted(s.lungs, guess, guess.sd))


def _spreads(
    engine: Engine,
    setup: Setup,
    wrong: tuple[Mapping[str, float], Mapping[int, Leak]],
    cycles: tuple[Cycle, Cycle],
    speed_guessed: bool,
) -> Spreads:
    """Each unknown moved by one standard deviation, with the fault and without, its effects taken as independent."""
    now, good = (_gauge_kpa(c, setup) for c in cycles)
    absolute, relative = np.full(len(now), MODEL_ABSOLUTE**2), MODEL_RELATIVE**2 + (0.06 * np.log(now / good)) ** 2
    sound_already = bool(np.all(now == good))
    unknowns: list[Unknown] = []
    for name, taken, change in unknowns_of(setup, speed_guessed):
        other = change(setup)
        moved = _gauge_kpa(_turned(engine, other, *wrong), other)
        sound_moved = moved if sound_already else _gauge_kpa(_turned(engine, other, {}, {}), other)
        by, share = np.log(moved / now), np.log(moved / now) - np.log(sound_moved / good)
        absolute += by**2
        relative += share**2
        unknowns.append(
            Unknown(
                name=name,
                taken=taken,
                gauge_percent=float(100 * np.median(np.abs(by))),
                relative_percent=float(100 * np.median(np.abs(share))),
            )
        )
    ranked = sorted(unknowns, key=lambda u: -u.gauge_percent)
    return Spreads(np.sqrt(absolute), np.sqrt(relative), tuple(ranked))


def _interval(value: float, share_sd: float) -> tuple[float, float]:
    """95 in 100 of a value whose logarithm is spread by ``share_sd``."""
    return float(value * np.exp(-Z95 * share_sd)), float(value * np.exp(Z95 * share_sd))


def _cylinder(
    engine: Engine,
    setup: Setup,
    offsets_deg: Mapping[str, float],
    leaks: Mapping[int, Leak],
    found: tuple[Cycle, Cycle, Spreads],
    i: int,
) -> CylinderForecast:
    now, good, spread = found
    number = engine.firing_order[i]
    gauge, in_time = float(_gauge_kpa(now, setup)[i]), float(_gauge_kpa(good, setup)[i])
    late = {kind: late_of(engine, number, kind, offsets_deg) for kind in ("intake", "exhaust")}
    lungs = setup.lungs
    return CylinderForecast(
        cylinder=number,
        bank=engine.bank_of(number),
        peak_kpa_abs=float(now.peak_kpa[i]),
        gauge_kpa=gauge,
        gauge_ci95_kpa=_interval(gauge, float(spread.gauge[i])),
        in_time_gauge_kpa=in_time,
        relative_to_in_time=gauge / in_time,
        relative_ci95=_interval(gauge / in_time, float(spread.relative[i])),
        evo_deg=lungs.exhaust.opens_deg + late["exhaust"],
        evc_deg=lungs.exhaust.closes_deg + late["exhaust"],
        ivo_deg=lungs.intake.opens_deg + late["intake"],
        ivc_deg=lungs.intake.closes_deg + late["intake"],
        leak_mm2=leaks[number].mm2 if number in leaks else 0.0,
    )


# ------------------------------------------------------------------------------------------------------- by tooth


def _by_tooth(curves: Curves, setup: Setup, speed_guessed: bool) -> tuple[ToothForecast, ...]:
    """Compression against teeth, for one cam of each sort, on one cylinder with steady manifolds."""
    found: list[ToothForecast] = []
    for name, cam in curves.engine.cams.items():
        works = " and ".join(cam.kinds)
        if cam.drive and works not in [t.works for t in found]:
            found.extend(_tooth_rows(curves, name, cam, setup, speed_guessed))
    return tuple(found)


def _tooth_rows(curves: Curves, name: str, cam: Cam, setup: Setup, speed_guessed: bool) -> list[ToothForecast]:
    pitch = tooth_pitch_deg(cam.drive)
    matter = [change for what, _, change in unknowns_of(setup, speed_guessed) if what not in OF_NO_CONSEQUENCE]
    setups = [setup, *(change(setup) for change in matter)]
    gauges = np.array([[_one_cylinder(curves.engine, s, cam, t * pitch) for t in TEETH] for s in setups])
    shares = gauges / gauges[:, [-TEETH.start]]
    sd = np.sqrt(np.sum(np.log(shares[1:] / shares[0]) ** 2, axis=0) + (0.06 * np.log(shares[0])) ** 2)
    return [
        ToothForecast(
            works=" and ".join(cam.kinds),
            teeth=t,
            offset_deg=t * pitch,
            relative_to_in_time=float(share),
            relative_ci95=_interval(float(share), float(spread)),
            contact=max(r.worst.probability for r in _contacts(curves, name, t * pitch)),
        )
        for t, share, spread in zip(TEETH, shares[0], sd, strict=True)
    ]


def _contacts(curves: Curves, cam: str, offset_deg: float) -> tuple[ContactRow, ...]:
    return tuple(contact_row(curves, cam, kind, offset_deg) for kind in curves.engine.cams[cam].kinds)


def _one_cylinder(engine: Engine, setup: Setup, cam: Cam, offset_deg: float) -> float:
    whole = breathing_of(engine, setup.lungs)
    one = replace(whole, cylinders=whole.cylinders[:1], tops_deg=np.zeros(1))
    ambient = setup.around.ambient_kpa
    held = replace(setup.around, held_intake_kpa=setup.around.held_intake_kpa or ambient, held_exhaust_kpa=ambient)
    late = replace(
        sound(one),
        intake_late_deg=np.array([setup.intake_late_deg + offset_deg * ("intake" in cam.kinds)]),
        exhaust_late_deg=np.array([setup.exhaust_late_deg + offset_deg * ("exhaust" in cam.kinds)]),
    )
    cycle = steady_cycle(one, late, held, setup.rpm, within=1e-3)
    return float(_gauge_kpa(cycle, setup)[0])


# ----------------------------------------------------------------------------------------------------------- words


def _words(
    curves: Curves, cams: tuple[tuple[str, float, int | None], ...], leaks: Mapping[int, Leak]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Cautions and notes."""
    cautions: list[str] = []
    for cam, deg, _ in cams:
        for row in _contacts(curves, cam, deg) if deg else ():
            if row.worst.probability >= LIKELY:
                moving = " with the phaser moving" if row.contact.probability < LIKELY else ""
                cautions.append(
                    f"Cam {cam} at {deg:+.1f}°: {row.valve} valves may meet pistons{moving} "
                    f"({_chance(row.worst.probability)}). Do not crank it like this. Once a valve is bent its cylinder "
                    "does not seal, and shows far less than is computed here."
                )
    cautions += [
        "Before a compression test disable fuel and ignition, set the brake and take it out of gear; keep clear of "
        "belts and fans.",
        HANDLE_WITH_CARE[1],
    ]
    notes = [
        "A gauge builds up over several strokes and loses some through its hose volume: it shows a little less than "
        "the peak computed here. Compare cylinders with one another before comparing with a number.",
    ]
    if leaks:
        notes.append("A leak is an effective area: a round hole of that area, or a slit somewhat larger.")
    return tuple(cautions), tuple(notes)


def _chance(probability: float) -> str:
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


# ------------------------------------------------------------------------------------------------------- clearance


def gap_survey(engine: Engine, found: Clearances, measured: Sequence[ContactRow] = ()) -> GapSurvey:
    """Gap over crank angle at every tooth and at every measured offset; cams whose valves are alike are shown once."""
    traces: list[GapTrace] = []
    phaser: list[tuple[str, str, int, float]] = []
    for kind, names in _alike(engine):
        label = ", ".join(names)
        rows = [r for r in found.rows if r.cam == names[0] and r.valve == kind]
        traces += [_gap_trace(engine, r, label) for r in rows]
        traces += [_gap_trace(engine, r, r.cam) for r in measured if r.cam in names and r.valve == kind]
        phaser += [(label, kind, r.teeth or 0, r.phaser.gap_mm) for r in rows if r.phaser is not None]
    return GapSurvey(
        engine=engine.name,
        tolerance_mm=engine.tolerance_mm,
        traces=tuple(traces),
        phaser=tuple(phaser),
        assumed=found.assumed,
        notes=found.notes,
        cautions=cautions_for([*measured, *found.rows]),
    )


def _alike(engine: Engine) -> list[tuple[ValveKind, list[str]]]:
    """Cams whose gaps are the same: kind of valve, and their names."""
    found: dict[tuple[object, ...], tuple[ValveKind, list[str]]] = {}
    for name, cam in engine.cams.items():
        for kind in cam.kinds:
            teeth = tuple((s.driver_teeth, s.driven_teeth) for s in cam.drive)
            found.setdefault((kind, cam.phaser, teeth), (kind, []))[1].append(name)
    return list(found.values())


def _gap_trace(engine: Engine, row: ContactRow, cams: str) -> GapTrace:
    train = train_of_valve(engine, row.valve, engine.cams[row.cam].phaser)
    theta = np.arange(180.0, 540.5, 1.0)
    return GapTrace(
        cam=cams,
        valve=row.valve,
        teeth=row.teeth,
        offset_deg=row.offset_deg,
        gap_mm=row.contact.gap_mm,
        gap_ci95_mm=row.contact.gap_ci95_mm,
        probability=row.contact.probability,
        bend=row.contact.bend,
        theta_deg=theta,
        trace_mm=gap_over_cycle_mm(theta, train, row.offset_deg),
    )
