"""What channels measure whose headings do not say so, and headings that are wrong.

Signals are made by formulas of our own on a simulated engine's motion (``role_signals.py``); crank and cams without
headings come from the generator in ``outside``; real recordings are tried where they are present.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from outside.generator import draw_case
from role_signals import V6, Bench
from tightside.engine.load import read_engine
from tightside.engine.patterns import cam_patterns, wheel_pattern
from tightside.pipeline import describe
from tightside.recordings import read_recording
from tightside.records import Channel, Recording
from tightside.signals.cycle_shape import BINS, swings_per_cycle
from tightside.signals.decode import Decoded
from tightside.signals.other_roles import decode_all

FOLDER = Path(os.environ.get("TIGHTSIDE_RECORDINGS") or Path(__file__).parents[2] / "shared" / "recordings")
SEEDS = {"cranking": 701, "start": 702, "idle": 703}
SECONDS = {"cranking": 3.5, "start": 4.0, "idle": 2.0}
Found = dict[str, Channel]


@pytest.fixture(scope="module")
def cranking() -> Bench:
    return Bench("cranking", 711, seconds=3.5)


@pytest.fixture(scope="module", params=SEEDS)
def mode(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def bench(mode: str) -> Bench:
    return Bench(mode, SEEDS[mode], seconds=SECONDS[mode])


@pytest.fixture(scope="module")
def found(bench: Bench, mode: str) -> Found:
    """What is made of channels in their own units, without headings and without an engine."""
    burns = 0.8 if mode == "idle" else 0.0
    made = {
        "pressure": bench.channel("pressure", bench.pressure(3, burns=burns), "kPa"),
        "current": bench.channel("current", bench.current(), "A"),
        "battery": bench.channel("battery", bench.battery()),
        "manifold": bench.channel("manifold", bench.manifold(), "kPa"),
        "coil": bench.channel("coil", bench.coil(2)),
        "injector": bench.channel("injector", bench.injector(4)),
        "dead": bench.channel("dead", np.full(len(bench.t), 12.1)),
        "noise": bench.channel("noise", bench.rng.normal(2.5, 0.5, len(bench.t))),
    }
    return seen(bench, made)


@pytest.fixture(scope="module")
def found_volts(bench: Bench) -> Found:
    """The same signals as volts of a sensor."""
    made = {
        "pressure": bench.channel("pressure", 0.001 * bench.pressure(2) - 0.05),
        "current": bench.channel("current", 0.01 * bench.current()),
        "manifold": bench.channel("manifold", 0.04 * bench.manifold()),
    }
    return seen(bench, made)


@pytest.fixture(scope="module")
def found_known(bench: Bench) -> Found:
    """With an engine file."""
    engine = read_engine(V6)
    made = {
        "first": bench.channel("first", bench.pressure(1), "kPa"),
        "third": bench.channel("third", bench.pressure(3), "kPa"),
        "coil": bench.channel("coil", bench.coil(2)),
    }
    tops = {n: engine.firing_angle_deg(n) for n in engine.firing_order}
    return seen(bench, made, wheel=wheel_pattern(engine), tops_deg=tops)


def seen(bench: Bench, made: Found, **how: object) -> Found:
    decoded = decode_all(bench.recording(*made.values()), **how)  # type: ignore[arg-type]
    return {name: named(decoded, channel.column) for name, channel in made.items()}


def named(decoded: Decoded, column: str) -> Channel:
    return next(c for c in decoded.recording.channels if c.column == column)


def test_cylinder_pressure_is_told_by_its_one_smooth_rise(found: Found, found_volts: Found) -> None:
    for channel in (found["pressure"], found_volts["pressure"]):
        assert channel.role == "cylinder_pressure:1"
        assert "one smooth rise in each two turns" in channel.why and "taken as cylinder 1" in channel.why


def test_what_a_known_engine_leaves_open_is_named(found_known: Found) -> None:
    # the crank alone does not tell the two turns of a cycle apart
    assert all(channel.role is None for channel in found_known.values())
    assert "cylinder 1 or 4" in found_known["first"].why
    assert "cylinder 3 or 6" in found_known["third"].why
    assert "cylinder 2 or 5" in found_known["coil"].why


def test_starter_current_and_battery_voltage_are_told_while_the_starter_pulls(
    found: Found, found_volts: Found, mode: str
) -> None:
    if mode == "idle":
        assert found["current"].role is found_volts["current"].role is found["battery"].role is None
        return
    assert (found["current"].role, found["battery"].role) == ("starter_current", "battery_voltage")
    assert found_volts["current"].role == "starter_current"
    assert "highest where the crank is slowest" in found["current"].why
    assert "nothing before the crank turns" in found_volts["current"].why
    assert "sinks from 12.6 V" in found["battery"].why


def test_manifold_pressure_is_told_in_its_unit_or_by_how_it_sinks(found: Found, found_volts: Found, mode: str) -> None:
    assert found["manifold"].role == "manifold_pressure"
    assert found_volts["manifold"].role == ("manifold_pressure" if mode == "start" else None)


def test_coil_and_injector_are_told_by_pulses_that_last_a_time(found: Found, mode: str) -> None:
    assert found["coil"].role is found["injector"].role is None  # of which cylinder, no signal says
    assert "what fires or injects" in found["coil"].why and "looks like sync" in found["coil"].why
    assert ("what fires or injects" in found["injector"].why) == (mode == "start")  # speed must change


def test_dead_and_noisy_channels_get_no_role(found: Found) -> None:
    assert [(found[name].role, found[name].why) for name in ("dead", "noise")] == [(None, ""), (None, "")]


def test_cylinder_pressure_of_a_known_top_takes_its_cylinder(cranking: Bench) -> None:
    tops = {1: cranking.top_deg(1), 2: cranking.top_deg(2)}  # as on two cylinders: 120 degrees apart
    made = {"X": cranking.channel("X", cranking.pressure(2), "kPa")}
    found = seen(cranking, made, wheel=cranking.subject.wheel, tops_deg=tops)["X"]
    assert found.role == "cylinder_pressure:2"
    assert "at the top of cylinder 2" in found.why


def test_several_pressures_without_an_engine_are_not_numbered(cranking: Bench) -> None:
    made = {f"X{n}": cranking.channel(f"X{n}", cranking.pressure(n), "kPa") for n in (1, 2)}
    for channel in seen(cranking, made).values():
        assert channel.role is None
        assert "of which cylinder is not known" in channel.why


def test_what_is_something_else_is_no_cam(cranking: Bench) -> None:
    made = (cranking.channel("X1", cranking.pressure(1), "kPa"), cranking.channel("X2", cranking.coil(2)))
    decoded = decode_all(cranking.recording(*made))
    assert {c.column for c in decoded.cams} == {"D1", "D2", "D3", "D4"}


# ---------------------------------------------------------------------------------------------- headings that are wrong


def test_coil_headed_crank_and_crank_headed_coil_are_both_doubted(cranking: Bench) -> None:
    crank, *cams = cranking.sensors.channels
    coil = cranking.channel("crank", cranking.coil(1), role="crank")
    swapped = Recording("made.csv", "sensor", (coil, replace(crank, column="coil 1", role="sync:1"), *cams))
    for wheel in (None, cranking.subject.wheel):
        decoded = decode_all(swapped, wheel)
        assert decoded.crank_column == "coil 1"
        assert decoded.wheel is not None and decoded.wheel.name == "60-2"
        assert named(decoded, "crank").role is None and "doubtful" in named(decoded, "crank").why
        assert any("headed crank" in note for note in decoded.notes)


@pytest.mark.parametrize(("headed", "truth"), [
    ("cylinder_pressure:1", "current"), ("starter_current", "pressure"), ("battery_voltage", "pressure"),
    ("manifold_pressure", "coil"), ("cylinder_pressure:1", "battery"), ("sync:1", "pressure"),
])  # fmt: skip
def test_heading_that_the_signal_contradicts_is_doubted(cranking: Bench, headed: str, truth: str) -> None:
    made = {
        "current": cranking.current(), "pressure": cranking.pressure(1), "battery": cranking.battery(),
        "coil": cranking.coil(1),
    }  # fmt: skip
    channel = cranking.channel("X", made[truth], {"current": "A", "pressure": "kPa"}.get(truth, "V"), role=headed)
    decoded = decode_all(cranking.recording(channel, headed=True))
    assert named(decoded, "X").role is None
    assert f"headed {headed}, but doubtful" in named(decoded, "X").why
    assert any("doubtful" in note for note in decoded.notes)
    by_hand = decode_all(cranking.recording(replace(channel, by_hand=True), headed=True))
    assert named(by_hand, "X").role == headed  # never overruled
    assert "said by hand, but doubtful" in named(by_hand, "X").why


def test_heading_that_the_signal_bears_out_is_kept(cranking: Bench) -> None:
    made = (
        cranking.channel("A", cranking.current(), "A", role="starter_current"),
        cranking.channel("B", cranking.battery(), role="battery_voltage"),
        cranking.channel("C", cranking.pressure(4), "kPa", role="cylinder_pressure:4"),
        cranking.channel("D", cranking.coil(1), role="sync:1"),
        cranking.channel("E", cranking.manifold(), "kPa", role="manifold_pressure"),
    )
    decoded = decode_all(cranking.recording(*made, headed=True))
    assert [named(decoded, c.column).role for c in made] == [c.role for c in made]
    assert not any("doubtful" in note for note in decoded.notes)


# -------------------------------------------------------------------------------------------------- nothing else


@pytest.mark.parametrize("seed", range(880, 886))
def test_crank_and_cams_without_headings_are_taken_for_nothing_else(seed: int, tmp_path: Path) -> None:
    recording = read_recording(draw_case(seed).write(tmp_path / "case.csv"))
    bare = replace(recording, channels=tuple(replace(c, role=None, why="") for c in recording.channels))
    found = decode_all(bare).recording.channels
    assert [(c.column, c.role) for c in found if c.role not in (None, "crank") or "looks like" in c.why] == []


def test_cams_of_an_engine_file_are_named_by_their_edges(cranking: Bench, tmp_path: Path) -> None:
    from tightside.twin.table import write_csv

    bare = cranking.recording()
    path = tmp_path / "bare.csv"
    with path.open("wb") as out:
        write_csv(bare, out)
    found = describe([path], engine=read_engine(V6)).recordings[0].channels
    truth = [c.role for c in cranking.sensors.channels]
    assert [c.role for c in found] == truth
    assert all("its edges fit" in c.why for c in found if c.role != "crank")
    assert len(cam_patterns(read_engine(V6))) == len(truth) - 1


@pytest.mark.recordings
@pytest.mark.parametrize("name", ["pressure-a.txt", "pressure-b.txt"])
def test_real_pressure_is_told_from_its_shape(name: str) -> None:
    path = FOLDER / name
    if not path.is_file():
        pytest.skip(f"no real recording {name}")
    decoded = decode_all(read_recording(path))
    assert decoded.crank_column == "column 2"
    assert named(decoded, "column 3").role == "cylinder_pressure:1"
    assert decoded.cams == ()


@pytest.mark.recordings
@pytest.mark.parametrize("name", ["real-a.csv", "real-b.csv", "real-c.csv", "real-d.csv", "real-e.csv", "real-f.csv"])
def test_real_crank_and_cam_signals_are_taken_for_nothing_else(name: str) -> None:
    path = FOLDER / name
    if not path.is_file():
        pytest.skip(f"no real recording {name}")
    found = decode_all(read_recording(path)).recording.channels
    assert all(c.role in (None, "crank") and "looks like" not in c.why for c in found)


@pytest.mark.parametrize("count", [1, 3, 4, 6, 8])
def test_swings_per_cycle_are_counted(count: int) -> None:
    at = np.linspace(0.0, 2 * np.pi, BINS, endpoint=False)
    assert swings_per_cycle(np.abs(np.sin(count * at / 2)) + 3.0)[0] == count
