"""The twin's crank motion: gas tables against the handbook, the integration against another integrator, known facts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tightside.records import WheelPattern
from tightside.twin import motion as crank
from tightside.twin.gas import (
    ANGLES_DEG,
    COMPRESSION_EXPONENT,
    INTAKE_CLOSES_DEG,
    arm_from_angle,
    closed_pressure,
    torques_of,
    volume_from_angle,
)
from tightside.twin.motion import DT_S, Motion, turn_engine
from tightside.twin.scene import Fault, Running, Scenario, Subject

WHEEL = WheelPattern(name="60-2", angles_deg=np.arange(58) * 6.0, position_0_deg=84.0)
CYLINDERS = (3, 4, 5, 6, 8)


def subject(cylinders: int = 4, **more: float) -> Subject:
    order = tuple(range(1, cylinders + 1))
    return Subject(wheel=WHEEL, firing_order=order, firing_angles_deg=np.arange(cylinders) * 720.0 / cylinders, **more)


def turned(cylinders: int, seed: int = 0, faults: tuple[Fault, ...] = (), **running: object) -> Motion:
    scenario = Scenario(running=Running(**running), faults=faults)  # type: ignore[arg-type]
    return turn_engine(subject(cylinders), scenario, np.random.default_rng(seed))


def by_angle(motion: Motion, after_s: float, step_deg: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """Angle, and speed as a function of it, once the motion is steady."""
    late = slice(round(after_s / DT_S), None)
    angle, speed = motion.angle_deg[late], motion.speed_deg_s[late]
    first = np.ceil(angle[0] / 720.0) * 720.0
    grid = np.arange(first, first + 720.0 * np.floor((angle[-1] - first) / 720.0), step_deg)
    return grid, np.interp(grid, angle, speed)


# ------------------------------------------------------------------------------------------------------------ gas


def test_volume_at_intake_closing_agrees_with_handbook_geometry() -> None:
    # bore 86, stroke 86, rod 143, ratio 10, intake closing 50 deg after bottom: effective ratio 8.7950.
    # Source: plain arithmetic on Heywood's volume formula (1st ed., eq. 2.6, from memory), done apart from this code.
    s = subject()
    assert volume_from_angle(np.array([INTAKE_CLOSES_DEG]), s)[0] == pytest.approx(8.7950, abs=1e-4)
    assert volume_from_angle(np.array([0.0, 180.0]), s) == pytest.approx([1.0, 10.0])


def test_closed_pressure_at_top_follows_polytropic_law() -> None:
    assert closed_pressure(np.array([0.0]), subject())[0] == pytest.approx(8.7950**COMPRESSION_EXPONENT, rel=1e-4)


def test_arm_peak_over_mean_piston_speed_agrees_with_slider_crank_table() -> None:
    # Rod to crank ratio 3.5: peak of piston speed over its mean 1.63401 at 75.136 deg (scipy minimisation of Heywood
    # 1st ed. eq. 2.11, from memory, done apart from this code). The mean over a stroke is stroke/pi per radian.
    theta = np.arange(0.0, 180.0, 0.001)
    arm = arm_from_angle(theta, 0.1, 0.175)
    assert arm.max() / (0.1 / np.pi) == pytest.approx(1.63401, abs=1e-4)
    assert theta[arm.argmax()] == pytest.approx(75.136, abs=0.01)


def test_burn_table_work_is_one_kilopascal_of_mean_pressure() -> None:
    s = subject(4)
    table = torques_of(s, np.ones(4))
    work_j = np.sum(table.burn) * np.radians(ANGLES_DEG[1])
    assert work_j == pytest.approx(1e3 * s.displacement_m3 / 4, rel=0.01)


def test_motored_cycle_takes_work_and_gives_none() -> None:
    table = torques_of(subject(4), np.ones(4))
    net = 98.0 * table.per_manifold + 101.0 * table.per_ambient
    assert -40.0 < net.mean() < 0.0
    assert np.ptp(net) > 100.0


# --------------------------------------------------------------------------------------------------------- motion


def test_integration_agrees_with_another_integrator() -> None:
    # scipy's adaptive DOP853 on the same torque, half a second of cranking over several compressions.
    s = subject(4)
    tables = torques_of(s, np.ones(4))
    n = 60
    commands = crank.Commands(wanted_rad_s=np.full(n, 20.0), starter=np.ones(n), fuel=np.zeros(n))
    plant = np.array([0.3, 260.0, 32.0, s.displacement_m3])
    ours = crank._integrated(tables, commands, plant, np.array([1.0, 18.0]), np.ones(4), np.zeros(4), 0.5)
    slope = np.gradient(tables.masses, np.radians(ANGLES_DEG[1]))
    lookup = np.column_stack([tables.per_manifold, tables.per_ambient, tables.masses, slope])
    lookup = np.ascontiguousarray(np.vstack([lookup, lookup[:1]]))
    burn, tops, still = np.append(tables.burn, tables.burn[0]), np.radians(tables.tops_deg), np.zeros(4)

    def right(_t: float, y: np.ndarray) -> list[float]:
        return [y[1], crank._acceleration(y[0], y[1], lookup, burn, tops, still, plant, 1.0, 98.0)]

    theirs = solve_ivp(right, (0.0, 0.5), [1.0, 18.0], method="DOP853", rtol=1e-9, atol=1e-9, max_step=2e-4)
    at = round(0.5 / DT_S)
    assert ours.angle_deg[at] == pytest.approx(np.degrees(theirs.y[0, -1]), abs=0.005)
    assert ours.speed_deg_s[at] == pytest.approx(np.degrees(theirs.y[1, -1]), rel=1e-4)


@pytest.mark.parametrize("cylinders", CYLINDERS)
@pytest.mark.parametrize("rpm", [150.0, 280.0])
def test_cranking_reaches_wanted_speed_and_swing(cylinders: int, rpm: float) -> None:
    motion = turned(cylinders, mode="cranking", rpm=rpm, swing=0.35, seconds=4.0, wander=0.0)
    _, speed = by_angle(motion, 2.0)
    assert speed.mean() / 6 == pytest.approx(rpm, rel=0.03)
    assert np.ptp(speed) / speed.mean() == pytest.approx(0.35, abs=0.03)


@pytest.mark.parametrize("cylinders", CYLINDERS)
def test_cranking_ripple_has_one_wave_for_each_compression(cylinders: int) -> None:
    _, speed = by_angle(turned(cylinders, mode="cranking", seconds=6.0), 2.0)
    power = np.abs(np.fft.rfft(speed - speed.mean()))
    per_cycle = np.arange(len(power)) / (len(speed) * 2.0 / 720.0)
    assert per_cycle[power.argmax()] == pytest.approx(cylinders, abs=0.01)


@pytest.mark.parametrize("cylinders", [3, 4, 5])
def test_cranking_is_slowest_near_compression_top(cylinders: int) -> None:
    # Gas resists up to top and pushes after it, so the speed turns near there: mechanics, no source needed.
    angle, speed = by_angle(turned(cylinders, mode="cranking", seconds=5.0), 2.0)
    mean = speed[: len(speed) // 360 * 360].reshape(-1, 360).mean(axis=0)
    spacing = 720.0 / cylinders
    slowest = (angle[mean.argmin()] + spacing / 2) % spacing - spacing / 2
    assert -30.0 < slowest < 20.0


def test_rest_stands_still_until_the_starter_turns() -> None:
    motion = turned(6, mode="cranking", rest_s=0.5, seconds=2.0)
    until = round(0.5 / DT_S)
    assert np.ptp(motion.angle_deg[:until]) == 0.0
    assert motion.speed_deg_s[-1] > 600.0


def test_restart_stops_rocks_back_and_turns_again() -> None:
    motion = turned(4, mode="restart", seconds=8.0)
    speed = motion.speed_deg_s
    assert speed.min() < -10.0
    standing = (np.abs(speed) < 30.0) & (motion.times_s > 3.6)
    assert standing.any()
    assert speed[-1000:].mean() / 6 == pytest.approx(200.0, rel=0.1)


@pytest.mark.parametrize("cylinders", CYLINDERS)
def test_idle_holds_its_speed_with_a_ripple_of_some_percent(cylinders: int) -> None:
    _, speed = by_angle(turned(cylinders, mode="idle", seconds=5.0, wander=0.0), 2.0)
    assert speed.mean() / 6 == pytest.approx(700.0, rel=0.03)
    assert 0.01 < np.ptp(speed) / speed.mean() < 0.25


def test_start_catches_and_settles_and_snap_flares() -> None:
    start = turned(6, mode="start", seconds=10.0)
    assert start.speed_deg_s.max() / 6 > 900.0
    assert start.speed_deg_s[-4000:].mean() / 6 == pytest.approx(700.0, rel=0.1)
    snap = turned(6, mode="snap", seconds=8.0, peak_rpm=3500.0)
    assert 2500.0 < snap.speed_deg_s.max() / 6 < 4500.0


def test_weak_cylinder_gains_least_speed_after_its_own_top() -> None:
    weak = Fault(kind="weak", target="3", value=0.3)
    angle, speed = by_angle(turned(4, mode="idle", seconds=8.0, faults=(weak,), burn_scatter=0.02), 2.0)
    cycle = speed[: len(speed) // 360 * 360].reshape(-1, 360).mean(axis=0)
    place = np.arange(4) * 180.0
    start = np.searchsorted(angle[:360] - angle[0], place)
    gains = [cycle[(s + 50) % 360] - cycle[s] for s in start]
    assert int(np.argmin(gains)) == 2
    assert gains[2] < np.delete(gains, 2).min() - 30.0


def test_leaky_cylinder_slows_the_crank_least_while_cranking() -> None:
    leak = Fault(kind="leak", target="2", value=0.4)
    _, speed = by_angle(turned(4, mode="cranking", seconds=5.0, faults=(leak,), wander=0.0), 2.0)
    cycle = speed[: len(speed) // 360 * 360].reshape(-1, 360).mean(axis=0)
    dips = [cycle[(np.arange(-30, 20) + k * 90) % 360].min() for k in range(4)]
    assert int(np.argmax(dips)) == 1


def test_motion_same_seed_same_motion() -> None:
    a, b, c = (turned(6, seed=s, mode="idle", seconds=3.0) for s in (5, 5, 6))
    assert np.array_equal(a.angle_deg, b.angle_deg)
    assert not np.array_equal(a.angle_deg, c.angle_deg)
