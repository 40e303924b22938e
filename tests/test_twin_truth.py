"""What the twin says was true: tooth jumps, faults, and that a plain decoder finds the same in a clean recording."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tightside.records import CamPattern, DriveStage, Levels, Recording, Trace, WheelPattern, same, tooth_pitch_deg
from tightside.twin.scene import Fault, Recorder, Running, Scenario, Sensor, Subject, Truth
from tightside.twin.simulate import simulate

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

from plain_script import judge_timing

EDGES = np.array([30.0, 62.0, 210.0, 260.0, 420.0, 500.0])
CLEAN = Scenario(
    recorder=Recorder(rate_hz=100e3, noise_v=0.005, bits=14),
    sensor=Sensor(jitter_deg=0.005),
    wobble_deg=0.1,
    cycle_sd_deg=0.02,
)


def cam(name: str, turn_deg: float = 0.0, stages: tuple[DriveStage, ...] = (DriveStage(21, 42),)) -> CamPattern:
    edges = (EDGES + turn_deg) % 720.0
    order = np.argsort(edges)
    return CamPattern(
        cam=name,
        edges_deg=edges[order],
        rising=np.array([1, 0] * 3, bool)[order],
        stages=stages,
        phaser_authority_deg=40.0,
    )


def subject(kind: str = "hall", **more: object) -> Subject:
    given = {
        "wheel": WheelPattern(
            name="60-2", angles_deg=np.arange(58) * 6.0, position_0_deg=84.0, active_edge="falling", kind=kind
        ),  # type: ignore[arg-type]
        "cams": (cam("1A"), cam("2A", 73.0)),
        "cam_kinds": (kind, "hall"),
        "firing_order": (1, 2, 3, 4, 5, 6),
        "firing_angles_deg": np.arange(6) * 120.0,
    }
    return Subject(**{**given, **more})  # type: ignore[arg-type]


def run(scenario: Scenario, seed: int = 0, kind: str = "hall", **more: object) -> tuple[Recording, Truth]:
    return simulate(subject(kind, **more), scenario, np.random.default_rng(seed))


# ---------------------------------------------------------------------------------------------------------- pitch


def test_pitch_single_stage_agrees_with_tooth_jump_table() -> None:
    # 720 over the cam's teeth, the arithmetic of a 2:1 drive: 38 teeth 18.947, 36 teeth 20.000 crank degrees.
    assert tooth_pitch_deg((DriveStage(19, 38),)) == pytest.approx(18.947, abs=1e-3)
    assert tooth_pitch_deg((DriveStage(18, 36),)) == pytest.approx(20.0, abs=1e-9)


def test_pitch_earlier_stage_is_geared_by_the_later_ones() -> None:
    # One tooth on the 32 turns the idler by 11.25 deg, the cam by 7.5, which is 15 crank degrees: counted by hand.
    stages = (DriveStage(24, 32), DriveStage(30, 45))
    assert tooth_pitch_deg(stages, 0) == pytest.approx(15.0)
    assert tooth_pitch_deg(stages, 1) == pytest.approx(16.0)
    assert tooth_pitch_deg(stages) == pytest.approx(16.0)


# --------------------------------------------------------------------------------------------------------- faults


@pytest.mark.parametrize("teeth", [-2, -1, 1, 3])
def test_slip_offset_is_whole_teeth(teeth: int) -> None:
    _, truth = run(replace(CLEAN, faults=(Fault(kind="slip", target="1A", value=teeth),)))
    assert truth.of("1A").teeth == teeth
    assert truth.of("1A").offset_deg == pytest.approx(teeth * 720 / 42, abs=0.15)
    assert truth.of("2A").offset_deg == pytest.approx(0.0, abs=0.15)


def test_wear_is_late_and_stuck_follows_the_phaser() -> None:
    faults = (Fault(kind="wear", target="2", value=3.0), Fault(kind="stuck", target="1A", value=20.0))
    _, truth = run(replace(CLEAN, faults=faults))
    assert truth.of("2A").offset_deg == pytest.approx(3.0, abs=0.15)
    assert truth.of("1A").offset_deg == pytest.approx(-20.0, abs=0.15)
    assert (truth.of("1A").teeth, truth.of("2A").teeth) == (0, 0)


@pytest.mark.parametrize("seed", range(4))
def test_loose_phaser_scatters_and_the_other_bank_does_not(seed: int) -> None:
    faults = (Fault(kind="loose", target="1A", value=8.0), Fault(kind="slip", target="2A", value=1))
    _, truth = run(replace(CLEAN, faults=faults), seed)
    assert truth.of("1A").erratic
    assert 1.5 < truth.of("1A").scatter_deg < 10.0
    assert not truth.of("2A").erratic
    assert truth.of("2A").scatter_deg < 0.2


def test_moving_phaser_stays_between_park_and_its_travel() -> None:
    _, truth = run(replace(CLEAN, faults=(Fault(kind="moving", target="1A", value=25.0),)))
    offsets = truth.of("1A").cycle_offset_deg
    assert -25.3 < offsets.min() < -4.0
    assert offsets.max() < 0.3
    assert not truth.of("1A").erratic


def test_lost_signal_is_silent_all_or_part_of_the_time() -> None:
    edges = replace(CLEAN, recorder=Recorder(kind="edges"))
    whole, truth = run(replace(edges, faults=(Fault(kind="lost", target="1A", value=1.0),)))
    silent = whole.with_role("cam:1A")
    assert silent is not None
    assert isinstance(silent.data, Levels)
    assert len(silent.data.times_s) == 0
    assert truth.of("1A").signal_share == 0.0
    _, part = run(replace(edges, faults=(Fault(kind="lost", target="1A", value=0.4),)))
    assert part.of("1A").signal_share == pytest.approx(0.6, abs=0.01)
    assert len(part.of("1A").cycle_times_s) < 0.75 * len(part.of("2A").cycle_times_s)


def test_crank_shift_moves_what_is_measured_and_not_the_cams() -> None:
    recording, truth = run(replace(CLEAN, faults=(Fault(kind="crank-shift", value=8.0),)))
    assert truth.crank_shift_deg == 8.0
    for seen in judged(recording):
        assert truth.of(seen.cam).offset_deg == pytest.approx(0.0, abs=0.15)
        assert seen.offset_deg == pytest.approx(-8.0, abs=0.15)


def test_zero_times_are_a_cycle_apart() -> None:
    _, truth = run(replace(CLEAN, running=Running(mode="steady", rpm=1200.0, wander=0.0, burn_scatter=0.0)))
    assert np.diff(truth.zero_times_s)[5:] == pytest.approx(0.1, rel=0.02)
    assert truth.cycles == len(truth.zero_times_s) - 1


# -------------------------------------------------------------------------------------------------- plain decoder


def judged(recording: Recording, kind: str = "hall") -> list:
    s = subject(kind)
    return judge_timing(recording, s.wheel, s.cams, {c.cam: s.kind_of(c.cam) for c in s.cams})


@pytest.mark.parametrize("mode", ["cranking", "idle", "snap", "start"])
@pytest.mark.parametrize("kind", ["edges", "sampled"])
def test_clean_recording_plain_decoder_finds_the_truth(mode: str, kind: str) -> None:
    scenario = replace(
        CLEAN,
        running=Running(mode=mode, seconds=8.0),  # type: ignore[arg-type]
        recorder=replace(CLEAN.recorder, kind=kind),  # type: ignore[arg-type]
        faults=(Fault(kind="slip", target="2A", value=-1),),
    )
    recording, truth = run(scenario)
    for seen in judged(recording):
        assert seen.offset_deg == pytest.approx(truth.of(seen.cam).offset_deg, abs=0.05)
        assert seen.teeth_call == truth.of(seen.cam).teeth


@pytest.mark.parametrize("mode", ["cranking", "idle"])
def test_clean_coil_recording_plain_decoder_finds_the_truth(mode: str) -> None:
    scenario = replace(CLEAN, running=Running(mode=mode, seconds=8.0))  # type: ignore[arg-type]
    recording, truth = run(scenario, kind="vr")
    for seen in judged(recording, "vr"):
        assert seen.offset_deg == pytest.approx(truth.of(seen.cam).offset_deg, abs=0.1)


def test_swapped_probe_mirrors_the_trace() -> None:
    quiet = replace(CLEAN, recorder=replace(CLEAN.recorder, noise_v=0.0))
    plain, _ = run(quiet)
    turned, _ = run(replace(quiet, sensors=(("cam:1A", replace(quiet.sensor, swapped=True)),)))
    a, b = plain.with_role("cam:1A"), turned.with_role("cam:1A")
    assert a is not None and b is not None
    assert isinstance(a.data, Trace) and isinstance(b.data, Trace)
    total = a.data.values() + b.data.values()
    assert np.abs(total - 5.2).max() < 0.003


def test_simulate_same_seed_same_recording() -> None:
    a, _ = run(CLEAN, 3)
    b, _ = run(CLEAN, 3)
    c, _ = run(CLEAN, 4)
    assert same(a, b)
    assert not same(a, c)
