"""Flow of gas through an orifice, and how far a butterfly throttle opens one. Bare functions.

Source: Heywood, *Internal Combustion Engine Fundamentals*, 1st ed., appendix C (from memory): one-dimensional
isentropic flow, choked below the critical pressure ratio. The butterfly's open area is plain geometry (bore circle less
the plate's ellipse and the shaft's strip), checked by numerical integration.
"""

from __future__ import annotations

from math import asin, cos, exp, log, pi, radians, sqrt

from numba import njit

SOFT = 2e-3  # share of the pressure below which the square root is eased into a straight line

NEVER_CHOKED = 0.6  # no gas with cp/cv above 1.06 chokes at a higher ratio


def critical_ratio(gamma: float) -> float:
    """Pressure ratio at which flow chokes, (2/(g+1))^(g/(g-1)). [1]"""
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


@njit(cache=True, nogil=True, error_model="numpy")
def flux(upstream_pa, upstream_k, downstream_pa, gamma, r, soft):  # type: ignore[no-untyped-def]
    """Mass flow through unit effective area, upstream pressure the higher. [kg/(s m^2)]

    ``soft`` is the share of the upstream pressure below which the flow is eased to be proportional to the difference
    (0: not at all): the square root's infinite slope at rest is what no time step can follow, and no real hole has.
    """
    ratio = downstream_pa / upstream_pa
    drop = 1.0 - ratio
    if drop <= 0.0:
        return 0.0
    scale = upstream_pa / sqrt(r * upstream_k)
    if ratio < NEVER_CHOKED and ratio <= exp(gamma / (gamma - 1.0) * log(2.0 / (gamma + 1.0))):
        return scale * sqrt(gamma * exp((gamma + 1.0) / (gamma - 1.0) * log(2.0 / (gamma + 1.0))))
    narrowed = exp(log(ratio) / gamma)  # ratio^(1/g)
    value = scale * narrowed * sqrt(2.0 * gamma / (gamma - 1.0) * (1.0 - ratio / narrowed))
    if soft > 0.0:
        square = drop * drop
        value *= sqrt(sqrt(square / (square + soft * soft)))
    return value


@njit(cache=True, nogil=True, error_model="numpy")
def conductance(pa, kelvin, other_pa, r):  # type: ignore[no-untyped-def]
    """Bound on the change of ``flux`` by a change of either pressure. [kg/(s m^2 Pa)]"""
    high = max(pa, other_pa)
    drop = abs(pa - other_pa) / high
    return sqrt(2.0 / (r * kelvin)) / sqrt(max(drop, SOFT))


def butterfly_area_mm2(open_deg: float, bore_mm: float, closed_deg: float = 5.0, shaft: float = 0.1) -> float:
    """Open area of a butterfly throttle. [mm^2]

    Parameters
    ----------
    open_deg : plate angle from square to the bore; ``closed_deg`` is where it shuts
    shaft : shaft over bore diameter
    """
    share = butterfly_share(open_deg, closed_deg, shaft)
    return share * pi / 4 * bore_mm**2


def butterfly_share(open_deg: float, closed_deg: float, shaft: float) -> float:
    """Open area of a butterfly over the bore's. [1]  30/10/0.15 -> 0.1204032."""
    c, k = cos(radians(open_deg)) / cos(radians(closed_deg)), shaft
    if c <= k:
        return 1.0 - 2.0 / pi * (k * sqrt(1.0 - k**2) + asin(k))
    gone = k * sqrt(1.0 - (k / c) ** 2) + c * asin(k / c) - k * sqrt(1.0 - k**2) - asin(k)
    return (1.0 - c) + 2.0 / pi * gone
