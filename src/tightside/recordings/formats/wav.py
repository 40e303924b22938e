"""Sound files: WAV (8 to 32 bit and float, also RF64), AIFF and FLAC, through libsndfile.

One or two channels are taken as sound; more are a recorder's sensor channels. Values are fractions of full scale.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.recordings.damage import damage_told
from tightside.recordings.source import Source, needed
from tightside.recordings.tables import Column, Contents, ReadOptions, Table

MAPPED_BYTES = 1 << 28  # larger ones are looked at where they lie on disk
BLOCK_FRAMES = 1 << 15
_LEVELS = {
    "PCM_S8": "int16",
    "PCM_U8": "int16",
    "PCM_16": "int16",
    "PCM_24": "int32",
    "PCM_32": "int32",
    "FLOAT": "float32",
}
_MAPPED = {"PCM_16": "<i2", "PCM_32": "<i4", "FLOAT": "<f4", "DOUBLE": "<f8"}
_SCALES = {"int16": 2.0**-15, "int32": 2.0**-31}


def sniff(source: Source) -> str:
    """Whether it starts as a sound file."""
    head = source.head
    riff = head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE"
    aiff = head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC")
    return "" if riff or aiff or head[:4] == b"fLaC" else "no RIFF, FORM or fLaC mark"


def read(source: Source, options: ReadOptions) -> Contents:
    """All channels, in the file's own numbers."""
    soundfile = needed("soundfile", "sound files")
    with damage_told(source.name, "sound file", "soundfile"), soundfile.SoundFile(source.open()) as file:
        dtype = _LEVELS.get(file.subtype, "float64")
        samples = _mapped(source, file) if _is_large(source, options) else None
        if samples is None:
            samples = _by_channel(file, dtype, options)
        rate_hz, count = float(file.samplerate), file.channels
    scale = _SCALES.get(samples.dtype.name, 1.0)
    names = {1: ("sound",), 2: ("left", "right")}.get(count, tuple(f"channel {i}" for i in range(1, count + 1)))
    columns = tuple(Column(name, samples[i], number=i + 1, scale=scale) for i, name in enumerate(names))
    return Contents((Table(columns, rate_hz=rate_hz),), kind="sound" if count <= 2 else None)


def _by_channel(file: Any, dtype: str, options: ReadOptions) -> NDArray[Any]:
    """Samples as (channels, S), each channel in one piece; taken apart while a block is still in the cache."""
    samples = np.empty((file.channels, file.frames), dtype)
    block = np.empty((BLOCK_FRAMES, file.channels), dtype)
    done = 0
    while len(part := file.read(out=block)):
        samples[:, done : done + len(part)] = part.T
        done += len(part)
        options.progress(done / max(file.frames, 1))
    return samples[:, :done]


def _is_large(source: Source, options: ReadOptions) -> bool:
    return source.size > min(MAPPED_BYTES, (options.memory_limit_bytes or 1 << 40) // 4)


def _mapped(source: Source, file: Any) -> NDArray[Any] | None:
    """The samples of a large WAV file as (channels, S), left on disk; None if they are packed in another way."""
    if source.path is None or file.subtype not in _MAPPED or source.head[:4] not in (b"RIFF", b"RF64"):
        return None
    start = _data_start(source.path)
    if start is None:
        return None
    return np.memmap(source.path, _MAPPED[file.subtype], "r", offset=start, shape=(file.frames, file.channels)).T


def _data_start(path: Path) -> int | None:
    with path.open("rb") as stream:
        stream.seek(12)
        while len(header := stream.read(8)) == 8:
            name, size = struct.unpack("<4sI", header)
            if name == b"data":
                return stream.tell()
            stream.seek(size + size % 2, 1)
    return None
