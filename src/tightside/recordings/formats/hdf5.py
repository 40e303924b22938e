"""HDF5 files: every one- or two-dimensional data set of numbers, in whatever groups they stand.

Units and rates are taken from attributes (``unit``, ``units``; ``sample_rate``, ``fs``, ``dt`` ...) of the data set or
of the groups above it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from tightside.recordings.arrays import MOST_COLUMNS, NamedArray, column_names, contents_of, rate_from
from tightside.recordings.damage import damage_told
from tightside.recordings.source import Source, needed
from tightside.recordings.spool import BLOCK, columns_in_one_piece
from tightside.recordings.tables import Contents, ReadOptions

MOST_DATA_SETS = 1000


def sniff(source: Source) -> str:
    """Whether the signature stands at the start, or after a block for others of 512 bytes or a power of 2 more."""
    signature = b"\x89HDF\r\n\x1a\n"
    places = (0, *(512 << i for i in range(8)))
    return "" if any(source.head[at : at + 8] == signature for at in places) else "no HDF5 signature"


def read(source: Source, options: ReadOptions) -> Contents:
    """Every data set of numbers in it."""
    h5py = needed("h5py", "HDF5 files")
    with damage_told(source.name, "HDF5 file"), h5py.File(source.open(), "r") as file:
        found = list(_walk(file, "", h5py))[:MOST_DATA_SETS]
        plain = _plain_names([name for name, _, _ in found])
        arrays: list[NamedArray] = []
        large = sum(data.size * data.dtype.itemsize for _, data, _ in found) > options.large_bytes
        for i, (name, data, above) in enumerate(found):
            notes = {**above, **data.attrs}
            entry = NamedArray(plain[name], np.empty(0), _unit(notes), _rate(notes), _columns(notes))
            if large and data.nbytes > BLOCK and data.ndim <= 2:
                arrays += _large(entry, data, source)
            else:
                arrays.append(replace(entry, values=data[()]))
            options.progress((i + 1) / len(found))
    return contents_of(arrays, source.name)


def _large(entry: NamedArray, data: Any, source: Source) -> list[NamedArray]:
    """A data set where it lies in the file if it is one plain piece, else its columns on disk."""
    start = data.id.get_offset()
    plain = data.dtype.isnative and not data.file.userblock_size
    if source.path is not None and plain and start is not None and start % data.dtype.alignment == 0:
        return [replace(entry, values=np.memmap(source.path, data.dtype, "r", offset=start, shape=data.shape))]
    if data.ndim == 2 and min(data.shape) > MOST_COLUMNS:
        return []
    columns = columns_in_one_piece(data)
    names = data.dtype.names or (column_names(entry, len(columns)) if data.ndim == 2 else (entry.name,))
    return [replace(entry, name=name, values=values) for name, values in zip(names, columns, strict=True)]


def _walk(group: Any, path: str, h5py: Any) -> Iterator[tuple[str, Any, Mapping[str, Any]]]:
    """Data sets of numbers with their path and the attributes of the groups above. Links are not followed twice."""
    for name in group:
        if group.get(name, getlink=True).__class__ is not h5py.HardLink:
            continue
        item = group[name]
        if isinstance(item, h5py.Group):
            for inner, data, above in _walk(item, f"{path}{name}/", h5py):
                yield inner, data, {**group.attrs, **above}
        elif isinstance(item, h5py.Dataset) and item.dtype.kind in "iufbV" and item.dtype.hasobject is False:
            yield f"{path}{name}", item, dict(group.attrs)


def _plain_names(paths: list[str]) -> dict[str, str]:
    """The last part of each path where that is enough to tell them apart."""
    last = [path.rsplit("/", 1)[-1] for path in paths]
    return {path: name if last.count(name) == 1 else path for path, name in zip(paths, last, strict=True)}


def _text(value: Any) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _unit(notes: Mapping[str, Any]) -> str:
    for name, value in notes.items():
        if name.casefold() in ("unit", "units") and np.ndim(value) == 0:
            return _text(value)
    return ""


def _rate(notes: Mapping[str, Any]) -> float | None:
    for name, value in notes.items():
        if np.size(value) == 1 and np.asarray(value).dtype.kind in "iuf":
            rate_hz = rate_from(name, float(np.asarray(value).reshape(-1)[0]))
            if rate_hz is not None:
                return rate_hz
    return None


def _columns(notes: Mapping[str, Any]) -> tuple[str, ...]:
    for name, value in notes.items():
        if name.casefold() in ("columns", "column_names", "channels", "names") and np.ndim(value) == 1:
            return tuple(_text(part) for part in value)
    return ()
