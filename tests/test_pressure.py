"""In-cylinder pressure against formulas from outside, an independent cycle model, and real recordings where present."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import cylinder_model as own
from conftest import recordings_folder
from tightside import pipeline
from tightside.cylinders.charge import SETTINGS, march
from tightside.cylinders.cycles import lean_deg
from tightside.cylinders.polytrope import (
    exponent_from_trace,
    pressure_from_ratio,
    work_from_pressure,
    zero_from_two_points,
)
from tightside.cylinders.pressure import Place, measure_pressure
from tightside.cylinders.rhythm import clock_from_pressure
from tightside.engine.load import read_engine
from tightside.engine.slider_crank import CylinderGeometry, clearance_volume_cm3, volume_cm3
from tightside.records import PressureFinding, Trace

# ORIGIN: geometry of the project's reference sheet (bore 86, stroke 86, rod 143 mm, ratio 10), values computed there
# with numpy from p V^n = const, n = 1.32, 100 kPa at the bottom.
SHEET = CylinderGeometry(86.0, 86.0, 143.0, 0.0, 10.0)
THETA = np.arange(-180.0, 180.05, 0.1)


def polytrope(theta_deg: np.ndarray = THETA, n: float = 1.32) -> np.ndarray:
    volume = volume_cm3(theta_deg, SHEET)
    return 100.0 * (volume_cm3(180.0, SHEET) / volume) ** n


# ----------------------------------------------------------------------------------------------------------- formulas


@pytest.mark.parametrize(
    ("ratio", "exponent", "kpa"),
    [(8, 1.30, 1492.85), (8, 1.35, 1656.42), (9.5, 1.30, 1866.55), (9.5, 1.35, 2088.94), (10.5, 1.30, 2125.92),
     (10.5, 1.35, 2391.14), (8, 1.4, 1837.92)],
)  # fmt: skip
def test_compression_of_air_agrees_with_the_sheet(ratio: float, exponent: float, kpa: float) -> None:
    assert pressure_from_ratio(100.0, ratio, exponent) == pytest.approx(kpa, rel=1e-4)


@pytest.mark.parametrize(
    ("closes", "ratio", "kpa"), [(40, 9.2294, 1797.7), (50, 8.7950, 1688.5), (60, 8.2663, 1557.8), (70, 7.6489, 1408.3)]
)
def test_late_closing_lowers_the_effective_ratio_as_on_the_sheet(closes: float, ratio: float, kpa: float) -> None:
    effective = volume_cm3(180.0 + closes, SHEET) / clearance_volume_cm3(SHEET)
    assert effective == pytest.approx(ratio, rel=1e-4)
    assert pressure_from_ratio(100.0, effective, 1.3) == pytest.approx(kpa, rel=1e-4)


def test_polytropic_peak_and_exponent_agree_with_the_sheet() -> None:
    pressure = polytrope()
    assert pressure.max() == pytest.approx(2089.30, rel=1e-5)
    inside = (THETA >= -90) & (THETA <= -30)
    n, _ = exponent_from_trace(pressure[inside], volume_cm3(THETA[inside], SHEET))
    assert n == pytest.approx(1.32, abs=1e-9)


@pytest.mark.parametrize(("off", "n"), [(1.0, 1.30289), (0.5, 1.31137), (-0.5, 1.32877), (-1.0, 1.33768)])
def test_displaced_top_changes_the_exponent_as_on_the_sheet(off: float, n: float) -> None:
    inside = (THETA + off >= -90) & (THETA + off <= -30)
    found, _ = exponent_from_trace(polytrope()[inside], volume_cm3(THETA[inside] + off, SHEET))
    assert found == pytest.approx(n, rel=5e-3)


@pytest.mark.parametrize(("off", "imep"), [(1.0, 20.26), (0.5, 10.13), (-0.5, -10.13), (-1.0, -20.26)])
def test_displaced_top_makes_false_work_as_on_the_sheet(off: float, imep: float) -> None:
    volume = volume_cm3(THETA + off, SHEET) * 1e-6
    work = work_from_pressure(polytrope() * 1e3, volume)
    swept = volume_cm3(180.0, SHEET) * 1e-6 - clearance_volume_cm3(SHEET) * 1e-6
    assert work / swept / 1e3 == pytest.approx(imep, rel=1e-2)


@pytest.mark.parametrize(("offset", "n"), [(-10.0, 1.35530), (-5.0, 1.33739), (5.0, 1.30312), (10.0, 1.28672)])
def test_wrong_zero_changes_the_exponent_as_on_the_sheet_and_two_points_recover_it(offset: float, n: float) -> None:
    inside = (THETA >= -90) & (THETA <= -30)
    readings = polytrope() + offset
    assert exponent_from_trace(readings[inside], volume_cm3(THETA[inside], SHEET))[0] == pytest.approx(n, rel=5e-4)
    first, second = (int(np.argmin(np.abs(THETA - a))) for a in (-100.0, -40.0))
    volumes = tuple(float(volume_cm3(THETA[i], SHEET)) for i in (first, second))
    assert volumes == pytest.approx((385.916, 129.608), rel=1e-5)
    zero = zero_from_two_points((readings[first], readings[second]), volumes, 1.32)  # type: ignore[arg-type]
    assert zero == pytest.approx(offset, abs=1e-9)


# ---------------------------------------------------------------------------------------------------------- gas model


def marched(
    hole_m2: float = 0.0, valve_mm2: float = 0.0, heat: float = 0.0, speed: float = 1200.0
) -> tuple[np.ndarray, np.ndarray]:
    theta = np.arange(-180.0, 180.0, 0.5)
    volume = volume_cm3(theta, SHEET) * 1e-6
    settings = np.zeros(SETTINGS)
    settings[:] = [0.7, heat, hole_m2, 90e3, 101.3e3, 300.0, 300.0, 320.0, 101.3e3, 0.086, 0.086]
    valve = np.where(theta > 120.0, valve_mm2 * 1e-6, 0.0)
    out = np.empty(len(theta))
    march(0, 100e3, 300.0, 0.5, np.full(len(theta), speed), volume, np.zeros(len(theta)), valve, settings, out)
    return theta, out


def test_closed_cylinder_without_heat_follows_airs_own_isentrope() -> None:
    # ORIGIN: Cantera air at ratio 10.5 from 300 K: effective exponent 1.3840; 9.5: 1.3851; 10 lies between.
    _, out = marched()
    assert np.log(out.max() / 100e3) / np.log(10.0) == pytest.approx(1.3846, abs=2e-3)


def test_leaking_cylinder_agrees_with_an_adaptive_integration() -> None:
    theta, out = marched(hole_m2=2e-6)
    speed = 1200.0

    def rates(angle: float, state: np.ndarray) -> list[float]:
        mass, energy = state
        volume = float(volume_cm3(angle, SHEET)) * 1e-6
        step = 1e-3
        slope = float(volume_cm3(angle + step, SHEET) - volume_cm3(angle - step, SHEET)) * 1e-6 / (2 * step)
        kelvin = own.kelvin_from_energy(energy / mass)
        pressure = mass * 287.05 * kelvin / volume
        out_kg, hot = own.orifice(pressure, kelvin, 101.3e3, 320.0, 2e-6)
        return [-out_kg / speed, -pressure * slope - out_kg * own.enthalpy(hot) / speed]

    mass = 100e3 * float(volume_cm3(-180.0, SHEET)) * 1e-6 / (287.05 * 300.0)
    state = solve_ivp(
        rates, (-180.0, 100.0), [mass, mass * own.energy(300.0)], rtol=1e-8, atol=1e-12, dense_output=True
    )
    for angle in (-60.0, 0.0, 60.0):
        m, e = state.sol(angle)
        expected = m * 287.05 * own.kelvin_from_energy(e / m) / (float(volume_cm3(angle, SHEET)) * 1e-6)
        assert out[int(np.argmin(np.abs(theta - angle)))] == pytest.approx(expected, rel=0.012)


def test_open_valve_brings_the_cylinder_to_its_manifold() -> None:
    _, out = marched(valve_mm2=300.0)
    assert out[-1] == pytest.approx(101.3e3, rel=1e-3)


# ------------------------------------------------------------------------------------------- independent cycle model


def found_in(case: own.Case) -> tuple[PressureFinding, own.Case]:
    return measure_pressure(own.trace_of(case), own.cylinder_of(case), Place(360.0, True, 0.02)), case


CASES = [own.drawn_case(seed) for seed in range(7100, 7106)]


@pytest.fixture(scope="module")
def measured() -> list[tuple[PressureFinding, own.Case]]:
    return [found_in(case) for case in CASES]


def test_top_dead_centre_of_the_independent_model_is_found(measured: list[tuple[PressureFinding, own.Case]]) -> None:
    off = [abs(f.tdc_deg - c.top_shift_deg) for f, c in measured if f.tdc_deg is not None]
    assert len(off) == len(measured)
    assert np.median(off) < 0.7 and max(off) < 1.2


def test_cam_offsets_of_the_independent_model_are_found(measured: list[tuple[PressureFinding, own.Case]]) -> None:
    off = [
        abs(o.offset_deg - (c.intake_late_deg if o.valve == "intake" else c.exhaust_late_deg))
        for f, c in measured
        for o in f.offsets
    ]
    assert len(off) >= 1.5 * len(measured)
    assert np.median(off) < 2.0 and max(off) < 5.0


def test_larger_leak_shows_as_less_pressure_held() -> None:
    case = CASES[0]
    held = [found_in(replace(case, hole_mm2=h))[0].held for h in (0.3, 2.0, 5.0)]
    assert None not in held and held[0] > held[1] > held[2]  # type: ignore[operator]


@pytest.mark.parametrize(("added", "zero"), [(0.0, "absolute"), (-101.3, "gauge"), (480.0, "unknown")])
def test_zero_is_decided_and_said(added: float, zero: str) -> None:
    trace = own.trace_of(CASES[1])
    found = measure_pressure(replace(trace, values=trace.values + added), own.cylinder_of(CASES[1]), Place())
    assert found.zero == zero
    assert found.tdc_deg == pytest.approx(CASES[1].top_shift_deg, abs=0.9)
    assert found.peak_kpa_abs == pytest.approx(float(trace.values.max()), rel=0.03)


def test_volts_of_unknown_scale_and_a_drift_leave_angles_alone() -> None:
    trace = own.trace_of(CASES[2])
    volts = 0.5 + trace.values * 9.6e-4 + 0.06 * np.linspace(0.0, 1.0, len(trace.values)) ** 2
    found = measure_pressure(replace(trace, values=volts, unit="V"), own.cylinder_of(CASES[2]), Place())
    assert not found.scale_known and found.zero == "unknown"
    assert found.tdc_deg == pytest.approx(CASES[2].top_shift_deg, abs=0.9)
    assert found.per_kpa == pytest.approx(9.6e-4, rel=0.2)


def test_burning_is_recognised_and_gives_no_top_dead_centre() -> None:
    case = replace(CASES[3], burn_k=1500.0, intake_kpa=45.0)
    found, _ = found_in(case)
    assert found.kind == "fired"
    assert found.tdc_deg is None and found.loss_angle_deg is None


def test_burning_without_a_crank_wheel_gives_nothing_but_says_so() -> None:
    case = replace(CASES[3], burn_k=1500.0, intake_kpa=45.0)
    found = measure_pressure(own.trace_of(case), own.cylinder_of(case), Place(known=False))
    assert found.kind == "none" and "fires" in found.notes[0] and not found.events


def test_wheel_of_unknown_place_gives_offsets_but_no_top() -> None:
    found = measure_pressure(own.trace_of(CASES[4]), own.cylinder_of(CASES[4]), Place(known=False))
    assert found.tdc_deg is None
    late = {o.valve: o.offset_deg for o in found.offsets}
    assert late["intake"] == pytest.approx(CASES[4].intake_late_deg, abs=4.0)


def test_cranking_without_a_crank_sensor_gives_no_valve_angles() -> None:
    case = next(c for c in CASES if c.rpm < 400.0)
    found = measure_pressure(
        own.trace_of(case), own.cylinder_of(case), Place(known=False, error_deg=3.0, even_speed=True)
    )
    assert found.kind == "motored" and found.peak_kpa_abs is not None
    assert not found.offsets and not found.events and found.tdc_deg is None and found.held is None


def test_too_few_cycles_are_said_to_be_too_few() -> None:
    trace = own.trace_of(CASES[0])
    few = trace.angle_deg < trace.angle_deg[0] + 1000.0
    short = replace(
        trace, **{n: getattr(trace, n)[few] for n in ("angle_deg", "values", "speed_deg_s", "times_s", "segment")}
    )
    found = measure_pressure(short, own.cylinder_of(CASES[0]), Place())
    assert found.kind == "none" and "cycles" in found.notes[0]


def test_mirror_image_leans_nowhere_and_a_late_fall_leans_late() -> None:
    theta = np.arange(-360.0, 360.0, 0.5)
    hump = 1000.0 * np.exp(-((theta / 30.0) ** 2)) + 100.0
    assert lean_deg(theta, hump) == pytest.approx(0.0, abs=0.02)
    late = np.where(theta > 0, 1000.0 * np.exp(-((theta / 60.0) ** 2)) + 100.0, hump)
    assert lean_deg(theta, late) > 5.0


def test_pressure_alone_gives_a_clock_of_its_own() -> None:
    rate = 10e3
    at = np.arange(int(6 * rate)) / rate
    place = (at * 1200.0 + 360.0) % 720.0 - 360.0
    clock = clock_from_pressure(Trace((100.0 + 1200.0 * np.exp(-((place / 30.0) ** 2))).astype(np.float32), rate))
    assert clock is not None and not clock.position_known
    assert np.diff(clock.angle_deg) == pytest.approx(720.0)
    assert np.diff(clock.times_s) == pytest.approx(0.6, abs=1e-3)
    assert clock_from_pressure(Trace(np.zeros(1000), rate)) is None


# ---------------------------------------------------------------------------------------------------- real recordings

REAL = pytest.mark.skipif(not recordings_folder().is_dir(), reason=f"no recordings in {recordings_folder()}")
BENCH = """
schema: tightside/engine/1
name: single on a bench
cylinders: 1
geometry: {bore_mm: 67.0, stroke_mm: 55.0, rod_mm: 84.0, compression_ratio: 8.5}
crank_sensor: {kind: hall, wheel: {teeth: 60, missing: [58, 59]}, position_0_deg: 115.4, active_edge: rising}
cams: {}
"""


def real(name: str, folder: Path) -> PressureFinding:
    (folder / "bench.yaml").write_text(BENCH)
    path = recordings_folder() / name
    return pipeline.diagnose([path], engine=read_engine(folder / "bench.yaml")).pressure[0]


@REAL
@pytest.mark.recordings
def test_real_coast_down_gives_top_zero_and_scale_as_read_by_other_means(tmp_path: Path) -> None:
    # ORIGIN: the folder's README: top to 0.5 deg by coast-downs and by the crank's own speed; zero 0.504 V with a known
    # scale of 0.096 V/bar to 10 %; peak 12.3 bar; exhaust opens 125 to 140.
    found = real("pressure-a.txt", tmp_path)
    assert found.kind == "motored" and found.cycles >= 8
    assert found.tdc_deg == pytest.approx(0.0, abs=0.5)
    assert found.loss_angle_deg is not None and 0.5 < found.loss_angle_deg < 1.2
    assert found.zero_value == pytest.approx(0.504, abs=0.03)
    assert found.per_kpa == pytest.approx(9.6e-4, rel=0.15)
    assert found.peak_kpa_abs == pytest.approx(1230.0, rel=0.12)
    assert found.peak_spread is not None and found.peak_spread < 0.02
    assert {e.name: e.angle_deg for e in found.events}["evo"] == pytest.approx(132.5, abs=7.5 + 6.0)


@REAL
@pytest.mark.recordings
def test_real_firing_run_is_recognised_and_marks_no_top(tmp_path: Path) -> None:
    # ORIGIN: the same README: zero 1.255 V, peaks of 5.0 bar that differ by 8 %.
    found = real("pressure-b.txt", tmp_path)
    assert found.kind == "fired" and found.cycles >= 10
    assert found.tdc_deg is None
    assert found.zero_value == pytest.approx(1.255, abs=0.03)
    assert found.peak_kpa_abs == pytest.approx(500.0, rel=0.15)
