"""A cylinder of our own for tests: open manifolds, real air, mass and energy in small steps, another heat law.

It shares no line with the package's own gas or its twin: temperature-dependent air by a polynomial of cv (through
the JANAF values 0.7175, 0.7425, 0.7997 kJ/kg K at 300, 500 and 800 K, from memory), Hohenberg's heat transfer (SAE
790825, from memory), poppet areas as a plain curtain, lift curves 3-4-5-like instead of sin^2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from tightside.cylinders.mechanism import TABLE_DEG, Cylinder, ValveTimes
from tightside.engine.breathing import ValveSet, area_table_mm2, volume_tables
from tightside.engine.lift import LiftCurve
from tightside.engine.slider_crank import CylinderGeometry
from tightside.records import AngleTrace

R = 287.05


@njit
def heat_capacity(kelvin):  # type: ignore[no-untyped-def]
    return 1.3133e-4 * kelvin**2 + 0.01993 * kelvin + 699.70


@njit
def energy(kelvin):  # type: ignore[no-untyped-def]
    return 1.3133e-4 * kelvin**3 / 3 + 0.01993 * kelvin**2 / 2 + 699.70 * kelvin


@njit
def enthalpy(kelvin):  # type: ignore[no-untyped-def]
    return energy(kelvin) + R * kelvin


@njit
def kelvin_from_energy(specific):  # type: ignore[no-untyped-def]
    kelvin = specific / 718.0
    for _ in range(6):
        kelvin -= (energy(kelvin) - specific) / heat_capacity(kelvin)
    return kelvin


@njit
def orifice(inside_pa, inside_k, outside_pa, outside_k, area_m2):  # type: ignore[no-untyped-def]
    """Mass flow out, and the temperature of what flows."""
    out = inside_pa > outside_pa
    up, kelvin, down = (inside_pa, inside_k, outside_pa) if out else (outside_pa, outside_k, inside_pa)
    gamma = 1.4 if kelvin < 600 else 1.34
    ratio = max(down / up, (2 / (gamma + 1)) ** (gamma / (gamma - 1)))
    psi = np.sqrt(max(2 * gamma / (gamma - 1) * (ratio ** (2 / gamma) - ratio ** ((gamma + 1) / gamma)), 0.0))
    flow = area_m2 * up / np.sqrt(R * kelvin) * psi
    return (flow, kelvin) if out else (-flow, kelvin)


@dataclass(frozen=True)
class Case:
    """One engine at work. Angles are crank degrees, positive late."""

    seed: int
    geometry: CylinderGeometry
    rpm: float
    intake: tuple[float, float, float, float]  # opens, closes, lift, head
    exhaust: tuple[float, float, float, float]
    intake_late_deg: float = 0.0
    exhaust_late_deg: float = 0.0
    intake_kpa: float = 98.0
    exhaust_kpa: float = 102.0
    hole_mm2: float = 0.5
    heat: float = 1.0
    discharge: float = 0.66
    top_shift_deg: float = 0.0  # the clock reads this at the true top
    burn_k: float = 0.0  # how much hotter one burn makes the charge
    noise_kpa: float = 2.0


def drawn_case(seed: int) -> Case:
    """A random engine, sound or slipped, cranked or coasting with its throttle closed."""
    rng = np.random.default_rng(seed)
    bore = rng.uniform(72.0, 100.0)
    stroke = bore * rng.uniform(0.85, 1.15)
    geometry = CylinderGeometry(bore, stroke, 1.7 * stroke, 0.0, rng.uniform(9.0, 11.5))
    cranking = rng.random() < 0.6
    slip = rng.choice([-1, 0, 0, 1, 2], size=2) * rng.uniform(14.0, 20.0)
    return Case(
        seed=seed,
        geometry=geometry,
        rpm=rng.uniform(150.0, 280.0) if cranking else rng.uniform(650.0, 1100.0),
        intake=(rng.uniform(345.0, 370.0), rng.uniform(580.0, 612.0), 0.105 * bore, 0.38 * bore),
        exhaust=(rng.uniform(118.0, 135.0), rng.uniform(358.0, 375.0), 0.1 * bore, 0.33 * bore),
        intake_late_deg=float(slip[0] + rng.normal(0.0, 0.5)),
        exhaust_late_deg=float(slip[1] + rng.normal(0.0, 0.5)),
        intake_kpa=rng.uniform(94.0, 99.0) if cranking else rng.uniform(30.0, 45.0),
        exhaust_kpa=rng.uniform(100.5, 103.0),
        hole_mm2=rng.uniform(0.2, 1.5),
        heat=rng.uniform(0.7, 1.4),
        discharge=rng.uniform(0.6, 0.72),
        top_shift_deg=float(rng.choice([0.0, 0.0, -6.0, 3.0]) + rng.normal(0.0, 0.2)),
    )


def curtain_m2(theta_deg: np.ndarray, valve: tuple[float, float, float, float]) -> np.ndarray:
    """Two valves; toes and middle unlike sin^2 by up to 4 % of the lift."""
    u = np.clip((theta_deg % 720.0 - valve[0]) / (valve[1] - valve[0]), 0.0, 1.0)
    lift = valve[2] * (np.sin(np.pi * u) ** 2 + 0.04 * np.sin(2 * np.pi * u) ** 2)
    return np.minimum(2 * np.pi * valve[3] * lift * 0.72, 2 * 0.7 * np.pi / 4 * valve[3] ** 2) * 1e-6


def pressure_kpa(case: Case, step_deg: float = 0.25) -> tuple[np.ndarray, np.ndarray]:
    """Absolute pressure over one settled cycle from -360, heat and leakage in."""
    n = round(720.0 / step_deg)
    theta = -360.0 + step_deg * np.arange(2 * n + 1)
    volume = volume_tables((theta + 360.0) % 720.0 - 360.0, case.geometry)[0]
    areas = case.discharge * np.array([
        curtain_m2(theta - case.intake_late_deg, case.intake), curtain_m2(theta - case.exhaust_late_deg, case.exhaust)
    ])  # fmt: skip
    burns = ((theta + 8.0) % 720.0 < 50.0) * case.burn_k / 50.0 * step_deg
    bore = case.geometry.bore_mm * 1e-3
    pace = 2 * case.geometry.stroke_mm * 1e-3 * case.rpm / 60.0
    manifolds = case.intake_kpa * 1e3, case.exhaust_kpa * 1e3, 900.0 if case.burn_k else 310.0
    numbers = np.array([step_deg / (6.0 * case.rpm), bore, pace, case.heat, *manifolds, case.hole_mm2 * 1e-6])
    out = _turned(volume, areas, burns, numbers)
    return theta[n : 2 * n] - 720.0, out[n : 2 * n] * 1e-3


@njit
def _turned(volume, areas, burns, numbers):  # type: ignore[no-untyped-def]
    dt, bore, speed, heat, p_in, p_out, k_out, hole = numbers
    kelvin = 305.0
    p = p_in
    mass = p * volume[0] / (R * kelvin)
    out = np.empty(len(volume))
    out[0] = p
    for i in range(1, len(volume)):
        v = volume[i]
        kelvin *= (volume[i - 1] / v) ** (R / heat_capacity(kelvin))
        kelvin += burns[i]
        p = mass * R * kelvin / v
        wall = np.pi / 2 * bore**2 + 4 * v / bore
        film = 130.0 * v**-0.06 * (p * 1e-5) ** 0.8 * kelvin**-0.4 * (speed + 1.4) ** 0.8
        total = mass * energy(kelvin) - heat * film * wall * (kelvin - 330.0) * dt
        left = dt
        while left > 0.0:
            f0, h0 = orifice(p, kelvin, p_in, 300.0, areas[0, i])
            f1, h1 = orifice(p, kelvin, p_out, k_out, areas[1, i])
            f2, h2 = orifice(p, kelvin, 101.3e3, 330.0, hole)
            pull = abs(f0) + abs(f1) + abs(f2)
            gap = max(abs(p - p_in) * (areas[0, i] > 0), abs(p - p_out) * (areas[1, i] > 0), 1.0)
            safe = 0.25 * gap * v / (1.4 * R * max(kelvin, 300.0) * max(pull, 1e-12))
            h = min(left, max(safe, dt / 60.0))
            mass -= (f0 + f1 + f2) * h
            total -= (f0 * enthalpy(h0) + f1 * enthalpy(h1) + f2 * enthalpy(h2)) * h
            kelvin = kelvin_from_energy(total / mass)
            p = mass * R * kelvin / v
            left -= h
        out[i] = p
    return out


def trace_of(case: Case, cycles: int = 6) -> AngleTrace:
    """The cycle repeated with noise, on a clock that reads ``top_shift_deg`` at top."""
    rng = np.random.default_rng(case.seed + 1)
    theta, kpa = pressure_kpa(case)
    step = 0.5
    angle = np.arange(0.0, 720.0 * (cycles + 1), step) + step / 2
    values = np.interp((angle - case.top_shift_deg + 360.0) % 720.0 - 360.0, theta, kpa, period=720.0)
    spread = 1.0 + (0.06 * rng.standard_normal(cycles + 2) if case.burn_k else np.zeros(cycles + 2))
    values = values * spread[((angle + 360.0) // 720.0).astype(int)]
    values = values + case.noise_kpa * rng.standard_normal(len(angle)) / np.sqrt(5.0)
    speed = np.full(len(angle), 6.0 * case.rpm)
    return AngleTrace(
        column="p",
        role="cylinder_pressure:1",
        unit="kPa",
        step_deg=step,
        angle_deg=angle,
        values=values,
        speed_deg_s=speed,
        times_s=angle / speed,
        segment=np.zeros(len(angle), np.int64),
    )


def cylinder_of(case: Case) -> Cylinder:
    """What an engine file would tell of it: the package's own lift and area, cams in time."""
    g = case.geometry

    def valves(kind: str, v: tuple[float, float, float, float]) -> ValveTimes:
        known = ValveSet(kind, LiftCurve(v[0], v[1], v[2]), v[0], v[1], v[3], 2)  # type: ignore[arg-type]
        return ValveTimes(opens_deg=v[0], closes_deg=v[1], cam="1A" if kind == "intake" else "1B",
                          area_mm2=area_table_mm2(TABLE_DEG % 720.0, known))  # fmt: skip

    return Cylinder(
        number=1,
        top_deg=0.0,
        bore_m=g.bore_mm * 1e-3,
        stroke_m=g.stroke_mm * 1e-3,
        volume_m3=volume_tables(TABLE_DEG, g)[0],
        intake=valves("intake", case.intake),
        exhaust=valves("exhaust", case.exhaust),
    )
