"""Named arrays without headings or rows (HDF5, NumPy): which belong together, and what paces them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError
from tightside.recordings.headings import find_unit, split_heading, words_of
from tightside.recordings.spool import columns_in_one_piece, in_blocks, is_mapped
from tightside.recordings.tables import Column, Contents, Table
from tightside.recordings.timebase import choose_time

MOST_COLUMNS = 256
_RATES = {"fs", "rate", "frequency", "samplerate", "samplingrate", "sps"}
_STEPS = {"dt", "interval", "period", "increment", "step"}


@dataclass(frozen=True, slots=True, eq=False)
class NamedArray:
    """An array as stored, with what is noted beside it."""

    name: str
    values: NDArray[Any]
    unit: str = ""
    rate_hz: float | None = None
    columns: tuple[str, ...] = ()


def rate_from(name: str, value: float) -> float | None:
    """Sample rate that a number of this name states, or None. [Hz]

    >>> rate_from("sample_rate", 1e4), rate_from("dt_ms", 0.1), rate_from("gain", 3.0)
    (10000.0, 10000.0, None)
    """
    words = set(words_of(name)) | {"".join(words_of(name))}
    unit = find_unit(split_heading(name)[1])
    if not np.isfinite(value) or value <= 0:
        return None
    if words & _RATES:
        return value * unit.factor if unit is not None and unit.name == "Hz" else value
    if words & _STEPS:
        return 1 / (value * (unit.factor if unit is not None and unit.name == "s" else 1.0))
    return None


def contents_of(arrays: Sequence[NamedArray], file: str) -> Contents:
    """Tables of the arrays: those of one length and pace belong together.

    Arrays with neither a time of their length nor a rate are left out and named, unless that leaves nothing.
    """
    rates = [rate for a in arrays if a.values.ndim == 0 and (rate := rate_from(a.name, float(a.values)))]
    columns: dict[tuple[int, float | None], list[Column]] = {}
    number = 0
    for entry in arrays:
        for column in _columns(entry):
            number += 1
            named = Column(column.heading, column.values, column.unit, number)
            columns.setdefault((len(column.values), entry.rate_hz), []).append(named)
    if not columns:
        raise DataError(code="no-numbers", what=f"{file} holds no arrays of numbers", expected="a time and a channel")
    tables, left = _tables(columns, rates[0] if rates else None)
    if not tables:
        tables, left = [Table(tuple(group)) for group in columns.values()], []
    return Contents(tuple(tables), (f"without a time or a rate, not used: {', '.join(left)}",) if left else ())


def _tables(
    columns: Mapping[tuple[int, float | None], list[Column]], rate_hz: float | None
) -> tuple[list[Table], list[str]]:
    tables, left = [], []
    for (_, own_rate), group in columns.items():
        table = Table(tuple(group))
        if own_rate is None and choose_time(table)[0] is not None:
            tables.append(table)
        elif own_rate or rate_hz:
            tables.append(Table(tuple(group), rate_hz=own_rate or rate_hz))
        else:
            left += [column.heading for column in group]
    return tables, left


def _columns(entry: NamedArray) -> list[Column]:
    values = entry.values
    if values.dtype.names:
        fields = [NamedArray(name, values[name].reshape(-1), entry.unit) for name in values.dtype.names]
        return [column for part in fields for column in _columns(part)]
    if values.dtype.kind == "M":
        return [_dates(entry.name, values.reshape(-1))]
    if values.dtype.kind not in "iufb" or values.ndim == 0 or values.size < 2:
        return []
    if values.dtype == np.float16 or not values.dtype.isnative:
        plain = np.dtype(np.float32 if values.dtype.itemsize == 2 and values.dtype.kind == "f" else values.dtype)
        values = in_blocks(values.reshape(-1), lambda part: part, plain.newbyteorder("=")).reshape(values.shape)
    if values.ndim == 1 or 1 in values.shape:
        return [Column(entry.name, values.reshape(-1), entry.unit)]
    if values.ndim != 2 or min(values.shape) > MOST_COLUMNS:
        return []
    names = column_names(entry, min(values.shape))
    if is_mapped(values):
        columns = columns_in_one_piece(values)
    else:
        columns = [np.ascontiguousarray(c) for c in (values if values.shape[0] < values.shape[1] else values.T)]
    return [Column(name, column, entry.unit) for name, column in zip(names, columns, strict=True)]


def column_names(entry: NamedArray, count: int) -> tuple[str, ...]:
    """What the columns of a table are called: as noted beside it, else by their number."""
    if len(entry.columns) == count:
        return entry.columns
    return tuple(f"{entry.name} {i}" for i in range(1, count + 1))


def _dates(name: str, stamps: NDArray[Any]) -> Column:
    known = stamps[~np.isnat(stamps)]
    base = known.min() if len(known) else np.datetime64(0, "s")
    seconds = (stamps - base) / np.timedelta64(1, "ns") * 1e-9
    return Column(name, np.asarray(seconds, dtype=np.float64), "s", spelled="date")
