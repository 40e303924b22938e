"""Text tables: sampled, edge lists and slow logs, in whatever dialect a recorder or spreadsheet writes.

Plain rows of numbers are parsed by polars as they are; a block that will not go that way is read as text and cell by
cell (units in cells, clock times, headings repeated by a restarted logger).
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError
from tightside.recordings.formats.csv_cells import Cells, numbers_from
from tightside.recordings.formats.csv_dialect import Dialect, find_dialect
from tightside.recordings.headings import find_unit, split_heading, words_of
from tightside.recordings.source import HEAD_BYTES, Source
from tightside.recordings.tables import Column, Contents, ReadOptions, Spelling, Table, nameless

if TYPE_CHECKING:
    import polars as pl

BLOCK_BYTES = 1 << 26
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
    parsed = _joined([_parse(block, dialect) for block in _blocks(source, dialect, options)])
    options.progress(1.0)
    return _contents(parsed, dialect)


# ------------------------------------------------------------------------------------------------------- the bytes


def _blocks(source: Source, dialect: Dialect, options: ReadOptions) -> Iterator[bytes]:
    """The rows from the first one on, as UTF-8 (or Latin-1 with plain digits) and whole lines."""
    skip = dialect.first_line
    rest = b""
    for raw in _utf8(source, dialect, options.progress):
        chunk = rest + raw if rest else raw
        while skip and (end := chunk.find(b"\n")) >= 0:
            chunk, skip = chunk[end + 1 :], skip - 1
        if skip:
            rest = chunk
            continue
        end = len(chunk) if len(chunk) < BLOCK_BYTES else chunk.rfind(b"\n") + 1 or len(chunk)
        rest = chunk[end:]
        if end:
            yield _tabbed(chunk[:end]) if dialect.delimiter == " " else chunk[:end]
    if rest and not skip:
        yield _tabbed(rest) if dialect.delimiter == " " else rest


def _utf8(source: Source, dialect: Dialect, progress: Callable[[float], None]) -> Iterator[bytes]:
    stream = source.open()
    wide = dialect.encoding.startswith(("utf-16", "utf-32"))
    decoder = codecs.getincrementaldecoder(dialect.encoding)("replace") if wide else None
    done = 0
    while raw := stream.read(BLOCK_BYTES):
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
    texts: dict[int, pl.Series]  # columns of words, as they are
    rows: int
    breaks: tuple[int, ...] = ()  # rows before which headings were repeated
    dropped: int = 0  # lines without any number


def _parse(block: bytes, dialect: Dialect) -> Parsed:
    import polars as pl

    types = [pl.Float64 if kind == "number" else pl.String for kind in dialect.spelled]
    if not dialect.trimmed:
        try:
            return _cells(_frame(block, dialect, types), dialect)
        except (pl.exceptions.ComputeError, pl.exceptions.SchemaError):
            pass
    try:
        return _cells(_frame(block, dialect, [pl.String] * dialect.width), dialect)
    except pl.exceptions.PolarsError as problem:
        raise DataError(
            code="table-broken",
            what="the table cannot be taken apart",
            got=str(problem).splitlines()[0],
            hint="Export it again",
        ) from problem


def _frame(block: bytes, dialect: Dialect, types: list[Any]) -> pl.DataFrame:
    import polars as pl

    try:
        return pl.read_csv(
            block,
            has_header=False,
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
            if cells.spelled == "text":
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


def _joined(blocks: list[Parsed]) -> Parsed:
    if len(blocks) == 1:
        return blocks[0]
    starts = np.concatenate([[0], np.cumsum([block.rows for block in blocks])])
    columns = []
    for parts in zip(*(block.columns for block in blocks), strict=True):
        number = [part for part in parts if part.spelled != "text"]
        values: NDArray[Any] = np.concatenate([part.values for part in parts])
        unit = next((part.unit for part in number if part.unit), "")
        spelled: Spelling = number[0].spelled if number else "text"
        bad = [
            (start + part.first_unread, part.example) for start, part in zip(starts, parts, strict=False) if part.unread
        ]
        columns.append(
            Cells(values, unit, spelled, sum(part.unread for part in parts), *(bad[0][::-1] if bad else ("", -1)))
        )
    breaks = tuple(int(start) + row for start, block in zip(starts, blocks, strict=False) for row in block.breaks)
    return Parsed(tuple(columns), {}, int(starts[-1]), breaks, sum(block.dropped for block in blocks))


# -------------------------------------------------------------------------------------------------------- the table


def _contents(parsed: Parsed, dialect: Dialect) -> Contents:
    if not parsed.rows:
        raise DataError(code="no-rows", what="the table has headings but no rows", hint="Export the recording again")
    columns = tuple(
        Column(heading, cells.values, unit or cells.unit, number, spelled=cells.spelled)
        for number, (heading, unit, cells) in enumerate(
            zip(dialect.headings, dialect.units, parsed.columns, strict=True), 1
        )
        if dialect.headed or cells.spelled != "text"
    )
    columns = tuple(c for c in columns if c.named or _filled(c))
    warnings = _unread(parsed, dialect)
    place = _place(dialect)
    tables = _long_format(parsed, dialect, columns)
    if tables is None:
        tables = (
            Table(columns, headed=dialect.headed, breaks=parsed.breaks, place=place, stated_rate_hz=dialect.rate_hz),
        )
    return Contents(tables, warnings)


def _filled(column: Column) -> bool:
    return not bool(np.isnan(column.values).all())


def _unread(parsed: Parsed, dialect: Dialect) -> tuple[str, ...]:
    said = [
        f"{cells.unread} cells of '{heading}' are no numbers and were left empty (the first: '{cells.example[:40]}')"
        for heading, cells in zip(dialect.headings, parsed.columns, strict=True)
        if cells.unread
    ]
    if parsed.breaks:
        said.append(f"the headings stand {len(parsed.breaks)} more times inside the table: the logger was restarted")
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
    values = [c for c in numeric if set(words_of(c.heading)) & _VALUE_WORDS] or numeric[-1:]
    if len(numeric) < 2 or values[0] is numeric[0]:
        return None
    time, value = numeric[0], values[0]
    units = _unit_words(parsed, labels)
    tables = []
    for number, label in enumerate(dict.fromkeys(labels.tolist()), 1):
        rows = np.flatnonzero(labels == label)
        channel = Column(str(label), value.values[rows], units.get(label, ""), number)
        tables.append(Table((channel,), time=replace(time, values=time.values[rows]), place=_place(dialect)))
    return tuple(tables)


def _name_column(parsed: Parsed, dialect: Dialect) -> tuple[int, NDArray[Any]] | None:
    for i, series in parsed.texts.items():
        labels = series.fill_null("").str.strip_chars().to_numpy()
        count = len(set(labels.tolist()))
        if 2 <= count <= max(2, min(200, parsed.rows // 2)) and dialect.width <= 5 and "" not in labels:
            return i, np.asarray(labels)
    if dialect.width == 3 and dialect.headed:
        words = [set(words_of(heading)) for heading in dialect.headings]
        if words[1] & _NAME_WORDS and words[2] & _VALUE_WORDS:
            return 1, np.array(
                [f"{split_heading(dialect.headings[1])[0]} {value:g}" for value in parsed.columns[1].values]
            )
    return None


def _unit_words(parsed: Parsed, labels: NDArray[Any]) -> dict[str, str]:
    for series in parsed.texts.values():
        words = series.fill_null("").str.strip_chars().to_list()
        if all(not word or find_unit(word) for word in words[:50]) and any(words):
            return dict(zip(labels.tolist(), words, strict=True))
    return {}
