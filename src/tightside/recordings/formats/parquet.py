"""Apache Parquet, and Arrow IPC (Feather) files and streams, through polars."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError
from tightside.recordings.damage import compiled_hushed, damage_told
from tightside.recordings.source import Source
from tightside.recordings.spool import SpooledColumns, blocks_of, can_map, in_blocks
from tightside.recordings.tables import Column, Contents, ReadOptions, Table

if TYPE_CHECKING:
    import polars as pl

THREADS = 2  # that join the chunks of columns
LEAST_LARGE_BYTES = 1 << 20  # a file that packs more into fewer bytes than this holds nothing worth reading
LEAST_ROOM_BYTES = 9 << 25  # address space that reading and decoding take at least
PARSER_BYTES = 1 << 28  # address space that polars takes for its threads
PARSER_FACTOR = 4  # and for each byte of the result
NO_MOMENT = -(1 << 63)
STEPS_S = {"ms": 1e-3, "us": 1e-6, "ns": 1e-9}
PARQUET, ARROW, STREAM = b"PAR1", b"ARROW1", b"\xff\xff\xff\xff"


def sniff(source: Source) -> str:
    """Whether it starts as one of the three."""
    return "" if source.head.startswith((PARQUET, ARROW, STREAM)) else "no Parquet or Arrow mark"


def read(source: Source, options: ReadOptions) -> Contents:
    """All columns of numbers, truth values, dates and durations; what is large in batches, kept on disk."""
    import polars as pl

    if options.memory_limit_bytes is not None and not can_map(LEAST_ROOM_BYTES + source.size):
        raise _no_room(source, "a Parquet or Arrow file", "Save it as CSV, or raise the limit")
    whole = source.path or source.open()
    with damage_told(source.name, "Parquet or Arrow file", "polars", "pyo3_runtime"):
        scan = _scan(source)
        if scan is not None and (rows := _rows_if_large(scan, options)):
            return Contents((Table(_in_batches(scan, rows, options)),))
        with compiled_hushed():
            if source.head.startswith(PARQUET):
                frame = pl.read_parquet(whole)
            elif source.head.startswith(ARROW):
                frame = pl.read_ipc(source.open())
            else:
                _check_stream(source, options)
                frame = pl.read_ipc_stream(whole)
        numbers = range(1, len(frame.columns) + 1)
        with ThreadPoolExecutor(THREADS) as pool:  # which starts no thread before it is given work
            several = map if options.memory_limit_bytes is not None else pool.map
            columns = tuple(several(_column, frame.get_columns(), numbers))
    options.progress(1.0)
    return Contents((Table(columns),))


def _scan(source: Source) -> pl.LazyFrame | None:
    """The file as it lies on disk, if it may be large."""
    import polars as pl

    if source.path is None or source.size < LEAST_LARGE_BYTES:
        return None
    if source.head.startswith(PARQUET):
        return pl.scan_parquet(source.path)
    return pl.scan_ipc(source.path) if source.head.startswith(ARROW) else None


def _rows_if_large(scan: pl.LazyFrame, options: ReadOptions) -> int:
    """How many rows it has; 0 if they all fit in memory."""
    import polars as pl

    rows = int(scan.select(pl.len()).collect().item())
    count = rows * 8 * len(scan.collect_schema())
    tight = options.memory_limit_bytes is not None and not can_map(PARSER_BYTES + PARSER_FACTOR * count)
    return rows if tight or count > options.large_bytes else 0


def _in_batches(scan: pl.LazyFrame, rows: int, options: ReadOptions) -> tuple[Column, ...]:
    """Columns on disk. Dates are kept as whole counts until the first one is known."""
    import polars as pl

    schema = scan.collect_schema()
    wanted = [name for name, kind in schema.items() if kind.is_numeric() or kind.is_temporal() or kind == pl.Boolean]
    dates = [schema[name].is_temporal() for name in wanted]
    done = 0
    with SpooledColumns([_kept_as(schema[name]) for name in wanted]) as spool:
        for batch in scan.select(wanted).collect_batches(maintain_order=True):
            spool.append([_plain(series) for series in batch.get_columns()])
            done += len(batch)
            options.progress(min(1.0, done / rows))
        arrays = spool.arrays()
    places = list(schema)
    return tuple(
        _date_column(name, values, schema[name], places.index(name) + 1)
        if date
        else Column(name, values, number=places.index(name) + 1)
        for name, values, date in zip(wanted, arrays, dates, strict=True)
    )


def _kept_as(kind: pl.DataType) -> type[np.generic]:
    """What holds the numbers of a column, and NaN where there is none. 24 bits are enough for whole numbers of 16."""
    import polars as pl

    if kind.is_temporal():
        return np.int64
    small = kind in (pl.Float32, pl.Int16, pl.UInt16, pl.Int8, pl.UInt8, pl.Boolean)
    return np.float32 if small else np.float64


def _plain(series: pl.Series) -> NDArray[Any]:
    """Numbers, NaN where there is none; moments as whole counts, or `NO_MOMENT`."""
    import polars as pl

    if series.dtype == pl.Date:
        series = series.cast(pl.Datetime("us"))
    if series.dtype.is_temporal():
        return series.to_physical().cast(pl.Int64).fill_null(NO_MOMENT).to_numpy()
    return series.cast(pl.Float32 if _kept_as(series.dtype) is np.float32 else pl.Float64).to_numpy()


def _date_column(name: str, counts: NDArray[Any], kind: pl.DataType, number: int) -> Column:
    import polars as pl

    unit = STEPS_S[getattr(kind, "time_unit", None) or ("us" if kind == pl.Date else "ns")]
    dated = kind == pl.Date or isinstance(kind, pl.Datetime)
    known = [int(part[part != NO_MOMENT].min(initial=-NO_MOMENT - 1)) for part in blocks_of(counts)] if dated else []
    least = min(known, default=0)
    seconds = in_blocks(counts, lambda part: np.where(part == NO_MOMENT, np.nan, (part - least) * unit))
    return Column(name, seconds, "s", number, spelled="date" if dated else "number")


def _check_stream(source: Source, options: ReadOptions) -> None:
    """Refuse a stream that cannot be read in pieces and does not fit."""
    if source.size > (options.memory_limit_bytes or 1 << 60) // 3:
        raise _no_room(source, "an Arrow stream", "Save it as a Parquet or Arrow file: these are read in pieces")


def _no_room(source: Source, what: str, hint: str) -> DataError:
    return DataError(
        code="out-of-memory",
        what=f"{source.name} is {what}, and reading it takes more memory than this process may use",
        hint=hint,
    )


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
    return Column(series.name, _in_one_piece(series), number=number)


def _in_one_piece(series: pl.Series) -> NDArray[Any]:
    """Numbers of all chunks; polars's own way of joining them is slower where there is nothing empty in them."""
    if series.n_chunks() == 1 or series.null_count() or not (series.dtype.is_float() or series.dtype.is_integer()):
        return series.to_numpy()
    chunks = [chunk.to_numpy() for chunk in series.get_chunks()]
    return np.concatenate(chunks, out=np.empty(len(series), chunks[0].dtype))


def _moments(series: pl.Series, number: int) -> Column:
    """Dates, times of day and durations as seconds; dates from the first one on."""
    import polars as pl

    kind = series.dtype
    if kind == pl.Date:
        series = series.cast(pl.Datetime("us"))
    unit = getattr(series.dtype, "time_unit", "ns")
    counts = series.to_physical()
    least = counts.min() if isinstance(series.dtype, pl.Datetime) else 0
    seconds = (counts - (least or 0)).cast(pl.Float64).to_numpy() * STEPS_S[unit or "ns"]
    return Column(
        series.name, seconds, "s", number, spelled="date" if isinstance(series.dtype, pl.Datetime) else "number"
    )
