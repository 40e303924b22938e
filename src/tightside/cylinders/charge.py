"""The gas of one cylinder between two still manifolds, through one cycle, compiled.

A measured trace is held against it.

One zone of air. In each step the piston compresses it (exact for a constant exponent), walls and a hole take from it,
then each valve lets it relax towards its manifold: for small differences the orifice law dp/dt = -k sqrt(p - p0) has
the solution sqrt(dp) = sqrt(dp0) - k t / 2, which needs no small steps while a valve stands open.

Source: orifice flow, Heywood 1st ed. App. C (from memory, as in ``twin/flow.py``, which this shares no line with); heat
by Woschni's form, Heywood 1st ed. eq. 12.19 (from memory), h = 3.26 B^-0.2 p^0.8 T^-0.55 w^0.8 with p in kPa; air's
cp/cv falls by 8.5e-5 a kelvin (1.399 at 300 K, 1.369 at 650 K, Cantera). ``tests/test_cylinders_charge.py`` holds it
against closed forms and an adaptive integration.
"""

from __future__ import annotations

import numpy as np
from numba import njit

R_AIR = 287.05
MARCH = 720
# entries of the settings
DISCHARGE, HEAT, HOLE_M2, INTAKE_PA, EXHAUST_PA, INTAKE_K, EXHAUST_K, WALL_K, AMBIENT_PA, BORE_M, STROKE_M = range(11)
SETTINGS = 11


@njit(cache=True, nogil=True, error_model="numpy")
def flux(p_up, t_up, p_down, gamma):  # type: ignore[no-untyped-def]
    """Mass flow per effective area through an orifice. [kg/(s m^2)]"""
    ratio = max(p_down / p_up, (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))
    part = 2.0 * gamma / (gamma - 1.0) * (ratio ** (2.0 / gamma) - ratio ** ((gamma + 1.0) / gamma))
    return p_up / np.sqrt(R_AIR * t_up) * np.sqrt(max(part, 0.0))


@njit(cache=True, nogil=True, error_model="numpy")
def gamma_of(kelvin):  # type: ignore[no-untyped-def]
    """cp / cv of air."""
    return min(max(1.3992 - 8.54e-5 * (kelvin - 300.0), 1.28), 1.4)


@njit(cache=True, nogil=True, error_model="numpy")
def _relax(p, kelvin, mass, p_out, t_out, area, volume, seconds):  # type: ignore[no-untyped-def]
    """Pressure and mass after a valve stood open for a while; the gas kept at the enthalpy that came."""
    if area <= 0.0:
        return p, mass
    inward = p_out > p
    up, t_up = (p_out, t_out) if inward else (p, kelvin)
    down = p if inward else p_out
    gap = up - down
    if gap < 1e-3:
        return p, mass
    gamma = gamma_of(t_up)
    rho = up / (R_AIR * t_up)
    plain = np.sqrt(2.0 * rho * gap)
    k = area * flux(up, t_up, down, gamma) / plain * np.sqrt(2.0 * rho) * gamma * R_AIR * t_up / volume
    root = max(np.sqrt(gap) - 0.5 * k * seconds, 0.0)
    change = gap - root * root
    moved = change * volume / (gamma * R_AIR * t_up)
    return (p + change, mass + moved) if inward else (p - change, mass - moved)


@njit(cache=True, nogil=True, error_model="numpy")
def march(start, begin_pa, begin_k, step_deg, speed, volume, intake, exhaust, settings, out):  # type: ignore[no-untyped-def]
    """Pressure over a cycle of ``len(out)`` steps that begins at entry ``start`` of the tables. [Pa]

    ``speed`` [deg/s], ``volume`` [m^3], ``intake`` and ``exhaust`` [m^2] have an entry a step; out[start] is begin_pa.
    """
    n = len(out)
    p, kelvin = begin_pa, begin_k
    mass = p * volume[start] / (R_AIR * kelvin)
    pace = 2.28 * settings[STROKE_M] / 180.0  # of the gas along the wall, per crank degree a second
    base_m2 = 0.25 * np.pi * settings[BORE_M] ** 2
    out[start] = p
    for j in range(1, n):
        i, before = (start + j) % n, (start + j - 1) % n
        seconds = step_deg / speed[i]
        gamma = gamma_of(kelvin)
        v = volume[i]
        p *= (volume[before] / v) ** gamma
        kelvin = p * v / (mass * R_AIR)
        wall_m2 = 2.0 * base_m2 + 4.0 * v / settings[BORE_M]
        film = 3.26 * settings[BORE_M] ** -0.2 * (p * 1e-3) ** 0.8 * kelvin**-0.55 * (pace * speed[i]) ** 0.8
        p -= (gamma - 1.0) * settings[HEAT] * film * wall_m2 * (kelvin - settings[WALL_K]) * seconds / v
        if settings[HOLE_M2] > 0.0:
            p, mass = _relax(p, kelvin, mass, settings[AMBIENT_PA], settings[WALL_K], settings[HOLE_M2], v, seconds)
        area = settings[DISCHARGE] * exhaust[i]
        p, mass = _relax(p, kelvin, mass, settings[EXHAUST_PA], settings[EXHAUST_K], area, v, seconds)
        kelvin = p * v / (mass * R_AIR)
        area = settings[DISCHARGE] * intake[i]
        p, mass = _relax(p, kelvin, mass, settings[INTAKE_PA], settings[INTAKE_K], area, v, seconds)
        kelvin = p * v / (mass * R_AIR)
        out[i] = p
    return out
