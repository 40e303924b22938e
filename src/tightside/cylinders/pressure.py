"""One cylinder's pressure read: top dead centre, zero, peak, exponents, leakage, valve events, cam offsets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tightside.cylinders import charge
from tightside.cylinders import gas_fit as gas
from tightside.cylinders import top_fit as top
from tightside.cylinders.cycles import QUIET_DEG, PressureCycles, cut_cycles, lean_deg
from tightside.cylinders.departures import EVENT_SD_DEG, departure_deg
from tightside.cylinders.mechanism import Cylinder, ValveTimes
from tightside.cylinders.polytrope import exponent_from_trace
from tightside.records import (
    AngleTrace,
    Floats,
    PressureFinding,
    PressureOffset,
    PressureZero,
    ValveEvent,
)

AMBIENT_KPA = 101.3
ABSOLUTE_KPA, GAUGE_KPA = (70.0, 135.0), (-14.0, 30.0)  # level of the exhaust stroke
USUAL_PEAK_KPA = 1200.0  # only to start the search for an unknown scale
USUAL_EXPONENT = 1.3  # Heywood section 9.2 (from memory): 1.3 +- 0.05
TOP_SYSTEMATIC_DEG = 0.3  # heat and leakage that are not as the model has them
EVENT_SYSTEMATIC_DEG = 0.9  # manifolds that are not still, discharge that is not constant
FIRED_TOP_SD_DEG = 1.0  # a fired cycle takes top dead centre from the crank wheel
UNSURE_TOP_DEG = 2.0
WIDE_CLEARANCE = 0.12  # of an engine whose ratio is a guess, or a passage to the transducer
COMPRESSION_DEG, EXPANSION_DEG = (-90.0, -30.0), (40.0, 100.0)
EVEN_FROM_RPM = 500.0  # below, the crank swings too much within a cycle to do without a crank sensor
UNEVEN_MISFIT = 4.0  # times more, where the crank's speed within a cycle is not known
MISFIT_MOST = 4.0  # beyond this the gas model does not describe the trace
SHOWN = ("evo", "evc", "ivo", "ivc")


@dataclass(frozen=True, slots=True)
class Place:
    """What the crank clock says of the angle: its repeat, and whether it is in the engine file's frame."""

    repeat_deg: float = 360.0
    known: bool = True
    error_deg: float = 0.0
    even_speed: bool = False  # no crank sensor: the angle is time between the cylinder's own humps


@dataclass(frozen=True, slots=True)
class _Scale:
    zero: PressureZero
    at_zero: tuple[float, float]  # reading at no pressure, standard deviation
    per_kpa: tuple[float, float]  # reading per kPa, relative standard deviation
    known: bool


def measure_pressure(trace: AngleTrace, cylinder: Cylinder, place: Place) -> PressureFinding:
    """Read one cylinder's pressure.

    Parameters
    ----------
    trace : AngleTrace
        On the crank clock, steps of at most 3 degrees.
    cylinder : Cylinder
        Its volume, and its valves where the engine file has them.
    place : Place
        What the clock's angle means.

    Returns
    -------
    PressureFinding
        With a note for everything that could not be read.
    """
    cycles = cut_cycles(trace)
    if cycles is None:
        return _nothing(trace, cylinder, "fewer than two whole cycles of one kind: record some seconds more")
    found = _read(cycles, cylinder, place) if cycles.kind == "motored" else None
    return found or _fired(trace, cycles, cylinder, place)


def _fired(trace: AngleTrace, cycles: PressureCycles, cylinder: Cylinder, place: Place) -> PressureFinding:
    """A cylinder in which it burns: top dead centre must come from the crank wheel."""
    if not place.known or place.repeat_deg < 359.0:
        note = "the cylinder fires: its peak is no mark for top dead centre, and no crank wheel gives it"
        if cycles.kind == "motored":
            note = "its hump is not that of compression at the speed known: record the crank sensor too"
        return replace(_nothing(trace, cylinder, note), fired_cycles=cycles.fired)
    hump = cycles.origin_deg - 12.0
    about = cylinder.top_deg + 360.0 * round((hump - cylinder.top_deg) / 360.0)
    again = cut_cycles(trace, origin_deg=about)
    found = _read(again, cylinder, place) if again is not None else None
    return found or _nothing(trace, cylinder, "cycles differ too much from one another")


def _nothing(trace: AngleTrace, cylinder: Cylinder, note: str) -> PressureFinding:
    none = np.empty(0)
    return PressureFinding(
        cylinder=cylinder.number,
        column=trace.column,
        unit=trace.unit,
        kind="none",
        notes=(note,),
        theta_deg=none,
        mean=none,
        low=none,
        high=none,
        model=none,
        volume_m3=none,
    )


def _read(cycles: PressureCycles, cylinder: Cylinder, place: Place) -> PressureFinding | None:
    """The finding; None where what was taken for compression alone is none."""
    scale = scale_of(cycles, cylinder)
    speed = np.median(cycles.speed_deg_s, axis=0)
    notes = list(_scale_notes(scale, cycles))
    closed = None
    if cycles.kind == "motored":
        closed = _closed(cycles, speed, cylinder, scale)
        if closed.misfit > MISFIT_MOST * (UNEVEN_MISFIT if place.even_speed else 1.0):
            return None
        at, at_sd = float(closed.values[top.TOP]), float(np.hypot(closed.sd[top.TOP], TOP_SYSTEMATIC_DEG))
    else:
        at, at_sd = _wrapped(cylinder.top_deg - cycles.origin_deg, 360.0), FIRED_TOP_SD_DEG
        notes.append("it fires: top dead centre is taken from the crank wheel, and the valves' angles rest on that")
    fit = _whole(cycles, speed, cylinder, scale, (at, at_sd), closed)
    found = _described(cycles, cylinder, scale, at, closed, fit)
    if place.even_speed:
        found = replace(found, held=None, hole_mm2=None, loss_angle_deg=None)
    events, offsets, more = _valves(found, cylinder, fit, at_sd, place)
    tdc, tdc_sd, doubts = _tdc(cycles, cylinder, place, at, at_sd)
    return replace(
        found,
        tdc_deg=tdc,
        tdc_sd_deg=tdc_sd,
        events=events,
        offsets=offsets,
        notes=(*notes, *doubts, *more),
    )


# ------------------------------------------------------------------------------------------------------------- scale


def scale_of(cycles: PressureCycles, cylinder: Cylinder) -> _Scale:
    """What the numbers mean: absolute, gauge, or of unknown zero, told by the level of the exhaust stroke.

    Where the scale is unknown too, both come from the shape of the compression: m = zero + a V^-n with air's usual n.
    """
    mean = cycles.mean
    quiet = (cycles.theta_deg >= QUIET_DEG[0]) & (cycles.theta_deg <= QUIET_DEG[1])
    level, height = float(np.median(mean[quiet])), float(np.ptp(mean))
    if cycles.unit == "kPa":
        if ABSOLUTE_KPA[0] <= level <= ABSOLUTE_KPA[1]:
            return _Scale("absolute", (0.0, 4.0), (1.0, 0.03), True)
        if GAUGE_KPA[0] <= level <= GAUGE_KPA[1]:
            return _Scale("gauge", (-AMBIENT_KPA, 4.0), (1.0, 0.03), True)
        return _Scale("unknown", (level - AMBIENT_KPA, 6.0), (1.0, 0.03), True)
    at = 1.0 if cycles.kind == "motored" else _wrapped(cylinder.top_deg - cycles.origin_deg, 360.0)
    rising = (cycles.theta_deg - at > -110.0) & (cycles.theta_deg - at < -42.0)
    shape = cylinder.volume_at(cycles.theta_deg[rising] - at) ** -USUAL_EXPONENT
    zero = float(np.polyfit(shape / shape.max(), mean[rising], 1)[1])
    per_kpa = (level - zero) / AMBIENT_KPA
    if not 0.2 < per_kpa * USUAL_PEAK_KPA / height < 5.0:
        per_kpa = height / USUAL_PEAK_KPA
    return _Scale("unknown", (level - per_kpa * AMBIENT_KPA, 0.1 * height), (per_kpa, 0.6), False)


def _scale_notes(scale: _Scale, cycles: PressureCycles) -> tuple[str, ...]:
    said = {
        "absolute": "pressure taken as absolute: its exhaust stroke lies near the ambient pressure",
        "gauge": "pressure taken as gauge: its exhaust stroke lies near zero",
        "unknown": "the transducer's zero is unknown: set so that the exhaust stroke lies at the ambient pressure",
    }[scale.zero]
    notes = [said]
    if not scale.known:
        notes.append("its scale is unknown: pressures are estimated from the shape of the compression")
    height = float(np.ptp(cycles.mean))
    if cycles.drift > 0.01 * height:
        notes.append(f"a drift of {100 * cycles.drift / height:.0f} % of the peak from cycle to cycle was taken out")
    return tuple(notes)


# -------------------------------------------------------------------------------------------------------------- fits


def _closed(cycles: PressureCycles, speed: Floats, cylinder: Cylinder, scale: _Scale) -> top.TopFit:
    sure = cylinder if cylinder.geometry_known and scale.known else replace(cylinder, ratio_sd=WIDE_CLEARANCE)
    return top.fit_top(cycles.theta_deg, cycles.mean, speed, sure, scale.at_zero, scale.per_kpa)


def _whole(
    cycles: PressureCycles,
    speed: Floats,
    cylinder: Cylinder,
    scale: _Scale,
    at: tuple[float, float],
    closed: top.TopFit | None,
) -> gas.GasFit | None:
    """The whole cycle held against the gas, where the engine's valves are known."""
    valves = (cylinder.intake, cylinder.exhaust)
    if any(v is None or not v.nominal_known for v in valves):
        return None
    thin = 2 if cycles.step_deg < 0.9 and len(cycles.theta_deg) % 2 == 0 else 1
    theta, mean, pace = (_thinned(of, thin) for of in (cycles.theta_deg, cycles.mean, speed))
    trace = gas.Trace(
        kind=cycles.kind,
        theta_deg=theta,
        values=mean,
        speed_deg_s=pace,
        noise=cycles.noise / np.sqrt(len(cycles.values)),
        top=at,
        zero=scale.at_zero,
        gain=scale.per_kpa,
        clearance=(0.0, cylinder.ratio_sd),
    )
    if closed is not None:
        v, sd = closed.values, closed.sd
        gain = scale.per_kpa[0] * float(np.exp(v[top.GAIN]))
        trace = replace(
            trace,
            heat=(float(v[top.HEAT]), float(sd[top.HEAT])),
            hole_mm2=(float(v[top.HOLE]), float(sd[top.HOLE]) + 0.3),
            clearance=(float(v[top.CLEARANCE]), max(float(sd[top.CLEARANCE]), 0.005)),
            gain=(gain, float(sd[top.GAIN])),
            zero=(float(v[top.ZERO]) * gain, max(float(sd[top.ZERO]) * gain, scale.at_zero[1])),
        )
    return gas.fit_gas(trace, cylinder)


def _thinned(values: Floats, by: int) -> Floats:
    return np.asarray(values.reshape(-1, by).mean(axis=1))


# ------------------------------------------------------------------------------------------------------------ finding


def _described(
    cycles: PressureCycles,
    cylinder: Cylinder,
    scale: _Scale,
    at: float,
    closed: top.TopFit | None,
    fit: gas.GasFit | None,
) -> PressureFinding:
    per_kpa, at_zero = _best_scale(scale, closed, fit, cycles)
    theta = cycles.theta_deg - at
    kpa = (cycles.mean - at_zero) / per_kpa
    low, high = ((np.percentile(cycles.values, q, axis=0) - at_zero) / per_kpa for q in (5, 95))
    volume = cylinder.volume_at(theta)
    clearance = fit.values[gas.CLEARANCE] if fit else closed.values[top.CLEARANCE] if closed else 0.0
    volume = volume + float(cylinder.volume_m3.min()) * float(np.expm1(clearance))
    each = cycles.values.max(axis=1)
    return PressureFinding(
        cylinder=cylinder.number,
        column=cycles.column,
        unit=cycles.unit,
        kind=cycles.kind,
        cycles=len(cycles.values),
        fired_cycles=cycles.fired,
        rpm=float(np.median(cycles.speed_deg_s)) / 6.0,
        zero=scale.zero,
        zero_value=at_zero,
        per_kpa=per_kpa,
        scale_known=scale.known,
        drift=cycles.drift,
        loss_angle_deg=_peak_before(theta, kpa) if cycles.kind == "motored" else None,
        peak_kpa_abs=float(np.median(each) - at_zero) / per_kpa,
        peak_spread=float(1.482602 * np.median(np.abs(each - np.median(each))) / max(np.median(each) - at_zero, 1e-12)),
        lean_deg=float(np.median([lean_deg(cycles.theta_deg, row) for row in cycles.values])),
        compression_exponent=_exponent(theta, kpa, volume, COMPRESSION_DEG),
        expansion_exponent=_exponent(theta, kpa, volume, EXPANSION_DEG),
        expansion_ratio=_ratio(theta, kpa),
        hole_mm2=(float(closed.values[top.HOLE]), float(closed.sd[top.HOLE])) if closed else None,
        held=_held(theta, kpa, volume, np.median(cycles.speed_deg_s, axis=0), cylinder, closed) if closed else None,
        intake_kpa_abs=_manifold(fit, gas.P_INTAKE),
        exhaust_kpa_abs=_manifold(fit, gas.P_EXHAUST),
        theta_deg=theta,
        mean=kpa,
        low=low,
        high=high,
        model=np.interp(cycles.theta_deg, *_model_kpa(fit, cycles, at_zero, per_kpa)) if fit else np.empty(0),
        volume_m3=volume,
    )


def _best_scale(
    scale: _Scale, closed: top.TopFit | None, fit: gas.GasFit | None, cycles: PressureCycles
) -> tuple[float, float]:
    """Reading per kPa, and at no pressure, in the channel's unit."""
    quiet = (cycles.theta_deg >= QUIET_DEG[0]) & (cycles.theta_deg <= QUIET_DEG[1])
    level = float(np.median(cycles.mean[quiet]))
    if scale.zero == "absolute":
        return 1.0, 0.0
    if scale.known:
        return 1.0, -AMBIENT_KPA if scale.zero == "gauge" else level - AMBIENT_KPA
    if closed is None:
        return scale.per_kpa[0], scale.at_zero[0]
    # the exhaust stroke at the ambient pressure, and a compression that follows air's own exponent
    gain = scale.per_kpa[0] * float(np.exp(closed.values[top.GAIN]))
    zero = gain * float(closed.values[top.ZERO])
    per_kpa = (level - zero) / AMBIENT_KPA
    return (per_kpa, zero) if per_kpa > 0.2 * gain else (gain, zero)


def _model_kpa(fit: gas.GasFit, cycles: PressureCycles, at_zero: float, per_kpa: float) -> tuple[Floats, Floats]:
    n = len(fit.model)
    theta = _thinned(cycles.theta_deg, len(cycles.theta_deg) // n)
    return theta, (fit.model - at_zero) / per_kpa


def _peak_before(theta_deg: Floats, kpa: Floats) -> float:
    """How far the peak lies before top dead centre, by a parabola through its upper 3 %. [deg]"""
    peak = int(np.argmax(kpa))
    high = np.flatnonzero(kpa > 0.97 * kpa[peak])
    high = high[np.abs(high - peak) < 40]
    a, b, _ = np.polyfit(theta_deg[high] - theta_deg[peak], kpa[high], 2)
    return float(-(theta_deg[peak] - b / (2 * a)))


def _exponent(theta: Floats, kpa: Floats, volume: Floats, span: tuple[float, float]) -> tuple[float, float] | None:
    inside = (theta >= span[0]) & (theta <= span[1])
    if inside.sum() < 10 or np.any(kpa[inside] <= 0.0):
        return None
    return exponent_from_trace(kpa[inside], volume[inside])


def _ratio(theta: Floats, kpa: Floats) -> float:
    after, before = np.interp([60.0, -60.0], theta, kpa)
    return float(after / max(before, 1e-9))


def _held(
    theta: Floats, kpa: Floats, volume: Floats, speed: Floats, cylinder: Cylinder, closed: top.TopFit
) -> float | None:
    """Gauge peak over that of the same charge in a cylinder without a hole."""
    near = (theta >= top.FROM_DEG) & (theta <= 20.0)
    settings = np.zeros(charge.SETTINGS)
    settings[[charge.WALL_K, charge.AMBIENT_PA]] = top.WALL_K, AMBIENT_KPA * 1e3
    settings[[charge.BORE_M, charge.STROKE_M]] = cylinder.bore_m, cylinder.stroke_m
    settings[charge.HEAT] = np.exp(closed.values[top.HEAT])
    step = float(theta[1] - theta[0])
    shut = np.zeros(int(near.sum()))
    peaks = []
    for hole in (float(closed.values[top.HOLE]) * 1e-6, 0.0):
        settings[charge.HOLE_M2] = hole
        out = np.empty(len(shut))
        begin = max(float(kpa[near][0]), 5.0) * 1e3
        charge.march(0, begin, top.BEGIN_K, step, speed[near], volume[near], shut, shut, settings, out)
        peaks.append(float(out.max()) * 1e-3 - AMBIENT_KPA)
    return peaks[0] / peaks[1] if peaks[1] > 50.0 else None


def _manifold(fit: gas.GasFit | None, index: int) -> tuple[float, float] | None:
    if fit is None or fit.misfit > MISFIT_MOST:
        return None
    log, sd = fit.of(index)
    value = AMBIENT_KPA * float(np.exp(log))
    return value, value * sd


# ------------------------------------------------------------------------------------------------- top and the valves


def _wrapped(angle_deg: float, turn_deg: float) -> float:
    return float((angle_deg + 0.5 * turn_deg) % turn_deg - 0.5 * turn_deg)


def _tdc(
    cycles: PressureCycles, cylinder: Cylinder, place: Place, at: float, at_sd: float
) -> tuple[float | None, float | None, tuple[str, ...]]:
    if cycles.kind == "fired":
        return None, None, ()
    if place.even_speed:
        return None, None, ("no crank sensor: angles rest on an even speed between the humps",)
    if not place.known:
        return None, None, ("where the crank wheel stands is not known: its top cannot be held against it",)
    sd = float(np.hypot(at_sd, place.error_deg))
    if sd > UNSURE_TOP_DEG:
        return None, None, (f"top dead centre is known to {1.96 * sd:.0f} degrees only",)
    return _wrapped(cycles.origin_deg + at - cylinder.top_deg, min(place.repeat_deg, 360.0)), sd, ()


def _valves(
    found: PressureFinding, cylinder: Cylinder, fit: gas.GasFit | None, at_sd: float, place: Place
) -> tuple[tuple[ValveEvent, ...], tuple[PressureOffset, ...], tuple[str, ...]]:
    if place.even_speed and (found.rpm or 0.0) < EVEN_FROM_RPM:
        note = "without a crank sensor the crank's swing while cranking moves the valves' angles by tens of degrees"
        return (), (), (f"{note}: none are given",)
    uneven = place.error_deg if place.even_speed else 0.0
    if fit is None or fit.misfit > MISFIT_MOST:
        note = "valve angles are read where the trace leaves its line: the engine file has no valves to hold it against"
        if fit is not None:
            note = "the gas of the engine file's cylinder does not describe this trace: no cam offset is taken from it"
        return _departures(found, at_sd + uneven), (), (note,)
    events: list[ValveEvent] = []
    offsets: list[PressureOffset] = []
    notes: list[str] = []
    kinds: tuple[tuple[Literal["intake", "exhaust"], int, ValveTimes | None], ...] = (
        ("exhaust", gas.EXHAUST, cylinder.exhaust),
        ("intake", gas.INTAKE, cylinder.intake),
    )
    for kind, index, valve in kinds:
        assert valve is not None
        late, sd = fit.of(index)
        sd = float(np.hypot(np.hypot(sd, EVENT_SYSTEMATIC_DEG), uneven))
        if sd > 0.4 * float(fit.prior_sd[index]):
            notes.append(f"the {kind} valves leave no mark in this trace")
            continue
        letter = kind[0]
        for what, nominal in (("o", valve.opens_deg), ("c", valve.closes_deg)):
            name: Literal["evo", "evc", "ivo", "ivc"] = f"{letter}v{what}"  # type: ignore[assignment]
            events.append(ValveEvent(name=name, angle_deg=nominal + late, sd_deg=sd))
        if valve.cam is not None:
            known = float(np.hypot(sd, valve.sd_deg))
            offsets.append(PressureOffset(cam=valve.cam, valve=kind, offset_deg=late, sd_deg=known))
    return tuple(events), tuple(offsets), tuple(notes)


def _departures(found: PressureFinding, at_sd: float) -> tuple[ValveEvent, ...]:
    sd = float(np.hypot(EVENT_SD_DEG, at_sd))
    events = []
    opens = departure_deg(found.theta_deg, found.mean, found.volume_m3, +1)
    closes = departure_deg(found.theta_deg, found.mean, found.volume_m3, -1)
    if opens is not None:
        events.append(ValveEvent(name="evo", angle_deg=opens, sd_deg=sd))
    if closes is not None:
        events.append(ValveEvent(name="ivc", angle_deg=720.0 + closes, sd_deg=sd))
    return tuple(events)
