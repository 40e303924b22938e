"""A simulated recording as a CSV table: sampled, a row per change, or a slow log."""

from __future__ import annotations

from typing import IO, TYPE_CHECKING

import numpy as np

from tightside.errors import UsageError
from tightside.records import Channel, Floats, Levels, Readings, Recording, Trace

if TYPE_CHECKING:
    from polars import DataFrame

TIME = "Time [s]"


def write_csv(recording: Recording, target: str | IO[bytes]) -> None:
    """Write a recording whose channels are all sampled alike, or all lists of level changes, or readings of one log.

    Raises
    ------
    UsageError
        If the recording mixes the two.
    """
    kinds = {type(c.data) for c in recording.channels}
    if kinds == {Trace}:
        table = _sampled_table(recording)
    elif kinds == {Levels}:
        table = _edge_table(recording)
    elif kinds == {Readings}:
        table = _log_table(recording)
    else:
        raise UsageError(
            code="mixed-channels", what="a CSV file takes sampled channels, edge lists or a log, not a mix"
        )
    table.write_csv(target, float_scientific=False)


def _heading(channel: Channel) -> str:
    return f"{channel.column} [{channel.unit}]" if channel.unit and "[" not in channel.column else channel.column


def _sampled_table(recording: Recording) -> DataFrame:
    import polars as pl

    first = recording.channels[0].data
    assert isinstance(first, Trace)
    columns: dict[str, Floats] = {TIME: np.round(first.times_s(), 9)}
    for channel in recording.channels:
        assert isinstance(channel.data, Trace)
        columns[_heading(channel)] = np.round(channel.data.values(), 4)
    return pl.DataFrame(columns)


def _edge_table(recording: Recording) -> DataFrame:
    """Each row repeats all levels. The first row, at the start, and the last, at the end, are no changes."""
    import polars as pl

    lists = [c.data for c in recording.channels if isinstance(c.data, Levels)]
    ends = [lists[0].start_s, lists[0].end_s]
    times = np.unique(np.concatenate([ends, *(data.times_s for data in lists)]))
    columns: dict[str, np.ndarray] = {TIME: np.round(times, 9)}
    for channel, data in zip(recording.channels, lists, strict=True):
        before = 1 - int(data.levels[0]) if len(data.levels) else 0
        levels = np.append(np.int8(before), data.levels)
        columns[_heading(channel)] = levels[np.searchsorted(data.times_s, times, side="right")]
    return pl.DataFrame(columns)


def _log_table(recording: Recording) -> DataFrame:
    """One row for each time; a cell that the tool missed stays empty."""
    import polars as pl

    first = recording.channels[0].data
    assert isinstance(first, Readings)
    columns = {TIME: pl.Series(np.round(first.times_s, 3))}
    for channel in recording.channels:
        assert isinstance(channel.data, Readings)
        columns[_heading(channel)] = pl.Series(np.round(channel.data.values, 3)).fill_nan(None)
    return pl.DataFrame(columns)
