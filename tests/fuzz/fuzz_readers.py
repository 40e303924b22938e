"""A longer, coverage-guided run of the readers, outside CI: any bytes are read, or refused in one line.

    pip install atheris
    python tests/fuzz/fuzz_readers.py FOLDER -max_total_time=600
    python tests/fuzz/fuzz_readers.py FOLDER --only=hdf5 -max_total_time=600

FOLDER keeps what was found worth trying, from one run to the next; its first content is one small file of every format
and dialect in the tests. Everything after it goes to libFuzzer. A crash leaves the bytes that made it in a file
``crash-...`` of the working folder: give that file in place of FOLDER to see it again.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
import warnings
from pathlib import Path

import atheris
import numpy as np

os.environ.setdefault("POLARS_MAX_THREADS", "1")  # tiny tables: threads only wait for each other
TESTS = Path(__file__).parents[1]
sys.path.insert(0, str(TESTS))

with atheris.instrument_imports(include=["tightside.recordings"]):
    from tightside.errors import TightsideError
    from tightside.recordings import read_recording

import test_formats_contract as contract  # noqa: E402
import test_recordings_corpus as corpus  # noqa: E402

LARGEST_BYTES = 8000
DBC = Path(tempfile.gettempdir()) / "tightside-fuzz.dbc"


def write_seeds(folder: Path, only: str) -> None:
    """One small file of every format and of every dialect whose name begins so."""
    contract.ROWS = 40
    corpus.ROWS = 25
    folder.mkdir(parents=True, exist_ok=True)
    files = {name: sample.write for name, sample in contract.SAMPLES.items()}
    files |= {f"csv_{name}": writer.bytes for name, writer in corpus.SAMPLED.items()}
    files |= {f"csv_{name}": lambda data=data: data for name, (data, _) in corpus.OTHERS.items()}
    for name, write in files.items():
        if name.startswith(only):
            (folder / name).write_bytes(write())


def check_read(data: bytes) -> None:
    """Read it; what is refused is the file's fault, in one line."""
    try:
        recording = read_recording(io.BytesIO(data), dbc=DBC)
    except TightsideError as problem:
        assert problem.exit_code == 2, problem
        assert "\n" not in str(problem)
        return
    for channel in recording.channels:
        assert np.isfinite(channel.data.duration_s)


def main() -> None:
    """Hand over to libFuzzer."""
    warnings.simplefilter("ignore")
    DBC.write_text(contract.DBC)
    only = next((a.removeprefix("--only=") for a in sys.argv if a.startswith("--only=")), "")
    arguments = [a for a in sys.argv if not a.startswith("--only=")]
    if len(arguments) > 1 and not arguments[1].startswith("-") and not Path(arguments[1]).is_file():
        write_seeds(Path(arguments[1]), only)
    atheris.Setup([*arguments, f"-max_len={LARGEST_BYTES}", "-timeout=60", "-rss_limit_mb=3000"], check_read)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
