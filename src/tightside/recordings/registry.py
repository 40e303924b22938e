"""All formats in one table, and the one door: bytes -> Recording."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np

from tightside.errors import DataError, TightsideError, UsageError
from tightside.recordings.formats import can, csv, hdf5, mdf, npz, parquet, wav
from tightside.recordings.headings import UNITS, find_unit
from tightside.recordings.pointers import pointer_for
from tightside.recordings.roles import assign_roles, check_role, spark_in_degrees
from tightside.recordings.shaping import pick_column, shape_tables
from tightside.recordings.source import Source
from tightside.recordings.tables import Column, Contents, ReadOptions, Table
from tightside.records import Channel, Recording


@dataclass(frozen=True, slots=True)
class Format:
    """A way to write recordings: is it mine, and read it.

    ``sniff`` looks at the first bytes and gives the reason why the file is not of this format, or "" if it is.
    """

    name: str
    sniff: Callable[[Source], str]
    read: Callable[[Source, ReadOptions], Contents]


FORMATS: tuple[Format, ...] = (
    Format("wav", wav.sniff, wav.read),
    Format("mdf", mdf.sniff, mdf.read),
    Format("parquet", parquet.sniff, parquet.read),
    Format("hdf5", hdf5.sniff, hdf5.read),
    Format("npz", npz.sniff, npz.read),
    Format("can", can.sniff, can.read),
    Format("csv", csv.sniff, csv.read),  # last: it takes any text with rows of numbers
)


def find_format(source: Source) -> Format:
    """The first format that knows the file.

    Raises
    ------
    DataError
        None does; the sentence has each one's reason, or what to do with a file that is known but of no use.
    """
    if source.size == 0:
        raise DataError(code="empty-file", what=f"{source.name} is empty", hint="Save the recording again")
    pointer = pointer_for(source)
    if pointer:
        raise DataError(code="other-file", what=f"{source.name} is {pointer.what}", hint=pointer.hint)
    reasons = []
    for known in FORMATS:
        reason = known.sniff(source)
        if not reason:
            return known
        reasons.append(f"{known.name}: {reason}")
    raise DataError(
        code="unknown-format", what=f"{source.name} is no recording that can be read", got="; ".join(reasons)
    )


def read_recording(
    path_or_stream: str | os.PathLike[str] | BinaryIO,
    *,
    channels: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    rate_hz: float | None = None,
    scales: Mapping[str, float] | None = None,
    progress: Callable[[float], None] | None = None,
    dbc: str | os.PathLike[str] | None = None,
    memory_limit_bytes: int | None = None,
) -> Recording:
    """Read a recording in whatever format it is.

    Parameters
    ----------
    path_or_stream : path or binary stream
        A stream is read from where it stands; what was packed with gzip, zstd, bzip2 or xz is opened up.
    channels : role -> column
        Said by hand: a heading, or a 1-based number of the column. The role "time" names the time column.
    units : role or heading -> unit
        Unit of the numbers in the file, where the heading does not say it or is wrong; "time" for the time.
    rate_hz : float, optional
        Sample rate. [Hz] For files without a time column; goes before one that is there.
    scales : role or heading -> factor
        Multiplies the numbers in the file, before the unit.
    progress : callable, optional
        Is told the fraction done, 0 to 1.
    dbc : path, optional
        Message descriptions for CAN logs.
    memory_limit_bytes : int, optional
        Memory that may be used. Larger files go through temporary files, or are refused.

    Returns
    -------
    Recording
        Times start at its first sample. ``warnings`` say what had to be assumed.

    Raises
    ------
    UsageError
        No such file, role, column or unit.
    DataError
        The file cannot be used; one line says why and what to do.
    """
    options = ReadOptions(
        channels=dict(channels or {}),
        units=dict(units or {}),
        rate_hz=rate_hz,
        scales=dict(scales or {}),
        dbc=Path(dbc) if dbc is not None else None,
        memory_limit_bytes=memory_limit_bytes,
        progress=progress or (lambda _: None),
    )
    for role in options.channels:
        if role != "time":
            check_role(role)
    with Source(path_or_stream, memory_limit_bytes) as source:
        known = find_format(source)
        try:
            contents = known.read(source, options)
            with np.errstate(all="ignore"):  # what is absurd in a file ends as NaN or as a complaint of ours
                recording = _recording(source, known.name, contents, options)
        except TightsideError as problem:
            raise _placed(problem, source.name) from problem.__cause__
        except MemoryError as problem:
            raise DataError(
                code="out-of-memory",
                what=f"{source.name} is larger than the memory allows",
                hint="Cut it to the part that matters",
            ) from problem
        return replace(recording, hashed=source.hashed())


def _placed(problem: TightsideError, file: str) -> TightsideError:
    fields = problem.fields()
    if file not in problem.sentence():
        fields["where"] = f"{file}, {fields['where']}" if fields["where"] else file
    return type(problem)(**fields)


def _recording(source: Source, name: str, contents: Contents, options: ReadOptions) -> Recording:
    shaped = shape_tables(contents.tables, options)
    kind: Literal["sensor", "log", "sound"] = contents.kind or shaped.kind
    if kind == "sound" and options.channels:
        kind = "sensor"
    headings = _all_columns(contents.tables)
    by_hand = {
        role: _index_of(wanted, shaped.channels, headings)
        for role, wanted in options.channels.items()
        if role != "time"
    }
    channels = assign_roles(shaped.channels, kind, by_hand)
    if options.units or options.scales:
        changed = tuple(_said_by_hand(table, channels, options) for table in contents.tables)
        again = shape_tables(changed, options)
        channels = assign_roles(again.channels, kind, by_hand)
    channels, said = spark_in_degrees(channels)
    return Recording(source.name, kind, channels, name, (*contents.warnings, *shaped.warnings, *said))


def _all_columns(tables: tuple[Table, ...]) -> tuple[Column, ...]:
    return tuple(column for table in tables for column in (*([table.time] if table.time else []), *table.columns))


def _index_of(wanted: str, channels: tuple[Channel, ...], columns: tuple[Column, ...]) -> int:
    heading = pick_column(wanted, columns).heading
    index = next((i for i, channel in enumerate(channels) if channel.column == heading), None)
    if index is None:
        raise UsageError(
            code="not-a-channel", what=f"column '{heading}' is the time, or holds no numbers", expected="a channel"
        )
    return index


def _said_by_hand(table: Table, channels: tuple[Channel, ...], options: ReadOptions) -> Table:
    """The table with units and scales as the user said them."""
    heading_of = {c.role: c.column for c in channels if c.role} | {c.column: c.column for c in channels}
    scales = {_known(key, heading_of): factor for key, factor in options.scales.items() if key != "time"}
    units = {_known(key, heading_of): _known_unit(unit) for key, unit in options.units.items() if key != "time"}
    columns = tuple(
        replace(
            c,
            unit=units.get(c.heading, c.unit),
            scale=c.scale * scales.get(c.heading, 1.0),
            offset=c.offset * scales.get(c.heading, 1.0),
        )
        for c in table.columns
    )
    return replace(table, columns=columns)


def _known(key: str, heading_of: Mapping[str, str]) -> str:
    if key in heading_of:
        return heading_of[key]
    same = next((heading for heading in heading_of if heading.casefold() == key.casefold()), None)
    if same is None:
        raise UsageError(
            code="unknown-column",
            what=f"there is no role or column '{key}' in the file",
            expected="one of " + ", ".join(heading_of),
        )
    return heading_of[same]


def _known_unit(unit: str) -> str:
    if find_unit(unit) is None:
        known = sorted({known.name for known in UNITS.values()})
        raise UsageError(
            code="unknown-unit",
            what=f"there is no unit '{unit}'",
            expected="one of " + ", ".join(known) + " or a multiple",
        )
    return unit
