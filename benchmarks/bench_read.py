"""How fast recordings are read, as a ratio to the library's own plain read of the same file in the same run.

The first read of each file pays for imports and is not counted; after that both sides take turns and the best of each
counts. ``read_recording`` does more than the library beside it: it finds the dialect, checks the time column and names
roles. It also hashes the file, in a thread that goes on after the samples are there: the column "hashed s" is the time
until that is done too, which nothing before the written result waits for.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tightside.recordings import read_recording
from tightside.recordings.formats.csv_dialect import find_dialect

RATE_HZ = 100_000
TARGETS = {"csv": 1.5, "csv_1mb": 1.5, "parquet": 1.3, "wav": 1.3, "wav_int16": 1.3, "mdf4": 1.3}


def _signals(rows: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    i = np.arange(rows)
    rng = np.random.default_rng(0)
    crank = np.round(2.5 + 2 * np.sin(i / 40) + rng.normal(0, 0.05, rows), 4)
    cam = np.round(2.5 + 2 * np.sin(i / 2000) + rng.normal(0, 0.05, rows), 4)
    return i / RATE_HZ, crank, cam


def write_csv(path: Path, rows: int) -> None:
    """Three columns of printed numbers, about 22 bytes a row."""
    import polars as pl

    at, crank, cam = _signals(rows)
    pl.DataFrame({"Time [s]": at.round(5), "crank": crank, "cam 1A": cam}).write_csv(path)


def write_parquet(path: Path, rows: int) -> None:
    """The same as Parquet."""
    import polars as pl

    at, crank, cam = _signals(rows)
    pl.DataFrame({"Time [s]": at, "crank": crank, "cam 1A": cam}).write_parquet(path)


def write_wav(path: Path, rows: int) -> None:
    """Two channels of 16 bits."""
    import soundfile

    _, crank, cam = _signals(rows)
    soundfile.write(path, np.column_stack([crank, cam]) / 8, RATE_HZ, subtype="PCM_16", format="WAV")


def write_mdf4(path: Path, rows: int) -> None:
    """Two channels on one master."""
    import asammdf

    at, crank, cam = _signals(rows)
    with asammdf.MDF(version="4.10") as file:
        file.append([asammdf.Signal(v, at, name=name, unit="V") for v, name in ((crank, "crank"), (cam, "cam 1A"))])
        Path(file.save(path.with_suffix(".mf4"), overwrite=True)).rename(path)


def own_csv(path: Path) -> Any:
    """Polars, with its own guessing."""
    import polars as pl

    return pl.read_csv(path)


def own_parquet(path: Path) -> Any:
    """Polars."""
    import polars as pl

    return pl.read_parquet(path)


def own_wav(path: Path) -> Any:
    """Libsndfile, in the numbers that it gives unasked (fractions of full scale in double precision)."""
    import soundfile

    return soundfile.read(path)


def own_wav_int16(path: Path) -> Any:
    """Libsndfile, in the file's own 16-bit numbers, channels interleaved."""
    import soundfile

    return soundfile.read(path, dtype="int16")


def own_mdf4(path: Path) -> Any:
    """Asammdf, each channel of the file."""
    import asammdf

    with asammdf.MDF(path) as file:
        return [file.get(name) for name in ("crank", "cam 1A")]


CASES: dict[str, tuple[Callable[[Path, int], None], Callable[[Path], Any], int]] = {
    "csv": (write_csv, own_csv, 4_000_000),
    "csv_1mb": (write_csv, own_csv, 46_000),
    "parquet": (write_parquet, own_parquet, 4_000_000),
    "wav": (write_wav, own_wav, 10_000_000),
    "wav_int16": (write_wav, own_wav_int16, 10_000_000),
    "mdf4": (write_mdf4, own_mdf4, 4_000_000),
}


def _seconds(read: Callable[[Path], Any], path: Path) -> float:
    start = time.perf_counter()
    read(path)
    return time.perf_counter() - start


def _ours(path: Path) -> tuple[float, float]:
    """Seconds until the samples are there, and until the file is hashed too."""
    find_dialect.cache_clear()
    start = time.perf_counter()
    recording = read_recording(path)
    read_s = time.perf_counter() - start
    assert recording.sha256
    return read_s, time.perf_counter() - start


def measure(turns: int = 7) -> dict[str, dict[str, float]]:
    """Seconds of each side, their ratio, and MB/s, for each format."""
    results = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, (write, own, rows) in CASES.items():
            path = Path(folder) / name
            write(path, rows)
            _ours(path), own(path)
            taken = [(_seconds(own, path), *_ours(path)) for _ in range(turns * (10 if rows < 100_000 else 1))]
            library_s, ours_s, hashed_s = (min(side) for side in zip(*taken, strict=True))
            results[name] = {
                "library_s": library_s,
                "ours_s": ours_s,
                "hashed_s": hashed_s,
                "ratio": ours_s / library_s,
                "mb_per_s": path.stat().st_size / 1e6 / ours_s,
                "target": TARGETS[name],
            }
            path.unlink()
    return results


def main() -> int:
    """Print the table; exit status 1 where a target is missed."""
    results = measure()
    print(f"{'format':10}{'library s':>11}{'ours s':>10}{'hashed s':>10}{'ratio':>8}{'target':>8}{'MB/s':>8}")
    for name, row in results.items():
        mark = "" if row["ratio"] <= row["target"] else "  missed"
        print(
            f"{name:10}{row['library_s']:11.4f}{row['ours_s']:10.4f}{row['hashed_s']:10.4f}{row['ratio']:8.2f}{row['target']:8.2f}"
            f"{row['mb_per_s']:8.0f}{mark}"
        )
    return int(any(row["ratio"] > row["target"] for row in results.values()))


if __name__ == "__main__":
    sys.exit(main())
