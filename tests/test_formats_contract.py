"""One contract for every reader: what is written is read back, from a path, a stream, or the rest of one."""

from __future__ import annotations

import gzip
import io
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tightside.errors import DataError, TightsideError
from tightside.recordings import FORMATS, read_recording, shaping, spool, tables
from tightside.recordings import dbc as dbc_frames
from tightside.recordings.formats import csv, hdf5, mdf, npz, parquet
from tightside.records import Readings, Recording, Trace, same

RATE_HZ = 10_000.0
ROWS = 1500

DBC = """VERSION ""
BU_: ECU
BO_ 256 Engine: 8 ECU
 SG_ rpm : 7|16@0+ (0.25,0) [0|16383] "rpm" ECU
 SG_ ect : 16|8@1+ (1,-40) [-40|215] "degC" ECU
 SG_ cam_phase_error_1A : 24|12@1- (0.1,0) [-200|200] "deg" ECU
 SG_ spark : 47|8@0- (0.5,-4) [-64|64] "deg" ECU
BO_ 2147484160 Air: 8 ECU
 SG_ page M : 0|4@1+ (1,0) [0|15] "" ECU
 SG_ maf m0 : 15|16@0+ (0.01,0) [0|655] "g/s" ECU
 SG_ map m1 : 8|8@1+ (1,0) [0|255] "kPa" ECU
 SG_ voltage : 32|32@1- (1,0) [0|20] "V" ECU
SIG_VALTYPE_ 2147484160 voltage : 1;
"""


def volts() -> tuple[np.ndarray, np.ndarray]:
    i = np.arange(ROWS)
    rng = np.random.default_rng(5)
    return 2.5 + 2.4 * np.sin(i / 7) + rng.normal(0, 0.01, ROWS), np.where(i % 90 < 40, 4.71, 0.16)


def times() -> np.ndarray:
    return np.arange(ROWS) / RATE_HZ


# ------------------------------------------------------------------------------------------- one writer per format


def write_csv() -> bytes:
    rows = "".join(
        f"{t!r},{a!r},{b!r}\n" for t, a, b in zip(times().tolist(), *(v.tolist() for v in volts()), strict=True)
    )
    return ("Time [s],crank,cam 1A\n" + rows).encode()


def write_wav(subtype: str) -> bytes:
    soundfile = pytest.importorskip("soundfile")
    stream = io.BytesIO()
    data = np.column_stack([*volts(), volts()[0]])
    soundfile.write(stream, data / 8, int(RATE_HZ), subtype=subtype, format="WAV")
    return stream.getvalue()


def write_mdf() -> bytes:
    asammdf = pytest.importorskip("asammdf")
    with asammdf.MDF(version="4.10") as file, tempfile.TemporaryDirectory() as folder:
        signals = [
            asammdf.Signal(v, times(), name=name, unit="V")
            for v, name in zip(volts(), ("crank", "cam 1A"), strict=True)
        ]
        file.append(signals)
        path = file.save(Path(folder) / "made.mf4", overwrite=True)
        return Path(path).read_bytes()


def _frame() -> Any:
    import polars as pl

    crank, cam = volts()
    return pl.DataFrame({"Time [s]": times(), "crank": crank, "cam 1A": cam})


def write_parquet() -> bytes:
    stream = io.BytesIO()
    _frame().write_parquet(stream)
    return stream.getvalue()


def write_arrow() -> bytes:
    stream = io.BytesIO()
    _frame().write_ipc(stream)
    return stream.getvalue()


def write_arrow_stream() -> bytes:
    stream = io.BytesIO()
    _frame().write_ipc_stream(stream)
    return stream.getvalue()


def write_hdf5() -> bytes:
    h5py = pytest.importorskip("h5py")
    stream = io.BytesIO()
    with h5py.File(stream, "w") as file:
        group = file.create_group("scope")
        group.attrs["sample_rate"] = RATE_HZ
        for name, values in zip(("crank", "cam 1A"), volts(), strict=True):
            group.create_dataset(name, data=values).attrs["unit"] = "V"
    return stream.getvalue()


def write_npz() -> bytes:
    stream = io.BytesIO()
    crank, cam = volts()
    np.savez(stream, **{"time": times(), "crank": crank, "cam 1A": cam})
    return stream.getvalue()


def _messages() -> list[tuple[float, int, bool, bytes]]:
    """Frames of both messages of the DBC, as cantools encodes them."""
    cantools = pytest.importorskip("cantools")
    database = cantools.database.load_string(DBC)
    engine, air = database.get_message_by_name("Engine"), database.get_message_by_name("Air")
    frames = []
    for i in range(400):
        truth = engine_truth(i)
        frames.append((i * 0.05, 256, False, engine.encode(truth)))
        frames.append((i * 0.05 + 0.01, 512, True, air.encode(air_truth(i))))
    return frames


def engine_truth(i: int) -> dict[str, float]:
    return {
        "rpm": 700 + i * 0.25,
        "ect": i % 200 - 40,
        "cam_phase_error_1A": i % 100 / 10 - 5,
        "spark": i % 40 / 2 - 10,
    }


def air_truth(i: int) -> dict[str, float]:
    page = {"maf": i * 0.25} if i % 2 == 0 else {"map": i % 200}
    return {"page": i % 2, "voltage": 12 + i / 256, **page}


def write_candump() -> bytes:
    lines = []
    for at, identifier, extended, data in _messages():
        name = f"{identifier:08X}" if extended else f"{identifier:03X}"
        lines.append(f"({1700000000 + at:.6f}) can0 {name}#{data.hex().upper()}")
    return ("\n".join(lines) + "\n").encode()


def _with_python_can(suffix: str) -> bytes:
    can = pytest.importorskip("can")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"made{suffix}"
        with can.Logger(str(path)) as logger:
            for at, identifier, extended, data in _messages():
                logger.on_message_received(
                    can.Message(
                        timestamp=1700000000 + at, arbitration_id=identifier, is_extended_id=extended, data=data
                    )
                )
        return path.read_bytes()


@dataclass(frozen=True)
class Sample:
    reader: str
    write: Callable[[], bytes]
    tolerance: float = 0.0  # of the channel's value, where the format itself rounds
    scale: float = 1.0
    headings: tuple[str, ...] = ("crank", "cam 1A")
    decoded: bool = False


SAMPLES = {
    "csv": Sample("csv", write_csv),
    "wav_16": Sample("wav", lambda: write_wav("PCM_16"), 2**-15, 8, ("channel 1", "channel 2")),
    "wav_24": Sample("wav", lambda: write_wav("PCM_24"), 2**-23, 8, ("channel 1", "channel 2")),
    "wav_32": Sample("wav", lambda: write_wav("PCM_32"), 2**-31, 8, ("channel 1", "channel 2")),
    "wav_float": Sample("wav", lambda: write_wav("FLOAT"), 2**-24, 8, ("channel 1", "channel 2")),
    "wav_double": Sample("wav", lambda: write_wav("DOUBLE"), 1e-15, 8, ("channel 1", "channel 2")),
    "wav_8": Sample("wav", lambda: write_wav("PCM_U8"), 2**-7, 8, ("channel 1", "channel 2")),
    "mdf4": Sample("mdf", write_mdf),
    "mdf4_can": Sample("mdf", lambda: _with_python_can(".mf4"), decoded=True),
    "parquet": Sample("parquet", write_parquet),
    "arrow": Sample("parquet", write_arrow),
    "arrow_stream": Sample("parquet", write_arrow_stream),
    "hdf5": Sample("hdf5", write_hdf5),
    "npz": Sample("npz", write_npz),
    "candump": Sample("can", write_candump, decoded=True),
    "can_asc": Sample("can", lambda: _with_python_can(".asc"), decoded=True),
    "can_blf": Sample("can", lambda: _with_python_can(".blf"), decoded=True),
}


@pytest.fixture(scope="module")
def dbc(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("dbc") / "made.dbc"
    path.write_text(DBC)
    return path


@pytest.fixture(scope="module")
def written() -> dict[str, bytes]:
    return {}


@pytest.fixture(params=SAMPLES, name="case")
def _case(request: pytest.FixtureRequest, written: dict[str, bytes]) -> tuple[Sample, bytes]:
    sample = SAMPLES[request.param]
    if request.param not in written:
        written[request.param] = sample.write()
    return sample, written[request.param]


def content(recording: Recording) -> Recording:
    """Without where it came from."""
    return replace(recording, file="", hashed="")


def test_contract_covers_every_registered_format() -> None:
    assert {sample.reader for sample in SAMPLES.values()} == {known.name for known in FORMATS}


def test_reader_path_stream_and_stream_at_offset_give_the_same(
    case: tuple[Sample, bytes], tmp_path: Path, dbc: Path
) -> None:
    sample, data = case
    path = tmp_path / "made.bin"
    path.write_bytes(data)
    late = io.BytesIO(b"something else before it" + data)
    late.seek(24)
    from_path = read_recording(path, dbc=dbc)
    assert from_path.format == sample.reader
    assert same(content(from_path), content(read_recording(io.BytesIO(data), dbc=dbc)))
    assert same(content(from_path), content(read_recording(late, dbc=dbc)))


def test_reader_packed_files_give_the_same(case: tuple[Sample, bytes], tmp_path: Path, dbc: Path) -> None:
    zstandard = pytest.importorskip("zstandard")
    _, data = case
    plain = content(read_recording(io.BytesIO(data), dbc=dbc))
    path = tmp_path / "made.gz"
    path.write_bytes(gzip.compress(data, 1))
    assert same(plain, content(read_recording(path, dbc=dbc)))
    assert same(plain, content(read_recording(io.BytesIO(zstandard.compress(data)), dbc=dbc)))


def in_little_room(patch: pytest.MonkeyPatch) -> None:
    """Everything above a few bytes is large, and goes in small pieces."""
    patch.setattr(tables, "LARGE_BYTES", 100)
    patch.setattr(csv, "WHOLE_BYTES", 100)
    patch.setattr(csv, "BLOCK_BYTES", 5000)
    patch.setattr(parquet, "LEAST_LARGE_BYTES", 0)
    patch.setattr(mdf, "RECORDS", 400)
    patch.setattr(dbc_frames, "MOST_WAITING", 150)
    for module in (spool, hdf5, npz, shaping):
        patch.setattr(module, "BLOCK", 256)


def test_reader_of_a_file_too_large_for_memory_gives_the_same(
    case: tuple[Sample, bytes], tmp_path: Path, dbc: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sample, data = case
    path = tmp_path / "made.bin"
    path.write_bytes(data)
    plain = content(read_recording(path, dbc=dbc))
    in_little_room(monkeypatch)
    told: list[float] = []
    large = content(read_recording(path, dbc=dbc, progress=told.append))
    assert told == sorted(told) and told[-1] == 1.0
    if not sample.decoded and sample.write is not write_arrow_stream:
        assert all(spool.is_mapped(c.data.raw) for c in large.channels if isinstance(c.data, Trace))
    for one, other in zip(plain.channels, large.channels, strict=True):
        assert same(replace(one, data=Trace([])), replace(other, data=Trace([])))
        if isinstance(one.data, Trace) and isinstance(other.data, Trace):
            np.testing.assert_array_equal(one.data.values(), other.data.values())
            assert (one.data.rate_hz, one.data.start_s) == (other.data.rate_hz, other.data.start_s)
        else:
            assert same(one.data, other.data)


def test_reader_round_trip_gives_identical_values(case: tuple[Sample, bytes], dbc: Path) -> None:
    sample, data = case
    recording = read_recording(io.BytesIO(data), dbc=dbc)
    if sample.decoded:
        check_decoded(recording)
        return
    assert recording.kind == "sensor"
    by_name = {c.column: c.data for c in recording.channels}
    for name, expected in zip(sample.headings, volts(), strict=True):
        trace = by_name[name]
        assert isinstance(trace, Trace)
        assert trace.rate_hz == RATE_HZ
        np.testing.assert_allclose(
            trace.values() * sample.scale, expected, rtol=0, atol=sample.tolerance * sample.scale
        )


def check_decoded(recording: Recording) -> None:
    assert recording.kind == "log"
    by_name = {c.column: c for c in recording.channels}
    assert {c.role for c in recording.channels} >= {
        "log:rpm",
        "log:ect",
        "log:maf",
        "log:map",
        "log:spark",
        "log:cam_phase_error:1A",
    }
    for i in (0, 1, 57, 399):
        for name, value in (engine_truth(i) | air_truth(i)).items():
            data = by_name[name].data
            assert isinstance(data, Readings)
            assert data.values[i] == pytest.approx(value, abs=1e-6), (name, i)
    missing = by_name["maf"].data
    assert isinstance(missing, Readings)
    assert np.isnan(missing.values[1::2]).all()
    assert abs(missing.times_s[0] - 0.01) < 1e-5


def test_reader_nothing_at_all_is_one_clear_error(case: tuple[Sample, bytes]) -> None:
    with pytest.raises(DataError, match="empty"):
        read_recording(io.BytesIO(b""))


@pytest.mark.parametrize("part", [0.02, 0.3, 0.7, 0.99])
def test_reader_cut_short_reads_what_is_there_or_says_so(case: tuple[Sample, bytes], part: float, dbc: Path) -> None:
    _, data = case
    try:
        recording = read_recording(io.BytesIO(data[: int(len(data) * part)]), dbc=dbc)
    except TightsideError as problem:
        assert problem.exit_code == 2
        assert "\n" not in str(problem)
        return
    assert all(np.isfinite(c.data.duration_s) for c in recording.channels)
