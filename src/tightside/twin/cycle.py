"""The gas of a whole engine over its cycle: zero-dimensional, all cylinders, one intake and one exhaust manifold.

Every cylinder and both manifolds are well-stirred volumes that keep mass, energy and burned gas. Valves, throttle,
tailpipe and leaks are orifices; valve areas come as tables over the cycle, so that any lift curve will do. Walls take
heat by Annand's correlation. A burn follows a Wiebe curve. Waves in the pipes are left out: at cranking speed they
matter little, near full speed much.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tightside.records import Floats, Record, array
from tightside.twin import cycle_kernel as k
from tightside.twin.working_gas import air_and_burned, mixed

STEP_DEG = 0.5
STEPS = 1440
ANGLES_DEG: Floats = np.arange(STEPS, dtype=np.float64) * STEP_DEG  # 0 is the cylinder's own compression top
KPA = 1e3
MM2 = 1e-6
FUEL_J_PER_KG_AIR = 44e6 / 14.6 * 0.95  # petrol at the right mixture, 5 % not burned; common practice, no source
MOST_CYCLES = 40


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Breathing(Record):
    """An engine as its gas sees it. Tables are over one cylinder's own cycle, each half degree, 0 its compression top.

    Areas are geometric, of all valves of the kind in one cylinder. Cylinders are in firing order.
    """

    volume_m3: Floats = array()  # (A,)
    slope_m3_rad: Floats = array()  # (A,) dV/dtheta
    curve_m3_rad2: Floats = array()  # (A,) d2V/dtheta2
    intake_mm2: Floats = array()  # (A,)
    exhaust_mm2: Floats = array()  # (A,)
    cylinders: tuple[int, ...] = (1,)
    tops_deg: Floats = array()  # (Y,) compression tops
    bore_mm: float = 86.0
    stroke_mm: float = 86.0

    @property
    def displacement_m3(self) -> float:
        """Swept volume of all cylinders. [m^3]"""
        return float(np.ptp(self.volume_m3)) * len(self.cylinders)

    def table(self) -> Floats:
        """The tables side by side, the first entry again at the end. (A + 1, 5)"""
        columns = [self.volume_m3, self.slope_m3_rad, self.curve_m3_rad2, self.intake_mm2 * MM2, self.exhaust_mm2 * MM2]
        table = np.column_stack(columns)
        return np.ascontiguousarray(np.vstack([table, table[:1]]))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sealing(Record):
    """What is off, by cylinder in firing order: cams late, and holes as effective areas."""

    intake_late_deg: Floats = array()  # (Y,)
    exhaust_late_deg: Floats = array()  # (Y,)
    hole_mm2: Floats = array()  # (Y,) past the rings, a gasket, a piston: to the crankcase or outside
    past_intake_mm2: Floats = array()  # (Y,) past an intake valve that does not seat
    past_exhaust_mm2: Floats = array()  # (Y,)


def sound(breathing: Breathing) -> Sealing:
    """Nothing is off."""
    n = len(breathing.cylinders)
    return Sealing(
        intake_late_deg=np.zeros(n),
        exhaust_late_deg=np.zeros(n),
        hole_mm2=np.zeros(n),
        past_intake_mm2=np.zeros(n),
        past_exhaust_mm2=np.zeros(n),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Surroundings(Record):
    """Air, walls, and what nobody measures. The last three are common practice, no source, and uncertain."""

    ambient_kpa: float = 101.3
    ambient_k: float = 300.0
    wall_k: float = 360.0
    throttle_mm2: float = 1500.0  # effective area
    held_intake_kpa: float | None = None  # the manifold held at this, whatever flows
    held_exhaust_kpa: float | None = None
    discharge: float = 0.68  # of the valves' geometric area; from the trade's 0.6 to 0.75
    heat: float = 1.0  # times Annand's correlation, itself good to a factor of about 1.5
    blow_by_mm2: float = 0.5  # effective, of sound rings and valves, each cylinder


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Burn(Record):
    """A fire in every cylinder; ``pull`` scales each one's heat, in firing order. Empty: 1 each."""

    spark_deg: float = -12.0  # after own top
    duration_deg: float = 60.0
    pull: Floats = field(default_factory=lambda: np.empty(0), metadata={"array": (np.float64, 1)})


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Balance(Record):
    """What crossed the boundary over a stretch, and what is left unexplained."""

    work_j: float
    wall_heat_j: float
    burn_heat_j: float
    kg_in: float
    kg_out: float
    kg_leaked: float
    kg_gained: float
    j_gained: float
    mass_error: float  # unexplained mass over mass taken in
    energy_error: float  # unexplained energy over the heat of what was taken in and burned


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Cycle(Record):
    """One cycle of every cylinder in steady running, each half crank degree from 0 to 720 inclusive."""

    theta_deg: Floats = array()  # (A,) engine frame
    tops_deg: Floats = array()  # (Y,)
    pressure_kpa: Floats = array(ndim=2)  # (A, Y) absolute
    mass_kg: Floats = array(ndim=2)  # (A, Y)
    kelvin: Floats = array(ndim=2)  # (A, Y)
    manifold_kpa: Floats = array()  # (A,)
    exhaust_kpa: Floats = array()  # (A,)
    torque_nm: Floats = array()  # (A,) of the gas on the crank
    balance: Balance
    rpm: float
    cycles: int  # until it repeated itself
    change: float  # of the charge from the last cycle to this, share

    @property
    def peak_kpa(self) -> Floats:
        """Greatest pressure of each cylinder. (Y,)"""
        return np.asarray(self.pressure_kpa.max(axis=0))

    @property
    def trapped_kg(self) -> Floats:
        """Greatest mass closed in, of each cylinder: what it holds when its pressure peaks. (Y,)"""
        at = self.pressure_kpa.argmax(axis=0)
        return np.asarray(self.mass_kg[at, np.arange(self.mass_kg.shape[1])])


# ------------------------------------------------------------------------------------------------------------ arrays


@dataclass(frozen=True, slots=True, eq=False)
class Gas:
    """The kernel's arrays. The only mutable thing here, and it stays inside the twin."""

    state: Floats
    now: Floats
    coefficients: Floats
    table: Floats
    cylinder: Floats
    world: Floats
    drive: Floats
    gases: Floats
    outside: Floats
    burn: Floats

    def kernel_args(self) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats]:
        """What ``advance`` takes after the step's own numbers."""
        return self.coefficients, self.table, self.cylinder, self.world, self.drive, self.gases, self.outside


def gas_at_rest(
    breathing: Breathing, sealing: Sealing, around: Surroundings, burn: Burn | None = None, theta_rad: float = 0.0
) -> Gas:
    """Everything at ambient pressure, cylinders at wall temperature, the crank at an angle."""
    n = len(breathing.cylinders)
    gases = air_and_burned()
    world = _world(breathing, around)
    cylinder = _cylinders(breathing, sealing, around)
    table = breathing.table()
    pa = np.full(n + 2, around.ambient_kpa * KPA)
    pa[n] = (around.held_intake_kpa or around.ambient_kpa) * KPA
    pa[n + 1] = (around.held_exhaust_kpa or around.ambient_kpa) * KPA
    warm = around.ambient_k
    kelvin = np.array([0.5 * (around.wall_k + warm)] * n + [warm, warm])
    places = [k.place_of(theta_rad - cylinder[i, k.TOP], STEPS) for i in range(n)]
    volume = np.array([k.volume_at(table, p, k.CYCLE_RAD / STEPS)[0] for p in places] + list(world[4:6]))
    state = np.zeros(3 * (n + 2) + 2 + k.SUMS)
    mass = pa * volume / (gases[0, 0, 6] * kelvin)
    state[: n + 2] = mass
    state[n + 2 : 2 * n + 4] = mass * np.array([_energy(gases, t) for t in kelvin])
    state[3 * (n + 2)] = theta_rad
    now = np.zeros((n + 2, 10))
    now[:, k.KELVIN] = kelvin
    fire = _burn(burn, n)
    outside = _outside(around, gases)
    return Gas(state, now, CHEBYSHEV, table, cylinder, world, np.zeros(10), gases, outside, fire)


CHEBYSHEV = k.chebyshev_table()


def _energy(gases: Floats, kelvin: float) -> float:
    h, _, r = mixed(gases, 0.0, kelvin)
    return float(h - r * kelvin)


def _world(b: Breathing, s: Surroundings) -> Floats:
    world = np.zeros(13)
    world[k.AMBIENT_PA] = s.ambient_kpa * KPA
    world[k.AMBIENT_K] = s.ambient_k
    world[k.THROTTLE_M2] = s.throttle_mm2 * MM2
    world[k.TAILPIPE_M2] = 0.35 * b.displacement_m3  # effective; about 1000 mm^2 for 3 l
    world[k.INTAKE_M3] = 1.2 * b.displacement_m3
    world[k.EXHAUST_M3] = 1.5 * b.displacement_m3
    world[k.WALL_K] = s.wall_k
    world[k.DISCHARGE] = s.discharge
    world[k.HEAT] = s.heat
    world[k.BORE_M] = b.bore_mm * 1e-3
    world[k.STROKE_M] = b.stroke_mm * 1e-3
    world[k.INTAKE_HELD] = s.held_intake_kpa is not None
    world[k.EXHAUST_HELD] = s.held_exhaust_kpa is not None
    if s.held_intake_kpa is not None:
        world[k.THROTTLE_M2] = 0.0
    if s.held_exhaust_kpa is not None:
        world[k.TAILPIPE_M2] = 0.0
    return world


def _cylinders(b: Breathing, sealing: Sealing, around: Surroundings) -> Floats:
    cylinder = np.zeros((len(b.cylinders), 10))
    cylinder[:, k.TOP] = np.radians(b.tops_deg)
    cylinder[:, k.INTAKE_LATE] = np.radians(sealing.intake_late_deg)
    cylinder[:, k.EXHAUST_LATE] = np.radians(sealing.exhaust_late_deg)
    cylinder[:, k.HOLE] = (sealing.hole_mm2 + around.blow_by_mm2) * MM2
    cylinder[:, k.PAST_INTAKE] = sealing.past_intake_mm2 * MM2
    cylinder[:, k.PAST_EXHAUST] = sealing.past_exhaust_mm2 * MM2
    cylinder[:, k.BURN_RAD] = 1.0
    return cylinder


def _outside(s: Surroundings, gases: Floats) -> Floats:
    """Rows: before the throttle, behind the tailpipe. Pa, K, cp/cv, R, enthalpy."""
    h, cp, r = mixed(gases, 0.0, s.ambient_k)
    return np.tile(np.array([s.ambient_kpa * KPA, s.ambient_k, cp / (cp - r), r, h]), (2, 1))


def _burn(burn: Burn | None, n: int) -> Floats:
    fire = np.zeros(3 + n)
    if burn is not None:
        fire[:3] = FUEL_J_PER_KG_AIR, np.radians(burn.spark_deg), np.radians(burn.duration_deg)
        fire[3:] = burn.pull if len(burn.pull) else 1.0
    return fire


# ------------------------------------------------------------------------------------------------------------ steady


def steady_cycle(
    breathing: Breathing,
    sealing: Sealing,
    around: Surroundings,
    rpm: float,
    burn: Burn | None = None,
    *,
    within: float = 1e-4,
) -> Cycle:
    """The cycle that repeats itself at an even speed.

    Parameters
    ----------
    rpm : crank speed, even over the cycle
    burn : the fire; None turns the engine without one
    within : change of any cylinder's charge from cycle to cycle, as a share, at which it counts as repeating

    Returns
    -------
    Cycle
        ``change`` is the last one's; above ``within`` if ``MOST_CYCLES`` were not enough.
    """
    gas = gas_at_rest(breathing, sealing, around, burn)
    n = len(breathing.cylinders)
    gas.state[3 * (n + 2) + 1] = rpm * 2 * np.pi / 60
    before = np.full(n, np.inf)
    cycles, change = 0, np.inf
    while change >= within and cycles < MOST_CYCLES:
        cycles += 1
        out, balance = turn_once(gas, rpm)
        peak = out[:, :n, 0].max(axis=0)
        change = float(np.abs(peak / before - 1.0).max())
        before = peak
    return _cycle(breathing, around, out, balance, (rpm, cycles, change))


def turn_once(gas: Gas, rpm: float) -> tuple[Floats, Balance]:
    """One cycle at an even speed; pressures, masses and temperatures each half degree, and the balance over it."""
    out = np.empty((STEPS + 1, gas.now.shape[0], 3))
    before = gas.state.copy()
    h = np.radians(STEP_DEG) / (rpm * 2 * np.pi / 60)
    args = (h, STEPS, gas.state, gas.now, *gas.kernel_args(), gas.burn, out)
    k.turn_evenly(*args)
    return out, _balance(gas, before)


def _balance(gas: Gas, before: Floats) -> Balance:
    """Held manifolds count as outside."""
    nv = gas.now.shape[0]
    inside = np.append(np.ones(nv - 2), 1.0 - gas.world[k.INTAKE_HELD : k.EXHAUST_HELD + 1]) > 0
    gained = gas.state - before
    kg, joule = float(gained[:nv][inside].sum()), float(gained[nv : 2 * nv][inside].sum())
    s = gained[3 * nv + 2 :]
    mass = kg - (s[k.KG_IN] - s[k.KG_OUT] - s[k.KG_LEAKED])
    energy = joule - (s[k.J_IN] - s[k.J_OUT] - s[k.J_LEAKED] + s[k.BURN_HEAT] - s[k.WORK] - s[k.WALL_HEAT])
    through = abs(s[k.KG_IN]) + abs(s[k.KG_LEAKED]) + 1e-12
    return Balance(
        work_j=float(s[k.WORK]),
        wall_heat_j=float(s[k.WALL_HEAT]),
        burn_heat_j=float(s[k.BURN_HEAT]),
        kg_in=float(s[k.KG_IN]),
        kg_out=float(s[k.KG_OUT]),
        kg_leaked=float(s[k.KG_LEAKED]),
        kg_gained=kg,
        j_gained=joule,
        mass_error=float(abs(mass) / through),
        energy_error=float(abs(energy) / (through * 1005.0 * 300.0 + s[k.BURN_HEAT])),
    )


def _cycle(b: Breathing, around: Surroundings, out: Floats, balance: Balance, how: tuple[float, int, float]) -> Cycle:
    n = len(b.cylinders)
    theta = np.append(ANGLES_DEG, 720.0)
    pressure = out[:, :n, 0]
    slope = np.column_stack([np.interp(theta - top, ANGLES_DEG, b.slope_m3_rad, period=720.0) for top in b.tops_deg])
    return Cycle(
        theta_deg=theta,
        tops_deg=b.tops_deg,
        pressure_kpa=pressure / KPA,
        mass_kg=out[:, :n, 1],
        kelvin=out[:, :n, 2],
        manifold_kpa=out[:, n, 0] / KPA,
        exhaust_kpa=out[:, n + 1, 0] / KPA,
        torque_nm=np.sum((pressure - around.ambient_kpa * KPA) * slope, axis=1),
        balance=balance,
        rpm=how[0],
        cycles=how[1],
        change=how[2],
    )


def with_leak(sealing: Sealing, cylinder_index: int, mm2: float) -> Sealing:
    """One more hole in one cylinder."""
    hole = np.array(sealing.hole_mm2)
    hole[cylinder_index] += mm2
    return replace(sealing, hole_mm2=hole)
