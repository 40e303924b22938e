"""Units for people. Inside the project everything is SI, millimetres for geometry, and crank degrees.

Factors are exact by definition: the inch and the pound by the international yard and pound agreement of 1959,
standard gravity by the 3rd General Conference on Weights and Measures (1901).
"""

from __future__ import annotations

from typing import Literal

System = Literal["metric", "us"]

MM_PER_IN = 25.4
KPA_PER_PSI = 0.45359237 * 9.80665 / 0.0254**2 / 1000.0
KPA_PER_INHG = 13.5951 * 9.80665 * 0.0254  # conventional mercury at 0 degC
NM_PER_LBFT = 0.45359237 * 9.80665 * 0.3048


def psi_from_kpa(pressure_kpa: float) -> float:
    """Pressure. [psi]"""
    return pressure_kpa / KPA_PER_PSI


def kpa_from_psi(pressure_psi: float) -> float:
    """Pressure. [kPa]"""
    return pressure_psi * KPA_PER_PSI


def in_from_mm(length_mm: float) -> float:
    """Length. [in]"""
    return length_mm / MM_PER_IN


def mm_from_in(length_in: float) -> float:
    """Length. [mm]"""
    return length_in * MM_PER_IN


def degf_from_degc(temperature_degc: float) -> float:
    """Temperature. [degF]"""
    return temperature_degc * 1.8 + 32.0


def degc_from_degf(temperature_degf: float) -> float:
    """Temperature. [degC]"""
    return (temperature_degf - 32.0) / 1.8


def lbft_from_nm(torque_nm: float) -> float:
    """Torque. [lbf ft]"""
    return torque_nm / NM_PER_LBFT


def pressure_text(pressure_kpa: float, system: System) -> str:
    """A pressure as a person reads it: 1250 kPa, or 181 psi."""
    return f"{pressure_kpa:.0f} kPa" if system == "metric" else f"{psi_from_kpa(pressure_kpa):.0f} psi"


def vacuum_text(below_ambient_kpa: float, system: System) -> str:
    """A vacuum as a person reads it: 45 kPa, or 13.3 inHg."""
    return f"{below_ambient_kpa:.0f} kPa" if system == "metric" else f"{below_ambient_kpa / KPA_PER_INHG:.1f} inHg"


def length_text(length_mm: float, system: System) -> str:
    """A small length as a person reads it: 1.25 mm, or 0.049 in."""
    return f"{length_mm:.2f} mm" if system == "metric" else f"{in_from_mm(length_mm):.3f} in"


def temperature_text(temperature_degc: float, system: System) -> str:
    """A temperature as a person reads it: 90 °C, or 194 °F."""
    return f"{temperature_degc:.0f} °C" if system == "metric" else f"{degf_from_degc(temperature_degc):.0f} °F"
