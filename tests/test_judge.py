"""From measured cycles to the verdict: steady, erratic, moving, lost, too little, and what is called."""

from __future__ import annotations

import numpy as np
import pytest

from cam_signals import PITCH_DEG, autoregressive, cycles_of, pattern_of
from tightside.timing.judge import CamEvidence, is_cranking, is_erratic, is_moving, judge_cams

CYCLES = 60
SEEDS = range(12)


def steady(at_deg=0.0, cycles=CYCLES, seed=0, sd_deg=0.15):
    """A sound drive: small, lingering scatter."""
    return at_deg + autoregressive(np.random.default_rng([seed, 31]), cycles, 0.3, sd_deg)


def wandering(seed, sd_deg=4.0, cycles=CYCLES):
    """A phaser that nothing holds: Ornstein-Uhlenbeck, a time constant of some three cycles."""
    return autoregressive(np.random.default_rng([seed, 32]), cycles, 0.7, sd_deg)


def telegraph(seed, reach_deg=5.0, cycles=CYCLES):
    """From stop to stop at random, in a quarter of the cycles."""
    rng = np.random.default_rng([seed, 33])
    side = np.cumprod(np.where(rng.random(cycles) < 0.25, -1.0, 1.0))
    return reach_deg * side + 0.1 * rng.standard_normal(cycles)


def limit_cycle(seed, reach_deg=5.0, cycles=CYCLES):
    """To and fro with a period of some nine cycles."""
    rng = np.random.default_rng([seed, 34])
    return reach_deg * np.sin(2 * np.pi * np.arange(cycles) / rng.uniform(6, 12) + rng.uniform(0, 6.3))


def evidence(offset_deg, cam="1A", *, signal="", clock_error_deg=0.0, watched=None, seen=1.0, **more):
    pattern = more.pop("pattern", None) or pattern_of(cam)
    offsets = cycles_of(offset_deg, pattern, seen=seen, **more)
    return CamEvidence(pattern, offsets, signal, clock_error_deg, float(watched or len(offset_deg)))


def verdict(offset_deg, **more):
    return judge_cams((evidence(offset_deg, **more),), 360.0)[0]


def four(**offsets):
    return judge_cams(
        tuple(evidence(offsets.get(f"c{c}", steady(seed=i)), c) for i, c in enumerate(("1A", "1B", "2A", "2B"))), 360.0
    )


# --------------------------------------------------------------------------------------------------- steady, erratic


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("motion", [wandering, telegraph, limit_cycle], ids=lambda f: f.__name__)
def test_cam_that_does_not_hold_its_place_is_erratic(motion, seed):
    found = verdict(motion(seed))
    assert found.state == "erratic"
    assert found.teeth_call is None


@pytest.mark.parametrize("seed", SEEDS)
def test_offset_of_a_cam_that_goes_to_and_fro_is_the_mean_over_all_its_cycles(seed):
    # not the stop at which it happens to stand more often
    x = telegraph(seed)
    found = verdict(x)
    assert found.offset_deg == pytest.approx(x.mean(), abs=1e-6)
    assert found.ci95_deg[0] <= x.mean() <= found.ci95_deg[1]
    assert found.ci95_deg[1] - found.ci95_deg[0] > 1.0


# ORIGIN: common practice, no source: a steady offset is mechanical, an erratic one is the phaser.
@pytest.mark.parametrize("seed", SEEDS)
def test_steady_offset_is_mechanical_and_erratic_one_is_the_phaser(seed):
    held, loose = verdict(steady(PITCH_DEG, seed=seed)), verdict(PITCH_DEG + wandering(seed))
    assert (held.state, held.teeth_call) == ("slipped", 1)
    assert (loose.state, loose.teeth_call) == ("erratic", None)
    assert loose.teeth == ()


@pytest.mark.parametrize("seed", range(40))
def test_sound_cam_is_never_called_erratic(seed):
    assert not is_erratic(steady(seed=seed, sd_deg=0.1 + 0.4 * (seed % 3) / 2))


def test_single_wild_cycles_do_not_make_a_cam_erratic():
    x = steady()
    x[[10, 40]] += (30.0, -25.0)
    assert verdict(x).state == "in time"


def test_cam_that_strays_now_and_then_is_erratic_though_steady_in_between():
    x = steady()
    x[::6] += 9.0
    assert verdict(x).state == "erratic"


def test_poor_clock_is_not_laid_to_the_cams_charge():
    x = steady(sd_deg=2.2)
    assert is_erratic(x)
    assert not is_erratic(x, clock_error_deg=1.0)


def test_erratic_cam_says_nothing_about_its_neighbours_teeth():
    found = four(c1A=wandering(3), c1B=steady(-PITCH_DEG))
    assert [c.state for c in found] == ["erratic", "slipped", "in time", "in time"]
    assert [c.teeth_call for c in found] == [None, -1, 0, 0]


# ----------------------------------------------------------------------------------------------------------- moving


def ramp(to_deg, cycles=CYCLES):
    """A phaser that is told to go, and goes: still, over in twenty cycles, still."""
    t = np.clip((np.arange(cycles) - 20) / 20.0, 0.0, 1.0)
    return to_deg * (3 * t**2 - 2 * t**3) + steady(cycles=cycles, sd_deg=0.1)


@pytest.mark.parametrize("to_deg", [-25.0, -12.0, 12.0, 25.0])
def test_cam_that_moves_smoothly_from_place_to_place_is_moving_not_erratic(to_deg):
    found = verdict(ramp(to_deg))
    assert found.state == "off, not by a whole tooth"
    assert found.teeth_call is None
    assert "phaser" in found.notes[-1]


@pytest.mark.parametrize("motion", [wandering, telegraph], ids=lambda f: f.__name__)
def test_random_motion_is_not_taken_for_a_command(motion):
    assert sum(is_moving(motion(seed)) for seed in SEEDS) == 0


# --------------------------------------------------------------------------------------------------- lost, too little


def test_signal_with_trouble_is_no_signal():
    found = verdict(steady(), signal='"cam" is flat')
    assert (found.state, found.teeth_call, found.offset_deg) == ("no signal", None, None)
    assert '"cam" is flat' in found.notes


def test_signal_seen_for_a_small_part_only_is_no_signal():
    assert verdict(steady(cycles=8), watched=60).state == "no signal"


@pytest.mark.parametrize("cycles", [0, 1])
def test_fewer_than_two_cycles_are_not_enough(cycles):
    found = verdict(steady(cycles=cycles), watched=cycles)
    assert found.state == "not enough data"
    assert (found.teeth_call, found.offset_deg, found.ci95_deg) == (None, None, None)
    assert f"{cycles} usable engine cycles" in found.notes[-1]


def test_two_cycles_are_judged_with_a_wide_interval():
    few, many = verdict(np.array([0.2, -0.1])), verdict(steady())
    assert few.cycles == 2
    assert few.ci95_deg[1] - few.ci95_deg[0] > 2 * (many.ci95_deg[1] - many.ci95_deg[0])


def test_channels_without_any_cam_give_no_verdicts():
    assert judge_cams((), 360.0) == ()


# ------------------------------------------------------------------------------------------------------------ calls


@pytest.mark.parametrize("teeth", [-3, -2, -1, 1, 2, 3])
def test_slip_among_four_cams_is_called_with_its_sign(teeth):
    found = four(c2B=steady(teeth * PITCH_DEG))
    assert [c.teeth_call for c in found] == [0, 0, 0, teeth]
    assert [c.state for c in found] == ["in time"] * 3 + ["slipped"]
    slipped = found[-1]
    assert slipped.ci95_deg[0] < teeth * PITCH_DEG < slipped.ci95_deg[1]
    assert dict(slipped.teeth)[teeth] >= 0.9
    assert sum(p for _, p in slipped.teeth) == pytest.approx(1.0, abs=1e-3)
    assert slipped.tooth_pitch_deg == pytest.approx(PITCH_DEG)
    assert slipped.teeth_stage == 1


# ORIGIN: common practice, no source: a healthy cam stays near zero.
@pytest.mark.parametrize("at_deg", [-1.5, 0.0, 2.0])
def test_cam_near_zero_is_in_time(at_deg):
    found = verdict(steady(at_deg))
    assert (found.state, found.teeth_call) == ("in time", 0)


def test_cam_half_way_between_teeth_is_off_but_not_called():
    found = four(c1A=steady(-9.0))[0]
    assert (found.state, found.teeth_call) == ("off, not by a whole tooth", None)


def test_all_cams_off_by_a_tooth_are_not_called_and_the_reference_is_named():
    found = four(**{f"c{c}": steady(PITCH_DEG, seed=i) for i, c in enumerate(("1A", "1B", "2A", "2B"))})
    for cam in found:
        assert cam.teeth_call is None
        assert cam.state != "slipped"
        assert "crank reference" in cam.notes[-1]


def test_all_cams_off_alike_by_no_tooth_name_the_reference():
    found = four(**{f"c{c}": steady(10.0, seed=i) for i, c in enumerate(("1A", "1B", "2A", "2B"))})
    for cam in found:
        assert cam.state == "off, not by a whole tooth"
        assert cam.teeth_call in (0, None)
        assert any("crank reference" in note for note in cam.notes)


def test_drive_that_is_not_known_gives_the_offset_and_no_teeth():
    found = verdict(steady(PITCH_DEG), pattern=pattern_of(stages=()))
    assert found.state == "off, not by a whole tooth"
    assert (found.teeth, found.teeth_call, found.tooth_pitch_deg) == ((), None, None)
    assert found.offset_deg == pytest.approx(PITCH_DEG, abs=0.1)


# ------------------------------------------------------------------------------------------------------------- drift


def test_drift_with_speed_and_time_is_measured():
    rng = np.random.default_rng(7)
    rpm = rng.uniform(700.0, 3200.0, CYCLES)
    by_speed = verdict(0.4 * rpm / 1000.0 + 0.02 * rng.standard_normal(CYCLES), rpm=rpm)
    assert by_speed.drift_deg_per_krpm == pytest.approx(0.4, abs=0.03)
    seconds = np.cumsum(np.full(CYCLES, 120.0 / 700.0))
    by_time = verdict(0.08 * seconds + 0.02 * rng.standard_normal(CYCLES))
    assert by_time.drift_deg_per_s == pytest.approx(0.08, abs=0.005)


def test_drift_that_does_not_stand_out_is_not_claimed():
    claimed = [verdict(autoregressive(np.random.default_rng(s), CYCLES, 0.0, 0.2)).drift_deg_per_s for s in range(40)]
    assert sum(d is not None for d in claimed) <= 2


def test_drift_of_an_erratic_cam_is_not_given():
    assert verdict(wandering(1)).drift_deg_per_s is None


@pytest.mark.parametrize(("rpm", "cranking"), [(180.0, True), (320.0, True), (650.0, False)])
def test_starter_speed_is_told_from_idle(rpm, cranking):
    assert is_cranking(cycles_of(steady(), rpm=rpm)) is cranking
