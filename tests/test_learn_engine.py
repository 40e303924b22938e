"""A learned engine file, from recording to verdict: what it holds, what it refuses, what it is good for."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from conftest import recordings_folder
from test_banks import recorded
from tightside import pipeline
from tightside.cli.main import run
from tightside.engine.contacts import clearances_of
from tightside.engine.facts import oddities_of
from tightside.engine.learned import engine_as_yaml, wheel_from
from tightside.engine.load import engine_from_text, read_engine
from tightside.engine.patterns import cam_patterns, wheel_pattern
from tightside.errors import DataError, UsageError
from tightside.learning import LearnedEngine, add_to_learned, learn_engine, pooled_alone
from tightside.records import WheelPattern
from tightside.twin.table import write_csv

V6 = read_engine("demo-v6")


@pytest.fixture(scope="module")
def learned() -> LearnedEngine:
    return learn_engine(recorded(V6, seed=1, seconds=6.0), name="Shop V6", cam_teeth=42)


@pytest.fixture(scope="module")
def slipped_csv(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("slipped") / "slipped.csv"
    write_csv(recorded(V6, "slip:2A=+1", seed=9), str(path))
    return path


def gaps(angles: np.ndarray) -> np.ndarray:
    return np.diff(np.append(angles, angles[0] + 720.0))


def test_learned_file_reads_back_and_holds_the_engines_own_edges(learned):
    read = engine_from_text(engine_as_yaml(learned.engine))
    assert read == learned.engine
    assert wheel_pattern(read).name == "60-2"
    # a cam's own swing at each firing (0.2 degrees in this simulation) is part of where its edges stand
    for found, true in zip(cam_patterns(read), cam_patterns(V6), strict=True):
        k = int(np.argmin([np.abs(np.roll(gaps(found.edges_deg), i) - gaps(true.edges_deg)).max() for i in range(8)]))
        assert np.roll(gaps(found.edges_deg), k) == pytest.approx(gaps(true.edges_deg), abs=0.5)
        assert 0.0 < found.edge_sd_deg < 0.2


def test_learned_file_says_what_it_does_not_know(learned):
    text = engine_as_yaml(learned.engine)
    assert "position_0_known: false" in text
    assert "geometry" not in text and "works" not in text and "firing_order" not in text
    told = " ".join(oddities_of(learned.engine))
    assert "position_0_deg is a convention" in told
    assert "cylinders, geometry, valves" in told
    assert not wheel_pattern(learned.engine).position_known


def test_learned_file_gives_no_clearance_and_says_why(learned):
    with pytest.raises(DataError, match="neither top dead centre nor where valves open") as caught:
        clearances_of(learned.engine)
    assert "geometry" in caught.value.sentence() and "cams.1A.works" in caught.value.sentence()


@pytest.mark.parametrize(("fault", "cam", "teeth"), [("slip:2A=+1", "2A", 1), ("slip:1B=-2", "1B", -2)])
def test_diagnose_with_a_learned_file_calls_the_teeth(learned, fault, cam, teeth):
    wheel, patterns = wheel_pattern(learned.engine), cam_patterns(learned.engine)
    found = {c.cam: c for c in pipeline.diagnose_recording(recorded(V6, fault, seed=4), wheel, patterns).cams}
    assert found[cam].teeth_call == teeth
    low, high = found[cam].ci95_deg
    assert low < teeth * 720.0 / 42.0 < high
    assert {c.state for name, c in found.items() if name != cam} == {"in time"}
    assert found[cam].reference == "engine learned from 1 vehicle (Shop V6)"


def test_diagnose_intervals_hold_the_learned_spread(learned):
    wheel, patterns = wheel_pattern(learned.engine), cam_patterns(learned.engine)
    wide = tuple(replace(p, edge_sd_deg=1.0) for p in patterns)
    recording = recorded(V6, seed=4)
    widths = [np.diff(pipeline.diagnose_recording(recording, wheel, p).cams[0].ci95_deg)[0] for p in (patterns, wide)]
    assert widths[1] > 3.0 > 2.0 > widths[0]


@pytest.mark.parametrize(
    ("faults", "seconds", "words"),
    [(("loose:1A=8",), 8.0, "wanders"), (("moving:1A=25",), 10.0, "moved"), ((), 0.4, "least to learn from")],
)
def test_learn_refuses_what_is_not_in_order(faults, seconds, words):
    with pytest.raises(DataError, match=words) as caught:
        learn_engine(recorded(V6, *faults, seed=3, seconds=seconds), name="x")
    assert caught.value.code == "not-in-order"


def test_learn_of_few_cycles_says_so():
    found = learn_engine(recorded(V6, seed=3, seconds=1.2), name="x")
    assert any("only" in w and "engine cycles" in w for w in found.warnings)


def test_learn_of_cams_without_names_asks_for_them(learned):
    recording = recorded(V6)
    plain = tuple(replace(c, role=None, column=f"D{i}", why="") for i, c in enumerate(recording.channels))
    with pytest.raises(UsageError, match="--channel cam:1A="):
        learn_engine(replace(recording, channels=plain), name="x")


@pytest.mark.parametrize(
    "angles",
    [np.arange(58) * 6.0, np.array([0.0, 70.0, 180.0, 250.0]), np.arange(24) * 15.0, np.array([0.0, 10.0, 30.0])],
)
def test_wheel_from_any_angles_gives_them_back(angles):
    engine = read_engine("demo-v6")
    sensor = engine.crank_sensor.model_copy(update={"wheel": wheel_from(WheelPattern("", angles))})
    back = wheel_pattern(engine.model_copy(update={"crank_sensor": sensor}))
    assert back.angles_deg == pytest.approx(angles, abs=1e-8)


# ---------------------------------------------------------------------------------------------------- the library


def test_library_narrows_with_vehicles_and_counts_each_recording_once(learned):
    one = replace(learned, engine=with_sha(learned, "a"))
    engine = pooled_alone(one).engine
    first = cam_patterns(engine)[0].edge_sd_deg
    for seed, sha in ((21, "b"), (22, "c"), (22, "c")):
        new = learn_engine(recorded(V6, seed=seed), name="Shop V6", like=engine)
        engine = add_to_learned(engine, replace(new, engine=with_sha(new, sha))).engine
    assert engine.learned.vehicles == 3
    assert len(engine.learned.recordings) == 3
    assert cam_patterns(engine)[0].edge_sd_deg < 0.5 * first
    assert engine_from_text(engine_as_yaml(engine)) == engine
    assert cam_patterns(engine)[0].reference == "engine learned from 3 vehicles (Shop V6)"


def with_sha(learned: LearnedEngine, sha: str):
    known = learned.engine.learned
    recordings = tuple(r.model_copy(update={"sha256": sha}) for r in known.recordings)
    return learned.engine.model_copy(update={"learned": known.model_copy(update={"recordings": recordings})})


def test_library_refuses_a_slipped_engine_and_another_wheel(learned):
    known = pooled_alone(learned).engine
    with pytest.raises(DataError, match="within 6 degrees"):
        add_to_learned(known, learn_engine(recorded(V6, "slip:1A=+1", seed=5), name="x"))
    other = learn_engine(recorded(read_engine("demo-i4"), seed=5), name="x")
    with pytest.raises(DataError, match="not of the engine"):
        add_to_learned(known, other)


def test_learn_and_library_on_the_command_line(tmp_path, monkeypatch, capsys, slipped_csv):
    monkeypatch.setenv("TIGHTSIDE_DATA", str(tmp_path / "data"))
    good = tmp_path / "good.csv"
    write_csv(recorded(V6, seed=31), str(good))
    out = tmp_path / "engine.yaml"
    assert run(["learn", str(good), "--out", str(out), "--library", "Shop V6", "--cam-teeth", "42"]) == 0
    assert (tmp_path / "data" / "engines" / "shop-v6.yaml").is_file()
    capsys.readouterr()
    assert run(["learn", str(good), "--library", "Shop V6", "--json", "-"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["vehicles"] == 1 and "in the library already" in said["warnings"][-1]
    assert run(["engine", "check", "shop-v6"]) == 0
    assert "learned from" in capsys.readouterr().out
    assert run(["diagnose", str(slipped_csv), "--engine", "Shop V6", "--json", "-"]) == 0
    cams = {c["cam"]: c for c in json.loads(capsys.readouterr().out)["cams"]}
    assert cams["2A"]["teeth_call"] == 1
    assert run(["clearance", "--engine", "shop-v6"]) == 2
    assert run(["learn", str(slipped_csv), "--library", "Shop V6"]) == 2
    assert run(["learn", str(good)]) == 2
    assert run(["learn", str(good), "--library", "../evil"]) == 2


@pytest.mark.recordings
@pytest.mark.skipif(not recordings_folder().is_dir(), reason="no recordings")
def test_learn_of_a_recording_of_a_phaser_that_moves_is_refused():
    from tightside.recordings.registry import read_recording

    with pytest.raises(DataError, match=r"moved|wanders|do not repeat"):
        learn_engine(read_recording(recordings_folder() / "real-b.csv"), name="x")
