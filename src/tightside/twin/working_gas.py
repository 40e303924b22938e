"""Properties of what is in the cylinder: dry air, and what is left of petrol burned in it. Ideal gas, heat by NASA fit.

Sensible energy is counted from 298.15 K, so a burn is a heat release, and gases mix without heat. The fuel's own mass
and heat capacity are left out.

Source: the seven-coefficient polynomials of GRI-Mech 3.0 (thermo30.dat, public), cp/R = a1 + a2 T + ... + a5 T^4 below
and above 1000 K; dry air by the US Standard Atmosphere 1976 (from memory: N2 78.084, O2 20.946, Ar 0.934, CO2 0.036 %);
products of C8H18 burned completely in that air, by plain arithmetic.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from tightside.records import Floats

GAS_CONSTANT = 8314.462618  # J/(kmol K), CODATA 2018
KINK_K = 1000.0
REFERENCE_K = 298.15
LOW, HIGH = 0, 1
AIR, BURNED = 0, 1

# species: (kg/kmol, a1..a5 below 1000 K, a1..a5 above)
SPECIES = {
    "N2": (
        28.014,
        (3.298677, 1.4082404e-3, -3.963222e-6, 5.641515e-9, -2.444854e-12),
        (2.92664, 1.4879768e-3, -5.68476e-7, 1.0097038e-10, -6.753351e-15),
    ),
    "O2": (
        31.998,
        (3.78245636, -2.99673416e-3, 9.84730201e-6, -9.68129509e-9, 3.24372837e-12),
        (3.28253784, 1.48308754e-3, -7.57966669e-7, 2.09470555e-10, -2.16717794e-14),
    ),
    "Ar": (39.95, (2.5, 0.0, 0.0, 0.0, 0.0), (2.5, 0.0, 0.0, 0.0, 0.0)),
    "CO2": (
        44.009,
        (2.35677352, 8.98459677e-3, -7.12356269e-6, 2.45919022e-9, -1.43699548e-13),
        (3.85746029, 4.41437026e-3, -2.21481404e-6, 5.23490188e-10, -4.72084164e-14),
    ),
    "H2O": (
        18.015,
        (4.19864056, -2.0364341e-3, 6.52040211e-6, -5.48797062e-9, 1.77197817e-12),
        (3.03399249, 2.17691804e-3, -1.64072518e-7, -9.7041987e-11, 1.68200992e-14),
    ),
}
DRY_AIR = {"N2": 0.78084, "O2": 0.20946, "Ar": 0.00934, "CO2": 0.00036}
_AIR_PER_FUEL = 12.5 / DRY_AIR["O2"]  # kmol of air that one kmol of C8H18 needs
PRODUCTS = {
    "N2": _AIR_PER_FUEL * DRY_AIR["N2"],
    "Ar": _AIR_PER_FUEL * DRY_AIR["Ar"],
    "CO2": 8.0 + _AIR_PER_FUEL * DRY_AIR["CO2"],
    "H2O": 9.0,
}


def gas_table(shares: dict[str, float]) -> Floats:
    """Coefficients of a mixture by kmol shares, per kilogram. (2, 7)

    A row below and a row above 1000 K: five of cp(T), the constant that makes sensible enthalpy 0 at 298.15 K and
    continuous at the joint, and the gas constant. [J, kg, K]
    """
    total = sum(shares.values())
    mass = sum(n * SPECIES[s][0] for s, n in shares.items()) / total
    r = GAS_CONSTANT / mass
    table = np.zeros((2, 7))
    for half in (LOW, HIGH):
        table[half, :5] = r * sum(n * np.array(SPECIES[s][1 + half]) for s, n in shares.items()) / total
        table[half, 6] = r
    powers = np.arange(1, 6)
    table[LOW, 5] = -np.sum(table[LOW, :5] * REFERENCE_K**powers / powers)
    at_kink = KINK_K**powers / powers
    table[HIGH, 5] = table[LOW, 5] + np.sum((table[LOW, :5] - table[HIGH, :5]) * at_kink)
    return table


def air_and_burned() -> Floats:
    """Both working gases. (2, 2, 7)"""
    return np.stack([gas_table(DRY_AIR), gas_table(PRODUCTS)])


@njit(cache=True, nogil=True, error_model="numpy")
def heat_of(gas, kelvin):  # type: ignore[no-untyped-def]
    """Sensible enthalpy [J/kg] and cp [J/(kg K)] of one gas."""
    a = gas[0] if kelvin < 1000.0 else gas[1]
    cp = a[0] + kelvin * (a[1] + kelvin * (a[2] + kelvin * (a[3] + kelvin * a[4])))
    h = a[5] + kelvin * (a[0] + kelvin * (a[1] / 2 + kelvin * (a[2] / 3 + kelvin * (a[3] / 4 + kelvin * a[4] / 5))))
    return h, cp


@njit(cache=True, nogil=True, error_model="numpy")
def mixed(gases, burned, kelvin):  # type: ignore[no-untyped-def]
    """Sensible enthalpy, cp and gas constant of air with a share of burned gas in it. [J, kg, K]"""
    h, cp = heat_of(gases[0], kelvin)
    r = gases[0, 0, 6]
    if burned > 0.0:
        hb, cpb = heat_of(gases[1], kelvin)
        h += burned * (hb - h)
        cp += burned * (cpb - cp)
        r += burned * (gases[1, 0, 6] - r)
    return h, cp, r


@njit(cache=True, nogil=True, error_model="numpy")
def kelvin_from_energy(gases, burned, energy, guess):  # type: ignore[no-untyped-def]
    """Temperature at a sensible internal energy [J/kg], with enthalpy, cp and gas constant there; Newton's method.

    A last step below 0.1 % is taken with the slope at hand: what is left is below 1e-6 of the temperature.
    """
    t = min(max(guess, 150.0), 4000.0)
    for _ in range(20):
        h, cp, r = mixed(gases, burned, t)
        step = (energy - h + r * t) / (cp - r)
        t = min(max(t + step, 100.0), 5000.0)
        if abs(step) < 1e-3 * t:
            h += cp * step
            break
    return t, h, cp, r
