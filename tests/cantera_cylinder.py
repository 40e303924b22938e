"""A cylinder built apart from the twin: Cantera's reactor, its air, its integrator; every formula written out again.

Used by tests and by the benchmark. The flow formulas are those of Heywood, appendix C; heat by Annand; geometry and
lift from their definitions.
"""

from __future__ import annotations

import cantera as ct
import numpy as np

AIR = "N2:0.78084, O2:0.20946, AR:0.0097"


class Engine:
    """Plain numbers of one cylinder and what surrounds it."""

    def __init__(self, **more: float) -> None:
        self.bore, self.stroke, self.rod, self.ratio = 0.089, 0.0795, 0.144, 10.2
        self.intake = (350.0, 590.0, 9.8e-3, 34e-3, 2)  # opens, closes, lift, head, count
        self.exhaust = (128.0, 368.0, 9.4e-3, 29.5e-3, 2)
        self.intake_late = self.exhaust_late = 0.0
        self.rpm, self.ambient_pa, self.ambient_k, self.wall_k = 200.0, 101.3e3, 300.0, 360.0
        self.discharge, self.heat, self.leak_m2, self.top_deg = 0.68, 1.0, 0.5e-6, 0.0
        for name, value in more.items():
            assert hasattr(self, name)
            setattr(self, name, value)

    @property
    def omega(self) -> float:
        return self.rpm * 2 * np.pi / 60

    def volume(self, theta: float) -> tuple[float, float]:
        a, area = self.stroke / 2, np.pi / 4 * self.bore**2
        root = np.sqrt(self.rod**2 - (a * np.sin(theta)) ** 2)
        x = self.rod + a - a * np.cos(theta) - root
        slope = a * np.sin(theta) + a**2 * np.sin(theta) * np.cos(theta) / root
        return area * (self.stroke / (self.ratio - 1) + x), area * slope

    def valve_area(self, deg: float, valve: tuple[float, ...], late: float) -> float:
        opens, closes, top, head, count = valve
        after = (deg - late - opens) % 720.0
        if after >= closes - opens:
            return 0.0
        lift = top * np.sin(np.pi * after / (closes - opens)) ** 2
        seat, port, stem = 0.05 * head, 0.88 * head, 0.18 * head
        mean = head - seat
        most = np.pi / 4 * (port**2 - stem**2)
        if lift <= 2 * seat:  # 45 degree seat: w / (sin cos)
            return count * np.pi * lift * np.sqrt(0.5) * (head - 2 * seat + lift / 2)
        return count * min(np.pi * mean * np.hypot(lift - seat, seat), most)


def orifice(area: float, p0: float, t0: float, p1: float, gamma: float, r: float) -> float:
    """Isentropic nozzle, from p0 to p1 <= p0; straight line below 5 Pa."""
    if area <= 0.0:
        return 0.0
    ratio = p1 / p0
    if ratio <= (2 / (gamma + 1)) ** (gamma / (gamma - 1)):
        return area * p0 * np.sqrt(gamma / (r * t0)) * (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1)))
    drop = 1.0 - ratio
    ratio, part = (1.0 - 5e-5, drop / 5e-5) if drop < 5e-5 else (ratio, 1.0)
    inner = 2 * gamma / (gamma - 1) * (ratio ** (2 / gamma) - ratio ** ((gamma + 1) / gamma))
    return area * p0 / np.sqrt(r * t0) * np.sqrt(inner) * part


class Cylinder(ct.ExtensibleIdealGasReactor):
    """Volume from the crank, heat to the walls, three orifices: to intake, exhaust and surroundings."""

    engine: Engine
    beside: tuple[ct.Reactor | None, ct.Reactor | None]  # manifolds; None is the surroundings
    rates: list[tuple[float, float]]  # of the last evaluation: kg/s in, J/kg that it carries

    def replace_eval_walls(self, t: float) -> None:
        e = self.engine
        temp = self.phase.T
        v, slope = e.volume(e.omega * t - np.radians(e.top_deg))
        self.expansion_rate = slope * e.omega
        mu = 3.3e-7 * temp**0.7
        re = self.phase.density * (2 * e.stroke * e.rpm / 60) * e.bore / mu
        film = 0.49 * re**0.7 * self.phase.cp_mass * mu / 0.7 / e.bore
        area = 2.1 * np.pi / 4 * e.bore**2 + 4 * v / e.bore
        self.heat_rate = -e.heat * film * area * (temp - e.wall_k)

    def after_eval(self, t: float, lhs: np.ndarray, rhs: np.ndarray) -> None:
        e = self.engine
        deg = np.degrees(e.omega * t) - e.top_deg
        intake = e.discharge * e.valve_area(deg, e.intake, e.intake_late)
        exhaust = e.discharge * e.valve_area(deg, e.exhaust, e.exhaust_late)
        places = ((intake, self.beside[0]), (exhaust, self.beside[1]), (e.leak_m2, None))
        self.rates = [exchanged(area, self, other, self.outside) for area, other in places]
        take_in(self, rhs, self.rates)


class Manifold(ct.ExtensibleIdealGasReactor):
    """A vessel between cylinders and an opening. Stands behind its cylinders in the network."""

    def after_eval(self, t: float, lhs: np.ndarray, rhs: np.ndarray) -> None:
        flows = [c.rates[self.place] for c in self.cylinders]
        rates = [(-rate, energy) for rate, energy in flows]
        take_in(self, rhs, [*rates, exchanged(self.opening_m2, self, None, self.outside)])


Outside = tuple[float, float, float, float]  # Pa, K, cp/cv, J/kg


def gas_of(phase: ct.Solution) -> Outside:
    return phase.P, phase.T, phase.cp_mass / phase.cv_mass, phase.enthalpy_mass


def exchanged(area: float, here: ct.Reactor, other: ct.Reactor | None, outside: Outside) -> tuple[float, float]:
    """Flow into ``here``, negative out of it [kg/s], and the enthalpy that it carries [J/kg]."""
    if area <= 0.0:
        return 0.0, 0.0
    mine, theirs = gas_of(here.phase), outside if other is None else gas_of(other.phase)
    r = ct.gas_constant / here.phase.mean_molecular_weight
    if mine[0] >= theirs[0]:
        return -orifice(area, mine[0], mine[1], theirs[0], mine[2], r), mine[3]
    return orifice(area, theirs[0], theirs[1], mine[0], theirs[2], r), theirs[3]


def take_in(reactor: ct.Reactor, rhs: np.ndarray, rates: list[tuple[float, float]]) -> None:
    """Mass, and cv dT/dt of an ideal gas of unchanging composition."""
    u = reactor.phase.int_energy_mass
    for rate, energy in rates:
        rhs[0] += rate
        rhs[2] += rate * (energy - u)


def vessel(kind: type[ct.Reactor], kelvin: float, engine: Engine, volume: float) -> ct.Reactor:
    gas = ct.Solution("air.yaml", transport_model=None)
    gas.TPX = engine.ambient_k, engine.ambient_pa, AIR
    outside = gas_of(gas)
    gas.TP = kelvin, engine.ambient_pa
    reactor = kind(gas, clone=False)
    reactor.outside, reactor.chemistry_enabled, reactor.volume = outside, False, volume
    return reactor


def cylinder(engine: Engine) -> Cylinder:
    """One cylinder, at ambient pressure and between wall and ambient temperature, at crank angle 0."""
    kelvin = (engine.ambient_k + engine.wall_k) / 2
    reactor = vessel(Cylinder, kelvin, engine, engine.volume(np.radians(-engine.top_deg))[0])
    reactor.engine, reactor.beside = engine, (None, None)
    return reactor


def manifolds(cylinders: list[Cylinder], volumes_m3: tuple[float, float], openings_m2: tuple[float, float]) -> list:
    """Intake and exhaust manifold over some cylinders, filled with ambient air."""
    e = cylinders[0].engine
    both = [vessel(Manifold, e.ambient_k, e, v) for v in volumes_m3]
    for place, (manifold, opening) in enumerate(zip(both, openings_m2, strict=True)):
        manifold.cylinders, manifold.place, manifold.opening_m2 = cylinders, place, opening
    for c in cylinders:
        c.beside = (both[0], both[1])
    return both


def run(reactors: list, cycles: int, step_deg: float = 0.5, tolerances: tuple[float, float] = (1e-7, 1e-12)):
    """Reactors in one network, the first a cylinder; the last cycle's pressure [Pa] and mass [kg]. (A, volumes, 2)"""
    net = ct.ReactorNet(reactors)
    net.rtol, net.atol = tolerances
    steps = round(720.0 / step_deg)
    out = np.empty((steps + 1, len(reactors), 2))
    per_step = np.radians(step_deg) / reactors[0].engine.omega
    net.max_time_step = 4 * per_step
    for k in range(steps * cycles + 1):
        if k:
            net.advance(k * per_step)
        if k >= steps * (cycles - 1):
            out[k - steps * (cycles - 1)] = [(r.phase.P, r.mass) for r in reactors]
    return out
