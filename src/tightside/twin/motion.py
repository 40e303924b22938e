"""Crank motion: J dw/dt = torque, integrated in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from tightside.records import Floats, Record, array
from tightside.twin.gas import STEP_DEG, Torques, torques_of
from tightside.twin.scene import Running, Scenario, Subject

DT_S = 5e-5
COMMAND_S = 0.01  # step of the commands: starter, spark, wanted speed
TWO_PI = 2 * np.pi
FRICTION_KPA = 110.0  # mean effective pressure at standstill, cranking warm; common practice, no source
FRICTION_KPA_PER_RAD_S = 0.12
LEAK_RAD_S = 3.0  # half the compression is lost at this crank speed ...
LEAK_FLOOR = 0.15  # ... and at standstill only this is left
TRIAL_S = 2.0
MIN_TURNING_DEG_S = 120.0  # slower than 20 rpm is standing

# columns of the table that the kernel looks up
MANIFOLD, AMBIENT, MASSES, MASSES_SLOPE = range(4)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class GasRun(Record):
    """What the real gas did meanwhile; even knots ``step_s`` apart."""

    step_s: float
    cylinders: tuple[int, ...]
    pressure_kpa: Floats = array(ndim=2)  # (G, Y) absolute
    manifold_kpa: Floats = array()  # (G,)
    current_a: Floats = array()  # (G,) of the starter
    battery_v: Floats = array()  # (G,)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Motion(Record):
    """Crank angle over time, even knots ``DT_S`` apart. Unwrapped, engine frame; may run backward when it stops."""

    angle_deg: Floats = array()  # (K,)
    speed_deg_s: Floats = array()  # (K,)
    firing: Floats = array()  # (F,) times of firing tops [s], fuel burning or not
    burning: Floats = array()  # (F,) work of each, kPa
    starter: Floats = array()  # (K,) 0 or 1
    gas: GasRun | None = None

    @property
    def times_s(self) -> Floats:
        """Times of the knots. (K,) [s]"""
        return np.arange(len(self.angle_deg), dtype=np.float64) * DT_S


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Commands(Record):
    """What the driver and the module want, each ``COMMAND_S``."""

    wanted_rad_s: Floats = array()
    starter: Floats = array()
    fuel: Floats = array()


def commands_of(running: Running, idle_rpm: float, rng: np.random.Generator) -> Commands:
    """Starter, fuel and wanted speed over time."""
    t = np.arange(int(np.ceil(running.seconds / COMMAND_S)) + 2) * COMMAND_S
    starter, fuel = np.zeros_like(t), np.ones_like(t)
    wanted = np.full_like(t, _mean_rpm(running, idle_rpm))
    if running.mode in ("cranking", "restart"):
        fuel[:] = 0.0
        starter[t >= running.rest_s] = 1.0
    if running.mode == "restart":
        off = running.seconds * 0.45
        starter[(t >= off) & (t < off + max(1.0, 0.15 * running.seconds))] = 0.0
    if running.mode == "start":
        catches = running.rest_s + min(1.5, 0.3 * running.seconds)
        starter[(t >= running.rest_s) & (t < catches + 0.4)] = 1.0
        fuel[t < catches] = 0.0
        wanted *= 1 + 0.5 * np.exp(-np.clip(t - catches - 0.5, 0.0, None) / 0.8)
    if running.mode == "snap":
        at = running.seconds * 0.35
        wanted[(t >= at) & (t < at + 0.1 * running.seconds)] = running.peak_rpm
    return Commands(
        wanted_rad_s=wanted * _wander(len(t), running.wander, rng) * TWO_PI / 60, starter=starter, fuel=fuel
    )


def _mean_rpm(running: Running, idle_rpm: float) -> float:
    if running.mode in ("start", "snap", "idle"):
        return running.rpm or idle_rpm
    return running.rpm or (200.0 if running.mode in ("cranking", "restart") else 2.0 * idle_rpm)


def _wander(n: int, share: float, rng: np.random.Generator) -> Floats:
    """1 plus a slow first-order random walk that keeps to a standard deviation of ``share``; time constant 1 s."""
    keep = np.exp(-COMMAND_S)
    steps = rng.standard_normal(n) * np.sqrt(1 - keep**2)
    x = np.empty(n)
    x[0] = rng.standard_normal()
    for i in range(1, n):
        x[i] = keep * x[i - 1] + steps[i]
    return np.asarray(1 + share * x)


def turn_engine(subject: Subject, scenario: Scenario, rng: np.random.Generator) -> Motion:
    """Integrate the crank's equation of motion for one scenario."""
    if scenario.gas is not None:
        from tightside.twin.cranking import turn_with_gas

        return turn_with_gas(subject, scenario, rng)
    running = scenario.running
    sealing = np.array([_left(scenario, "leak", c) for c in subject.firing_order])
    pull = np.array([_left(scenario, "weak", c) for c in subject.firing_order])
    tables = torques_of(subject, sealing)
    commands = commands_of(running, subject.idle_rpm, rng)
    plant = _plant(subject, running, tables)
    rests = running.mode in ("cranking", "restart", "start")
    start_rad_s = 0.0 if rests else float(commands.wanted_rad_s[0])
    state = np.array([rng.uniform(0.0, 2 * TWO_PI), start_rad_s])
    scatter = 1 + running.burn_scatter * rng.standard_normal(int(running.seconds * 100 * subject.cylinders) + 100)
    return _integrated(tables, commands, plant, state, scatter, pull, running.seconds)


def _left(scenario: Scenario, kind: str, cylinder: int) -> float:
    hit = [f.value for f in scenario.faults if f.kind == kind and f.target in ("all", str(cylinder))]
    return float(np.prod(hit)) if hit else 1.0


def _friction_nm(displacement_m3: float, speed_rad_s: float) -> float:
    kpa = FRICTION_KPA + FRICTION_KPA_PER_RAD_S * speed_rad_s
    return float(1e3 * kpa * displacement_m3 / (4 * np.pi))


def _cranking_torque(tables: Torques, speed_rad_s: float) -> Floats:
    leak = LEAK_FLOOR + (1 - LEAK_FLOOR) * speed_rad_s / (speed_rad_s + LEAK_RAD_S)
    return np.asarray(98.0 * leak * tables.per_manifold + 101.0 * tables.per_ambient)


def _inertia(tables: Torques, mean_rad_s: float, swing: float) -> float:
    """First guess: the energy that one compression takes and gives back is J w dw. [kg m^2]"""
    torque = _cranking_torque(tables, mean_rad_s)
    energy = np.cumsum(torque - torque.mean()) * np.radians(STEP_DEG)
    return float(np.ptp(energy) / (mean_rad_s**2 * swing))


def _stall_torque(tables: Torques, mean_rad_s: float) -> float:
    """Enough to pass the first compression from rest. [N m]"""
    load = _friction_nm(tables.displacement_m3, mean_rad_s) - float(_cranking_torque(tables, mean_rad_s).mean())
    slowly = _friction_nm(tables.displacement_m3, 0.0) - float(_cranking_torque(tables, 0.25 * mean_rad_s).min())
    return max(2.4 * load, 1.3 * slowly)


def _plant(subject: Subject, running: Running, tables: Torques) -> Floats:
    """Inertia, stall torque, the starter's free speed, displacement."""
    cranked = running.mode in ("cranking", "restart")
    mean_rad_s = (running.rpm if cranked and running.rpm else 200.0) * TWO_PI / 60
    guess = _inertia(tables, mean_rad_s, running.swing) if cranked else 0.06 + 80.0 * subject.displacement_m3
    stall = _stall_torque(tables, mean_rad_s)
    plant = np.array([subject.inertia_kg_m2 or guess, stall, 1.5 * mean_rad_s, subject.displacement_m3])
    if running.mode in ("cranking", "restart", "start"):
        _settle(plant, tables, (mean_rad_s, running.swing), cranked and subject.inertia_kg_m2 is None)
    return plant


def _settle(plant: Floats, tables: Torques, wanted: tuple[float, float], free: bool) -> None:
    """Tune the starter's free speed, and the inertia where it is free, to the wanted mean and swing by trial runs."""
    mean_rad_s, swing = wanted
    n = round(TRIAL_S / COMMAND_S) + 2
    steady = Commands(wanted_rad_s=np.full(n, mean_rad_s), starter=np.ones(n), fuel=np.zeros(n))
    for _ in range(8):
        state = np.array([0.0, mean_rad_s])
        motion = _integrated(tables, steady, plant, state, np.ones(1), np.zeros(len(tables.tops_deg)), TRIAL_S)
        speed = np.radians(motion.speed_deg_s[len(motion.speed_deg_s) // 3 :])
        mean = max(float(speed.mean()), 0.3 * mean_rad_s)
        plant[2] *= (mean_rad_s / mean) ** 0.9
        if free:
            plant[0] *= float(np.clip(np.ptp(speed) / mean / swing, 0.5, 2.0))


def _integrated(
    tables: Torques,
    commands: Commands,
    plant: Floats,
    state: Floats,
    scatter: Floats,
    pull: Floats,
    seconds: float,
) -> Motion:
    n = round(seconds / DT_S) + 2
    slope = np.gradient(tables.masses, np.radians(STEP_DEG))
    lookup = np.column_stack([tables.per_manifold, tables.per_ambient, tables.masses, slope])
    lookup = np.ascontiguousarray(np.vstack([lookup, lookup[:1]]))
    burn = np.append(tables.burn, tables.burn[0])
    per_command = round(COMMAND_S / DT_S)
    wanted = np.column_stack([commands.wanted_rad_s, commands.starter, commands.fuel])
    angle, speed, fired, n_fired = _integrate(
        n, lookup, burn, np.radians(tables.tops_deg), plant, state, wanted, scatter, pull, per_command
    )
    starter = np.repeat(commands.starter, per_command)[:n]
    return Motion(
        angle_deg=np.degrees(angle),
        speed_deg_s=np.degrees(speed),
        firing=fired[:n_fired, 0],
        burning=fired[:n_fired, 1],
        starter=starter,
    )


@njit(cache=True, nogil=True)
def _look(table, column, place):  # type: ignore[no-untyped-def]
    k = int(place)
    f = place - k
    return table[k, column] * (1 - f) + table[k + 1, column] * f


@njit(cache=True, nogil=True)
def _acceleration(theta, omega, lookup, burn, tops, work, plant, starter, manifold_kpa):  # type: ignore[no-untyped-def]
    inertia, stall, free_rad_s, displacement = plant[0], plant[1], plant[2], plant[3]
    cycle = 4 * np.pi
    steps = lookup.shape[0] - 1
    place = (theta - cycle * np.floor(theta / cycle)) / cycle * steps
    place = min(max(place, 0.0), steps - 1e-9)
    leak = LEAK_FLOOR + (1.0 - LEAK_FLOOR) * abs(omega) / (abs(omega) + LEAK_RAD_S)
    torque = manifold_kpa * leak * _look(lookup, MANIFOLD, place) + 101.0 * _look(lookup, AMBIENT, place)
    for i in range(len(tops)):
        if work[i] > 0.0:
            own = theta - tops[i]
            own = (own - cycle * np.floor(own / cycle)) / cycle * steps
            own = min(max(own, 0.0), steps - 1e-9)
            k = int(own)
            torque += work[i] * (burn[k] + (own - k) * (burn[k + 1] - burn[k]))
    friction = 1e3 * (FRICTION_KPA + FRICTION_KPA_PER_RAD_S * abs(omega)) * displacement / (4 * np.pi)
    torque -= friction * np.tanh(omega / 0.3)
    if starter > 0.0:
        torque += max(stall * (1.0 - omega / free_rad_s), 0.0)
    torque -= 0.5 * _look(lookup, MASSES_SLOPE, place) * omega * omega
    return torque / (inertia + _look(lookup, MASSES, place))


@njit(cache=True, nogil=True)
def _integrate(n, lookup, burn, tops, plant, state, wanted, scatter, pull, per_command):  # type: ignore[no-untyped-def]
    """Runge-Kutta of fourth order, fixed step; each cylinder's work is latched 40 deg before its top."""
    angle = np.empty(n)
    speed = np.empty(n)
    fired = np.empty((len(scatter) + 1, 2))
    n_fired = 0
    work = np.zeros(len(tops))
    latch = np.empty(len(tops))
    cycle = 4 * np.pi
    early = 40.0 * np.pi / 180
    theta, omega = state[0], state[1]
    for i in range(len(tops)):
        latch[i] = np.floor((theta - tops[i] + early) / cycle)
    friction0 = FRICTION_KPA + FRICTION_KPA_PER_RAD_S * omega + 45.0
    load = friction0
    held = friction0
    standing = omega == 0.0  # leaked down: nothing moves before the starter does
    manifold = 98.0 if wanted[0, 2] == 0.0 or omega < 30.0 else 40.0
    for k in range(n):
        angle[k] = theta
        speed[k] = omega
        c = min(k // per_command, wanted.shape[0] - 1)
        target, starter, fuel = wanted[c, 0], wanted[c, 1], wanted[c, 2]
        standing = standing and starter == 0.0
        if standing:
            continue
        error = target - omega
        held = min(max(held + 25.0 * error / target * DT_S * 10.0, 20.0), 500.0)
        load = min(max(held + 900.0 * error / target, 0.0), 900.0) if fuel > 0.0 else 0.0
        open_kpa = min(30.0 + 0.07 * load + 12.0 * (omega < 60.0), 98.0) if fuel > 0.0 and omega > 40.0 else 98.0
        manifold += (open_kpa - manifold) * DT_S / 0.08
        for i in range(len(tops)):
            turn = np.floor((theta - tops[i] + early) / cycle)
            if turn > latch[i]:
                latch[i] = turn
                work[i] = max(load * scatter[n_fired % len(scatter)] * pull[i], 0.0) if omega > 5.0 else 0.0
                if n_fired < len(scatter):
                    fired[n_fired, 0] = k * DT_S
                    fired[n_fired, 1] = work[i]
                n_fired += 1
        h = DT_S
        a1 = _acceleration(theta, omega, lookup, burn, tops, work, plant, starter, manifold)
        o2 = omega + 0.5 * h * a1
        a2 = _acceleration(theta + 0.5 * h * omega, o2, lookup, burn, tops, work, plant, starter, manifold)
        o3 = omega + 0.5 * h * a2
        a3 = _acceleration(theta + 0.5 * h * o2, o3, lookup, burn, tops, work, plant, starter, manifold)
        o4 = omega + h * a3
        a4 = _acceleration(theta + h * o3, o4, lookup, burn, tops, work, plant, starter, manifold)
        theta += h * (omega + 2 * o2 + 2 * o3 + o4) / 6.0
        omega += h * (a1 + 2 * a2 + 2 * a3 + a4) / 6.0
    return angle, speed, fired, min(n_fired, len(scatter))
