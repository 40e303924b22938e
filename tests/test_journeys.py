"""What a user meets at the command line: good input, thin input, wrong input. One clear line or a plain result, never
a traceback."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from tightside.cli.main import line_and_code, run

Rows = np.ndarray[Any, Any]
TOOTH_I4_DEG = 720 / 40  # one tooth of 40 on a single-stage 2:1 drive, crank degrees
ENTRY = [sys.executable, "-c", "from tightside.cli.main import main; main()"]
IN_LITTLE_ROOM = (
    "import resource, sys; limit = int(sys.argv.pop(1)); resource.setrlimit(resource.RLIMIT_AS, (limit, limit)); "
    "from tightside.cli.main import main; main()"
)
GIB = 1 << 30


@dataclass(frozen=True)
class Told:
    """What the program said and how it ended."""

    code: int
    out: str
    err: str

    @property
    def remarks(self) -> list[str]:
        return [line for line in self.err.splitlines() if not line.startswith("First run")]

    def cams(self) -> dict[str, dict[str, Any]]:
        return {cam["cam"]: cam for cam in json.loads(self.out)["cams"]}


def tell(capsys: pytest.CaptureFixture[str], *arguments: object) -> Told:
    capsys.readouterr()
    code = run([str(a) for a in arguments])
    return Told(code, *capsys.readouterr())


def assert_refused(told: Told, *parts: str) -> None:
    """Exit 2, nothing on standard output, one line that holds these parts."""
    assert told.code == 2, told
    assert told.out == ""
    assert len(told.remarks) == 1 and told.remarks[0].startswith("tightside: "), told.err
    for part in parts:
        assert part in told.remarks[0]


def assert_cannot_tell(told: Told) -> None:
    """Exit 0, and no cam is called in time or slipped."""
    assert told.code == 0, told
    assert told.remarks == []
    for cam in told.cams().values():
        assert cam.get("teeth_call") is None
        assert cam.get("state") in (None, "no signal", "not enough data")


def simulated(folder: Path, name: str, *arguments: str) -> Path:
    path = folder / name
    assert run(["simulate", "--out", str(path), *arguments]) == 0
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("journeys")


@pytest.fixture(scope="module")
def i4(folder: Path) -> Path:
    """4 s of the in-line four at idle, in order."""
    return simulated(folder, "i4.csv", "--engine", "demo-i4", "--seconds", "4", "--rate", "20000")


@pytest.fixture(scope="module")
def v6(folder: Path) -> Path:
    """4 s of the V6 at idle, in order."""
    return simulated(folder, "v6.csv", "--engine", "demo-v6", "--seconds", "4", "--rate", "20000")


@pytest.fixture(scope="module")
def table(i4: Path) -> tuple[str, Rows]:
    """The heading and the numbers of that recording: time, crank, cam."""
    return i4.read_text().splitlines()[0], np.loadtxt(i4, delimiter=",", skiprows=1)


def written(path: Path, heading: str, rows: Iterable[Iterable[float]]) -> Path:
    lines = (",".join("" if v != v else f"{v:.6g}" for v in row) for row in rows)
    path.write_text("\n".join([heading, *lines]) + "\n")
    return path


def changed(table: tuple[str, Rows], tmp_path: Path, **columns: Any) -> Path:
    """The recording with whole columns replaced."""
    heading, rows = table[0], table[1].copy()
    for name, values in columns.items():
        rows[:, ("time", "crank", "cam").index(name)] = values
    return written(tmp_path / "changed.csv", heading, rows)


def diagnosed(capsys: Any, *arguments: object) -> Told:
    return tell(capsys, "diagnose", *arguments, "--json", "-")


# ------------------------------------------------------------------------------------------------- unusable input


def test_empty_file_is_refused(tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "none.csv").touch()
    assert_refused(diagnosed(capsys, tmp_path / "none.csv", "--engine", "demo-i4"), "none.csv is empty")


def test_missing_file_is_refused(tmp_path: Path, capsys: Any) -> None:
    assert_refused(diagnosed(capsys, tmp_path / "no.csv", "--engine", "demo-i4"), "there is no file", "no.csv")


def test_folder_is_refused(tmp_path: Path, capsys: Any) -> None:
    assert_refused(diagnosed(capsys, tmp_path, "--engine", "demo-i4"), "is a folder")


def test_binary_file_is_refused(tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "bytes.csv"
    path.write_bytes(np.random.default_rng(3).bytes(50_000))
    assert_refused(diagnosed(capsys, path, "--engine", "demo-i4"), "no recording that can be read")


def test_heading_without_rows_is_refused(tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "head.csv"
    path.write_text("Time [s],crank [V],cam:1A [V]\n")
    assert_refused(diagnosed(capsys, path, "--engine", "demo-i4"), "head.csv")


def test_no_time_column_is_refused_with_an_option_that_mends_it(
    table: tuple[str, Rows], tmp_path: Path, capsys: Any
) -> None:
    path = written(tmp_path / "untimed.csv", "crank [V],cam:1A [V]", table[1][:, 1:])
    assert_refused(diagnosed(capsys, path, "--engine", "demo-i4"), "--rate-hz")
    mended = diagnosed(capsys, path, "--engine", "demo-i4", "--rate-hz", "20000")
    assert mended.code == 0 and mended.cams()["1A"]["teeth_call"] == 0


@pytest.mark.parametrize("part", ["all", "one row"])
def test_time_going_backwards_is_refused(part: str, table: tuple[str, Rows], tmp_path: Path, capsys: Any) -> None:
    times = table[1][:, 0].copy()
    if part == "all":
        times = times[::-1]
    else:
        times[50_000] = times[49_000]
    path = changed(table, tmp_path, time=times)
    assert_refused(diagnosed(capsys, path, "--engine", "demo-i4"), "time runs backwards", "changed.csv")


def test_unknown_role_is_refused(i4: Path, capsys: Any) -> None:
    told = diagnosed(capsys, i4, "--engine", "demo-i4", "--channel", "crankshaft=crank [V]")
    assert_refused(told, "crankshaft", "crank, cam:1A")


def test_unknown_column_is_refused_and_the_columns_named(i4: Path, capsys: Any) -> None:
    told = diagnosed(capsys, i4, "--engine", "demo-i4", "--channel", "crank=Channel 9")
    assert_refused(told, "Channel 9", "cam:1A")


def test_engine_file_with_a_typo_is_refused_with_its_line(i4: Path, tmp_path: Path, capsys: Any) -> None:
    from importlib import resources

    shipped = (resources.files("tightside.engine") / "shipped" / "demo-i4.yaml").read_text("utf-8")
    path = tmp_path / "engine.yaml"
    path.write_text(shipped.replace("firing_order", "fireing_order"))
    line = shipped[: shipped.index("firing_order")].count("\n") + 1
    assert_refused(diagnosed(capsys, i4, "--engine", path), "fireing_order", f"line {line}")


def test_engine_file_that_is_no_yaml_is_refused(i4: Path, tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "engine.yaml"
    path.write_text("schema: [tightside/engine/1\nname: x")
    assert_refused(diagnosed(capsys, i4, "--engine", path), "engine.yaml")


def test_report_to_an_unwritable_place_is_one_line(i4: Path, tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "file").touch()
    told = tell(capsys, "diagnose", i4, "--engine", "demo-i4", "--report", tmp_path / "file" / "r.html")
    assert told.code == 4  # a disk that does not answer, not unusable input
    assert len(told.remarks) == 1 and "cannot write" in told.remarks[0]


# ------------------------------------------------------------------------------------------------------ thin input


def test_crank_only_has_no_cam_to_judge(table: tuple[str, Rows], tmp_path: Path, capsys: Any) -> None:
    path = written(tmp_path / "crank.csv", "Time [s],crank [V]", table[1][:, :2])
    told = diagnosed(capsys, path, "--engine", "demo-i4")
    assert_cannot_tell(told)
    assert "no camshaft signal" in json.loads(told.out)["verdict"]


def test_cam_only_is_not_enough(table: tuple[str, Rows], tmp_path: Path, capsys: Any) -> None:
    path = written(tmp_path / "cam.csv", "Time [s],cam:1A [V]", table[1][:, [0, 2]])
    told = diagnosed(capsys, path, "--engine", "demo-i4")
    assert_cannot_tell(told)
    assert told.cams()["1A"]["state"] == "not enough data"


@pytest.mark.parametrize("level", [0.0, 2.5])
def test_flat_crank_is_not_enough(level: float, table: tuple[str, Rows], tmp_path: Path, capsys: Any) -> None:
    told = diagnosed(capsys, changed(table, tmp_path, crank=level), "--engine", "demo-i4")
    assert_cannot_tell(told)
    assert "flat" in json.loads(told.out)["verdict"]


def test_noise_on_crank_is_not_enough(table: tuple[str, Rows], tmp_path: Path, capsys: Any) -> None:
    noise = np.random.default_rng(5).normal(2.5, 0.05, len(table[1]))
    told = diagnosed(capsys, changed(table, tmp_path, crank=noise), "--engine", "demo-i4")
    assert_cannot_tell(told)
    assert "noise" in json.loads(told.out)["verdict"]


def test_a_fifth_of_a_second_of_cranking_is_not_enough(tmp_path: Path, capsys: Any) -> None:
    path = simulated(tmp_path, "short.csv", "--engine", "demo-i4", "--mode", "cranking", "--seconds", "0.2")
    assert_cannot_tell(diagnosed(capsys, path, "--engine", "demo-i4"))


@pytest.mark.parametrize(("recorded", "assumed"), [("v6", "demo-i4"), ("i4", "demo-v6")])
def test_wrong_engine_file_calls_nothing(
    recorded: str, assumed: str, request: pytest.FixtureRequest, capsys: Any
) -> None:
    told = diagnosed(capsys, request.getfixturevalue(recorded), "--engine", assumed)
    if told.code == 2:
        assert_refused(told, "36-1", "60-2")  # both wheels named
        return
    assert_cannot_tell(told)
    assert "check that the engine file is of this engine" in json.dumps(json.loads(told.out)["next_tests"])


def test_flat_cam_has_no_signal(table: tuple[str, Rows], tmp_path: Path, capsys: Any) -> None:
    told = diagnosed(capsys, changed(table, tmp_path, cam=0.1), "--engine", "demo-i4")
    assert_cannot_tell(told)
    assert told.cams()["1A"]["state"] == "no signal"


def test_cam_lost_half_way_is_never_called_slipped(table: tuple[str, Rows], tmp_path: Path, capsys: Any) -> None:
    cam = np.where(table[1][:, 0] < 2.0, table[1][:, 2], 0.1)
    told = diagnosed(capsys, changed(table, tmp_path, cam=cam), "--engine", "demo-i4")
    assert told.code == 0
    assert told.cams()["1A"]["teeth_call"] in (0, None)
    assert told.cams()["1A"]["state"] in ("in time", "no signal", "not enough data")


def test_empty_and_nan_cells_do_not_change_the_call(table: tuple[str, Rows], tmp_path: Path, capsys: Any) -> None:
    crank, cam = table[1][:, 1].copy(), table[1][:, 2].copy()
    crank[::701] = np.nan
    cam[::997] = np.nan
    told = diagnosed(capsys, changed(table, tmp_path, crank=crank, cam=cam), "--engine", "demo-i4")
    assert told.code == 0
    assert told.cams()["1A"]["teeth_call"] == 0


def test_file_cut_short_in_its_last_row_is_still_judged(i4: Path, tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "cut.csv"
    path.write_bytes(i4.read_bytes()[:-9])
    assert diagnosed(capsys, path, "--engine", "demo-i4").cams()["1A"]["teeth_call"] == 0


# ------------------------------------------------------------------------------------------------------ good input


def test_two_recordings_of_a_vehicle_make_one_verdict(i4: Path, tmp_path: Path, capsys: Any) -> None:
    options = ["--engine", "demo-i4", "--mode", "cranking", "--seconds", "3", "--rate", "20000"]
    cranking = simulated(tmp_path, "cranking.csv", *options)
    told = diagnosed(capsys, i4, cranking, "--engine", "demo-i4")
    assert told.code == 0
    assert [r["file"] for r in json.loads(told.out)["recordings"]] == ["i4.csv", "cranking.csv"]
    assert told.cams()["1A"]["teeth_call"] == 0


def test_reference_without_engine_file_tells_one_tooth_late(i4: Path, tmp_path: Path, capsys: Any) -> None:
    options = ["--engine", "demo-i4", "--seconds", "4", "--rate", "20000", "--seed", "4", "--fault", "slip:1A=+1"]
    slipped = simulated(tmp_path, "slipped.csv", *options)
    told = diagnosed(capsys, slipped, "--reference", i4, "--cam-teeth", "40")
    assert told.code == 0
    cam = told.cams()["1A"]
    assert (cam["state"], cam["teeth_call"]) == ("slipped", 1)
    assert cam["offset_deg"] == pytest.approx(TOOTH_I4_DEG, abs=0.5)
    assert "i4.csv" in cam["reference"]
    assert "one tooth late" in tell(capsys, "diagnose", slipped, "--reference", i4, "--cam-teeth", "40").out


def test_reference_without_a_crank_signal_is_refused(
    i4: Path, table: tuple[str, Rows], tmp_path: Path, capsys: Any
) -> None:
    flat = changed(table, tmp_path, crank=2.5)
    told = diagnosed(capsys, i4, "--reference", flat, "--cam-teeth", "40")
    assert_refused(told, "cannot serve as reference", "flat")


def test_reference_of_another_engine_calls_nothing(i4: Path, v6: Path, capsys: Any) -> None:
    told = diagnosed(capsys, i4, "--reference", v6, "--cam-teeth", "42")
    if told.code == 2:
        assert_refused(told, "36-1", "60-2")
        return
    assert_cannot_tell(told)


def test_nothing_to_compare_with_is_said(i4: Path, capsys: Any) -> None:
    told = diagnosed(capsys, i4)
    assert_cannot_tell(told)
    assert "nothing to compare the cams with" in json.loads(told.out)["verdict"]


def test_one_unusable_recording_among_two_is_named(i4: Path, tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "none.csv").touch()
    assert_refused(diagnosed(capsys, i4, tmp_path / "none.csv", "--engine", "demo-i4"), "none.csv is empty")


FAULTS: dict[str, tuple[tuple[str, ...], tuple[int | None, ...]]] = {
    # what cam 1A may be said to be, and the calls that are not wrong
    "slip:1A=+1": (("slipped",), (1,)),
    "slip:1A=-2": (("slipped",), (-2,)),
    "wear:1=3.0": (("in time", "off, not by a whole tooth", "not enough data"), (0, None)),
    "loose:1A=6": (("erratic",), (0, None)),
    "stuck:1A=20": (("slipped", "off, not by a whole tooth", "not enough data"), (None,)),
    "moving:1A=25": (("erratic", "off, not by a whole tooth"), (None,)),
    "lost:1A": (("no signal",), (None,)),
    "lost:1A=0.4": (("in time", "not enough data", "no signal"), (0, None)),
    "crank-shift=8": (("in time", "off, not by a whole tooth", "not enough data"), (0, None)),
    "weak:2=0.5": (("in time",), (0,)),
    "leak:2=0.5": (("in time",), (0,)),
}


@pytest.mark.parametrize("form", ["sampled", "edges"])
@pytest.mark.parametrize("fault", FAULTS)
def test_simulated_fault_is_told_for_what_it_is(fault: str, form: str, tmp_path: Path, capsys: Any) -> None:
    options = ["--engine", "demo-v6", "--seconds", "4", "--rate", "20000", "--seed", "11", "--fault", fault]
    path = simulated(tmp_path, "f.csv", *options, *(["--edges"] if form == "edges" else []))
    told = diagnosed(capsys, path, "--engine", "demo-v6")
    assert told.code == 0 and told.remarks == []
    states, calls = FAULTS[fault]
    cam = told.cams().get("1A") or {"state": "no signal", "teeth_call": None}
    assert cam["state"] in states
    assert cam["teeth_call"] in calls
    others = [c for name, c in told.cams().items() if name != "1A"]
    assert all(c["teeth_call"] in (0, None) for c in others)


def test_fault_that_does_not_fit_the_engine_is_refused(tmp_path: Path, capsys: Any) -> None:
    options = ["--engine", "demo-i4", "--out", tmp_path / "f.csv", "--fault", "slip:2B=1"]
    assert_refused(tell(capsys, "simulate", *options), "slip:2B=1", "1A")


def test_runner_and_entry_meet_the_same_error(tmp_path: Path) -> None:
    from tightside.cli.main import app

    result = CliRunner().invoke(app, ["diagnose", str(tmp_path / "no.csv")])
    assert isinstance(result.exception, Exception)
    line, code = line_and_code(result.exception, ["diagnose"])
    assert code == 2 and "there is no file" in line


# --------------------------------------------------------------------------------------------------- as a process


def test_json_through_a_pipe_is_json_alone(i4: Path) -> None:
    done = subprocess.run(
        [*ENTRY, "diagnose", i4, "--engine", "demo-i4", "--json", "-"], capture_output=True, text=True
    )
    assert done.returncode == 0
    assert json.loads(done.stdout)["schema"] == "tightside/diagnosis/1"


def test_reader_of_the_pipe_that_leaves_early_is_no_error(i4: Path) -> None:
    command = [*ENTRY, "diagnose", i4, "--engine", "demo-i4", "--json", "-"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as going:
        assert going.stdout is not None and going.stderr is not None
        going.stdout.close()
        said = [line for line in going.stderr.read().splitlines() if not line.startswith("First run")]
        assert going.wait(60) == 0
    assert said == []


def test_wrong_input_as_a_process_is_one_line_and_exit_2(tmp_path: Path) -> None:
    done = subprocess.run([*ENTRY, "diagnose", tmp_path / "no.csv"], capture_output=True, text=True)
    told = Told(done.returncode, done.stdout, done.stderr)
    assert_refused(told, "there is no file")


def in_little_room(limit_bytes: int, *arguments: object) -> Told:
    command = [sys.executable, "-c", IN_LITTLE_ROOM, str(limit_bytes), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    return Told(done.returncode, done.stdout, done.stderr)


def grown(path: Path, i4: Path, size: int) -> Path:
    """A file of that size: the recording at its start, then a hole that takes no room on the disk."""
    with path.open("wb") as file:
        file.write(i4.read_bytes())
        file.truncate(size)
    return path


@pytest.mark.skipif(sys.platform == "win32", reason="address space cannot be limited there")
def test_small_recording_is_judged_in_one_gibibyte(i4: Path) -> None:
    told = in_little_room(GIB, "diagnose", i4, "--engine", "demo-i4", "--json", "-")
    assert told.code == 0, told.err
    assert told.cams()["1A"]["teeth_call"] == 0


@pytest.mark.skipif(sys.platform == "win32", reason="address space cannot be limited there")
def test_recording_of_twice_the_memory_is_refused_in_one_line(i4: Path, tmp_path: Path) -> None:
    big = grown(tmp_path / "big.csv", i4, 2 * GIB)
    assert_refused(in_little_room(GIB, "diagnose", big, "--engine", "demo-i4"), "big.csv", "limit")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="address space cannot be limited there")
def test_long_recording_is_read_block_by_block_in_one_gibibyte(i4: Path, tmp_path: Path) -> None:
    heading, *rows = i4.read_bytes().splitlines()
    rest = [row.split(b",", 1)[1] for row in rows]
    path = tmp_path / "long.csv"
    with path.open("wb") as file:
        file.write(heading + b"\n")
        for turn in range(20):
            first = turn * len(rest)
            file.write(b"".join(b"%.5f,%s\n" % ((first + k) / 20e3, row) for k, row in enumerate(rest)))
    assert path.stat().st_size > 1 << 25  # more than one block
    told = in_little_room(GIB, "diagnose", path, "--engine", "demo-i4", "--json", "-")
    assert told.code == 0, told.err
    assert told.cams()["1A"]["teeth_call"] == 0


@pytest.mark.parametrize(
    ("written_limit", "limit_bytes"), [("1073741824\n", GIB), ("max\n", None), ("9223372036854771712\n", None)]
)
def test_limit_of_a_container_is_taken_where_there_is_one(
    written_limit: str, limit_bytes: int | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tightside.cli import memory

    (tmp_path / "memory.max").write_text(written_limit)  # cgroup v2 writes "max", v1 a huge number, for no limit
    monkeypatch.setattr(memory, "CGROUP_LIMITS", (tmp_path / "memory.max", tmp_path / "absent"))
    monkeypatch.setattr(memory, "_process_limits", list)
    assert memory.memory_limit_bytes() == limit_bytes
