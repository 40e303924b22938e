"""Apache Parquet, and Arrow IPC (Feather) files and streams, through polars."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tightside.recordings.damage import damage_told
from tightside.recordings.source import Source
from tightside.recordings.tables import Column, Contents, ReadOptions, Table

if TYPE_CHECKING:
    import polars as pl

PARQUET, ARROW, STREAM = b"PAR1", b"ARROW1", b"\xff\xff\xff\xff"


def sniff(source: Source) -> str:
    """Whether it starts as one of the three."""
    return "" if source.head.startswith((PARQUET, ARROW, STREAM)) else "no Parquet or Arrow mark"


def read(source: Source, options: ReadOptions) -> Contents:
    """All columns of numbers, truth values, dates and durations."""
    import polars as pl

    whole = source.path or source.open()
    with damage_told(source.name, "Parquet or Arrow file", "polars", "pyo3_runtime"):
        if source.head.startswith(PARQUET):
            frame = pl.read_parquet(whole)
        elif source.head.startswith(ARROW):
            frame = pl.read_ipc(source.open())
        else:
            frame = pl.read_ipc_stream(whole)
        columns = tuple(_column(series, number) for number, series in enumerate(frame.get_columns(), 1))
    options.progress(1.0)
    return Contents((Table(columns),))


def _column(series: pl.Series, number: int) -> Column:
    import polars as pl

    kind = series.dtype
    if kind.is_temporal():
        return _moments(series, number)
    if kind == pl.Boolean:
        series = series.cast(pl.UInt8)
    elif kind.is_decimal():
        series = series.cast(pl.Float64)
    elif not kind.is_numeric():
        return Column(series.name, np.full(len(series), np.nan), number=number, spelled="text")
    return Column(series.name, series.to_numpy(), number=number)


def _moments(series: pl.Series, number: int) -> Column:
    """Dates, times of day and durations as seconds; dates from the first one on."""
    import polars as pl

    kind = series.dtype
    if kind == pl.Date:
        series = series.cast(pl.Datetime("us"))
    unit = getattr(series.dtype, "time_unit", "ns")
    counts = series.to_physical()
    least = counts.min() if isinstance(series.dtype, pl.Datetime) else 0
    seconds = (counts - (least or 0)).cast(pl.Float64).to_numpy() * {"ms": 1e-3, "us": 1e-6, "ns": 1e-9}[unit or "ns"]
    return Column(
        series.name, seconds, "s", number, spelled="date" if isinstance(series.dtype, pl.Datetime) else "number"
    )
