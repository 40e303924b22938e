"""Files that cannot be used: one clear line each, and exit status 2."""

from __future__ import annotations

import io
import os
import pickle
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tightside.errors import DataError, TightsideError, UsageError
from tightside.recordings import read_recording, spool
from tightside.recordings.damage import compiled_hushed
from tightside.records import Trace

HEADING = "Time [s],crank,cam\n"
ROWS = [f"{i / 1000:.3f},{i % 5},{i % 7}" for i in range(300)]


def table(rows: Sequence[str], heading: str = HEADING) -> bytes:
    return (heading + "\n".join(rows) + "\n").encode()


def junk() -> bytes:
    return np.random.default_rng(1).integers(0, 256, 5000, dtype=np.uint8).tobytes()


BAD: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "empty"),
    "blank_lines": (b"\n\n\n", "no rows of numbers"),
    "binary_junk": (junk(), "not text"),
    "prose": (b"dear customer\nyour vehicle is ready\n" * 30, "no rows of numbers"),
    "headings_only": (HEADING.encode(), "no rows of numbers"),
    "no_time": (table([f"{i % 5},{i % 3}" for i in range(100)], "crank,cam\n"), "no column is the time"),
    "rows_counted_only": (table([f"{i},{i % 5}" for i in range(100)], ""), "no column is the time"),
    "only_time": (table([f"{i / 1000}" for i in range(100)], "Time\n"), "no column of numbers beside the time"),
    "words_beside_time": (table([f"{i / 1000},up,down" for i in range(50)]), "no column of numbers beside the time"),
    "time_backwards": (table([*ROWS[:100], "0.050,1,1", *ROWS[101:]]), "time runs backwards"),
    "one_row": (table(ROWS[1:2], "Time [s],crank,cam\n"), "no rows of numbers|fewer than two"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(100), "a picture.*CSV"),
    "spreadsheet": (b"PK\x03\x04" + bytes(26) + b"[Content_Types].xml" + bytes(100), "spreadsheet.*CSV"),
    "archive": (b"PK\x03\x04" + bytes(100), "zip archive.*Unpack"),
    "pickle": (pickle.dumps({"crank": [1, 2, 3]}), "pickle.*never opened"),
    "web_page": (b"<!DOCTYPE html><html></html>", "web page"),
    "json": (b'{"crank": [1, 2, 3]}', "JSON"),
    "engine_file": (b"schema: tightside/engine/1\nname: x\n", "engine file.*--engine"),
    "dbc_file": (b'VERSION ""\nBU_: ECU\nBO_ 256 Engine: 8 ECU\n', "DBC file.*--dbc"),
    "can_without_dbc": (b"(1700000000.000000) can0 100#0011223344556677\n" * 20, "raw CAN messages.*--dbc"),
    "gzip_cut": (b"\x1f\x8b\x08" + bytes(50), "cannot be unpacked"),
    "xz_cut": (b"\xfd7zXZ\x00" + bytes(50), "cannot be unpacked"),
    "bzip2_cut": (b"BZh9" + bytes(50), "cannot be unpacked"),
    "zstd_cut": (b"\x28\xb5\x2f\xfd" + bytes(50), "cannot be unpacked"),
}


@pytest.mark.parametrize(("data", "words"), list(BAD.values()), ids=list(BAD))
def test_unusable_file_is_one_clear_line(data: bytes, words: str) -> None:
    with pytest.raises(DataError, match=words) as caught:
        read_recording(io.BytesIO(data))
    assert caught.value.exit_code == 2
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 600


def test_time_backwards_names_line_and_both_values() -> None:
    with pytest.raises(DataError, match=r"0\.099 s.*0\.05 s.*line 102"):
        read_recording(io.BytesIO(BAD["time_backwards"][0]))


def test_unknown_format_lists_the_reason_of_each_reader() -> None:
    with pytest.raises(DataError) as caught:
        read_recording(io.BytesIO(junk()))
    for name in ("wav", "mdf", "parquet", "hdf5", "npz", "can", "csv"):
        assert f"{name}:" in str(caught.value)


USAGE: dict[str, tuple[dict[str, Any], str]] = {
    "role": ({"channels": {"crnk": "crank"}}, "no role 'crnk'.*crank.*cam:1A.*log:rpm"),
    "camshaft_letter": ({"channels": {"cam:1C": "cam"}}, "no role 'cam:1C'"),
    "column": ({"channels": {"crank": "Krank"}}, "no column 'Krank'.*2 'crank', 3 'cam'"),
    "column_number": ({"channels": {"crank": "9"}}, "no column '9'"),
    "time_as_channel": ({"channels": {"crank": "1"}}, "'Time \\[s\\]' is the time"),
    "unit": ({"units": {"crank": "furlong"}}, "no unit 'furlong'.*kPa"),
    "unit_of_nothing": ({"units": {"tail": "V"}}, "no role or column 'tail'"),
    "unit_of_time": ({"units": {"time": "V"}, "channels": {}}, "unit of the time"),
    "rate": ({"rate_hz": 0.0}, "more than 0 Hz"),
    "rate_infinite": ({"rate_hz": float("inf")}, "more than 0 Hz"),
}


@pytest.mark.parametrize(("options", "words"), list(USAGE.values()), ids=list(USAGE))
def test_wrong_option_says_what_there_is(options: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        read_recording(io.BytesIO(table(ROWS)), **options)
    assert caught.value.exit_code == 2


def test_missing_file_and_folder_are_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no file"):
        read_recording(tmp_path / "absent.csv")
    with pytest.raises(UsageError, match="folder"):
        read_recording(tmp_path)


def test_text_stream_is_refused() -> None:
    with pytest.raises(UsageError, match="binary"):
        read_recording(io.StringIO("0,1\n"))  # type: ignore[arg-type]


def test_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "h5py", None)
    with pytest.raises(UsageError, match=r"h5py, which is not installed.*pip install h5py"):
        read_recording(io.BytesIO(b"\x89HDF\r\n\x1a\n" + bytes(100)))


def test_restarted_clock_is_split_and_said() -> None:
    recording = read_recording(io.BytesIO(table([*ROWS[:200], *ROWS[:150]])))
    assert "restarted" in " ".join(recording.warnings)
    assert "line 202" in " ".join(recording.warnings)
    trace = recording.channels[0].data
    assert isinstance(trace, Trace)
    assert len(trace.raw) == 200


def test_gap_and_missing_cells_stay_empty() -> None:
    rows = [*ROWS[:100], "0.100,NaN,", "0.101,,5", "0.102,x,4", *ROWS[103:150], *ROWS[200:]]
    recording = read_recording(io.BytesIO(table(rows)))
    crank = recording.channels[0].data
    assert isinstance(crank, Trace)
    assert crank.rate_hz == 1000
    assert len(crank.raw) == 300
    assert np.isnan(crank.values()[[100, 101, 102]]).all()
    assert np.isnan(crank.values()[150:200]).all()
    assert crank.values()[203] == 203 % 5
    assert any("no numbers" in w and "'x'" in w for w in recording.warnings)
    assert any("50 samples are missing" in w for w in recording.warnings)


def test_file_in_blocks_reads_as_in_one_go(tmp_path: Path) -> None:
    rows = [f"{i / 1000:.3f},{np.sin(i):.6f},{i % 7}" for i in range(150_000)]
    path = tmp_path / "long.csv"
    path.write_bytes(table(rows))
    told: list[float] = []
    whole = read_recording(path)
    blocks = read_recording(path, memory_limit_bytes=1 << 24, progress=told.append)
    for one, other in zip(whole.channels, blocks.channels, strict=True):
        assert isinstance(one.data, Trace) and isinstance(other.data, Trace)
        np.testing.assert_array_equal(one.data.values(), other.data.values())
        assert one.data.rate_hz == other.data.rate_hz
    assert len(told) > 3
    assert told == sorted(told)


def test_file_too_large_for_the_address_space_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "large.csv"
    path.write_bytes(table([f"{i / 1000:.3f},1,2" for i in range(100_000)]))
    monkeypatch.setattr("tightside.recordings.formats.csv.can_map", lambda count: count < 1 << 20)
    with pytest.raises(DataError, match=r"rows, too many.*Cut the recording"):
        read_recording(path, memory_limit_bytes=1 << 24)
    assert spool.can_map(1 << 10)


def test_error_keeps_its_kind_across_processes() -> None:
    with pytest.raises(TightsideError) as caught:
        read_recording(io.BytesIO(b""))
    again = pickle.loads(pickle.dumps(caught.value))
    assert type(again) is DataError
    assert str(again) == str(caught.value)


def test_what_compiled_code_writes_is_kept_from_the_screen_and_then_no_more(capfd: pytest.CaptureFixture[str]) -> None:
    with compiled_hushed(), compiled_hushed():
        os.write(2, b"a panic\n")
    os.write(2, b"still here\n")
    assert capfd.readouterr().err == "still here\n"
