"""The crank turned by real gas, the channels that come with it, and the match that finds its faults again."""

from __future__ import annotations

import numpy as np
import pytest

from tightside.cli.main import run
from tightside.cli.simulate import scenario_from, subject_of, with_real_gas
from tightside.engine.load import read_engine
from tightside.errors import DataError, UsageError
from tightside.matching import match_recording
from tightside.records import Recording, Trace
from tightside.twin.cranking import breathing_of, hole_from_share
from tightside.twin.cycle import Surroundings
from tightside.twin.motion import Motion, turn_engine
from tightside.twin.scene import Scenario, Subject
from tightside.twin.simulate import simulate

EVERYTHING = ("starter_current", "battery_voltage", "manifold_pressure", "cylinder_pressure:3")


def scene(
    *faults: str, engine: str = "demo-v6", mode: str = "cranking", seconds: float = 4.0, also: tuple[str, ...] = ()
) -> tuple[Subject, Scenario]:
    described = read_engine(engine)
    subject = subject_of(described)
    scenario = scenario_from(subject, list(faults), (mode, seconds, None), (False, 10e3, 0.02))
    return with_real_gas(described, subject, scenario, also)


def turned(*faults: str, seed: int = 0, **more: object) -> Motion:
    return turn_engine(*scene(*faults, **more), np.random.default_rng(seed))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def cranked() -> Motion:
    return turned()


def peaks(motion: Motion) -> dict[int, float]:
    assert motion.gas is not None
    late = motion.gas.pressure_kpa[len(motion.gas.pressure_kpa) // 2 :]
    return dict(zip(motion.gas.cylinders, late.max(axis=0), strict=True))


def test_cranking_settles_at_the_wanted_speed_with_a_ripple_from_each_cylinder(cranked: Motion) -> None:
    late = cranked.speed_deg_s[len(cranked.speed_deg_s) // 2 :] / 6
    assert late.mean() == pytest.approx(200.0, rel=0.03)
    assert 0.1 < np.ptp(late) / late.mean() < 1.0
    assert peaks(cranked) == pytest.approx(dict.fromkeys(range(1, 7), peaks(cranked)[1]), rel=0.02)


def test_battery_sags_by_the_current_and_the_starter_draws_most_at_rest(cranked: Motion) -> None:
    gas = cranked.gas
    assert gas is not None
    on = gas.current_a > 0
    assert (12.6 - gas.battery_v[on]) / gas.current_a[on] == pytest.approx(np.full(on.sum(), 0.011))
    assert gas.current_a.max() == pytest.approx(600.0, rel=0.01)  # 12.6 V over 21 milliohm, standing still
    assert 60.0 < gas.current_a[len(on) // 2 :].mean() < 300.0


def test_hole_and_bent_valve_lower_their_own_cylinder_only(cranked: Motion) -> None:
    sound = peaks(cranked)[1]
    for fault in ("hole:3=4", "bent-intake:3=4", "bent-exhaust:3=4"):
        found = peaks(turned(fault))
        assert found[3] < 0.6 * sound
        assert min(p for c, p in found.items() if c != 3) > 0.95 * sound


def test_slipped_bank_shows_in_its_cylinders(cranked: Motion) -> None:
    found = peaks(turned("slip:2A=1"))
    for late, sound in ((2, 1), (4, 3), (6, 5)):
        assert found[late] < 0.9 * found[sound]
    assert found[1] > 0.97 * peaks(cranked)[1]


def test_share_of_compression_and_hole_are_two_words_for_one_thing() -> None:
    breathing = breathing_of(scene()[0])
    areas = [hole_from_share(breathing, Surroundings(), share) for share in (0.9, 0.5, 0.2)]
    assert areas == sorted(areas) and 0.1 < areas[0] < areas[2] < 100.0
    assert peaks(turned("leak:5=0.5"))[5] == pytest.approx(0.55 * peaks(turned())[5], rel=0.1)


@pytest.mark.parametrize("mode", ["idle", "steady", "start"])
def test_fired_engine_holds_its_speed_on_a_drawn_down_manifold(mode: str) -> None:
    motion = turned(engine="demo-i4", mode=mode, seconds=6.0)
    late = slice(-20000, None)
    wanted = 1560.0 if mode == "steady" else 780.0
    assert motion.speed_deg_s[late].mean() / 6 == pytest.approx(wanted, rel=0.12)
    assert motion.gas is not None
    assert 15.0 < motion.gas.manifold_kpa[-5000:].mean() < 60.0
    assert motion.gas.battery_v[-1] == pytest.approx(14.2)
    assert np.isfinite(motion.angle_deg).all()


def test_same_seed_same_recording() -> None:
    one, two = (simulate(*scene(also=EVERYTHING, seconds=1.0), np.random.default_rng(3))[0] for _ in range(2))
    for a, b in zip(one.channels, two.channels, strict=True):
        assert isinstance(a.data, Trace) and isinstance(b.data, Trace)
        assert np.array_equal(a.data.raw, b.data.raw)


def channels(recording: Recording) -> dict[str, tuple[str, np.ndarray]]:
    return {c.column: (c.unit, c.data.values()) for c in recording.channels if isinstance(c.data, Trace)}


def test_channels_carry_their_units_and_the_gas_behind_them() -> None:
    subject, scenario = scene("hole:3=4", also=EVERYTHING, seconds=3.0)
    found = channels(simulate(subject, scenario, np.random.default_rng(0))[0])
    assert [found[c][0] for c in EVERYTHING] == ["A", "V", "kPa", "kPa"]
    assert all(len(v) == 30000 for _, v in found.values())
    assert found["cylinder_pressure:3"][1].max() < 1000.0
    assert found["battery_voltage"][1].min() < 9.0
    assert 95.0 < found["manifold_pressure"][1].mean() < 103.0


@pytest.mark.parametrize("role", ["oil_pressure", "cylinder_pressure:9", "cylinder_pressure"])
def test_channel_that_does_not_exist_is_refused(role: str) -> None:
    with pytest.raises(UsageError, match="cannot be recorded"):
        simulate(*scene(also=(role,), seconds=0.2), np.random.default_rng(0))


def test_edge_list_takes_no_pressure(capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--seconds", "0.2", "--edges", "--also", "starter_current", "--out", "-", "--mode", "cranking"]
    assert run(["simulate", "--engine", "demo-i4", *options]) == 2
    assert "Leave out --edges" in capsys.readouterr().err


@pytest.mark.slow
def test_match_names_the_leaking_cylinder_and_its_area() -> None:
    # Seed 77 is used nowhere else; benchmarks/fit_table.py has the long table, with what the match is not told varied.
    subject, scenario = scene(
        "slip:1A=1", "hole:3=3", engine="demo-i4", seconds=6.0, also=("starter_current", "battery_voltage")
    )
    recording, _ = simulate(subject, scenario, np.random.default_rng(77))
    found = match_recording(recording, read_engine("demo-i4"))
    assert found.leaking == 3
    leak = next(e for e in found.leaks if e.name == "3")
    assert leak.value == pytest.approx(3.0, rel=0.2)
    assert found.offsets[0].value == pytest.approx(18.0, abs=2.0)
    assert found.residuals[0][0] == "speed" and found.residuals[0][2] < 0.05
    assert found.seen_rpm.shape == found.made_rpm.shape


def test_match_without_a_known_top_is_refused_with_the_mend() -> None:
    engine = read_engine("demo-v6")
    sensor = engine.crank_sensor.model_copy(update={"position_0_known": False})
    with pytest.raises(DataError, match="position_0_deg"):
        match_recording(Recording("r.csv", "sensor", ()), engine.model_copy(update={"crank_sensor": sensor}))
