"""What single formats can hold beside plain columns."""

from __future__ import annotations

import errno
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from test_formats_contract import DBC, RATE_HZ, ROWS, in_little_room, times, volts, write_parquet
from tightside.errors import DataError, OutsideError
from tightside.recordings import read_recording, spool, tables
from tightside.records import Levels, Readings, Trace


def test_mdf_samples_marked_invalid_are_empty(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    invalid = np.arange(ROWS) % 100 == 7
    with asammdf.MDF(version="4.10") as file:
        file.append(
            [
                asammdf.Signal(volts()[0], times(), name="crank", unit="V", invalidation_bits=invalid),
                asammdf.Signal(volts()[1], times(), name="cam 1A", unit="V"),
            ]
        )
        path = Path(file.save(tmp_path / "made.mf4"))
    crank, cam = (c.data for c in read_recording(path).channels)
    assert isinstance(crank, Trace) and isinstance(cam, Trace)
    assert np.array_equal(np.isnan(crank.values()), invalid)
    assert np.isfinite(cam.values()).all()


def test_mdf_groups_of_different_rates_share_one_clock(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    slow = 5.0 + np.arange(20) * 0.2
    with asammdf.MDF(version="4.10") as file:
        file.append(asammdf.Signal(volts()[0], 6 + times(), name="crank", unit="V"))
        file.append(asammdf.Signal(800 + np.arange(20.0), slow, name="rpm", unit="1/min"))
        path = Path(file.save(tmp_path / "made.mf4"))
    recording = read_recording(path)
    crank, rpm = (c.data for c in recording.channels)
    assert isinstance(crank, Trace) and isinstance(rpm, Readings)
    assert crank.start_s == pytest.approx(1.0)
    assert rpm.times_s[0] == 0.0
    assert recording.channels[1].unit == "rpm"
    assert recording.kind == "sensor"


@pytest.mark.parametrize("version", ["2.14", "3.30", "4.00", "4.20"])
def test_mdf_of_any_version_is_read(version: str, tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    with asammdf.MDF(version=version) as file:
        file.append([asammdf.Signal(volts()[0], times(), name="crank", unit="V")])
        path = Path(file.save(tmp_path / "made", compression=2 if version >= "4" else 0))
    crank = read_recording(path).channels[0].data
    assert isinstance(crank, Trace)
    assert crank.rate_hz == RATE_HZ
    np.testing.assert_array_equal(crank.values(), volts()[0])


def test_mdf_whose_list_leads_back_to_itself_is_refused(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    with asammdf.MDF(version="4.10") as file:
        file.append([asammdf.Signal(volts()[0], times(), name="crank", unit="V")])
        data = bytearray(Path(file.save(tmp_path / "made.mf4")).read_bytes())
    group = int.from_bytes(data[88:96], "little")  # ASAM MDF 4.1: first link of the header block at 64
    data[group + 24 : group + 32] = group.to_bytes(8, "little")
    with pytest.raises(DataError, match="leads back to itself"):
        read_recording(io.BytesIO(bytes(data)))


def test_blf_with_an_object_shorter_than_its_heading_is_refused(tmp_path: Path) -> None:
    can = pytest.importorskip("can")
    path, dbc = tmp_path / "made.blf", tmp_path / "made.dbc"
    dbc.write_text(DBC)
    with can.Logger(str(path), compression_level=0) as logger:
        for i in range(50):
            logger.on_message_received(can.Message(timestamp=1.7e9 + i, arbitration_id=256, data=bytes(8)))
    data = path.read_bytes()
    inner = data.index(b"LOBJ", data.index(b"LOBJ") + 4)  # the first one in the container
    damaged = data[: inner + 8] + bytes(4) + data[inner + 12 :]
    with pytest.raises(DataError, match="cannot be read"):
        read_recording(io.BytesIO(damaged), dbc=dbc)


def test_wav_of_one_or_two_channels_is_sound_until_told_otherwise() -> None:
    soundfile = pytest.importorskip("soundfile")
    stream = io.BytesIO()
    soundfile.write(stream, np.column_stack(volts()) / 8, 44100, subtype="PCM_16", format="WAV")
    data = stream.getvalue()
    recording = read_recording(io.BytesIO(data))
    assert recording.kind == "sound"
    assert [c.role for c in recording.channels] == ["sound", None]
    told = read_recording(io.BytesIO(data), channels={"crank": "1", "cam:1A": "right"})
    assert told.kind == "sensor"
    assert [c.role for c in told.channels] == ["crank", "cam:1A"]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_32", "FLOAT", "DOUBLE"])
def test_wav_left_on_disk_reads_as_in_memory(subtype: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    soundfile = pytest.importorskip("soundfile")
    path = tmp_path / "made.wav"
    soundfile.write(path, np.column_stack([*volts(), volts()[0]]) / 8, 10_000, subtype=subtype)
    loaded = read_recording(path)
    monkeypatch.setattr(tables, "LARGE_BYTES", 100)
    mapped = read_recording(path)
    for one, other in zip(loaded.channels, mapped.channels, strict=True):
        assert isinstance(one.data, Trace) and isinstance(other.data, Trace)
        assert other.data.raw.base is not None
        np.testing.assert_array_equal(one.data.values(), other.data.values())


@pytest.mark.parametrize("container", ["AIFF", "FLAC"])
def test_other_lossless_sound_containers_read_alike(container: str) -> None:
    soundfile = pytest.importorskip("soundfile")
    stream = io.BytesIO()
    soundfile.write(stream, volts()[0] / 8, 44100, subtype="PCM_16", format=container)
    data = read_recording(io.BytesIO(stream.getvalue())).channels[0].data
    assert isinstance(data, Trace)
    assert data.rate_hz == 44100
    np.testing.assert_allclose(data.values(), volts()[0] / 8, atol=2**-15)


def npz(**arrays: Any) -> io.BytesIO:
    stream = io.BytesIO()
    np.savez(stream, **arrays)
    stream.seek(0)
    return stream


PACED: dict[str, Callable[[], io.BytesIO]] = {
    "rate": lambda: npz(crank=volts()[0], fs=RATE_HZ),
    "step": lambda: npz(crank=volts()[0], dt=1 / RATE_HZ),
    "time": lambda: npz(crank=volts()[0], t=times()),
    "time_ms": lambda: npz(crank=volts()[0], time_ms=times() * 1000),
    "dates": lambda: npz(
        crank=volts()[0], stamp=np.datetime64("2026-11-25") + (np.arange(ROWS) * 100_000).astype("timedelta64[ns]")
    ),
    "other_byte_order": lambda: npz(crank=volts()[0].astype(">f8"), time=times().astype(">f8")),
    "table": lambda: npz(data=np.rec.fromarrays([times(), volts()[0]], names="time,crank")),
}


@pytest.mark.parametrize("made", list(PACED.values()), ids=list(PACED))
def test_npz_finds_its_pace(made: Callable[[], io.BytesIO]) -> None:
    recording = read_recording(made())
    assert [c.role for c in recording.channels] == ["crank"]
    data = recording.channels[0].data
    assert isinstance(data, Trace)
    assert data.rate_hz == RATE_HZ
    np.testing.assert_array_equal(data.values(), volts()[0])


def test_npz_with_objects_is_never_unpickled() -> None:
    with pytest.raises(DataError, match="allow_pickle"):
        read_recording(npz(crank=np.array([{"a": 1}, None], dtype=object)))


def test_npz_array_without_time_is_left_out_and_named() -> None:
    recording = read_recording(npz(crank=volts()[0], t=times(), spare=np.arange(70.0)))
    assert [c.column for c in recording.channels] == ["crank"]
    assert any("spare" in warning for warning in recording.warnings)


def test_npz_two_dimensional_array_gives_a_channel_for_each_column() -> None:
    recording = read_recording(npz(scope=np.column_stack(volts()), fs=RATE_HZ), channels={"crank": "scope 2"})
    assert [c.role for c in recording.channels] == [None, "crank"]


def test_hdf5_takes_names_units_and_time_from_where_they_stand() -> None:
    h5py = pytest.importorskip("h5py")
    stream = io.BytesIO()
    with h5py.File(stream, "w") as file:
        file["slow/time"] = np.arange(30) * 0.5
        file["slow/rpm"] = 800.0 + np.arange(30)
        scope = file.create_dataset("fast", data=np.column_stack(volts()))
        scope.attrs["columns"] = ["crank", "cam 1A"]
        scope.attrs["dt"] = 1 / RATE_HZ
        scope.attrs["units"] = "mV"
        file["note"] = "text"
    recording = read_recording(io.BytesIO(stream.getvalue()))
    by_role = {c.role: c for c in recording.channels}
    assert set(by_role) >= {"crank", "cam:1A"}
    crank = by_role["crank"].data
    assert isinstance(crank, Trace)
    assert crank.rate_hz == RATE_HZ
    assert by_role["crank"].unit == "V"
    np.testing.assert_allclose(crank.values(), volts()[0] / 1000, rtol=1e-15)


def test_parquet_of_levels_dates_and_durations() -> None:
    import polars as pl

    rng = np.random.default_rng(1)
    at = np.cumsum(rng.integers(400_000, 900_000, 200))
    level = np.arange(200) % 2 == 1
    for column in (
        pl.Series("at", at).cast(pl.Duration("ns")),
        pl.Series("at", at + 1_700_000_000_000_000_000).cast(pl.Datetime("ns")),
    ):
        stream = io.BytesIO()
        pl.DataFrame([column, pl.Series("crank", level), pl.Series("note", ["x"] * 200)]).write_parquet(stream)
        data = read_recording(io.BytesIO(stream.getvalue())).channels[0].data
        assert isinstance(data, Levels)
        np.testing.assert_allclose(data.times_s, (at[1:] - at[0]) * 1e-9, atol=1e-12)


def test_can_log_with_the_wrong_dbc_says_what_it_holds(tmp_path: Path) -> None:
    pytest.importorskip("cantools")
    dbc = tmp_path / "other.dbc"
    dbc.write_text('VERSION ""\nBU_: X\nBO_ 5 Other: 8 X\n SG_ a : 0|8@1+ (1,0) [0|1] "" X\n')
    with pytest.raises(DataError, match=r"none of the messages.*100, 101"):
        read_recording(io.BytesIO(b"(1.0) can0 100#00\n(1.1) can0 101#00\n"), dbc=dbc)
    dbc.write_text("not a dbc")
    with pytest.raises(DataError, match=r"other\.dbc looks like a DBC file"):
        read_recording(io.BytesIO(b"(1.0) can0 100#00\n"), dbc=dbc)


def test_can_frames_too_short_for_a_signal_leave_it_empty(tmp_path: Path) -> None:
    pytest.importorskip("cantools")
    dbc = tmp_path / "made.dbc"
    dbc.write_text(
        'VERSION ""\nBU_: X\nBO_ 256 M: 8 X\n SG_ rpm : 0|16@1+ (1,0) [0|1] "rpm" X\n'
        ' SG_ map : 16|8@1+ (1,0) [0|1] "kPa" X\n'
    )
    lines = "".join(f"({i / 10:.1f}) can0 100#{i:02X}00{'20' * (i % 2)}\n" for i in range(40))
    recording = read_recording(io.BytesIO(lines.encode()), dbc=dbc)
    rpm, manifold = (c.data for c in recording.channels)
    assert isinstance(rpm, Readings) and isinstance(manifold, Readings)
    assert rpm.values.tolist() == list(range(40))
    assert np.isnan(manifold.values[::2]).all()
    assert (manifold.values[1::2] == 32).all()


def test_long_format_with_units_of_many_kinds_reads_each_in_its_own() -> None:
    rows = "".join(f"{i / 10},ENGINE_RPM,{800 + i} rpm\n{i / 10},COOLANT_TEMP,{80 + i % 3} C\n" for i in range(100))
    rpm, ect = read_recording(io.BytesIO(f"time,pid,value\n{rows}".encode())).channels
    assert (rpm.role, rpm.unit, ect.role, ect.unit) == ("log:rpm", "rpm", "log:ect", "degC")
    assert isinstance(rpm.data, Readings) and isinstance(ect.data, Readings)
    np.testing.assert_array_equal(rpm.data.values, 800.0 + np.arange(100))
    np.testing.assert_array_equal(ect.data.values, 80.0 + np.arange(100) % 3)


def test_pairs_of_columns_of_different_rates_keep_their_own() -> None:
    rows = "".join(
        f"{i / 1e4},{i % 7 + 0.5}," + (f"{i / 1e3},{i % 5 + 0.5}\n" if i < 40 else ",\n") for i in range(400)
    )
    crank, cam = (c.data for c in read_recording(io.BytesIO(f"t1 [s],crank,t2 [s],cam 1A\n{rows}".encode())).channels)
    assert isinstance(crank, Trace) and isinstance(cam, Trace)
    assert (crank.rate_hz, len(crank.raw), cam.rate_hz, len(cam.raw)) == (1e4, 400, 1e3, 40)


@pytest.mark.parametrize(("above", "options"), [("; samplerate: 24 MHz\n", {}), ("", {"rate_hz": 24e6})])
def test_edge_list_timed_by_a_sample_counter_takes_the_rate(above: str, options: dict[str, Any]) -> None:
    rows = "".join(f"{i * 1230},{i % 2},{int(i % 5 < 2)}\n" for i in range(200))
    recording = read_recording(io.BytesIO(f"{above}Sample,D0,D1\n{rows}".encode()), **options)
    first = recording.channels[0].data
    assert isinstance(first, Levels)
    np.testing.assert_allclose(first.times_s, np.arange(1, 200) * 1230 / 24e6)
    assert any("counts samples" in warning for warning in recording.warnings)


def test_hexadecimal_levels_are_numbers() -> None:
    rows = "".join(f"{i * 0.001:.4f},0x{i % 2:02X}\n" for i in range(100))
    data = read_recording(io.BytesIO(f"Time [s],crank\n{rows}".encode())).channels[0].data
    assert isinstance(data, Levels)
    assert len(data.times_s) == 99


def test_first_row_over_range_is_no_heading() -> None:
    rows = "".join(f"{i / 1e4},{'OL' if i % 50 == 0 else 2.5 + i % 7},80\n" for i in range(400))
    crank = read_recording(io.BytesIO(f"Time [s],crank,ECT\n{rows}".encode())).channels[0]
    assert crank.role == "crank" and isinstance(crank.data, Trace)
    assert np.isnan(crank.data.values()[::50]).all() and np.isfinite(crank.data.values()[1:50]).all()


# ------------------------------------------------------------------------------------------------ too large for memory


def values_of(path: Path) -> dict[str, np.ndarray]:
    recording = read_recording(path)
    found = {}
    for channel in recording.channels:
        assert isinstance(channel.data, Trace)
        assert channel.data.rate_hz == RATE_HZ
        found[channel.column] = channel.data.values()
    return found


def check_large(path: Path, monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    """Read in pieces, the file gives what it gives in one go."""
    whole = values_of(path)
    in_little_room(monkeypatch)
    parts = values_of(path)
    assert list(whole) == list(parts) and len(whole) == count
    for name, values in whole.items():
        np.testing.assert_array_equal(values, parts[name], err_msg=name)


def test_parquet_in_batches_holds_dates_gaps_and_all_kinds_of_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import polars as pl

    i = np.arange(ROWS)
    before_midnight = np.datetime64("2026-11-25T23:59:59.9", "us") + i * np.timedelta64(100, "us")
    columns = {
        "time": pl.Series(before_midnight), "int": i.astype(np.int16) % 50, "bool": i % 7 < 3, "float": np.sin(i),
        "gaps": pl.Series([None if k % 100 == 5 else k for k in range(ROWS)], dtype=pl.UInt16),
        "single": pl.Series(np.sin(i), dtype=pl.Float32), "words": ["x"] * ROWS, "wide": i.astype(np.int64) << 20,
    }  # fmt: skip
    pl.DataFrame(columns).write_parquet(tmp_path / "made.parquet", row_group_size=300)
    check_large(tmp_path / "made.parquet", monkeypatch, 6)


@pytest.mark.parametrize("packed", [False, True])
def test_npz_on_disk_holds_tables_of_either_order(
    packed: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = np.column_stack([*volts(), volts()[0] ** 2])
    arrays = {"fs": np.array(RATE_HZ), "rows": table, "across": table.T.copy(), "fortran": np.asfortranarray(table),
              "foreign": volts()[0].astype(">f4"), "plain": np.arange(ROWS, dtype=np.int16) % 70}  # fmt: skip
    (np.savez_compressed if packed else np.savez)(tmp_path / "made.npz", **arrays)
    check_large(tmp_path / "made.npz", monkeypatch, 11)


@pytest.mark.parametrize("packing", [None, "gzip"])
def test_hdf5_on_disk_holds_tables_and_named_fields(
    packing: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    h5py = pytest.importorskip("h5py")
    table = np.column_stack([*volts(), volts()[0] ** 2])
    fields = np.zeros(ROWS, [("front", "<i2"), ("rear", "<f8")])
    fields["front"], fields["rear"] = np.arange(ROWS), volts()[1]
    with h5py.File(tmp_path / "made.h5", "w") as file:
        file.attrs["sample_rate"] = RATE_HZ
        for name, values in {"rows": table, "across": table.T.copy(), "fields": fields, "one": volts()[0]}.items():
            file.create_dataset(name, data=values, compression=packing)
        file["rows"].attrs["columns"] = ["crank", "cam", "other"]
    check_large(tmp_path / "made.h5", monkeypatch, 9)


def test_csv_with_gaps_in_blocks_reads_as_in_one_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = np.delete(np.arange(6000), np.r_[700:760, 3000:3010])
    rows = "".join(f"{k / RATE_HZ:.4f},{k % 90 + 0.5},{k % 7}\n" for k in kept)
    (tmp_path / "made.csv").write_text("Time [s],crank,cam 1A\n" + rows)
    check_large(tmp_path / "made.csv", monkeypatch, 2)


def test_full_disk_is_told_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "made.parquet"
    path.write_bytes(write_parquet())
    in_little_room(monkeypatch)

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(spool.SpooledColumns, "_write", full)
    with pytest.raises(OutsideError, match="disk is full"):
        read_recording(path)
