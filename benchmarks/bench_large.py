"""Long recordings: does the time grow with the samples and no more, and does the memory stay where it is.

Makes recordings of a crank and a cam at 1 MS/s in a temporary folder, describes each in a process of its own, and
deletes it. Of memory, the anonymous part counts (what the program holds itself): pages of a mapped file are the
system's, which drops them when it needs them. ``--full`` goes to 1e9 samples a channel, which takes some 10 GB of disk
for the file and as much for temporary files.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

RATE_HZ = 1_000_000
RPM = 800.0
SIZES = (10**6, 10**7, 10**8)
FULL = 10**9
CHUNK = 1 << 22
MOST_ANONYMOUS_MB = 600.0  # whatever the size; the program itself takes some 100
MORE_TIME = 1.5  # times the time for a sample, from one size to the next


def chunks(rows: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Crank (60-2) and cam of a steady engine as a 16-bit recorder sees them, with noise, some million rows each."""
    noise = np.random.default_rng(1).integers(-40, 40, CHUNK, dtype=np.int16)
    for start in range(0, rows, CHUNK):
        turns = (np.arange(start, min(start + CHUNK, rows)) / RATE_HZ) * (RPM / 60.0)
        tooth = turns % 1.0 * 60.0
        crank = np.where((tooth % 1.0 < 0.5) & (tooth < 58.0), 15000, 300).astype(np.int16)
        cycle = turns / 2.0 % 1.0
        cam = np.where((cycle % 0.25 < 0.1) & (cycle < 0.75), 14000, 500).astype(np.int16)
        yield crank + noise[: len(crank)], cam + noise[len(crank) - 1 :: -1]


def write_wav(path: Path, rows: int) -> None:
    """Two channels of 16 bits, as a recorder writes them (RF64 above 4 GB)."""
    import soundfile

    with soundfile.SoundFile(path, "w", RATE_HZ, 2, "PCM_16", format="RF64" if rows > 10**8 else "WAV") as file:
        for crank, cam in chunks(rows):
            file.write(np.column_stack([crank, cam]))


def write_hdf5(path: Path, rows: int) -> None:
    """Two packed data sets."""
    import h5py

    with h5py.File(path, "w") as file:
        file.attrs["sample_rate"] = float(RATE_HZ)
        sets = [file.create_dataset(n, (rows,), np.int16, chunks=(1 << 18,), compression="lzf") for n in NAMES]
        done = 0
        for columns in chunks(rows):
            for data, values in zip(sets, columns, strict=True):
                data[done : done + len(values)] = values
            done += len(columns[0])


def write_parquet(path: Path, rows: int) -> None:
    """Two columns and the time, a row group for each chunk."""
    import pyarrow
    import pyarrow.parquet

    schema = pyarrow.schema([("time", pyarrow.float64()), *((name, pyarrow.int16()) for name in NAMES)])
    done = 0
    with pyarrow.parquet.ParquetWriter(path, schema) as file:
        for columns in chunks(rows):
            times = np.arange(done, done + len(columns[0])) / RATE_HZ
            file.write_table(pyarrow.table([times, *columns], schema))
            done += len(times)


def write_csv(path: Path, rows: int) -> None:
    """Printed numbers."""
    import polars as pl

    done = 0
    with path.open("wb") as file:
        for columns in chunks(rows):
            times = np.arange(done, done + len(columns[0])) / RATE_HZ
            frame = pl.DataFrame({"time [s]": times, **dict(zip(NAMES, columns, strict=True))})
            frame.write_csv(file, include_header=not done, float_precision=6)
            done += len(times)


NAMES = ("crank", "cam 1A")
WRITERS: dict[str, Callable[[Path, int], None]] = {
    "wav": write_wav, "hdf5": write_hdf5, "parquet": write_parquet, "csv": write_csv,
}  # fmt: skip
SAY = {"wav": ["--channel", "crank=1", "--channel", "cam:1A=2"]}


def anonymous_bytes(process: int) -> int:
    """Memory of a process that no file stands behind."""
    try:
        status = Path(f"/proc/{process}/status").read_text()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in status.splitlines() if line.startswith("RssAnon")), 0)


def watched(command: list[str]) -> tuple[float, int, str]:
    """Seconds, most anonymous memory, and what was printed."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    most, over = 0, threading.Event()

    def look() -> None:
        nonlocal most
        while not over.wait(0.02):
            most = max(most, anonymous_bytes(process.pid))

    thread = threading.Thread(target=look)
    thread.start()
    printed = process.communicate()[0]
    seconds = time.perf_counter() - start
    over.set()
    thread.join()
    assert process.returncode == 0, printed
    return seconds, most, printed


def measure(kind: str, rows: int, folder: Path) -> dict[str, float]:
    """One recording made, described and deleted."""
    path = folder / f"long.{kind}"
    WRITERS[kind](path, rows)
    try:
        entry = "from tightside.cli.main import main; main()"
        command = [sys.executable, "-c", entry, "describe", str(path), "--json", "-", *SAY.get(kind, [])]
        seconds, most, printed = watched(command)
        crank = json.loads(printed)["crank"]
        assert crank["wheel"] == "60-2", crank
        turns = rows / RATE_HZ * RPM / 60.0
        assert abs(crank["revolutions"] - turns) < 1.5, (crank["revolutions"], turns)
        return {"file_gb": path.stat().st_size / 1e9, "seconds": seconds, "anonymous_mb": most / 1e6}
    finally:
        path.unlink()


def main() -> int:
    """Print the table; exit status 1 where time is not linear or memory not flat."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full", action="store_true", help="go to 1e9 samples a channel")
    parser.add_argument("--kinds", nargs="*", default=["wav", "hdf5"], choices=list(WRITERS))
    parser.add_argument("--folder", help="where the files are made")
    asked = parser.parse_args()
    missed = 0
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder = Path(name)
        measure("wav", SIZES[0], folder)  # compiles what has to be compiled
        print(f"{'format':9}{'samples':>10}{'file GB':>9}{'seconds':>9}{'MS/s':>8}{'anonymous MB':>14}")
        for kind in asked.kinds:
            before: tuple[int, float] | None = None
            for rows in (*SIZES, *((FULL,) if asked.full else ())):
                if shutil.disk_usage(folder).free < 60 * rows:
                    print(f"{kind:9}{rows:10.0e}  not enough disk: needs {60 * rows / 1e9:.0f} GB")
                    continue
                found = measure(kind, rows, folder)
                slower = before is not None and found["seconds"] > MORE_TIME * before[1] * rows / before[0]
                fuller = found["anonymous_mb"] > MOST_ANONYMOUS_MB
                before = rows, found["seconds"]
                missed |= slower or fuller
                print(
                    f"{kind:9}{rows:10.0e}{found['file_gb']:9.2f}{found['seconds']:9.2f}"
                    f"{rows / 1e6 / found['seconds']:8.1f}{found['anonymous_mb']:14.0f}"
                    + "  time grows faster than the samples" * slower
                    + "  too much memory" * fuller,
                    flush=True,
                )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
