"""The cycle's equations and their integration, compiled. ``cycle.py`` says what they mean.

State: kg, J and kg of burned gas of every volume (each cylinder in firing order, then intake, then exhaust manifold),
crank angle and speed, and running sums of what crossed the boundary. Sums go through the same steps as the state, so
mass and energy close to rounding.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from tightside.records import Floats
from tightside.twin.flow import SOFT, conductance, flux
from tightside.twin.working_gas import kelvin_from_energy

# columns of the table over a cylinder's own cycle
VOLUME, SLOPE, CURVE, INTAKE, EXHAUST = range(5)
# columns of the cylinders' numbers
TOP, INTAKE_LATE, EXHAUST_LATE, HOLE, PAST_INTAKE, PAST_EXHAUST, BURN_J, BURN_KG, SPARK, BURN_RAD = range(10)
# entries of the surroundings
AMBIENT_PA, AMBIENT_K, THROTTLE_M2, TAILPIPE_M2, INTAKE_M3, EXHAUST_M3, WALL_K, DISCHARGE, HEAT, BORE_M = range(10)
STROKE_M, INTAKE_HELD, EXHAUST_HELD, EXHAUST_K = range(10, 14)
# entries of the drive
COUPLED, INERTIA, MOVING_KG, FRICTION_NM, FRICTION_NM_S, STARTER_ON, GRIP, OHM, SUPPLY_V, FREE_A = range(10)
# what is known of each volume now: Pa, K, cp/cv, gas constant, enthalpy, burned share, conductance of its holes,
# Pa/kg, film on its walls now and half a step on
PA, KELVIN, GAMMA, R, ENTHALPY, BURNED, OPEN, SPRING, FILM, FILM_NEXT = range(10)
# sums
WORK, WALL_HEAT, BURN_HEAT, KG_IN, KG_OUT, KG_LEAKED, J_IN, J_OUT, J_LEAKED = range(9)
SUMS = 9

ANNAND = 0.49  # four-stroke, Heywood 1st ed. eq. 12.18 (from memory): Nu = a Re^0.7
PRANDTL = 0.7
WIEBE = 5.0  # a of 1 - exp(-a x^(m+1)) with m = 2; Heywood section 9.2 (from memory)
MOST_STAGES = 60
CYCLE_RAD = 12.566370614359172


def chebyshev_table(most: int = MOST_STAGES) -> Floats:
    """Coefficients of the damped Runge-Kutta-Chebyshev scheme of second order. (most + 1, most + 1, 5)

    Entry [s, j] is (mu, nu, mu~, gamma~, 0) of stage j of s; [s, 1, 2] is mu~ of the first.

    Source: Sommeijer, Shampine, Verwer, *RKC: an explicit solver for parabolic PDEs*, J. Comp. Appl. Math. 88 (1998),
    eqs 2.1-2.9 (from memory; the order is shown by a test).
    """
    table = np.zeros((most + 1, most + 1, 5))
    for s in range(2, most + 1):
        w0 = 1.0 + 2.0 / 13.0 / s**2
        t, d, dd = np.ones(s + 1), np.zeros(s + 1), np.zeros(s + 1)
        t[1], d[1] = w0, 1.0
        for j in range(2, s + 1):
            t[j] = 2 * w0 * t[j - 1] - t[j - 2]
            d[j] = 2 * t[j - 1] + 2 * w0 * d[j - 1] - d[j - 2]
            dd[j] = 4 * d[j - 1] + 2 * w0 * dd[j - 1] - dd[j - 2]
        w1 = d[s] / dd[s]
        b = np.empty(s + 1)
        b[2:] = dd[2:] / d[2:] ** 2
        b[:2] = b[2]
        a = 1.0 - b * t
        table[s, 1, 2] = b[1] * w1
        for j in range(2, s + 1):
            mu_tilde = 2 * b[j] * w1 / b[j - 1]
            table[s, j, :4] = 2 * b[j] * w0 / b[j - 1], -b[j] / b[j - 2], mu_tilde, -a[j - 1] * mu_tilde
    return table


@njit(cache=True, nogil=True, error_model="numpy")
def look(table, column, place):  # type: ignore[no-untyped-def]
    """Linear between entries; ``place`` in entries from the first."""
    k = int(place)
    f = place - k
    return table[k, column] + f * (table[k + 1, column] - table[k, column])


@njit(cache=True, nogil=True, error_model="numpy")
def volume_at(table, place, step):  # type: ignore[no-untyped-def]
    """Volume and its exact derivative between entries: the cubic through volumes and slopes."""
    k = int(place)
    f = place - k
    v0, v1 = table[k, VOLUME], table[k + 1, VOLUME]
    s0, s1 = table[k, SLOPE] * step, table[k + 1, SLOPE] * step
    a = 2.0 * (v0 - v1) + s0 + s1
    b = 3.0 * (v1 - v0) - 2.0 * s0 - s1
    return ((a * f + b) * f + s0) * f + v0, ((3.0 * a * f + 2.0 * b) * f + s0) / step


@njit(cache=True, nogil=True, error_model="numpy")
def place_of(theta, steps):  # type: ignore[no-untyped-def]
    """Entry of a table over a cycle at an angle [rad]."""
    turn = theta / CYCLE_RAD
    return min(max((turn - np.floor(turn)) * steps, 0.0), steps - 1e-9)


@njit(cache=True, nogil=True, error_model="numpy")
def entry_before(place, late, steps):  # type: ignore[no-untyped-def]
    """The entry ``late`` entries before a place, around the cycle; ``late`` within one cycle."""
    at = place - late
    if at < 0.0:
        at += steps
    elif at >= steps:
        at -= steps
    return min(max(at, 0.0), steps - 1e-9)


@njit(cache=True, nogil=True, error_model="numpy")
def _pass(i, j, area, now, y, dy, n_volumes):  # type: ignore[no-untyped-def]
    """Gas through a hole between two volumes; adds to both."""
    pi, pj = now[i, PA], now[j, PA]
    if area <= 0.0:
        return
    up, down = (i, j) if pi >= pj else (j, i)
    rate = area * flux(now[up, PA], now[up, KELVIN], now[down, PA], now[up, GAMMA], now[up, R], SOFT)
    eased = area * conductance(now[up, PA], now[up, KELVIN], now[down, PA], now[up, R])
    now[i, OPEN] += eased
    now[j, OPEN] += eased
    energy, burned = rate * now[up, ENTHALPY], rate * now[up, BURNED]
    dy[up] -= rate
    dy[down] += rate
    dy[n_volumes + up] -= energy
    dy[n_volumes + down] += energy
    dy[2 * n_volumes + up] -= burned
    dy[2 * n_volumes + down] += burned


@njit(cache=True, nogil=True, error_model="numpy")
def _pass_outside(i, area, outside, now, dy, n_volumes, sums, kg, joule, sign):  # type: ignore[no-untyped-def]
    """Gas between a volume and the surroundings (pressure, K, gamma, R, enthalpy); counted in the sums."""
    if area <= 0.0:
        return
    now[i, OPEN] += area * conductance(now[i, PA], now[i, KELVIN], outside[0], now[i, R])
    if now[i, PA] >= outside[0]:
        rate = -area * flux(now[i, PA], now[i, KELVIN], outside[0], now[i, GAMMA], now[i, R], SOFT)
        energy, burned = rate * now[i, ENTHALPY], rate * now[i, BURNED]
    else:
        rate = area * flux(outside[0], outside[1], now[i, PA], outside[2], outside[3], SOFT)
        energy, burned = rate * outside[4], 0.0
    dy[i] += rate
    dy[n_volumes + i] += energy
    dy[2 * n_volumes + i] += burned
    dy[sums + kg] += sign * rate
    dy[sums + joule] += sign * energy


@njit(cache=True, nogil=True, error_model="numpy")
def film_w_m2k(density, kelvin, cp, omega, bore, stroke):  # type: ignore[no-untyped-def]
    """Heat transfer coefficient between gas and walls by Annand's correlation. [W/(m^2 K)]"""
    speed = max(abs(omega) * stroke / np.pi, 0.01)
    viscosity = 3.3e-7 * np.exp(0.7 * np.log(kelvin))  # Heywood eq. 4.52 (from memory)
    reynolds = density * speed * bore / viscosity
    return ANNAND * np.exp(0.7 * np.log(reynolds)) * cp * viscosity / PRANDTL / bore


@njit(cache=True, nogil=True, error_model="numpy")
def rates(y, dy, now, anew, table, cylinder, world, drive, gases, outside):  # type: ignore[no-untyped-def]
    """Right-hand side. ``now`` gets what is known of each volume; the walls' film is carried
    forward half a step from the last two steps, once a step (``anew``).
    """
    n = cylinder.shape[0]
    nv = n + 2
    crank = 3 * nv
    sums = crank + 2
    theta, omega = y[crank], y[crank + 1]
    steps = table.shape[0] - 1
    step_rad = CYCLE_RAD / steps
    dy[:] = 0.0
    torque, masses, masses_slope = 0.0, 0.0, 0.0
    piston_m2 = np.pi / 4 * world[BORE_M] * world[BORE_M]
    for i in range(nv):
        burned = min(max(y[2 * nv + i] / y[i], 0.0), 1.0)
        t, h, cp, r = kelvin_from_energy(gases, burned, y[nv + i] / y[i], now[i, KELVIN])
        if i < n:
            place = place_of(theta - cylinder[i, TOP], steps)
            volume, slope = volume_at(table, place, step_rad)
        else:
            volume, slope = world[INTAKE_M3 + i - n], 0.0
        p = y[i] * r * t / volume
        now[i, PA], now[i, KELVIN], now[i, GAMMA], now[i, R] = p, t, cp / (cp - r), r
        now[i, ENTHALPY], now[i, BURNED], now[i, OPEN] = h, burned, 0.0
        now[i, SPRING] = cp / (cp - r) * r * t / volume
        if i < n:
            work = p * slope * omega
            if anew:
                film = world[HEAT] * film_w_m2k(y[i] / volume, t, cp, omega, world[BORE_M], world[STROKE_M])
                now[i, FILM_NEXT] = 1.5 * film - 0.5 * (now[i, FILM] if now[i, FILM] > 0.0 else film)
                now[i, FILM] = film
            heat = now[i, FILM_NEXT] * (2.1 * piston_m2 + 4.0 * volume / world[BORE_M]) * (t - world[WALL_K])
            dy[nv + i] -= work + heat
            dy[sums + WORK] += work
            dy[sums + WALL_HEAT] += heat
            torque += (p - outside[0, 0]) * slope
            arm, bend = slope / piston_m2, look(table, CURVE, place) / piston_m2
            masses += drive[MOVING_KG] * arm * arm
            masses_slope += 2.0 * drive[MOVING_KG] * arm * bend
            if cylinder[i, BURN_J] > 0.0:
                share = (theta - cylinder[i, SPARK]) / cylinder[i, BURN_RAD]
                if 0.0 < share < 1.0:
                    pace = WIEBE * 3.0 * share * share * np.exp(-WIEBE * share**3) * omega / cylinder[i, BURN_RAD]
                    dy[nv + i] += pace * cylinder[i, BURN_J]
                    dy[2 * nv + i] += pace * cylinder[i, BURN_KG]
                    dy[sums + BURN_HEAT] += pace * cylinder[i, BURN_J]
    for i in range(n):
        intake = world[DISCHARGE] * look(
            table, INTAKE, place_of(theta - cylinder[i, TOP] - cylinder[i, INTAKE_LATE], steps)
        )
        exhaust = world[DISCHARGE] * look(
            table, EXHAUST, place_of(theta - cylinder[i, TOP] - cylinder[i, EXHAUST_LATE], steps)
        )
        _pass(i, n, intake + cylinder[i, PAST_INTAKE], now, y, dy, nv)
        _pass(i, n + 1, exhaust + cylinder[i, PAST_EXHAUST], now, y, dy, nv)
        _pass_outside(i, cylinder[i, HOLE], outside[0], now, dy, nv, sums, KG_LEAKED, J_LEAKED, -1.0)
    _pass_outside(n, world[THROTTLE_M2], outside[0], now, dy, nv, sums, KG_IN, J_IN, 1.0)
    _pass_outside(n + 1, world[TAILPIPE_M2], outside[1], now, dy, nv, sums, KG_OUT, J_OUT, -1.0)
    for k in range(2):
        if (
            world[INTAKE_HELD + k] > 0.0
        ):  # a manifold held as it is takes and gives without changing; counted as outside
            dy[sums + KG_IN + k] += (1.0 - 2.0 * k) * -dy[n + k]
            dy[sums + J_IN + k] += (1.0 - 2.0 * k) * -dy[nv + n + k]
            dy[n + k] = dy[nv + n + k] = dy[2 * nv + n + k] = 0.0
    dy[crank] = omega
    if drive[COUPLED] > 0.0:
        turning = np.tanh(omega / 0.3)
        torque -= (drive[FRICTION_NM] + drive[FRICTION_NM_S] * abs(omega)) * turning
        if drive[STARTER_ON] > 0.0:
            torque += drive[GRIP] * max(starter_current(omega, drive) - drive[FREE_A], 0.0)
        dy[crank + 1] = (torque - 0.5 * masses_slope * omega * omega) / (drive[INERTIA] + masses)


@njit(cache=True, nogil=True, error_model="numpy")
def starter_current(omega, drive):  # type: ignore[no-untyped-def]
    """Current of a permanent-magnet starter, geared to the crank: (supply - grip * speed) / ohm. [A]"""
    return max((drive[SUPPLY_V] - drive[GRIP] * omega) / drive[OHM], drive[FREE_A])


@njit(cache=True, nogil=True, error_model="numpy")
def stiffness(now, held):  # type: ignore[no-untyped-def]
    """Bound on the fastest rate at which pressures even out. [1/s]"""
    worst = 0.0
    nv = now.shape[0]
    for i in range(nv):
        if i >= nv - 2 and held[i - nv + 2] > 0.0:
            continue
        worst = max(worst, now[i, OPEN] * now[i, SPRING])
    return worst


@njit(cache=True, nogil=True, error_model="numpy")
def advance(h, y, work, now, seen, coefficients, table, cylinder, world, drive, gases, outside):  # type: ignore[no-untyped-def]
    """One step of Runge-Kutta-Chebyshev, with as many stages as the stiffness asks for. Returns the stages taken.

    ``y`` is replaced; ``work`` is five rows of room; ``seen`` gets Pa, kg and K of each volume as the step begins.
    """
    f0, before, last, rate, nxt = work[0], work[1], work[2], work[3], work[4]
    rates(y, f0, now, True, table, cylinder, world, drive, gases, outside)
    for i in range(now.shape[0]):
        seen[i, 0], seen[i, 1], seen[i, 2] = now[i, PA], y[i], now[i, KELVIN]
    fast = h * stiffness(now, world[INTAKE_HELD : EXHAUST_HELD + 1])
    stages = min(max(2, int(np.sqrt(1.0 + 1.54 * 1.15 * fast)) + 1), coefficients.shape[0] - 1)
    c = coefficients[stages]
    n = len(y)
    for k in range(n):
        before[k] = y[k]
        last[k] = y[k] + c[1, 2] * h * f0[k]
    for j in range(2, stages + 1):
        rates(last, rate, now, False, table, cylinder, world, drive, gases, outside)
        mu, nu, mt, gt = c[j, 0], c[j, 1], c[j, 2], c[j, 3]
        for k in range(n):
            nxt[k] = (1.0 - mu - nu) * y[k] + mu * last[k] + nu * before[k] + mt * h * rate[k] + gt * h * f0[k]
        for k in range(n):
            before[k] = last[k]
            last[k] = nxt[k]
    for k in range(n):
        y[k] = last[k]
    return stages


@njit(cache=True, nogil=True, error_model="numpy")
def ignite(before, theta, y, table, cylinder, burn, now):  # type: ignore[no-untyped-def]
    """Latch the charge of each cylinder whose spark was passed since ``before``.

    ``burn``: heat per kg of fresh charge, spark angle after own top, duration; then each cylinder's share of pull.
    """
    n = cylinder.shape[0]
    nv = n + 2
    if burn[0] <= 0.0:
        return
    for i in range(n):
        zero = cylinder[i, TOP] + burn[1]
        if np.floor((theta - zero) / CYCLE_RAD) > np.floor((before - zero) / CYCLE_RAD):
            fresh = max(y[i] - y[2 * nv + i], 0.0)
            cylinder[i, BURN_J] = burn[0] * fresh * burn[3 + i]
            cylinder[i, BURN_KG] = fresh
            cylinder[i, SPARK] = theta
            cylinder[i, BURN_RAD] = burn[2]


@njit(cache=True, nogil=True, error_model="numpy")
def turn_evenly(h, steps, y, now, coefficients, table, cylinder, world, drive, gases, outside, burn, out):  # type: ignore[no-untyped-def]
    """A stretch of even steps. ``out`` (steps + 1, volumes, 3) gets Pa, kg, K before each step and after the last."""
    nv = now.shape[0]
    work = np.empty((5, len(y)))
    stages = 0
    for k in range(steps):
        theta = y[3 * nv]
        stages += advance(h, y, work, now, out[k], coefficients, table, cylinder, world, drive, gases, outside)
        ignite(theta, y[3 * nv], y, table, cylinder, burn, now)
    rates(y, work[0], now, True, table, cylinder, world, drive, gases, outside)
    for i in range(nv):
        out[steps, i, 0], out[steps, i, 1], out[steps, i, 2] = now[i, PA], y[i], now[i, KELVIN]
    return stages


@njit(cache=True, nogil=True, error_model="numpy")
def turn_as_seen(omega, steps_per, y, now, coefficients, table, cylinder, world, drive, gases, outside, out):  # type: ignore[no-untyped-def]
    """A stretch at speeds given for each step of a table's entry. ``out`` (steps, volumes) gets pressures [Pa]."""
    nv = now.shape[0]
    work = np.empty((5, len(y)))
    seen = np.empty((nv, 3))
    step_rad = CYCLE_RAD / steps_per
    for k in range(len(omega)):
        y[3 * nv + 1] = omega[k]
        advance(step_rad / omega[k], y, work, now, seen, coefficients, table, cylinder, world, drive, gases, outside)
        for i in range(nv):
            out[k, i] = seen[i, 0]
