"""The crank turned by real gas: every cylinder's pressure, moving masses, friction and the starter, in one integration.

The gas is that of ``cycle.py``. The starter is a permanent-magnet motor behind a battery and its cables; it drives
through a one-way clutch. While there is fuel, a governor moves throttle and spark to hold the wanted speed. Cams stand
where their steady faults put them: that of a loose or commanded phaser moves the cam's sensor, not its valves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit

from tightside.errors import UsageError
from tightside.records import Floats, Record, array
from tightside.twin import cycle_kernel as k
from tightside.twin.camshafts import steady_deg
from tightside.twin.cycle import (
    FUEL_J_PER_KG_AIR,
    KPA,
    Breathing,
    Gas,
    Sealing,
    Surroundings,
    gas_at_rest,
    sound,
    steady_cycle,
)
from tightside.twin.gas import PISTON_DENSITY_KG_M2
from tightside.twin.motion import (
    COMMAND_S,
    DT_S,
    FRICTION_KPA,
    FRICTION_KPA_PER_RAD_S,
    Commands,
    GasRun,
    Motion,
    commands_of,
)
from tightside.twin.scene import Fault, RealGas, Scenario, Subject

STEP_S = 2 * DT_S
TRIAL_S = 2.0
SPARK_DEG, BURN_DEG = -12.0, 60.0
SPARK_TRIM_DEG = 12.0
HOLDS, ANSWERS, IDLE_RAD_S = 0.15, 1.0, 73.0  # governor: integral [1/s], proportion, and the speed it is set up for
RUNNING_RAD_S = 45.0  # faster than this the alternator carries the load


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Plant(Record):
    """What turns with the crank and what pushes it, in numbers that a fit may change."""

    inertia_kg_m2: float
    moving_kg: float  # reciprocating mass of one cylinder
    friction_nm: float
    friction_nm_s: float
    grip_nm_a: float
    supply_v: float
    battery_ohm: float
    rest_ohm: float
    free_a: float

    def drive(self) -> Floats:
        """The kernel's row."""
        drive = np.zeros(10)
        drive[k.COUPLED] = 1.0
        drive[k.INERTIA], drive[k.MOVING_KG] = self.inertia_kg_m2, self.moving_kg
        drive[k.FRICTION_NM], drive[k.FRICTION_NM_S] = self.friction_nm, self.friction_nm_s
        drive[k.GRIP], drive[k.OHM] = self.grip_nm_a, self.battery_ohm + self.rest_ohm
        drive[k.SUPPLY_V], drive[k.FREE_A] = self.supply_v, self.free_a
        return drive


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Run(Record):
    """One integration in time, knots ``STEP_S`` apart. Pressures [Pa] of cylinders, intake, exhaust."""

    theta_rad: Floats = array()  # (G,)
    omega_rad_s: Floats = array()  # (G,)
    pressure_pa: Floats = array(ndim=2)  # (G, volumes)
    current_a: Floats = array()  # (G,)
    fired: Floats = array(ndim=2)  # (F, 2) time of the spark [s], heat [J]


def turn_with_gas(subject: Subject, scenario: Scenario, rng: np.random.Generator) -> Motion:
    """The crank's motion and the gas behind it, for one scenario."""
    gas, running = scenario.gas, scenario.running
    assert gas is not None
    breathing = breathing_of(subject)
    sealing = sealing_of(subject, scenario.faults, gas.around)
    commands = commands_of(running, subject.idle_rpm, rng)
    plant = plant_of(subject, breathing, gas, running.rpm)
    rests = running.mode in ("cranking", "restart", "start")
    start = rng.uniform(0.0, k.CYCLE_RAD), 0.0 if rests else float(commands.wanted_rad_s[0])
    pull = np.array([_pull(scenario.faults, c) for c in subject.firing_order])
    scatter = 1 + running.burn_scatter * rng.standard_normal(int(running.seconds * 100 * subject.cylinders) + 100)
    state = _start(breathing, sealing, gas, start, warm=not rests)
    run = integrate(state, plant, commands, gas, running.seconds, (pull, scatter))
    return _motion(run, commands, subject, gas, running.seconds)


def breathing_of(subject: Subject) -> Breathing:
    """The engine's breathing.

    Raises
    ------
    UsageError
        If the subject came without it.
    """
    if subject.breathing is None:
        raise UsageError(
            code="no-breathing", what="pressures can only be simulated with the engine's valves and geometry known"
        )
    return subject.breathing


def _pull(faults: tuple[Fault, ...], cylinder: int) -> float:
    return float(np.prod([f.value for f in faults if f.kind == "weak" and f.target in ("all", str(cylinder))]))


def sealing_of(subject: Subject, faults: tuple[Fault, ...], around: Surroundings) -> Sealing:
    """Where the faults put each cylinder's cams, and the holes that they leave in it."""
    order = subject.firing_order
    late = {kind: np.array([_late(subject, faults, c, kind) for c in order]) for kind in ("intake", "exhaust")}
    holes = {
        kind: np.array([_area(faults, kind, c) for c in order]) for kind in ("hole", "bent-intake", "bent-exhaust")
    }
    kept = [f for f in faults if f.kind == "leak"]
    for fault in kept:
        area = hole_from_share(breathing_of(subject), around, fault.value)
        holes["hole"] = holes["hole"] + area * np.array([fault.target in ("all", str(c)) for c in order])
    return Sealing(
        intake_late_deg=late["intake"],
        exhaust_late_deg=late["exhaust"],
        hole_mm2=holes["hole"],
        past_intake_mm2=holes["bent-intake"],
        past_exhaust_mm2=holes["bent-exhaust"],
    )


def _late(subject: Subject, faults: tuple[Fault, ...], cylinder: int, kind: str) -> float:
    named = {c.cam: c for c in subject.cams}
    for cam, works, cylinders in subject.valves_of:
        if works == kind and cylinder in cylinders and cam in named:
            return float(sum(steady_deg(f, named[cam]) for f in faults if f.hits(cam)))
    return 0.0


def _area(faults: tuple[Fault, ...], kind: str, cylinder: int) -> float:
    return float(sum(f.value for f in faults if f.kind == kind and f.target in ("all", str(cylinder))))


def hole_from_share(breathing: Breathing, around: Surroundings, share: float, rpm: float = 200.0) -> float:
    """The hole that leaves a cylinder this share of its compression on a gauge, at an even speed. [mm^2]"""
    one = replace(breathing, cylinders=breathing.cylinders[:1], tops_deg=np.zeros(1))
    held = replace(around, held_intake_kpa=around.ambient_kpa, held_exhaust_kpa=around.ambient_kpa)

    def gauge(mm2: float) -> float:
        leaky = replace(sound(one), hole_mm2=np.array([mm2]))
        return float(steady_cycle(one, leaky, held, rpm, within=1e-3).peak_kpa[0]) - around.ambient_kpa

    wanted, low, high = share * gauge(0.0), 0.0, 400.0
    for _ in range(24):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if gauge(middle) > wanted else (low, middle)
    return 0.5 * (low + high)


# ------------------------------------------------------------------------------------------------------------- plant


def plant_of(subject: Subject, breathing: Breathing, gas: RealGas, rpm: float | None) -> Plant:
    """Inertia, friction and starter, its gearing tuned so that the sound engine cranks at the wanted speed."""
    litres = breathing.displacement_m3 * 1e3
    area_m2 = np.pi / 4 * (breathing.bore_mm * 1e-3) ** 2
    per_kpa = gas.friction * KPA * breathing.displacement_m3 / (4 * np.pi)
    starter = gas.starter
    plant = Plant(
        inertia_kg_m2=subject.inertia_kg_m2 or 0.06 + 0.06 * litres,
        moving_kg=PISTON_DENSITY_KG_M2 * area_m2,
        friction_nm=FRICTION_KPA * per_kpa,
        friction_nm_s=FRICTION_KPA_PER_RAD_S * per_kpa,
        grip_nm_a=starter.grip_nm_a or 0.45,
        supply_v=starter.battery_v,
        battery_ohm=starter.battery_ohm,
        rest_ohm=starter.rest_ohm,
        free_a=starter.free_a,
    )
    if starter.grip_nm_a is not None:
        return plant
    return _tuned(plant, breathing, gas, (rpm or 200.0) if rpm is None or rpm < 500.0 else 200.0)


def _tuned(plant: Plant, breathing: Breathing, gas: RealGas, rpm: float) -> Plant:
    """Gear the starter for a mean cranking speed of the sound engine, by trial."""
    wanted = rpm * 2 * np.pi / 60
    for _ in range(6):
        state = _start(breathing, sound(breathing), gas, (1.0, wanted), warm=False)
        run = integrate(state, plant, cranked(TRIAL_S), gas, TRIAL_S, None)
        late = run.omega_rad_s[len(run.omega_rad_s) // 3 :]
        mean = max(float(late.mean()), 0.3 * wanted)
        if abs(mean / wanted - 1) < 5e-3:
            break
        plant = replace(plant, grip_nm_a=float(np.clip(plant.grip_nm_a * mean / wanted, 0.02, 5.0)))
    return plant


def cranked(seconds: float) -> Commands:
    """The starter on all the time, no fuel."""
    n = round(seconds / COMMAND_S) + 2
    return Commands(wanted_rad_s=np.full(n, 20.0), starter=np.ones(n), fuel=np.zeros(n))


def _start(breathing: Breathing, sealing: Sealing, gas: RealGas, at: tuple[float, float], *, warm: bool) -> Gas:
    """The gas at rest at a crank angle; ``warm``: running, with the manifold drawn down."""
    state = gas_at_rest(breathing, sealing, gas.around, None, at[0])
    nv = state.now.shape[0]
    state.state[3 * nv + 1] = at[1]
    if warm:
        state.state[[nv - 2, 2 * nv - 2]] *= 0.33
    return state


# --------------------------------------------------------------------------------------------------------- integrate


def integrate(
    gas: Gas, plant: Plant, commands: Commands, scene: RealGas, seconds: float, burning: tuple[Floats, Floats] | None
) -> Run:
    """Gas and crank from a state, in time. The gas is left where it ends.

    Parameters
    ----------
    burning : each cylinder's pull, and the scatter of burns in the order in which they come; None: no fuel
    """
    n = round(seconds / STEP_S) + 2
    nv = gas.now.shape[0]
    gas.drive[:] = plant.drive()
    pull, scatter = burning if burning is not None else (np.ones(nv - 2), np.ones(1))
    out = np.empty((n, nv + 3))
    fired = np.empty((len(scatter) + 1, 2))
    wanted = np.column_stack([commands.wanted_rad_s, commands.starter, commands.fuel])
    heat = np.array([FUEL_J_PER_KG_AIR, np.radians(SPARK_DEG), np.radians(BURN_DEG), np.radians(SPARK_TRIM_DEG)])
    idle_m2 = 7.5e-3 * _displacement_m3(gas)  # effective: 24 mm^2 for 3.2 l
    throttle = np.array([scene.cranking_throttle_mm2 * 1e-6, idle_m2, 1.0 - float(gas.world[k.INTAKE_HELD])])
    args = (n, STEP_S, round(COMMAND_S / STEP_S), gas.state, gas.now, *gas.kernel_args(), wanted, throttle, heat)
    n_fired = _turn(*args, pull, scatter, fired, out)
    return Run(
        theta_rad=out[:, 0], omega_rad_s=out[:, 1], current_a=out[:, 2], pressure_pa=out[:, 3:], fired=fired[:n_fired]
    )


def _displacement_m3(gas: Gas) -> float:
    swept: float = gas.table[:, k.VOLUME].max() - gas.table[:, k.VOLUME].min()
    return swept * float(gas.now.shape[0] - 2)


@njit(cache=True, nogil=True, error_model="numpy")
def _turn(  # type: ignore[no-untyped-def]
    n, h, per_command, y, now, coefficients, table, cylinder, world, drive, gases, outside, wanted, throttle, heat,
    pull, scatter, fired, out,
):  # fmt: skip
    """``out`` (n, 3 + volumes) gets angle, speed, starter current and pressures; returns how often it fired."""
    nv = now.shape[0]
    cylinders = nv - 2
    crank = 3 * nv
    work = np.empty((5, len(y)))
    seen = np.empty((nv, 3))
    burn = np.zeros(3 + cylinders)
    n_fired = 0
    held = throttle[1]
    standing = y[crank + 1] == 0.0
    k.rates(y, work[0], now, True, table, cylinder, world, drive, gases, outside)
    for step in range(n):
        c = min(step // per_command, wanted.shape[0] - 1)
        target, starter, fuel = wanted[c, 0], wanted[c, 1], wanted[c, 2]
        theta, omega = y[crank], y[crank + 1]
        drive[k.STARTER_ON] = starter
        standing = standing and starter == 0.0
        out[step, 0], out[step, 1] = theta, omega
        out[step, 2] = k.starter_current(omega, drive) if starter > 0.0 else 0.0
        for i in range(nv):
            out[step, 3 + i] = now[i, k.PA]
        if standing:
            continue
        error = target - omega
        if throttle[2] > 0.0:
            if fuel > 0.0:
                held = min(max(held + HOLDS * throttle[1] * error / target * h, 0.4 * throttle[1]), throttle[0])
                asked = held * target / IDLE_RAD_S * (1.0 + ANSWERS * error / target)
                world[k.THROTTLE_M2] = min(max(asked, 0.2 * throttle[1]), throttle[0])
            else:
                world[k.THROTTLE_M2] = throttle[0]
        burn[0] = heat[0] if fuel > 0.0 and omega > 5.0 else 0.0
        trim = min(max(error / target * 8.0, -1.0), 1.0)
        burn[1], burn[2] = heat[1] - heat[3] * trim, heat[2]
        for i in range(cylinders):
            burn[3 + i] = pull[i] * max(scatter[n_fired % len(scatter)], 0.0)
        k.advance(h, y, work, now, seen, coefficients, table, cylinder, world, drive, gases, outside)
        for i in range(nv):
            out[step, 3 + i] = seen[i, 0]
        for i in range(cylinders):
            zero = cylinder[i, k.TOP] + heat[1]
            if (
                np.floor((y[crank] - zero) / k.CYCLE_RAD) > np.floor((theta - zero) / k.CYCLE_RAD)
                and y[crank + 1] > 5.0
            ):
                if n_fired < len(scatter):
                    fired[n_fired, 0] = step * h
                    fired[n_fired, 1] = burn[0] * burn[3 + i]
                n_fired += 1
        k.ignite(theta, y[crank], y, table, cylinder, burn, now)
    return min(n_fired, len(scatter))


# ------------------------------------------------------------------------------------------------------------ motion


def _motion(run: Run, commands: Commands, subject: Subject, gas: RealGas, seconds: float) -> Motion:
    """Angle and speed on the twin's knots, which are twice as dense, by the cubic through angles and speeds."""
    n = round(seconds / DT_S) + 2
    angle, speed = _between(run.theta_rad, run.omega_rad_s)
    per_command = round(COMMAND_S / DT_S)
    return Motion(
        angle_deg=np.degrees(angle[:n]),
        speed_deg_s=np.degrees(speed[:n]),
        firing=run.fired[:, 0],
        burning=run.fired[:, 1],
        starter=np.repeat(commands.starter, per_command)[:n],
        gas=GasRun(
            step_s=STEP_S,
            cylinders=subject.firing_order,
            pressure_kpa=run.pressure_pa[:, : subject.cylinders] / KPA,
            manifold_kpa=run.pressure_pa[:, subject.cylinders] / KPA,
            current_a=run.current_a,
            battery_v=battery_v(run, gas),
        ),
    )


def _between(angle: Floats, speed: Floats) -> tuple[Floats, Floats]:
    step = np.diff(angle)
    middle = 0.5 * (angle[:-1] + angle[1:]) + STEP_S / 8 * (speed[:-1] - speed[1:])
    pace = 1.5 * step / STEP_S - 0.25 * (speed[:-1] + speed[1:])
    both = np.empty(2 * len(angle) - 1), np.empty(2 * len(angle) - 1)
    both[0][::2], both[0][1::2] = angle, middle
    both[1][::2], both[1][1::2] = speed, pace
    return both


def battery_v(run: Run, gas: RealGas) -> Floats:
    """At the battery's posts: sagging under the starter, charged once the engine runs."""
    s = gas.starter
    charged = (run.current_a == 0.0) & (run.omega_rad_s > RUNNING_RAD_S)
    return np.where(charged, s.charging_v, s.battery_v - s.battery_ohm * run.current_a)
