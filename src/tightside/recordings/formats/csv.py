"""Text tables: sampled, edge lists and slow logs, in whatever dialect a recorder or spreadsheet writes.

Plain rows of numbers are parsed by polars as they are; a block that will not go that way is read as text and cell by
cell (units in cells, clock times, headings repeated by a restarted logger).
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError
from tightside.recordings.damage import compiled_hushed
from tightside.recordings.formats.csv_cells import Cells, numbers_from, values_like
from tightside.recordings.formats.csv_dialect import Dialect, find_dialect
from tightside.recordings.headings import find_unit, split_heading, words_of
from tightside.recordings.source import HEAD_BYTES, Source
from tightside.recordings.spool import SpooledColumns, blocks_of, can_map
from tightside.recordings.tables import Column, Contents, ReadOptions, Table, nameless

if TYPE_CHECKING:
    import polars as pl

BLOCK_BYTES = 1 << 25
WHOLE_BYTES = 1 << 27
PARSER_BYTES = 3 << 27  # address space that polars takes for its threads
LONE_PARSER_BYTES = 3 << 25  # with one thread
PARSER_FACTOR = 16  # and for each byte that it parses
_VALUE_WORDS = {"value", "reading", "val", "wert", "level", "state"}
_NAME_WORDS = {"name", "channel", "signal", "pid", "sensor", "parameter", "id", "ch", "variable"}


def sniff(source: Source) -> str:
    """Whether there is a table of numbers in the first lines."""
    found = find_dialect(source.head, source.size <= HEAD_BYTES)
    return found if isinstance(found, str) else ""


def read(source: Source, options: ReadOptions) -> Contents:
    """Read the table, in one go or block by block."""
    dialect = find_dialect(source.head, source.size <= HEAD_BYTES)
    if isinstance(dialect, str):
        raise DataError(code="no-table", what=f"{source.name} has no table of numbers", got=dialect)
    block_bytes = _block_bytes(source, dialect, options)
    if source.size <= block_bytes:
        data, skip = _in_one_go(source, dialect)
        parsed = _parse(data, dialect, skip)
    else:
        raw = _blocks(source, dialect, options.progress, min(block_bytes, BLOCK_BYTES))
        blocks = (_parse(block, dialect, 0) for block in raw)
        first = next(blocks)
        if _long_format(first, dialect, _columns(first, dialect)) is not None:
            return Contents(_long_in_blocks(chain((first,), blocks), dialect))
        parsed = _joined(chain((first,), blocks), dialect.width)
    options.progress(1.0)
    return _contents(parsed, dialect)


# ------------------------------------------------------------------------------------------------------- the bytes


def _block_bytes(source: Source, dialect: Dialect, options: ReadOptions) -> int:
    """Bytes that can be parsed in one go; in a tight address space less, as long as the result itself fits in.

    Raises
    ------
    DataError
        It does not fit.
    """
    if options.memory_limit_bytes is None:
        return WHOLE_BYTES
    import polars  # what it takes for itself on loading has to be counted

    parser = LONE_PARSER_BYTES if polars.thread_pool_size() == 1 else PARSER_BYTES
    lines = max(1, source.head.count(b"\n"))
    result = source.size * lines // len(source.head) * dialect.width * 8
    block = max(1 << 20, min(BLOCK_BYTES, options.memory_limit_bytes // 16))
    while not can_map(parser + PARSER_FACTOR * min(block, source.size) + result):
        block //= 2
        if block < 1 << 18:
            raise DataError(
                code="out-of-memory",
                what=f"{source.name} has about {result // dialect.width // 8} rows, too many for this process",
                expected=f"room for {(parser + result) / 2**30:.1f} GiB, beside the program itself",
                got=f"a limit of {options.memory_limit_bytes / 2**30:.1f} GiB",
                hint="Cut the recording to the part that matters, or raise the limit",
            )
    return block


def _in_one_go(source: Source, dialect: Dialect) -> tuple[bytes | Path, int]:
    """The file as polars can take it, and how many lines to skip."""
    wide = dialect.encoding.startswith(("utf-16", "utf-32"))
    if not wide and dialect.newline == "\n" and dialect.delimiter != " ":
        return source.path or source.whole(), dialect.first_line
    return b"".join(_blocks(source, dialect, lambda _: None, BLOCK_BYTES)), 0


def _blocks(source: Source, dialect: Dialect, progress: Callable[[float], None], block_bytes: int) -> Iterator[bytes]:
    """The rows from the first one on, as UTF-8 (or Latin-1 with plain digits) and whole lines."""
    skip, rest, spaced = dialect.first_line, b"", dialect.delimiter == " "
    for raw in _utf8(source, dialect, progress, block_bytes):
        chunk = rest + raw if rest else raw
        while skip and (end := chunk.find(b"\n")) >= 0:
            chunk, skip = chunk[end + 1 :], skip - 1
        end = 0 if skip else chunk.rfind(b"\n") + 1
        rest = chunk[end:]
        if end:
            yield _tabbed(chunk[:end]) if spaced else chunk[:end]
    if rest and not skip:
        yield (
            _completed(_tabbed(rest), b"\t", dialect)
            if spaced
            else _completed(rest, dialect.delimiter.encode(), dialect)
        )


def _completed(row: bytes, delimiter: bytes, dialect: Dialect) -> bytes:
    """A last row that was cut short, with the cells that it lacks, empty."""
    return row + delimiter * max(0, dialect.width - 1 - row.count(delimiter))


def _utf8(source: Source, dialect: Dialect, progress: Callable[[float], None], block_bytes: int) -> Iterator[bytes]:
    stream = source.open()
    wide = dialect.encoding.startswith(("utf-16", "utf-32"))
    decoder = codecs.getincrementaldecoder(dialect.encoding)("replace") if wide else None
    done = 0
    while raw := stream.read(block_bytes):
        done += len(raw)
        if decoder is not None:
            raw = decoder.decode(raw).encode("utf-8")
        yield raw.replace(b"\r", b"\n") if dialect.newline == "\r" else raw
        progress(min(0.99, done / source.size))


def _tabbed(block: bytes) -> bytes:
    """Runs of blanks as single tabs."""
    return re.sub(rb"[ \t]+(?=\S)", b"\t", re.sub(rb"(?m)^[ \t]+|[ \t\r]+$", b"", block))


# ------------------------------------------------------------------------------------------------------ the parsing


@dataclass(frozen=True, slots=True, eq=False)
class Parsed:
    """Columns of one block, or of all."""

    columns: tuple[Cells, ...]
    texts: dict[int, pl.Series]  # columns of words, or with words in them, as they are
    rows: int
    breaks: tuple[int, ...] = ()  # rows before which headings were repeated
    dropped: int = 0  # lines without any number


def _parse(block: bytes | Path, dialect: Dialect, skip: int) -> Parsed:
    import polars as pl

    types = [pl.Float64 if kind == "number" else pl.String for kind in dialect.spelled]
    if not dialect.trimmed:
        try:
            return _cells(_frame(block, skip, dialect, types), dialect)
        except (pl.exceptions.ComputeError, pl.exceptions.SchemaError):
            pass
    try:
        return _cells(_frame(block, skip, dialect, [pl.String] * dialect.width), dialect)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as problem:
        raise DataError(
            code="table-broken",
            what="the table cannot be taken apart",
            got=str(problem).splitlines()[0],
            hint="Export it again",
        ) from problem


def _frame(block: bytes | Path, skip: int, dialect: Dialect, types: list[Any]) -> pl.DataFrame:
    import polars as pl

    try:
        with compiled_hushed():
            return pl.read_csv(
                block,
                has_header=False,
                skip_lines=skip,
                schema={f"c{i}": kind for i, kind in enumerate(types)},
                separator="\t" if dialect.delimiter == " " else dialect.delimiter,
                decimal_comma=dialect.decimal == "," and dialect.delimiter != "," and pl.Float64 in types,
                truncate_ragged_lines=True,
                extra_columns="ignore",
                encoding="utf8-lossy",
            )
    except pl.exceptions.NoDataError:
        return pl.DataFrame(schema={f"c{i}": kind for i, kind in enumerate(types)})


def _cells(frame: pl.DataFrame, dialect: Dialect) -> Parsed:
    import polars as pl

    repeated: list[int] = []
    texts = [i for i, kind in enumerate(frame.dtypes) if kind == pl.String]
    if len(texts) == dialect.width and dialect.headed:
        frame, repeated = _without_headings(frame, dialect)
    columns, words = [], {}
    for i, series in enumerate(frame.get_columns()):
        if series.dtype == pl.String:
            cells = numbers_from(series, dialect.decimal)
            if cells.spelled == "text" or cells.unread:
                words[i] = series
        else:
            cells = Cells(np.asarray(series.to_numpy(), dtype=np.float64))
        columns.append(cells)
    return _without_blanks(Parsed(tuple(columns), words, len(frame), tuple(repeated)))


def _without_headings(frame: pl.DataFrame, dialect: Dialect) -> tuple[pl.DataFrame, list[int]]:
    """Rows that repeat the heading taken out; before which of the remaining rows they stood."""
    import polars as pl

    named = [i for i, name in enumerate(dialect.headings) if name != nameless(i + 1)]
    if not named:
        return frame, []
    first = named[0]
    same = frame.to_series(first).str.strip_chars() == dialect.headings[first]
    for i in named[1:]:
        same = same & (frame.to_series(i).str.strip_chars() == dialect.headings[i]).fill_null(True)
    where = np.flatnonzero(same.fill_null(False).to_numpy())
    if not len(where):
        return frame, []
    return frame.filter(~pl.Series(same).fill_null(False)), [int(row) - i for i, row in enumerate(where)]


def _without_blanks(parsed: Parsed) -> Parsed:
    """Lines without any number (blank, comments, units repeated) taken out."""
    numeric = [cells.values for cells in parsed.columns if cells.spelled != "text"]
    if not numeric:
        return parsed
    blank = np.isnan(numeric[0])
    if not blank.any():
        return parsed
    for values in numeric[1:]:
        blank &= np.isnan(values)
    if not blank.any():
        return parsed
    keep = ~blank
    columns = tuple(replace(cells, values=cells.values[keep]) for cells in parsed.columns)
    kept_before = np.concatenate([[0], np.cumsum(keep)])
    breaks = tuple(int(kept_before[row]) for row in parsed.breaks)
    texts = {i: series.filter(keep) for i, series in parsed.texts.items()}
    return Parsed(columns, texts, int(keep.sum()), breaks, int(blank.sum()))


def _joined(blocks: Iterable[Parsed], width: int) -> Parsed:
    """All blocks as one, their numbers kept on disk."""
    columns = [Cells(np.empty(0), spelled="text")] * width
    breaks: list[int] = []
    dropped = 0
    with SpooledColumns([np.float64] * width) as spool:
        for block in blocks:
            columns = [_and_then(so_far, here, spool.rows) for so_far, here in zip(columns, block.columns, strict=True)]
            breaks += [spool.rows + row for row in block.breaks]
            dropped += block.dropped
            spool.append([values_like(c, here) for c, here in zip(columns, block.columns, strict=True)])
        done = tuple(replace(c, values=values) for c, values in zip(columns, spool.arrays(), strict=True))
        return Parsed(done, {}, spool.rows, tuple(breaks), dropped)


def _and_then(so_far: Cells, here: Cells, rows: int) -> Cells:
    """What is known of a column after one more block."""
    if here.spelled == "text":
        return so_far
    first = so_far if so_far.unread else replace(here, first_unread=rows + here.first_unread)
    return Cells(
        so_far.values,
        so_far.unit or here.unit,
        here.spelled if so_far.spelled == "text" else so_far.spelled,
        so_far.unread + here.unread,
        first.example,
        first.first_unread,
        here.first_day if so_far.spelled == "text" else so_far.first_day,
    )


# -------------------------------------------------------------------------------------------------------- the table


def _contents(parsed: Parsed, dialect: Dialect) -> Contents:
    if not parsed.rows:
        raise DataError(code="no-rows", what="the table has headings but no rows", hint="Export the recording again")
    columns = _columns(parsed, dialect)
    warnings = _unread(parsed, dialect)
    place = _place(dialect)
    tables = _long_format(parsed, dialect, columns)
    if tables is None:
        tables = (
            Table(columns, headed=dialect.headed, breaks=parsed.breaks, place=place, stated_rate_hz=dialect.rate_hz),
        )
    return Contents(tables, warnings)


def _columns(parsed: Parsed, dialect: Dialect) -> tuple[Column, ...]:
    columns = (
        Column(heading, cells.values, unit or cells.unit, number, spelled=cells.spelled)
        for number, (heading, unit, cells) in enumerate(
            zip(dialect.headings, dialect.units, parsed.columns, strict=True), 1
        )
        if dialect.headed or cells.spelled != "text"
    )
    return tuple(c for c in columns if c.named or _filled(c))


def _filled(column: Column) -> bool:
    return not all(np.isnan(part).all() for part in blocks_of(column.values))


def _unread(parsed: Parsed, dialect: Dialect) -> tuple[str, ...]:
    said = [
        f"'{heading}': cells left empty because they are no numbers: {cells.unread} (the first: '{cells.example[:40]}')"
        for heading, cells in zip(dialect.headings, parsed.columns, strict=True)
        if cells.unread
    ]
    if parsed.breaks:
        said.append(
            f"the headings are repeated inside the table (times: {len(parsed.breaks)}): the logger was restarted"
        )
    return tuple(said)


def _place(dialect: Dialect) -> Callable[[int], str]:
    return lambda row: f"line {dialect.first_line + row + 1}"


def _long_format(parsed: Parsed, dialect: Dialect, columns: tuple[Column, ...]) -> tuple[Table, ...] | None:
    """One reading per row (time, name, value): a table for each name."""
    names = _name_column(parsed, dialect)
    if names is None:
        return None
    index, labels = names
    numeric = [c for c in columns if c.spelled != "text" and c.number != index + 1 and _filled(c)]
    if not numeric:
        return None
    time = numeric[0]
    values = [c for c in numeric if set(words_of(c.heading)) & _VALUE_WORDS] or numeric[-1:]
    mixed = _mixed_values(parsed, index)
    if values[0] is time and mixed is None:
        return None
    units = _unit_words(parsed, labels)
    tables = []
    for number, label in enumerate(dict.fromkeys(labels.tolist()), 1):
        rows = np.flatnonzero(labels == label)
        here = numbers_from(mixed[rows], dialect.decimal) if mixed is not None else Cells(values[0].values[rows])
        channel = Column(str(label), here.values, here.unit or units.get(label, ""), number, spelled=here.spelled)
        tables.append(Table((channel,), time=replace(time, values=time.values[rows]), place=_place(dialect)))
    return tuple(tables)


def _long_in_blocks(blocks: Iterable[Parsed], dialect: Dialect) -> tuple[Table, ...]:
    """The same of a large file: each name's times and readings kept on disk."""
    first: dict[str, Table] = {}
    with ExitStack() as stack:
        spools: dict[str, SpooledColumns] = {}
        for block in blocks:
            for table in _long_format(block, dialect, _columns(block, dialect)) or ():
                (channel,) = table.columns
                if channel.heading not in spools:
                    spools[channel.heading] = stack.enter_context(SpooledColumns([np.float64, np.float64]))
                    first[channel.heading] = table
                assert table.time is not None
                spools[channel.heading].append([table.time.values, channel.values])
        done = []
        for number, (name, spool) in enumerate(spools.items(), 1):
            times, values = spool.arrays()
            time, (channel,) = first[name].time, first[name].columns
            assert time is not None
            done.append(
                replace(
                    first[name],
                    columns=(replace(channel, values=values, number=number),),
                    time=replace(time, values=times),
                )
            )
    return tuple(done)


def _mixed_values(parsed: Parsed, index: int) -> pl.Series | None:
    """A column of readings in units of many kinds (800 rpm, 80 C), which are numbers only name by name."""
    for i, series in parsed.texts.items():
        if i != index and 2 * _count(series, r"^\s*[+-]?[\d.,]+") > len(series):
            return series
    return None


def _name_column(parsed: Parsed, dialect: Dialect) -> tuple[int, NDArray[Any]] | None:
    for i, series in parsed.texts.items():
        labels = series.fill_null("").str.strip_chars().to_numpy()
        count = len(set(labels.tolist()))
        wordy = 2 * _count(series, r"^\s*[+-]?[\d.,]+\s*\S*$") < len(series)
        if wordy and 2 <= count <= max(2, min(200, parsed.rows // 2)) and dialect.width <= 5 and "" not in labels:
            return i, np.asarray(labels)
    if dialect.headed and dialect.width <= 4:
        words = [set(words_of(heading)) for heading in dialect.headings]
        named = [
            i for i, said in enumerate(words) if said & _NAME_WORDS and len(np.unique(parsed.columns[i].values)) <= 64
        ]
        if len(named) == 1 and any(said & _VALUE_WORDS for said in words):
            name = split_heading(dialect.headings[named[0]])[0]
            return named[0], np.array([f"{name} {value:g}" for value in parsed.columns[named[0]].values])
    return None


def _count(series: pl.Series, pattern: str) -> int:
    return int(series.str.contains(pattern).fill_null(False).sum())


def _unit_words(parsed: Parsed, labels: NDArray[Any]) -> dict[str, str]:
    for series in parsed.texts.values():
        words = series.fill_null("").str.strip_chars().to_list()
        if all(not word or find_unit(word) for word in words[:50]) and any(words):
            return dict(zip(labels.tolist(), words, strict=True))
    return {}
