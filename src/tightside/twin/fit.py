"""The few unknowns of a cranking engine, found by matching the twin to what was recorded over its cycle.

The gas is turned at the speed that was seen, so one cycle gives every pressure; the crank's own energy then says what
speed those pressures, friction and starter make, and that is compared with the speed seen. Least squares with what is
known beforehand as further rows; the inverse of its normal matrix is the uncertainty, widened where the fit is worse
than its noise.

Our derivation: d(1/2 (J + M) w^2)/dtheta = T_gas + T_starter - T_friction, with M the moving masses' moment of inertia
at that angle.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from tightside.records import Floats, Record, array
from tightside.twin import cycle_kernel as k
from tightside.twin.cycle import (
    ANGLES_DEG,
    KPA,
    STEPS,
    Breathing,
    Gas,
    Sealing,
    Surroundings,
    gas_at_rest,
    sound,
)
from tightside.twin.gas import PISTON_DENSITY_KG_M2
from tightside.twin.motion import FRICTION_KPA, FRICTION_KPA_PER_RAD_S
from tightside.twin.scene import Starter

GRID_DEG = 4.0
OTHER_STARTS_DEG = (25.0, -25.0)  # late and early both lose compression: a search may end on the wrong side
WELL_EXPLAINED = 1.3
NOT_EXPLAINED = 2.0  # times the noise: then no call is made
CURRENT_LAW = 0.04  # of the current's swing: a motor is not quite a straight line
SETTLING_CYCLES = 3  # from rest; always as many, so that the answer changes smoothly with what is searched
if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

BATTERY = Starter()
GRID: Floats = np.arange(0.0, 720.0, GRID_DEG)
LEAK_SCALE_MM2 = 0.5  # leaks are searched as log(1 + leak / this)
MODEL_SD = {"speed": 0.15, "current": 1.5, "manifold": 0.1, "pressure": 8.0}  # rpm, A, kPa, kPa: never better than this


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CycleAverage(Record):
    """What a recording shows over the engine's cycle, each ``GRID_DEG`` from 0, averaged over its cycles.

    Empty where a channel was not recorded. Standard deviations are those of the averages; ``wheel_sd`` is that of the
    speed by teeth out of place, which is the same in both turns of a cycle. [rpm]
    """

    speed_rpm: Floats = array()  # (G,)
    speed_sd: Floats = array()
    wheel_sd: Floats = field(default_factory=lambda: np.zeros(len(GRID)), metadata={"array": (np.float64, 1)})
    current_a: Floats = field(default_factory=lambda: np.empty(0), metadata={"array": (np.float64, 1)})
    current_sd: Floats = field(default_factory=lambda: np.empty(0), metadata={"array": (np.float64, 1)})
    manifold_kpa: Floats = field(default_factory=lambda: np.empty(0), metadata={"array": (np.float64, 1)})
    manifold_sd: Floats = field(default_factory=lambda: np.empty(0), metadata={"array": (np.float64, 1)})
    pressure_kpa: tuple[tuple[int, Floats, Floats], ...] = ()  # cylinder, (G,) above or at any zero, its sd
    window_deg: float = GRID_DEG  # speed is the mean over so many degrees about each angle
    battery_v: Floats = field(default_factory=lambda: np.empty(0), metadata={"array": (np.float64, 1)})
    cycles: int = 0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Layout(Record):
    """The engine to be matched, and which cylinders each cam works."""

    breathing: Breathing
    cams: tuple[tuple[str, tuple[str, ...], tuple[int, ...]], ...]  # cam, kinds of valve, cylinders
    around: Surroundings = field(default_factory=Surroundings)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Estimate(Record):
    """One number and its standard deviation."""

    name: str
    value: float
    sd: float
    unit: str = ""

    @property
    def ci95(self) -> tuple[float, float]:
        """95 in 100."""
        return self.value - 1.96 * self.sd, self.value + 1.96 * self.sd


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Match(Record):
    """What was found, and what the twin does not explain."""

    offsets: tuple[Estimate, ...]  # by cam, degrees late
    leaks: tuple[Estimate, ...]  # by cylinder, mm^2 more than the usual blow-by
    others: tuple[Estimate, ...]  # friction, inertia, starter, blow-by, heat
    residuals: tuple[tuple[str, float, float], ...]  # channel, root mean square left, and share of its swing
    worse_than_noise: float  # root of chi-squared per degree of freedom; 1 is as good as the noise allows
    leaking: int | None  # the cylinder that surely leaks most, if one does
    seen_rpm: Floats = array()  # (G,)
    made_rpm: Floats = array()  # (G,)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Unknown:
    """One parameter of the search: where it starts and what is known beforehand (mean 0 of its own scale)."""

    name: str
    sd: float
    low: float = -np.inf
    high: float = np.inf
    start: float = 0.0


GAS_UNKNOWNS = (
    _Unknown("blow_by", 0.5),  # logarithms of the usual
    _Unknown("heat", 0.35),
    _Unknown("clearance", 0.03),
)
DRIVE_UNKNOWNS = (
    _Unknown("friction", 0.6),
    _Unknown("inertia", 0.6),
    _Unknown("grip", 0.8),
    _Unknown("ohm", 0.5),
)


def match_cycle(
    seen: CycleAverage, layout: Layout, known_offsets_deg: Mapping[str, tuple[float, float]] | None = None
) -> Match:
    """Cam offsets, leaks, friction and starter of a cranking engine.

    Parameters
    ----------
    seen : CycleAverage
    layout : Layout
    known_offsets_deg : cam to offset and its standard deviation, where its sensor has said; others are free within
        40 degrees

    Returns
    -------
    Match
        Each standard deviation includes what the unknowns do to one another.
    """
    twin = _Twin(seen, layout, dict(known_offsets_deg or {}))
    best = twin.search(twin.start(0.0))
    for start_deg in OTHER_STARTS_DEG:
        if twin.explains(best.fun):
            break
        other = twin.search(twin.start(start_deg))
        best = other if other.cost < best.cost else best
    twin.turn_at(np.asarray(best.x))
    best = twin.search(np.asarray(best.x))
    return twin.as_match(np.asarray(best.x), np.asarray(best.jac), np.asarray(best.fun))


class _Twin:
    """The parts of one match: what is searched, and what a choice of it would show."""

    def __init__(self, seen: CycleAverage, layout: Layout, known: dict[str, tuple[float, float]]) -> None:
        self.seen, self.layout, self.known = seen, layout, known
        b = layout.breathing
        self.cams = [c[0] for c in layout.cams]
        offsets = [_offset_unknown(cam, known) for cam in self.cams]
        leaks = [_Unknown(f"leak {c}", 3.0, low=0.0, high=7.0, start=0.05) for c in b.cylinders]
        self.unknowns = [*offsets, *leaks, *GAS_UNKNOWNS, *DRIVE_UNKNOWNS]
        self.steps = np.array([1.0] * len(offsets) + [0.1] * len(leaks) + [0.05] * 3 + [0.02] * 4)
        self.omega = np.interp(ANGLES_DEG, GRID, seen.speed_rpm, period=720.0) * 2 * np.pi / 60
        self.table = b.table()
        self.moving = self._moving_inertia()
        self._kept: dict[bytes, tuple[Floats, Floats]] = {}
        self._state: Gas | None = None

    # ---- the search

    def start(self, offset_deg: float) -> Floats:
        """Where a search begins: cams that are not known at an offset, the crank's drive as the speed asks for it."""
        x = np.array([u.start for u in self.unknowns])
        for i, cam in enumerate(self.cams):
            if cam not in self.known:
                x[i] = offset_deg
        x[-2:] = self._starter_seen()
        return self._balanced(x)

    def _starter_seen(self) -> tuple[float, float]:
        """Logarithms of the starter's grip and resistance by a straight line through volts, amperes and speed."""
        seen = self.seen
        if not len(seen.current_a):
            return 0.0, 0.0
        pulling = seen.current_a > BATTERY.free_a + 0.1 * np.ptp(seen.current_a)
        omega, amperes = seen.speed_rpm[pulling] * 2 * np.pi / 60, seen.current_a[pulling]
        known = len(seen.battery_v) > 0
        volts = (
            seen.battery_v[pulling]
            if known
            else np.full(len(amperes), BATTERY.battery_v) - BATTERY.battery_ohm * amperes
        )
        grip, ohm = np.linalg.lstsq(np.column_stack([omega, amperes]), volts, rcond=None)[0]
        return float(np.log(max(grip / 0.45, 0.05))), float(np.log(max(ohm / BATTERY.rest_ohm, 0.05)))

    def _balanced(self, x: Floats) -> Floats:
        """Friction such that the mean torque is none."""
        x[-4] = 0.0
        left = self.made_speed(x, self.pressures(x))[1]
        usual = KPA * self.layout.breathing.displacement_m3 / (4 * np.pi) * FRICTION_KPA
        x[-4] = float(np.log(np.clip(1.0 + left / usual, 0.2, 5.0)))
        return x

    def search(self, x: Floats) -> OptimizeResult:
        """Least squares from a start."""
        from scipy.optimize import least_squares

        low, high = np.array([u.low for u in self.unknowns]), np.array([u.high for u in self.unknowns])
        x = np.clip(x, low + 1e-3, high - 1e-3)
        return least_squares(
            self.residuals,
            x,
            jac=self.jacobian,
            bounds=(low, high),
            x_scale="jac",
            max_nfev=25,
            xtol=1e-3,
            ftol=1e-3,
        )

    def explains(self, residual: Floats) -> bool:
        """Whether what is left is near the noise."""
        rows = len(residual) - len(self.unknowns)
        return float(np.sum(residual[:rows] ** 2)) < WELL_EXPLAINED**2 * max(rows - len(self.unknowns), 1)

    # ---- what a choice shows

    def turn_at(self, x: Floats) -> None:
        """From now on turn the gas at the speed that a choice makes, sharper than what shows between teeth."""
        self.omega = self.made_speed(x, self.pressures(x))[0]
        self._kept.clear()

    def _moving_inertia(self) -> Floats:
        b = self.layout.breathing
        piston_m2 = np.pi / 4 * (b.bore_mm * 1e-3) ** 2
        arm = b.slope_m3_rad / piston_m2
        turned = [np.interp(ANGLES_DEG - top, ANGLES_DEG, arm**2, period=720.0) for top in b.tops_deg]
        return np.asarray(PISTON_DENSITY_KG_M2 * piston_m2 * np.sum(turned, axis=0))

    def sealing(self, x: Floats) -> tuple[Sealing, Surroundings, float]:
        """Cams, leaks, surroundings and the change of clearance volume of one choice."""
        b, n_cams, n = self.layout.breathing, len(self.cams), len(self.layout.breathing.cylinders)
        late = {"intake": np.zeros(n), "exhaust": np.zeros(n)}
        for deg, (_, kinds, cylinders) in zip(x[:n_cams], self.layout.cams, strict=True):
            for kind in kinds:
                late[kind] = np.where([c in cylinders for c in b.cylinders], deg, late[kind])
        leaks = LEAK_SCALE_MM2 * np.expm1(x[n_cams : n_cams + n])
        blow_by, heat, clearance = x[n_cams + n : n_cams + n + 3]
        around = replace(
            self.layout.around,
            blow_by_mm2=self.layout.around.blow_by_mm2 * float(np.exp(blow_by)),
            heat=self.layout.around.heat * float(np.exp(heat)),
        )
        holes = replace(sound(b), intake_late_deg=late["intake"], exhaust_late_deg=late["exhaust"], hole_mm2=leaks)
        return holes, around, float(np.exp(clearance))

    def pressures(self, x: Floats) -> Floats:
        """Pressures of every volume over a cycle at the speed seen. (STEPS, volumes) [Pa]"""
        gas_part = x[: len(x) - len(DRIVE_UNKNOWNS)]
        key = gas_part.tobytes()
        if key not in self._kept:
            self._kept[key] = (self._turned(gas_part), gas_part)
            while len(self._kept) > 40:
                self._kept.pop(next(iter(self._kept)))
        return self._kept[key][0]

    def _turned(self, x: Floats) -> Floats:
        sealing, around, clearance = self.sealing(x)
        b = self.layout.breathing
        smallest = float(b.volume_m3.min())
        fuller = replace(b, volume_m3=b.volume_m3 + (clearance - 1.0) * smallest)
        gas = gas_at_rest(fuller, sealing, around)
        out = np.empty((STEPS, gas.now.shape[0]))
        for _ in range(SETTLING_CYCLES):
            args = (self.omega, STEPS, gas.state, gas.now, *gas.kernel_args(), out)
            k.turn_as_seen(*args)
        return out

    def made_speed(self, x: Floats, pressure_pa: Floats) -> tuple[Floats, float, Floats]:
        """Speed that these pressures make [rad/s], mean torque left over [N m], starter current by its law [A]."""
        friction, inertia, grip, ohm = np.exp(x[-4:])
        b, omega = self.layout.breathing, self.omega
        litres = b.displacement_m3 * 1e3
        per_kpa = KPA * b.displacement_m3 / (4 * np.pi)
        drag = friction * per_kpa * (FRICTION_KPA + FRICTION_KPA_PER_RAD_S * omega)
        pull, current = self.starter(grip, ohm)
        torque = self._gas_torque(pressure_pa) + pull - drag
        masses = inertia * (0.06 + 0.06 * litres) + self.moving
        step = k.CYCLE_RAD / STEPS
        net = torque - torque.mean()
        energy = np.concatenate([[0.0], np.cumsum(0.5 * (net[:-1] + net[1:]))]) * step
        mean = np.mean(0.5 * masses * omega**2 - energy)
        return np.sqrt(np.maximum(2 * (mean + energy) / masses, 1.0)), float(torque.mean()), current

    def seen_through_teeth(self, omega: Floats) -> Floats:
        """Speed as a wheel shows it: degrees over the time that they take, about each half degree. [rpm]"""
        half = max(1, round(self.seen.window_deg / 2 * STEPS / 720))
        slowness = 0.5 * (1.0 / omega + 1.0 / np.roll(omega, -1))  # of each step
        sums = np.concatenate([[0.0], np.cumsum(np.concatenate([slowness[-half:], slowness, slowness[:half]]))])
        return np.asarray(2 * half / (sums[2 * half :][:STEPS] - sums[:STEPS]) * 30 / np.pi)

    def starter(self, grip: float, ohm: float) -> tuple[Floats, Floats]:
        """Torque at the crank by the current seen, or by the motor's own law, and the current by that law."""
        volts, inner = np.full(STEPS, BATTERY.battery_v), BATTERY.rest_ohm * ohm + BATTERY.battery_ohm
        if len(self.seen.battery_v):
            volts, inner = np.interp(ANGLES_DEG, GRID, self.seen.battery_v, period=720.0), BATTERY.rest_ohm * ohm
        by_law = np.maximum((volts - 0.45 * grip * self.omega) / inner, BATTERY.free_a)
        current = by_law
        if len(self.seen.current_a):
            current = np.interp(ANGLES_DEG, GRID, self.seen.current_a, period=720.0)
        return 0.45 * grip * np.maximum(current - BATTERY.free_a, 0.0), by_law

    def _gas_torque(self, pressure_pa: Floats) -> Floats:
        b = self.layout.breathing
        total = np.zeros(STEPS)
        ambient = self.layout.around.ambient_kpa * KPA
        for i, top in enumerate(b.tops_deg):
            slope = np.interp(ANGLES_DEG - top, ANGLES_DEG, b.slope_m3_rad, period=720.0)
            total += (pressure_pa[:, i] - ambient) * slope
        return total

    # ---- how well it agrees

    def residuals(self, x: Floats) -> Floats:
        """Everything that was seen less what the choice shows, over its noise; then what was known beforehand."""
        rows = [r for _, r, _ in self.channels(x)]
        prior = [(v - self.known.get(u.name, (0.0, 0.0))[0]) / u.sd for v, u in zip(x, self.unknowns, strict=True)]
        return np.concatenate([*rows, np.array(prior)])

    def jacobian(self, x: Floats) -> Floats:
        """Change of the residuals by each unknown, by steps that are large against the gas's own rounding."""
        here = self.residuals(x)
        columns = []
        for i, step in enumerate(self.steps):
            there = np.array(x)
            there[i] += step
            columns.append((self.residuals(there) - here) / step)
        return np.column_stack(columns)

    def channels(self, x: Floats) -> list[tuple[str, Floats, Floats]]:
        """Channel, residual over noise, residual in its unit."""
        seen, at = self.seen, slice(None, None, round(GRID_DEG * STEPS / 720))
        pressure = self.pressures(x)
        omega, left, current = self.made_speed(x, pressure)
        rpm = self.seen_through_teeth(omega)[at]
        off = rpm - seen.speed_rpm
        found = [("speed", _by_turn(off, _noise(seen.speed_sd, "speed"), seen.wheel_sd), off)]
        found.append(("torque balance", np.array([left / 1.0]), np.array([left])))
        if len(seen.current_a):
            off = current[at] - seen.current_a
            law = CURRENT_LAW * float(np.ptp(seen.current_a))
            found.append(("starter current", off / np.hypot(_noise(seen.current_sd, "current"), law), off))
        n = len(self.layout.breathing.cylinders)
        if len(seen.manifold_kpa):
            off = pressure[at, n] / KPA - seen.manifold_kpa
            off = off - off.mean()  # a manifold sensor's zero is not believed
            found.append(("manifold pressure", off / _noise(seen.manifold_sd, "manifold"), off))
        for cylinder, kpa, sd in seen.pressure_kpa:
            i = self.layout.breathing.cylinders.index(cylinder)
            off = pressure[at, i] / KPA - kpa
            off = off - np.median(off)  # nor is a transducer's
            found.append((f"cylinder pressure {cylinder}", off / _noise(sd, "pressure"), off))
        return found

    # ---- the answer

    def as_match(self, x: Floats, jacobian: Floats, residual: Floats) -> Match:
        """Values, their spread, and what is left."""
        n_cams, n = len(self.cams), len(self.layout.breathing.cylinders)
        rows = len(residual) - len(x)
        worse = float(np.sqrt(np.sum(residual[:rows] ** 2) / max(rows - len(x), 1)))
        covariance = np.linalg.pinv(jacobian.T @ jacobian) * max(1.0, worse**2)
        sd = np.sqrt(np.diag(covariance))
        leaks = LEAK_SCALE_MM2 * np.expm1(x[n_cams : n_cams + n])
        leak_sd = sd[n_cams : n_cams + n] * (leaks + LEAK_SCALE_MM2)
        shown = self.channels(x)
        made = self.made_speed(x, self.pressures(x))[0]
        rpm = self.seen_through_teeth(made)[:: round(GRID_DEG * STEPS / 720)]
        return Match(
            offsets=tuple(
                Estimate(name=c, value=float(v), sd=float(s), unit="deg")
                for c, v, s in zip(self.cams, x, sd, strict=False)
            ),
            leaks=tuple(
                Estimate(name=str(c), value=float(v), sd=float(s), unit="mm2")
                for c, v, s in sorted(zip(self.layout.breathing.cylinders, leaks, leak_sd, strict=True))
            ),
            others=tuple(
                Estimate(name=u.name, value=float(np.exp(v)), sd=float(np.exp(v) * s), unit="times usual")
                for u, v, s in zip(self.unknowns[n_cams + n :], x[n_cams + n :], sd[n_cams + n :], strict=True)
            ),
            residuals=tuple((name, *self._left(name, off)) for name, _, off in shown),
            worse_than_noise=worse,
            leaking=_leaking(self.layout.breathing.cylinders, leaks, leak_sd) if worse < NOT_EXPLAINED else None,
            seen_rpm=self.seen.speed_rpm,
            made_rpm=rpm,
            notes=_notes(self.seen, worse),
        )

    def _left(self, name: str, off: Floats) -> tuple[float, float]:
        rms = float(np.sqrt(np.mean(off**2)))
        swing = {
            "speed": self.seen.speed_rpm,
            "starter current": self.seen.current_a,
            "manifold pressure": self.seen.manifold_kpa,
        }.get(name)
        if swing is None:
            number = name.rpartition(" ")[2]
            swing = next((p for c, p, _ in self.seen.pressure_kpa if str(c) == number), np.array([1.0, -1.0]))
        return rms, rms / max(float(np.std(swing)), 1e-9)


def _offset_unknown(cam: str, known: Mapping[str, tuple[float, float]]) -> _Unknown:
    if cam in known:
        return _Unknown(cam, max(known[cam][1], 0.05), low=-100.0, high=100.0, start=known[cam][0])
    return _Unknown(cam, 40.0, low=-100.0, high=100.0)


def _by_turn(off: Floats, sd: Floats, wheel_sd: Floats) -> Floats:
    """Residual over noise, as what both turns of a cycle share, which teeth out of place spoil, and what differs."""
    half = len(off) // 2
    first, second = off[:half], off[half:]
    noise = np.sqrt(0.5 * (sd[:half] ** 2 + sd[half:] ** 2))
    shared = (first + second) / np.sqrt(2) / np.hypot(noise, np.sqrt(2) * wheel_sd[:half])
    return np.concatenate([shared, (first - second) / np.sqrt(2) / noise])


def _noise(sd: Floats, channel: str) -> Floats:
    return np.hypot(sd, MODEL_SD[channel])


def _leaking(cylinders: tuple[int, ...], leaks: Floats, sd: Floats) -> int | None:
    """The cylinder whose leak surely stands out of the others'."""
    order = np.argsort(-leaks)
    first = order[0]
    rest = float(np.median(leaks[order[1:]])) if len(leaks) > 1 else 0.0
    return cylinders[first] if leaks[first] - rest > 2.5 * sd[first] and leaks[first] > 0.5 else None


def _notes(seen: CycleAverage, worse: float) -> tuple[str, ...]:
    notes = []
    if seen.cycles < 5:
        notes.append(f"Only {seen.cycles} engine cycles: crank longer for a surer answer.")
    if worse >= NOT_EXPLAINED:
        notes.append("The twin does not explain this recording well: no cylinder is named, the numbers are hints.")
    return tuple(notes)
