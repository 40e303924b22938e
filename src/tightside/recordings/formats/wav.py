"""Sound files: WAV (8 to 32 bit and float, also RF64), AIFF and FLAC, through libsndfile.

One or two channels are taken as sound; more are a recorder's sensor channels. Values are fractions of full scale.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.recordings.damage import damage_told
from tightside.recordings.source import Source, needed
from tightside.recordings.spool import columns_in_one_piece, spooled
from tightside.recordings.tables import Column, Contents, ReadOptions, Table

BLOCK_FRAMES = 1 << 15
_LEVELS = {
    "PCM_S8": "int16",
    "PCM_U8": "int16",
    "PCM_16": "int16",
    "PCM_24": "int32",
    "PCM_32": "int32",
    "FLOAT": "float32",
}
_PLAIN = {"PCM_16": "<i2", "PCM_32": "<i4", "FLOAT": "<f4", "DOUBLE": "<f8"}
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
        rate_hz, count = float(file.samplerate), file.channels
        columns = _plain(source, file, options) or _by_channel(file, options)
    names = {1: ("sound",), 2: ("left", "right")}.get(count, tuple(f"channel {i}" for i in range(1, count + 1)))
    return Contents(
        (
            Table(
                tuple(
                    Column(name, values, number=i, scale=_SCALES.get(values.dtype.name, 1.0))
                    for i, (name, values) in enumerate(zip(names, columns, strict=True), 1)
                ),
                rate_hz=rate_hz,
            ),
        ),
        kind="sound" if count <= 2 else None,
    )


def _plain(source: Source, file: Any, options: ReadOptions) -> list[NDArray[Any]] | None:
    """Channels of a WAV file whose samples are this machine's own numbers, as they lie there, one beside the other.

    Little files are loaded in one go, larger ones looked at where they lie: one channel as it is, several taken apart
    on disk. None if the samples are packed in another way.
    """
    dtype = np.dtype(_PLAIN.get(file.subtype, "V"))
    start = _data_start(source.path) if source.path is not None and dtype.isnative and dtype.kind != "V" else None
    if source.path is None or start is None or source.head[:4] not in (b"RIFF", b"RF64"):
        return None
    shape = (file.frames, file.channels)
    if file.frames * file.channels * dtype.itemsize <= options.large_bytes:
        samples = np.fromfile(source.path, dtype, file.frames * file.channels, offset=start).reshape(shape)
        return [samples[:, i] for i in range(file.channels)]
    mapped = np.memmap(source.path, dtype, "r", offset=start, shape=shape)
    if file.channels == 1 and start % dtype.itemsize == 0:
        return [np.asarray(mapped[:, 0])]
    return columns_in_one_piece(mapped, options.progress)


def _by_channel(file: Any, options: ReadOptions) -> list[NDArray[Any]]:
    """Channels of any other, each in one piece; taken apart while a block is still in the cache."""
    dtype = _LEVELS.get(file.subtype, "float64")
    if file.frames * file.channels * np.dtype(dtype).itemsize > options.large_bytes:
        return spooled((tuple(part.T) for part in _parts(file, dtype, options)), [dtype] * file.channels)
    samples = np.empty((file.channels, file.frames), dtype)
    done = 0
    for part in _parts(file, dtype, options):
        samples[:, done : done + len(part)] = part.T
        done += len(part)
    return list(samples[:, :done])


def _parts(file: Any, dtype: str, options: ReadOptions) -> Iterator[NDArray[Any]]:
    """Blocks of frames; each holds until the next."""
    block = np.empty((BLOCK_FRAMES, file.channels), dtype)
    done = 0
    while len(part := file.read(out=block)):
        done += len(part)
        options.progress(min(1.0, done / max(file.frames, 1)))
        yield part


def _data_start(path: Path) -> int | None:
    with path.open("rb") as stream:
        stream.seek(12)
        while len(header := stream.read(8)) == 8:
            name, size = struct.unpack("<4sI", header)
            if name == b"data":
                return stream.tell()
            stream.seek(size + size % 2, 1)
    return None
