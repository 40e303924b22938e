"""Compression and contribution against a cranking model of its own, the twin on few seeds, and what is left unsaid."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tightside.cylinders import torque
from tightside.cylinders.compression import compression_from_speed, cranking_cycles, relative_compression
from tightside.cylinders.contribution import contributions, running_cycles
from tightside.cylinders.findings import put_together
from tightside.cylinders.mechanism import TABLE_DEG, Cylinder
from tightside.cylinders.sealing import Limits
from tightside.diagnosis import CylinderPart, Diagnosis
from tightside.engine.slider_crank import CylinderGeometry, volume_cm3
from tightside.records import AngleTrace, CrankClock
from tightside.report.cylinders import cranking_cautions, cylinder_text, may_have_met, render_cylinders

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

GEOMETRY = CylinderGeometry(92.0, 84.0, 145.0, 0.0, 10.0)


def cylinders(count: int) -> tuple[Cylinder, ...]:
    volume = volume_cm3(TABLE_DEG, GEOMETRY) * 1e-6
    return tuple(
        Cylinder(number=k + 1, top_deg=k * 720.0 / count, bore_m=0.092, stroke_m=0.084, volume_m3=volume)
        for k in range(count)
    )


def polytropic_torque(theta_deg: np.ndarray, share: float) -> np.ndarray:
    """Torque of one compression by p V^n, exponents 1.32 up and 1.42 down: not the package's gas."""
    theta = (theta_deg + 360.0) % 720.0 - 360.0
    volume, bottom = volume_cm3(theta, GEOMETRY), volume_cm3(-125.0, GEOMETRY)
    top = volume_cm3(0.0, GEOMETRY)
    rise = 100.0 * (bottom / volume) ** 1.32
    fall = 100.0 * (bottom / top) ** 1.32 * (top / volume) ** 1.42
    gauge = np.where(theta < 0, rise, fall) - 100.0
    shut = (theta > -125.0) & (theta < 140.0)
    slope = (volume_cm3(theta + 0.05, GEOMETRY) - volume_cm3(theta - 0.05, GEOMETRY)) / np.radians(0.1)
    return share * np.where(shut, gauge, 0.0) * slope * 1e-3


def cranked(shares: list[float], seconds: float = 6.0, seed: int = 0) -> AngleTrace:
    """A starter with 0.02 ohm turns an inertia of 0.25 kg m^2 against the cylinders; current with noise."""
    rng = np.random.default_rng(seed)
    count, dt = len(shares), 5e-4
    grid = np.arange(0.0, 720.0, 1.0)
    load = sum(polytropic_torque(grid - k * 720.0 / count, s) for k, s in enumerate(shares))
    angle, omega = 30.0, 18.0
    rows = []
    grip = 0.5 * count / 6
    for i in range(int(seconds / dt)):
        current = max((12.4 - grip * omega - 0.012 * omega) / 0.021, 35.0)
        gas = float(np.asarray(load)[int(angle) % 720])
        omega += (grip * (current - 35.0) - 8.0 * count + gas) / 0.25 * dt
        omega = max(omega, 0.5)
        angle += np.degrees(omega) * dt
        rows.append((angle, current + 2.0 * rng.standard_normal(), np.degrees(omega), i * dt))
    angles, currents, speeds, times = np.array(rows).T
    return AngleTrace(
        column="clamp", role="starter_current", unit="A", step_deg=1.0, angle_deg=angles, values=currents,
        speed_deg_s=speeds, times_s=times, segment=np.zeros(len(rows), np.int64),
    )  # fmt: skip


@pytest.mark.parametrize("shares", [[1, 1, 0.8, 1], [1, 1, 1, 0.7, 1, 1], [1, 1, 1, 1, 1, 0.75, 1, 1]])
def test_short_cylinder_is_found_where_humps_overlap_too(shares: list[float]) -> None:
    trace = cranked(shares)
    cycles = cranking_cycles(trace, trace.values, {0: 0.0})
    assert cycles is not None
    found = relative_compression(cycles, cylinders(len(shares)))
    assert found.explained > 0.97
    assert found.relative == pytest.approx(np.array(shares, float), abs=0.035)
    assert np.all(found.sd < 0.03)


def test_like_cylinders_are_all_called_good() -> None:
    trace = cranked([1.0] * 6, seed=3)
    cycles = cranking_cycles(trace, trace.values, {0: 0.0})
    assert cycles is not None
    found = put_together(
        (1, 2, 3, 4, 5, 6), relative_compression(cycles, cylinders(6)), None, ("starter current", ""), "cam sensor"
    )
    assert {c.sealing for c in found.cylinders} == {"good"}
    assert found.spread is not None and found.spread < 0.03


def test_speed_alone_finds_the_same_short_cylinder() -> None:
    trace = cranked([1, 1, 1, 0.7, 1, 1], seed=4)
    cycles = cranking_cycles(trace, np.zeros(len(trace.values)), {0: 0.0})
    assert cycles is not None
    found = compression_from_speed(cycles, cylinders(6))
    assert int(np.argmin(found.relative)) == 3
    assert found.relative[3] == pytest.approx(0.7, abs=0.06)


def test_without_sync_only_the_order_is_given() -> None:
    trace = cranked([1, 1, 0.7, 1])
    cycles = cranking_cycles(trace, trace.values, {0: 0.0})
    assert cycles is not None
    found = put_together((1, 3, 4, 2), relative_compression(cycles, cylinders(4)), None, ("starter current", ""), "")
    assert [c.cylinder for c in found.cylinders] == [None] * 4
    assert [c.sealing for c in found.cylinders].count("poor") + [c.sealing for c in found.cylinders].count(
        "suspect"
    ) == 1
    told = Diagnosis(cylinders=tuple(CylinderPart.of(c) for c in found.cylinders))
    text = " ".join(line for _, line in cylinder_text(told, found))
    assert "place 3 of the firing order" in text and "cylinder 4" not in text


def test_signal_that_compression_does_not_explain_gives_no_value() -> None:
    trace = cranked([1.0] * 4)
    rng = np.random.default_rng(1)
    noise = replace(trace, values=150.0 + 40.0 * rng.standard_normal(len(trace.values)).cumsum() / 50.0)
    cycles = cranking_cycles(noise, noise.values, {0: 0.0})
    if cycles is not None:
        found = put_together(
            (1, 3, 4, 2), relative_compression(cycles, cylinders(4)), None, ("starter current", ""), "cam sensor"
        )
        assert all(c.relative_compression is None and c.sealing == "unknown" for c in found.cylinders)


def test_limits_can_be_moved_and_wide_intervals_say_nothing() -> None:
    assert Limits().judge(0.80, 0.01) == "suspect"
    assert Limits(suspect=0.75, poor=0.6).judge(0.80, 0.01) == "good"
    assert Limits().judge(0.60, 0.02) == "poor"
    assert Limits().judge(0.60, 0.2) == "unknown"
    assert Limits().judge(0.87, 0.02) == "good"  # not surely below


# ------------------------------------------------------------------------------------------------------- contribution


def idled(works: list[float], error_deg: float = 0.0, snap: bool = False, seed: int = 0) -> CrankClock:
    """Burns as sines of energy after each top, constant load; a wheel of 60 teeth off by ``error_deg`` once a turn."""
    rng = np.random.default_rng(seed)
    count = len(works)
    angles = np.arange(0.0, 720.0 * 60, 6.0)
    rest = np.zeros(len(angles))
    for k, share in enumerate(works):
        after = (angles - k * 720.0 / count) % 720.0
        rest += share * np.where(after < 130.0, np.sin(np.pi * after / 130.0) ** 2, 0.0) * 130.0 / 65.0
        rest -= 0.45 * np.where(after > 620.0, np.sin(np.pi * (after - 620.0) / 100.0), 0.0)
        rest += 0.45 * np.where(after < 100.0, np.sin(np.pi * after / 100.0), 0.0)
    mean = rest.mean()
    level = np.where((angles > 720 * 30) & (angles < 720 * 50), 8.0, 1.0) if snap else np.ones(len(angles))
    burned = 1.0 + 0.03 * rng.standard_normal(len(angles))
    energy = 2700.0 * level + np.cumsum((rest - mean) * burned) * 6.0 * 2.2
    energy -= np.polyval(np.polyfit(angles, energy - 2700.0 * level, 1), angles)
    seen = angles + error_deg * np.sin(np.radians(angles))
    # the sensor sees tooth k when the crank is where the tooth really is
    speed = np.degrees(np.sqrt(2.0 * np.interp(seen, angles, energy)))
    times = np.concatenate(([0.0], np.cumsum(np.diff(seen) / (0.5 * (speed[1:] + speed[:-1])))))
    return CrankClock(times_s=times, angle_deg=angles, speed_deg_s=speed, segment=np.zeros(len(angles), np.int64))


@pytest.mark.parametrize("works", [[1, 1, 0.5, 1], [1, 0.6, 1, 1, 0.3, 1], [1, 1, 1, 0.5, 1, 1, 1, 1]])
def test_weak_cylinders_come_out_in_their_order(works: list[float]) -> None:
    cycles = running_cycles(idled(works), {0: 0.0})
    assert cycles is not None
    found = contributions(cycles, cylinders(len(works)))
    assert found is not None
    weak = sorted((w, k) for k, w in enumerate(works) if w < 1)
    assert [int(k) for k in np.argsort(found.share)[: len(weak)]] == [k for _, k in weak]
    assert np.sort(found.share)[len(works) // 2 :].mean() == pytest.approx(1.0)


def test_wheel_error_is_learned_from_fast_turns_and_taken_out() -> None:
    plain, snapped = (idled([1.0] * 6, error_deg=0.6, snap=s) for s in (False, True))
    spreads = []
    for clock in (plain, snapped):
        cycles = running_cycles(clock, {0: 0.0})
        assert cycles is not None
        found = contributions(cycles, cylinders(6))
        assert found is not None
        spreads.append(float(np.ptp(found.share)))
    assert found.wheel_learned
    assert spreads[1] < 0.6 * spreads[0]


def test_too_short_idling_gives_no_contribution() -> None:
    clock = idled([1.0] * 4)
    few = clock.angle_deg < 720.0 * 4
    short = replace(
        clock,
        times_s=clock.times_s[few],
        angle_deg=clock.angle_deg[few],
        speed_deg_s=clock.speed_deg_s[few],
        segment=clock.segment[few],
    )
    assert running_cycles(short, {0: 0.0}) is None


def test_burning_torque_gives_the_work_it_is_scaled_to() -> None:
    one = cylinders(1)[0]
    assert float(torque.burning_torque(one).sum()) * np.radians(0.5) == pytest.approx(1.0)
    assert float(torque.moving_mass_torque(one)[:-1].sum()) == pytest.approx(0.0, abs=1e-4)


# ------------------------------------------------------------------------------------------ from recording to words


def test_pipeline_names_the_leaking_cylinder_of_few_blind_seeds() -> None:
    from cylinders import leak_case  # the long table's own cases

    cases = [leak_case(seed) for seed in (8301,)]
    assert all(c["given"] for c in cases)
    assert not any(c["wrong"] for c in cases)
    assert max(c["error"] for c in cases) < 0.03


def test_pictures_and_cautions_follow_what_is_there() -> None:
    trace = cranked([1, 1, 0.6, 1])
    cycles = cranking_cycles(trace, trace.values, {0: 0.0})
    assert cycles is not None
    found = put_together(
        (1, 3, 4, 2), relative_compression(cycles, cylinders(4)), None, ("starter current", ""), "ignition"
    )
    told = Diagnosis(cylinders=tuple(CylinderPart.of(c) for c in found.cylinders))
    svg = str(render_cylinders(found))
    assert svg.count("pillar") == 4 and "cyl. 4" in svg and "poor" in svg
    assert str(render_cylinders(None)) == ""
    assert any("turn the crank two turns by hand" in c for c in cranking_cautions(told))
    assert cranking_cautions(Diagnosis()) == ()
    assert not may_have_met(told)
