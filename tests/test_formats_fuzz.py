"""Scrambled files of every format are read, or refused in one line; never anything else."""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from test_formats_contract import DBC, SAMPLES
from tightside.errors import TightsideError
from tightside.recordings import read_recording

EXAMPLES = int(os.environ.get("TIGHTSIDE_FUZZ_EXAMPLES", "25"))
once = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize="TIGHTSIDE_FUZZ_EXAMPLES" not in os.environ,
    database=None,
    suppress_health_check=list(HealthCheck),
)
_WRITTEN: dict[str, bytes] = {}


def sample(name: str) -> bytes:
    if name not in _WRITTEN:
        _WRITTEN[name] = SAMPLES[name].write()
    return _WRITTEN[name]


@st.composite
def scrambled(draw: st.DrawFn, data: bytes) -> bytes:
    """The file with bytes changed, cut out, doubled or put in; most often near its head, where the structure is."""
    changed = bytearray(data)
    for _ in range(draw(st.integers(1, 6))):
        reach = len(changed) if draw(st.booleans()) else min(len(changed), 600)
        at = draw(st.integers(0, max(reach - 1, 0)))
        length = draw(st.integers(1, 40))
        match draw(st.sampled_from(["set", "cut", "double", "put", "end"])):
            case "set":
                new = draw(st.binary(min_size=1, max_size=8) | st.just(b"\xff" * 8) | st.just(bytes(8)))
                changed[at : at + len(new)] = new
            case "cut":
                del changed[at : at + length]
            case "double":
                changed[at:at] = changed[at : at + length]
            case "put":
                changed[at:at] = draw(st.binary(min_size=1, max_size=16))
            case "end":
                del changed[max(at, 4) :]
    return bytes(changed)


@pytest.fixture(scope="module")
def dbc(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("dbc") / "made.dbc"
    path.write_text(DBC)
    return path


def check_read(data: bytes, dbc: Path | None = None) -> None:
    try:
        recording = read_recording(io.BytesIO(data), dbc=dbc)
    except TightsideError as problem:
        assert problem.exit_code == 2, problem
        assert "\n" not in str(problem)
        return
    for channel in recording.channels:
        assert np.isfinite(channel.data.duration_s)


@pytest.mark.parametrize("name", SAMPLES)
@pytest.mark.filterwarnings("ignore")
def test_scrambled_file_is_read_or_refused_in_one_line(name: str, dbc: Path) -> None:
    @once
    @given(scrambled(sample(name)))
    def check(data: bytes) -> None:
        check_read(data, dbc)

    check()


MARKS = (
    b"", b"RIFF\0\0\0\0WAVE", b"MDF     4.10", b"PAR1", b"ARROW1\0\0", b"LOGG", b"\x89HDF\r\n\x1a\n", b"fLaC",
)  # fmt: skip
CELL = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(str),
    st.integers(-(10**12), 10**12).map(str),
    st.sampled_from(
        ["", " ", "NaN", "-", "1,5", "1.234,5", "3 V", "7mV", "99%", "12:30:01.5", "00:00:05",
         "2026-11-25T10:00:00", "high",
         "off", "time", "Time [s]", "crank", "cam 1A", '"a,b"', "#x", "1e5", "+.5", "0x1F", "\u00b5s", "1e400", "-0"]
    ),
    st.text(max_size=6),
)  # fmt: skip


@st.composite
def table(draw: st.DrawFn) -> bytes:
    """Rows of anything, in any delimiter and encoding."""
    delimiter = draw(st.sampled_from([",", ";", "\t", " ", "|", ", "]))
    width = draw(st.integers(1, 4))
    rows = draw(st.lists(st.lists(CELL, min_size=0, max_size=width), max_size=12))
    counted = draw(st.booleans())
    lines = [delimiter.join(([f"{i / 10}"] if counted else []) + row) for i, row in enumerate(rows)]
    newline = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-16", "utf-8-sig", "latin-1"]))
    return newline.join(lines * draw(st.integers(1, 3))).encode(encoding, errors="replace")


@pytest.mark.filterwarnings("ignore")
def test_table_of_anything_is_read_or_refused_in_one_line() -> None:
    @settings(once, max_examples=EXAMPLES * 8)
    @given(table())
    def check(data: bytes) -> None:
        check_read(data)

    check()


@pytest.mark.filterwarnings("ignore")
def test_bytes_of_anything_are_read_or_refused_in_one_line() -> None:
    @settings(once, max_examples=EXAMPLES * 4)
    @given(
        st.binary(max_size=400),
        st.sampled_from([b"", b"RIFF\0\0\0\0WAVE", b"MDF     4.10", b"PAR1", b"ARROW1\0\0", b"LOGG"]),
    )
    def check(data: bytes, mark: bytes) -> None:
        check_read(mark + data)

    check()
