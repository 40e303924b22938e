"""Tables of plain columns -> channels on a time base: sampled traces, logic levels, or slow readings."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError, UsageError
from tightside.recordings.headings import Unit, find_unit, split_heading
from tightside.recordings.spool import BLOCK, blocks_of, in_blocks, in_order
from tightside.recordings.tables import Column, ReadOptions, Table
from tightside.recordings.timebase import (
    Grid,
    choose_time,
    counts_on,
    counts_rows,
    counts_samples,
    find_grid,
    longest_run,
    seconds_of,
    split_pairs,
    strict_grid,
    without_midnight,
)
from tightside.records import Channel, Floats, Levels, Readings, Samples, Trace

LOG_RATE_HZ = 100.0  # slower than this, no tooth of a crank wheel can be seen: it is a log
CHANGING_ROWS = 0.9  # rows of an edge list in which some channel changes
FAR_S = 1.0
CLOCKS_HZ = (1e3, 1e4, 1e5, 1e6, 2e6, 4e6, 5e6, 8e6, 1e7, 1.2e7, 1.6e7, 2e7, 2.4e7, 2.5e7, 4e7, 5e7)

Kind = Literal["sensor", "log"]


@dataclass(frozen=True, slots=True)
class Shaped:
    """Channels without roles, and what was said on the way."""

    channels: tuple[Channel, ...]
    kind: Kind
    warnings: tuple[str, ...]


def shape_tables(tables: tuple[Table, ...], options: ReadOptions) -> Shaped:
    """Channels of all tables on one clock whose zero is the first sample of the recording."""
    timed = [part for table in tables for part in _timed(table, options)]
    if not timed or not any(part.columns for part in timed):
        raise DataError(
            code="no-numbers",
            what="there is no column of numbers beside the time",
            hint="A recording needs a time column (or --rate-hz) and at least one channel",
        )
    zero = min(part.start_s for part in timed)
    warnings = [warning for part in timed for warning in part.warnings]
    if abs(zero) > FAR_S:
        warnings.append(f"times were moved by {-zero:.9g} s so that the recording starts at 0")
    channels = [channel for part in timed for channel in part.channels(zero)]
    kind: Kind = "log" if all(part.slow for part in timed) else "sensor"
    return Shaped(tuple(channels), kind, tuple(dict.fromkeys(warnings)))


@dataclass(frozen=True, slots=True, eq=False)
class Timed:
    """Columns whose time base is settled: even (``grid``) or by each row's own time."""

    columns: tuple[Column, ...]
    times_s: Floats | None
    grid: Grid | None
    edges: bool
    slow: bool
    warnings: tuple[str, ...]
    gap_times_s: Floats | None = None  # of each row, where the grid has gaps

    @property
    def start_s(self) -> float:
        """Time of the first row on the file's own clock. [s]"""
        if self.times_s is not None:
            return float(self.times_s[0])
        return self.grid.start_s if self.grid else 0.0

    def channels(self, zero_s: float) -> list[Channel]:
        """One channel for each column."""
        return [self._channel(column, zero_s) for column in self.columns]

    def _channel(self, column: Column, zero_s: float) -> Channel:
        unit = find_unit(column.unit or split_heading(column.heading)[1])
        name = unit.name if unit else column.unit or split_heading(column.heading)[1]
        why = {"text": "text, not numbers"}.get(column.spelled, "")
        return Channel(column.heading, self._samples(column, unit or Unit(""), zero_s), name, why=why)

    def _samples(self, column: Column, unit: Unit, zero_s: float) -> Samples:
        if self.edges:
            assert self.times_s is not None
            return levels_of(self.times_s - zero_s, column.numbers())
        scale, offset = column.scale * unit.factor, column.offset * unit.factor + unit.offset
        if self.grid is None or self.slow:
            times = self.times_s if self.times_s is not None else _grid_times(self.grid, len(column.values))
            values = column.values
            if (scale, offset) != (1.0, 0.0) or values.dtype != np.float64:
                values = in_blocks(values, lambda part: part * scale + offset)
            return Readings(times if zero_s == 0.0 else in_blocks(times, lambda part: part - zero_s), values)
        raw = compact(
            column.values if self.gap_times_s is None else _spread(column.values, self.gap_times_s, self.grid)
        )
        return Trace(raw, self.grid.rate_hz, self.grid.start_s - zero_s, scale, offset)


def _grid_times(grid: Grid | None, rows: int) -> Floats:
    assert grid is not None
    return grid.start_s + np.arange(rows) / grid.rate_hz


def _timed(table: Table, options: ReadOptions) -> list[Timed]:
    if table.rate_hz is not None:
        rate = options.rate_hz or table.rate_hz
        return [_by_rate(table, table.columns, rate, ())]
    if table.time is not None:
        return [_by_times(table, table.time, (), options)]
    by_hand = options.channels.get("time")
    if by_hand is None and len(parts := split_pairs(table)) > 1:
        return [timed for part in parts for timed in _timed(part, options)]
    counted_hz = options.rate_hz or table.stated_rate_hz
    counter = next((c for c in table.columns if counts_samples(c)), None) if counted_hz and not by_hand else None
    if counter is not None and counted_hz:
        rest = tuple(c for c in table.columns if c is not counter)
        seconds = Column(
            counter.heading, in_blocks(counter.values, lambda part: part / counted_hz), "s", counter.number
        )
        counts = f"column '{counter.heading}' counts samples; with {counted_hz:g} Hz it is the time"
        return [_by_times(replace(table, columns=rest), seconds, (counts,), replace(options, units={}))]
    time, said = (pick_column(by_hand, table.columns), []) if by_hand else choose_time(table)
    if options.rate_hz is not None:
        rest = tuple(c for c in table.columns if c is not time and not counts_rows(c))
        note = (f"column '{time.heading}' was not used: the rate was given by hand",) if time else ()
        return [_by_rate(table, rest, options.rate_hz, note)]
    if time is None and table.stated_rate_hz is not None:
        rest = tuple(c for c in table.columns if not counts_rows(c))
        return [
            _by_rate(
                table,
                rest,
                table.stated_rate_hz,
                (f"no column is the time; the file states {table.stated_rate_hz:g} Hz",),
            )
        ]
    if time is None:
        raise DataError(
            code="no-time-column",
            what="no column is the time",
            expected="a column that only ever increases",
            got=", ".join(f"'{c.heading}'" for c in table.columns[:8]) or "none",
            hint="Give the sample rate (--rate-hz 10000), or name the column (--channel time=COLUMN)",
        )
    rest = tuple(c for c in table.columns if c is not time)
    return [_by_times(replace(table, columns=rest), time, tuple(said), options)]


def _by_rate(table: Table, columns: tuple[Column, ...], rate_hz: float, warnings: tuple[str, ...]) -> Timed:
    if not (np.isfinite(rate_hz) and rate_hz > 0):
        raise UsageError(
            code="bad-rate", what="the sample rate is no rate", expected="more than 0 Hz", got=f"{rate_hz} Hz"
        )
    numeric = _with_content(columns, slow=False)
    rows = max((len(c.values) for c in numeric), default=0)
    grid = Grid(rate_hz, table.start_s, rows)
    return Timed(numeric, None, grid, False, rate_hz <= LOG_RATE_HZ, warnings)


def _by_times(table: Table, time: Column, warnings: tuple[str, ...], options: ReadOptions) -> Timed:
    times, said = seconds_of(time, options.units, whole_rows=not _mostly_logic(table.columns))
    grid = strict_grid(times)
    columns = table.columns
    more: list[str] = []
    if grid is None:
        columns, times, table = _timed_rows(table, times)
        if time.spelled == "clock":
            times = without_midnight(times)
        part, more = longest_run(times, table)
        if part != slice(0, len(times)):
            times, columns = times[part], tuple(replace(c, values=c.values[part]) for c in columns)
    columns = tuple(c for c in columns if not counts_rows(c) and not counts_on(c))
    notes = (*warnings, *said, *more)
    if len(times) < 2:
        raise DataError(
            code="no-rows",
            what="the time column holds fewer than two times",
            expected="at least 2",
            got=str(len(times)),
        )
    if is_edge_list(columns):
        return Timed(_with_content(columns, slow=False), times, None, True, False, notes)
    grid = grid or find_grid(times)
    slow = (len(times) - 1) / max(times[-1] - times[0], 1e-12) <= LOG_RATE_HZ
    if grid is not None and grid.missing and not slow:
        notes = (*notes, f"{grid.missing} samples are missing from the time column; they were left empty")
    if grid is None and not slow:
        notes = (*notes, "the rows are not evenly spaced in time; each keeps its own time")
    kept = None if grid and not slow else times
    gapped = times if grid and grid.missing and not slow else None
    return Timed(_with_content(columns, slow), kept, grid, False, slow, notes, gapped)


def _timed_rows(table: Table, times: Floats) -> tuple[tuple[Column, ...], Floats, Table]:
    """Rows that have a time."""
    if all(np.isfinite(part).all() for part in blocks_of(times)):
        return table.columns, times, table
    kept = np.flatnonzero(np.isfinite(times))
    columns = tuple(replace(c, values=c.values[kept]) for c in table.columns)
    breaks = tuple(int(np.searchsorted(kept, row)) for row in table.breaks)
    place = table.place
    return columns, times[kept], replace(table, columns=columns, breaks=breaks, place=lambda row: place(int(kept[row])))


def _with_content(columns: tuple[Column, ...], slow: bool) -> tuple[Column, ...]:
    """Columns worth a channel. A log keeps its empty and wordy ones by name: they tell what was not given."""
    if slow:
        numeric = any(_has_numbers(c) for c in columns)
        return tuple(c for c in columns if numeric and (_has_numbers(c) or c.named))
    return tuple(c for c in columns if _has_numbers(c))


def _has_numbers(column: Column) -> bool:
    if column.spelled == "text" or not len(column.values):
        return False
    values = column.values
    return values.dtype.kind != "f" or not np.isnan(values[0]) or not is_empty(values)


def is_empty(values: NDArray[Any]) -> bool:
    """Whether no cell holds a number."""
    return all(np.isnan(part).all() for part in blocks_of(values))


def pick_column(wanted: str, columns: tuple[Column, ...]) -> Column:
    """The column of that heading (with or without its unit, in any case), or of that 1-based number.

    Raises
    ------
    UsageError
        None fits, or more than one.
    """
    word = wanted.strip()
    for same in (
        lambda c: c.heading == word,
        lambda c: c.heading.casefold() == word.casefold(),
        lambda c: split_heading(c.heading)[0].casefold() == split_heading(word)[0].casefold(),
        lambda c: word.isdigit() and c.number == int(word),
    ):
        found = [c for c in columns if same(c)]
        if found:
            return found[0]
    raise UsageError(
        code="unknown-column",
        what=f"there is no column '{wanted}'",
        expected="one of " + ", ".join(f"{c.number} '{c.heading}'" for c in columns[:40]),
    )


# --------------------------------------------------------------------------------------------------- logic levels


def _two_levels(values: NDArray[Any]) -> bool:
    if values.dtype.kind == "b":
        return True
    head = values[:256]
    if len(head) and np.any((head != 0) & (head != 1)):
        return False
    return all(bool(np.all((part == 0) | (part == 1))) for part in blocks_of(values))


def _mostly_logic(columns: tuple[Column, ...]) -> bool:
    return bool(columns) and all(_two_levels(c.values) for c in columns if _has_numbers(c) and not counts_rows(c))


def is_edge_list(columns: tuple[Column, ...]) -> bool:
    """Whether the rows are changes of logic levels: zeros and ones, and nearly every row changes something."""
    logic = [c.values for c in columns if _has_numbers(c)]
    if not logic or not all(map(_two_levels, logic)) or len(logic[0]) < 2:
        return False
    rows = len(logic[0])
    changes = 0
    for start in range(0, rows - 1, BLOCK):
        parts = [values[start : start + BLOCK + 1] for values in logic]
        changed = np.logical_or.reduce([part[1:] != part[:-1] for part in parts])
        last = start + len(changed) == rows - 1 and rows > 3  # a last row may repeat the one before it
        changes += int(np.count_nonzero(changed[: len(changed) - last]))
    return changes >= CHANGING_ROWS * (rows - 1 - (rows > 3))


def levels_of(times_s: Floats, values: Floats) -> Levels:
    """One channel of an edge list: its own changes only.

    Rows with one and the same time are one change each of different channels; the last of them counts.

    >>> levels_of(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 1.0, 1.0, 0.0])).times_s
    array([1., 3.])
    """
    last_of_time = np.append(np.diff(times_s) > 0, True)
    times, level = times_s[last_of_time], (values[last_of_time] > 0.5).astype(np.int8)
    change = np.flatnonzero(np.diff(level)) + 1
    return Levels(times[change], level[change], float(times_s[0]), float(times_s[-1]), resolution_of(times_s))


def resolution_of(times_s: Floats) -> float:
    """Step of the recorder's clock as far as the times show it: a common clock's period, or the last decimal. [s]"""
    late = times_s[len(times_s) // 2 :]
    late = late[:4096]
    for decimals in range(10):
        scaled = late * 10.0**decimals
        if np.all(np.abs(scaled - np.rint(scaled)) <= 1e-6 + np.abs(scaled) * 1e-12):
            break
    printed = 10.0**-decimals
    for clock_hz in CLOCKS_HZ:
        ticks = late * clock_hz
        if printed * clock_hz <= 0.1 and np.all(np.abs(ticks - np.rint(ticks)) <= 1.1 * printed * clock_hz + 1e-6):
            return 1 / clock_hz
    return printed


# ---------------------------------------------------------------------------------------------------------- traces


def compact(values: NDArray[Any]) -> NDArray[Any]:
    """Whole numbers that fit become int16 (zeros and ones uint8); all else stays as it is."""
    if values.dtype.kind == "b":
        return in_blocks(values, lambda part: part, np.uint8)
    head = values[:1024]
    if values.dtype == np.int64 or (values.dtype.kind == "u" and values.dtype.itemsize > 2):
        return in_blocks(values, lambda part: part)
    if values.dtype.kind != "f" or not len(head) or not np.array_equal(head, np.rint(head)):
        return values
    if not all(map(_fits_int16, blocks_of(values))):
        return values
    return in_blocks(values, lambda part: part, np.int16)


def _fits_int16(part: NDArray[Any]) -> bool:
    low, high = part.min(), part.max()
    return bool(low >= -32768 and high <= 32767) and np.array_equal(part, part.astype(np.int16))


def _spread(values: NDArray[Any], times_s: Floats, grid: Grid) -> NDArray[Any]:
    """One value for each place of the grid, NaN where there was no row."""
    return in_order(values, lambda start, part: _places(times_s[start : start + len(part)], grid), grid.slots)


def _places(times_s: Floats, grid: Grid) -> NDArray[np.int64]:
    places = np.rint((times_s - grid.start_s) * grid.rate_hz).astype(np.int64)
    return np.clip(places, 0, grid.slots - 1)
