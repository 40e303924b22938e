"""``tightside simulate``: faults as text, tables that can be read again, one line when it does not fit."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tightside.cli.main import run
from tightside.cli.simulate import subject_of
from tightside.engine.load import read_engine
from tightside.errors import UsageError
from tightside.records import Levels, Trace
from tightside.twin.grammar import read_fault
from tightside.twin.scene import Fault, Recorder, Running, Scenario, Subject
from tightside.twin.simulate import simulate
from tightside.twin.table import write_csv

V6 = Path(__file__).parent.parent / "src" / "tightside" / "engine" / "shipped" / "demo-v6.yaml"


@pytest.fixture(scope="module")
def v6() -> Subject:
    return subject_of(read_engine(V6))


# -------------------------------------------------------------------------------------------------------- grammar


@pytest.mark.parametrize(
    ("text", "kind", "target", "value", "stage"),
    [
        ("slip:1A=+1", "slip", "1A", 1.0, None),
        ("slip:2/1=-2", "slip", "2", -2.0, 1),
        ("wear:2=3.0", "wear", "2", 3.0, None),
        ("loose:1a=6", "loose", "1A", 6.0, None),
        ("lost:2A", "lost", "2A", 1.0, None),
        ("lost:2A=0.4", "lost", "2A", 0.4, None),
        ("crank-shift=8", "crank-shift", "all", 8.0, None),
        ("weak:3=0.5", "weak", "3", 0.5, None),
        ("slip:all", "slip", "all", 1.0, None),
    ],
)
def test_fault_text_reads_as_meant(
    v6: Subject, text: str, kind: str, target: str, value: float, stage: int | None
) -> None:
    fault = read_fault(text, v6)
    assert (fault.kind, fault.target, fault.value, fault.stage) == (kind, target, value, stage)


@pytest.mark.parametrize(
    ("text", "expected", "got"),
    [
        ("slipped:1A=1", "one of slip", "slipped"),
        ("slip 1A 1", "one of slip", "slip 1A 1"),
        ("slip:3A=1", "1, 1A, 1B, 2, 2A, 2B", "3A"),
        ("slip:1A/2=1", "a stage from 1 to 1", "2"),
        ("weak:7=0.5", "a cylinder from 1 to 6", "7"),
        ("lost:1A=40", "a share from 0 to 1", "40"),
        ("wear:1A=3.0.1", "a number", "3.0.1"),
    ],
)
def test_fault_text_that_does_not_fit_says_what_would(v6: Subject, text: str, expected: str, got: str) -> None:
    with pytest.raises(UsageError) as caught:
        read_fault(text, v6)
    assert expected in caught.value.expected
    assert caught.value.got == got


def test_faults_hit_cam_bank_or_all() -> None:
    assert [Fault(kind="wear", target=t).hits("2A") for t in ("2A", "2", "all", "2B", "1")] == [True] * 3 + [False] * 2


# --------------------------------------------------------------------------------------------------------- tables


def test_sampled_table_read_again_gives_the_volts(v6: Subject, tmp_path: Path) -> None:
    scenario = Scenario(running=Running(seconds=0.2), recorder=Recorder(rate_hz=20e3))
    recording, _ = simulate(v6, scenario, np.random.default_rng(0))
    write_csv(recording, str(tmp_path / "a.csv"))
    table = pl.read_csv(tmp_path / "a.csv")
    assert table.columns == ["Time [s]", "crank [V]", "cam:1A [V]", "cam:1B [V]", "cam:2A [V]", "cam:2B [V]"]
    assert table["Time [s]"].to_numpy() == pytest.approx(np.arange(4000) / 20e3, abs=1e-9)
    for channel in recording.channels:
        assert isinstance(channel.data, Trace)
        assert table[f"{channel.column} [V]"].to_numpy() == pytest.approx(channel.data.values(), abs=6e-5)
    assert "e" not in (tmp_path / "a.csv").read_text().split("\n", 1)[1]


def test_edge_table_read_again_gives_the_changes(v6: Subject, tmp_path: Path) -> None:
    scenario = Scenario(running=Running(seconds=0.5), recorder=Recorder(kind="edges", resolution_s=1e-6))
    recording, _ = simulate(v6, scenario, np.random.default_rng(0))
    write_csv(recording, str(tmp_path / "a.csv"))
    table = pl.read_csv(tmp_path / "a.csv")
    times = table["Time [s]"].to_numpy()
    assert np.all(np.diff(times) > 0)
    assert (times[0], times[-1]) == (0.0, 0.5)
    for channel in recording.channels:
        assert isinstance(channel.data, Levels)
        levels = table[channel.column].to_numpy()
        at = np.flatnonzero(np.diff(levels)) + 1
        assert times[at] == pytest.approx(channel.data.times_s, abs=1e-9)
        assert levels[at].tolist() == channel.data.levels.tolist()


# -------------------------------------------------------------------------------------------------------- command


def test_simulate_command_writes_recording_and_truth(tmp_path: Path) -> None:
    out, truth = tmp_path / "new" / "rec.csv", tmp_path / "truth.json"
    command = ["simulate", "--engine", str(V6), "--fault", "slip:1A=+1", "--fault", "loose:2A=6", "--mode", "cranking"]
    assert run([*command, "--seconds", "3", "--edges", "--out", str(out), "--truth", str(truth)]) == 0
    said = json.loads(truth.read_text())
    cams = {c["cam"]: c for c in said["cams"]}
    assert cams["1A"]["teeth"] == 1
    assert cams["1A"]["offset_deg"] == pytest.approx(720 / 42, abs=0.3)
    assert cams["2A"]["erratic"]
    assert cams["2B"]["faults"] == []
    assert pl.read_csv(out).height > 500


def test_simulate_command_same_seed_same_file(tmp_path: Path) -> None:
    for name, seed in (("a", "4"), ("b", "4"), ("c", "5")):
        command = ["simulate", "--engine", str(V6), "--seconds", "0.3", "--seed", seed, "--out", str(tmp_path / name)]
        assert run(command) == 0
    a, b, c = ((tmp_path / name).read_bytes() for name in "abc")
    assert a == b
    assert a != c


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--fault", "slip:9A=1"], "expected a cam or bank with a sensor"),
        (["--mode", "flying"], "expected one of cranking"),
    ],
)
def test_simulate_command_refuses_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], said: str
) -> None:
    assert run(["simulate", "--engine", str(V6), "--out", str(tmp_path / "a.csv"), *more]) == 2
    errors = capsys.readouterr().err.strip()
    assert said in errors
    assert "\n" not in errors
