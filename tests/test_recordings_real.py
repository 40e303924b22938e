"""Real recordings kept beside the checkout read as the notes beside them state. Skipped where they are absent."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from tightside.recordings import read_recording
from tightside.records import Levels, Readings, Recording, Trace

FOLDER = Path(os.environ.get("TIGHTSIDE_RECORDINGS") or Path(__file__).parents[2] / "shared" / "recordings")
pytestmark = pytest.mark.recordings


def read(name: str) -> Recording:
    path = FOLDER / name
    if not path.is_file():
        pytest.skip(f"no real recording {name}")
    return read_recording(path)


@pytest.mark.parametrize(
    ("name", "columns", "rising_of_first", "duration_s"),
    [
        ("real-a.csv", ["Channel 0", "Channel 1"], None, 0.85),
        ("real-b.csv", ["crank", "cam"], None, 9.8),
        ("real-c.csv", ["crank", "cam", "Channel 2"], None, 3.3),
        ("real-d.csv", ["column 2"], 125, 3.2),
        ("real-e.csv", ["column 2"], 269, 1.5),
    ],
)
def test_real_edge_list_reads_as_stated(
    name: str, columns: list[str], rising_of_first: int | None, duration_s: float
) -> None:
    recording = read(name)
    assert recording.kind == "sensor"
    assert [c.column for c in recording.channels] == columns
    for channel in recording.channels:
        levels = channel.data
        assert isinstance(levels, Levels)
        assert levels.start_s == 0.0
        assert np.all(np.diff(levels.times_s) > 0)
        assert np.all(np.diff(levels.levels.astype(int)) != 0)
        assert levels.duration_s == pytest.approx(duration_s, abs=0.06)
    first = recording.channels[0].data
    assert isinstance(first, Levels)
    if rising_of_first is not None:
        assert int(np.sum(first.levels == 1)) == rising_of_first


def test_real_edge_lists_headed_by_roles_take_them() -> None:
    assert read("real-b.csv").channels[0].role == "crank"
    assert read("real-c.csv").channels[1].role is None
    assert "not said" in read("real-c.csv").channels[1].why


@pytest.mark.parametrize(
    ("name", "columns", "rows", "rate_hz"),
    [
        ("real-f.csv", ["crank"], 60_000, 10_000.0),
        ("pressure-a.txt", ["column 2", "column 3"], 50_000, 100_000.0),
        ("pressure-b.txt", ["column 2", "column 3"], 50_000, 100_000.0),
    ],
)
def test_real_sampled_recording_reads_as_stated(name: str, columns: list[str], rows: int, rate_hz: float) -> None:
    recording = read(name)
    assert [c.column for c in recording.channels] == columns
    for channel in recording.channels:
        trace = channel.data
        assert isinstance(trace, Trace)
        assert (len(trace.raw), trace.rate_hz, trace.start_s) == (rows, rate_hz, 0.0)
        assert np.isfinite(trace.values()).all()


MEDIANS = {
    "log-a.csv": {
        "log:rpm": (1072, 1), "log:throttle": (18.4, 0.1), "log:throttle_commanded": (18.4, 0.1),
        "log:load": (28.2, 0.1),
        "log:ect": (58, 0), "log:iat": (29, 0), "log:map": (29, 0), "log:baro": (101, 0), "log:spark": (7, 0),
        "log:ltft:1": (3.1, 0.05), "log:stft:1": (-3.9, 0.05),
    },
    "log-b.csv": {
        "log:rpm": (1812, 0), "log:throttle": (29.4, 0), "log:load": (41.6, 0), "log:ect": (87, 0), "log:iat": (35, 0),
        "log:map": (35, 0), "log:maf": (10.57, 0.01), "log:baro": (99, 0), "log:stft:1": (0, 0),
    },
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "rows", "channels", "duration_s"), [("log-a.csv", 627, 26, 304.0), ("log-b.csv", 313, 27, 1876.0)]
)
def test_real_log_reads_as_stated(name: str, rows: int, channels: int, duration_s: float) -> None:
    recording = read(name)
    assert recording.kind == "log"
    assert len(recording.channels) == channels
    for role, (median, within) in MEDIANS[name].items():
        channel = recording.with_role(role)
        assert channel is not None, role
        assert isinstance(channel.data, Readings)
        assert len(channel.data.values) == rows
        assert channel.data.duration_s == duration_s
        assert np.nanmedian(channel.data.values) == pytest.approx(median, abs=within + 1e-9), role


def test_real_log_without_moving_clock_takes_run_time() -> None:
    recording = read("log-b.csv")
    assert any("'TIME' does not move on" in w and "ENGINE_RUNTIME" in w for w in recording.warnings)
    empty = [c.column for c in recording.channels if c.why == "empty"]
    assert len(empty) == 7
    assert {c.unit for c in recording.channels if c.role and c.role != "log:spark"} == {
        "kPa",
        "degC",
        "%",
        "rpm",
        "g/s",
    }
