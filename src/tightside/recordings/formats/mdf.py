"""ASAM MDF measurement files (version 4, and 3), through asammdf."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.recordings.damage import damage_told, hushed
from tightside.recordings.dbc import EXTENDED, Frames, dbc_needed, decoded
from tightside.recordings.formats.mdf_chains import Chains
from tightside.recordings.source import Source, needed
from tightside.recordings.spool import SpooledColumns
from tightside.recordings.tables import Column, Contents, ReadOptions, Table

RECORDS = 1 << 20
LONGEST_RECORD_BYTES = 1 << 24
MOST_PACKED = 1100  # bytes that deflate can make of one
BEHIND = ("asammdf", "isal", "igzip_lib", "zlib_ng", "deflate", "lz4", "zstd", "zstandard", "canmatrix", "lxml", "xml")


def sniff(source: Source) -> str:
    """Whether it starts with the file identification."""
    return "" if source.head[:8] in (b"MDF     ", b"UnFinMF ") else "no MDF mark"


def read(source: Source, options: ReadOptions) -> Contents:
    """Every channel group that has rows, on its own master (time) channel; logged CAN messages by their DBC."""
    asammdf = needed("asammdf", "MDF files")
    with Frames(options.dbc) as frames:
        with damage_told(source.name, "MDF file", *BEHIND), hushed("asammdf"):
            Chains(source.open(), 3 if source.head[64:66] == b"HD" else 4).check()
            file = _opened(asammdf, source)
            try:
                tables = tuple(_tables(file, source, options))
                for index in _message_groups(file):
                    _add_frames(file, index, frames)
            finally:
                file.close()
        if not frames.by_message:
            return Contents(tables)
        if options.dbc is None:
            raise dbc_needed(source)
        messages = decoded(frames, options.dbc, source.name)
    return Contents(tables + messages.tables, messages.warnings)


def _opened(asammdf: Any, source: Source) -> Any:
    """The file, given as a stream: by its name, asammdf may unpack or remove it."""
    stream = source.open() if source.path is not None else io.BytesIO(source.whole())
    try:
        return asammdf.MDF(stream)
    except Exception as problem:
        _lay_to_rest(problem.__traceback__)
        raise


def _lay_to_rest(at: TracebackType | None) -> None:
    """Mark what asammdf had half built as closed: else its finaliser fails aloud on what is not there yet."""
    while at is not None:
        half_built: Any = at.tb_frame.f_locals.get("self")
        if getattr(half_built, "_closed", True) is False:
            half_built._closed = True
            half_built._tempfile.close()
        at = at.tb_next


def _message_groups(file: Any) -> set[int]:
    """Groups that hold raw CAN messages (ASAM's bus logging)."""
    if file.version < "4":
        return set()
    return {index for groups in file.bus_logging_map["CAN"].values() for index in groups.values()}


def _add_frames(file: Any, index: int, frames: Frames) -> None:
    rows = file.get("CAN_DataFrame", group=index).samples
    times = file.get_master(index)
    field = {name.rsplit(".", 1)[-1]: rows[name] for name in rows.dtype.names}
    lengths = field["DataLength"] if "DataLength" in field else field["DLC"]
    longs = field.get("IDE", np.zeros(len(rows), np.uint8))
    for at, name, long, length, payload in zip(
        times.tolist(), field["ID"].tolist(), longs.tolist(), lengths.tolist(), field["DataBytes"], strict=True
    ):
        frames.add(at, (name & (EXTENDED - 1)) | (EXTENDED if long else 0), payload[:length].tobytes())


def _tables(file: Any, source: Source, options: ReadOptions) -> Iterator[Table]:
    number = 0
    raw = _message_groups(file)
    for index, group in enumerate(file.groups):
        master = file.masters_db.get(index)
        places = [i for i, channel in enumerate(group.channels) if i != master and _may_be_number(channel)]
        if index in raw or not places:
            continue
        rows = _rows(group, source)
        wanted = [(None, index, place) for place in places]
        if rows * 8 * (len(places) + 1) > options.large_bytes:
            times, columns = _in_pieces(file, wanted, rows, options)
        else:
            times, columns = _at_once(file, wanted)
        columns = tuple(replace(column, number=number + column.number) for column in columns)
        number += len(places)
        options.progress((index + 1) / len(file.groups))
        if columns and len(columns[0].values):
            yield Table(columns, time=Column("time", times, "s"))


def _rows(group: Any, source: Source) -> int:
    """Records of a group.

    Raises
    ------
    ValueError
        The file says that it holds more than can be in so few bytes, or that a channel stands outside its record:
        asammdf's compiled parts trust both.
    """
    heading = group.channel_group
    marks = int(getattr(heading, "invalidation_bytes_nr", 0))
    record, rows = int(heading.samples_byte_nr), int(heading.cycles_nr)
    if record + marks > LONGEST_RECORD_BYTES or rows * (record + marks) > MOST_PACKED * source.size:
        raise ValueError(f"{rows} records of {record} bytes in a file of {source.size}")
    for channel in group.channels:
        if _last_byte(channel) > record or int(getattr(channel, "pos_invalidation_bit", 0)) >= 8 * max(marks, 1):
            raise ValueError(f"channel '{channel.name}' stands outside its record of {record} bytes")
    return rows


def _may_be_number(channel: Any) -> bool:
    """Whether a channel is no text, bytes or picture. ASAM MDF 4.1: cn_type 1 has no fixed length, cn_data_type 0 to 5
    are numbers."""
    return not hasattr(channel, "byte_offset") or (channel.channel_type != 1 and channel.data_type <= 5)


def _last_byte(channel: Any) -> int:
    """Bytes of a record up to the end of a channel."""
    if not hasattr(channel, "byte_offset"):  # version 3 counts bits
        return (int(channel.start_offset) + int(channel.bit_count) + 7) // 8
    virtual = channel.channel_type in (3, 6)  # ASAM MDF 4.1, cn_type: made by counting, without bytes
    return 0 if virtual else int(channel.byte_offset) + (int(channel.bit_offset) + int(channel.bit_count) + 7) // 8


Place = tuple[None, int, int]


def _at_once(file: Any, wanted: list[Place]) -> tuple[NDArray[Any], tuple[Column, ...]]:
    signals = file.select(wanted, ignore_value2text_conversions=True, copy_master=False)  # one pass over the group
    columns = [
        Column(signal.name, _numbers(signal), signal.unit or "", i)
        for i, signal in enumerate(signals, 1)
        if _is_numeric(signal)
    ]
    return np.asarray(signals[0].timestamps, dtype=np.float64), tuple(columns)


def _in_pieces(
    file: Any, wanted: list[Place], rows: int, options: ReadOptions
) -> tuple[NDArray[Any], tuple[Column, ...]]:
    """Some records at a time, kept on disk."""

    def piece(start: int, count: int) -> list[Any]:
        found: list[Any] = file.select(
            wanted, record_offset=start, record_count=count, ignore_value2text_conversions=True, copy_master=False
        )
        return found

    first = piece(0, min(rows, 16))
    kept = [i for i, signal in enumerate(first) if _is_numeric(signal)]
    dtypes = [_numbers(first[i]).dtype if first[i].invalidation_bits is None else np.dtype(np.float64) for i in kept]
    with SpooledColumns([np.float64, *dtypes]) as spool:
        for start in range(0, rows, RECORDS):
            signals = piece(start, min(RECORDS, rows - start))
            spool.append([signals[0].timestamps, *(_numbers(signals[i]) for i in kept)])
            options.progress(min(1.0, (start + RECORDS) / rows))
        times, *arrays = spool.arrays()
    columns = [Column(first[i].name, a, first[i].unit or "", i + 1) for i, a in zip(kept, arrays, strict=True)]
    return times, tuple(columns)


def _is_numeric(signal: Any) -> bool:
    return bool(signal.samples.ndim == 1 and signal.samples.dtype.kind in "iufb")


def _numbers(signal: Any) -> NDArray[Any]:
    """Samples in this machine's byte order, NaN where the file marks them as invalid."""
    samples: NDArray[Any] = signal.samples
    if not samples.dtype.isnative:
        samples = samples.astype(samples.dtype.newbyteorder("="))
    invalid = signal.invalidation_bits
    return samples if invalid is None or not np.any(invalid) else np.where(invalid, np.nan, samples)
