"""NumPy archives (.npz). Arrays that would have to be unpickled are refused."""

from __future__ import annotations

import struct
import zipfile
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.recordings.arrays import NamedArray, contents_of
from tightside.recordings.damage import damage_told
from tightside.recordings.source import Source
from tightside.recordings.spool import BLOCK, spooled
from tightside.recordings.tables import Contents, ReadOptions

_LOCAL_BYTES = 30  # of a zip member's own heading, before its name


def sniff(source: Source) -> str:
    """Whether it is a zip whose members are arrays."""
    return "" if source.head.startswith(b"PK\x03\x04") and b".npy" in source.head[:400] else "no zip of .npy arrays"


def read(source: Source, options: ReadOptions) -> Contents:
    """Every array in it; large ones are left on disk, or unpacked there."""
    with damage_told(source.name, "NumPy archive", "tokenize"), zipfile.ZipFile(source.open()) as archive:
        members = [member for member in archive.infolist() if member.filename.endswith(".npy")]
        large = sum(member.file_size for member in members) > options.large_bytes
        arrays = []
        for i, member in enumerate(members):
            values = _large(archive, member, source) if large else _loaded(archive, member)
            arrays.append(NamedArray(member.filename.removesuffix(".npy"), values))
            options.progress((i + 1) / len(members))
        return contents_of(arrays, source.name)


def _loaded(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> NDArray[Any]:
    with archive.open(member) as stream:
        return np.lib.format.read_array(stream, allow_pickle=False)


def _large(archive: zipfile.ZipFile, member: zipfile.ZipInfo, source: Source) -> NDArray[Any]:
    """An array where it lies in the archive; one that is packed, or stands across the grain, unpacked on disk."""
    with archive.open(member) as stream:
        shape, columns_first, dtype = _heading(stream)
        heading_bytes = stream.tell()
        if member.file_size <= BLOCK or dtype.hasobject or len(shape) > 2:
            return _loaded(archive, member)
        order = shape[::-1] if columns_first else shape
        if member.compress_type == zipfile.ZIP_STORED and source.path is not None:
            start = _data_start(source, member) + heading_bytes
            if start % dtype.alignment == 0:
                return np.memmap(
                    source.path, dtype, "r", offset=start, shape=shape, order="F" if columns_first else "C"
                )
        flat = spooled(((part,) for part in _parts(stream, dtype)), [dtype.newbyteorder("=")])[0]
        whole = flat[: int(np.prod(order))].reshape(order)
        return whole.T if columns_first else whole


def _heading(stream: Any) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    """Shape, whether columns come first, and dtype."""
    version = np.lib.format.read_magic(stream)
    read_heading = {(1, 0): np.lib.format.read_array_header_1_0, (2, 0): np.lib.format.read_array_header_2_0}
    if version not in read_heading:
        raise ValueError(f"arrays of version {version}")
    return read_heading[version](stream)


def _data_start(source: Source, member: zipfile.ZipInfo) -> int:
    stream = source.open()
    stream.seek(member.header_offset)
    name_bytes, extra_bytes = struct.unpack("<26x2H", stream.read(_LOCAL_BYTES))
    return int(member.header_offset + _LOCAL_BYTES + name_bytes + extra_bytes)


def _parts(stream: Any, dtype: np.dtype[Any]) -> Iterator[NDArray[Any]]:
    while raw := stream.read(BLOCK * dtype.itemsize):
        yield np.frombuffer(raw[: len(raw) - len(raw) % dtype.itemsize], dtype)
