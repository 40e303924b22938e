"""Cells that are more than plain numbers: units inside, clock times, dates, decimal commas, words for high and low."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tightside.recordings.formats.csv_dialect import LOGIC_WORDS, MISSING
from tightside.recordings.headings import find_unit
from tightside.recordings.tables import Spelling
from tightside.records import Floats

if TYPE_CHECKING:
    import polars as pl

_CLOCK = r"^(?:(\d{1,3}):)?(\d{1,3}):(\d{1,2}(?:\.\d+)?)\s*([AaPp]?)\.?[Mm]?\.?$"
_YEAR_FIRST = r"^(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})"
_YEAR_LAST = r"^(?P<d>\d{1,2})[-/.](?P<m>\d{1,2})[-/.](?P<y>\d{4})"
_SPELLED = (
    r"^[A-Za-z]{3} ([A-Za-z]{3}) +(\d{1,2}) (\d{2}:\d{2}:\d{2}(?:\.\d+)?)(?: \S{1,9})? (\d{4})$"  # Tue Nov 25 ... 2026
)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_OF_DAY = r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?\s*([AaPp]?)[Mm]?(?:Z|[+-]\d{2}:?\d{2})?$"
_QUANTITY = r"^([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z%°µμºΩ\"][^\s]*(?:\s[^\d\s]+)?)$"


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """A column's numbers: NaN where a cell was empty or could not be read (``unread`` counts these)."""

    values: Floats  # (S,)
    unit: str = ""
    spelled: Spelling = "number"
    unread: int = 0
    example: str = ""
    first_unread: int = -1
    first_day: float = 0.0  # from whose midnight dates are counted, in days since 1970


def values_like(first: Cells, here: Cells) -> Floats:
    """Numbers of a later block, counted from the same day and in the same unit as the first one's."""
    values = here.values
    if here.spelled == "date" and here.first_day != first.first_day:
        values = values + (here.first_day - first.first_day) * 86400
    unit, wanted = find_unit(here.unit), find_unit(first.unit)
    if here.unit != first.unit and unit is not None and wanted is not None and unit.name == wanted.name:
        values = (values * unit.factor + unit.offset - wanted.offset) / wanted.factor
    return values


def numbers_from(cells: pl.Series, decimal: str) -> Cells:
    """Numbers of a column of text.

    >>> import polars as pl
    >>> numbers_from(pl.Series(["100kPa", "", "99kPa"]), ".").values
    array([100.,  nan,  99.])
    """
    import polars as pl

    text = cells.str.strip_chars(" \t\r\"'\u00a0\u202f\ufeff")
    plain = _point_decimals(text, decimal)
    numbers = plain.cast(pl.Float64, strict=False)
    rest = numbers.is_null() & text.is_not_null() & ~text.str.to_lowercase().is_in(list(MISSING))
    if not rest.any():
        return Cells(_array(numbers))
    left = plain.filter(rest)
    for reader in (_hexadecimals, _quantities, _clocks, _stamps, _logic):
        found = reader(left)
        if (
            found is not None
            and 2 * np.count_nonzero(~np.isnan(found.values)) >= len(left)
            and _of_one_kind(found, len(left), len(text))
        ):
            return _merged(numbers, rest, found, text)
    unread = int(rest.sum())
    filled = len(text) - int((numbers.is_null() & ~rest).sum())
    if 2 * unread > filled:
        return Cells(np.full(len(text), np.nan), spelled="text")
    return Cells(
        _array(numbers), unread=unread, example=str(text.filter(rest)[0]), first_unread=int(rest.arg_true()[0])
    )


def _array(numbers: pl.Series) -> Floats:
    values = numbers.to_numpy()
    return np.asarray(values, dtype=np.float64)


def _point_decimals(text: pl.Series, decimal: str) -> pl.Series:
    """Decimal points for decimal commas, and thousands no longer taken apart (1,234.5 and 1.234,5)."""
    mark = "," if decimal == "." else "."
    marked = text.str.contains(mark, literal=True).fill_null(False)
    if marked.any():
        grouped = text.str.contains(rf"^[+-]?\d{{1,3}}(?:\{mark}\d{{3}})+(?:\{decimal}\d*)?$").fill_null(False)
        if grouped.sum() == marked.sum():  # else it may be a decimal mark as well
            text = text.str.replace_all(mark, "", literal=True)
    return text if decimal == "." else text.str.replace(",", ".", literal=True)


def _of_one_kind(found: Cells, left: int, rows: int) -> bool:
    """Clock times in a column that is otherwise plain numbers do not make it a clock."""
    return found.spelled == "number" or 2 * left >= rows


def _merged(numbers: pl.Series, rest: pl.Series, found: Cells, text: pl.Series) -> Cells:
    values = np.array(_array(numbers))
    where = np.flatnonzero(rest.to_numpy())
    values[where] = found.values
    bad = np.flatnonzero(np.isnan(found.values))
    example = str(text[int(where[bad[0]])]) if len(bad) else ""
    first = int(where[bad[0]]) if len(bad) else -1
    return Cells(values, found.unit, found.spelled, len(bad), example, first, found.first_day)


def _hexadecimals(left: pl.Series) -> Cells | None:
    digits = left.str.extract(r"^0[xX]([0-9A-Fa-f]{1,15})$")
    if digits.null_count() == len(left):
        return None
    return Cells(_array(digits.str.to_integer(base=16, strict=False).cast(float)))


def _quantities(left: pl.Series) -> Cells | None:
    """Numbers with their unit. Different units of one kind (s and ms) are brought to the project's own."""
    parts = left.str.extract_groups(_QUANTITY).struct.unnest()
    words = parts.to_series(1)
    numbers = np.array(_array(parts.to_series(0).cast(float, strict=False)))
    counts: Counter[str] = Counter(dict(words.drop_nulls().value_counts().iter_rows()))
    if not counts:
        return None
    common = counts.most_common(1)[0][0]
    if len(counts) == 1:
        return Cells(numbers, common)
    unit = find_unit(common)
    for word in counts:
        other = find_unit(word)
        where = (words == word).fill_null(False).to_numpy()
        if unit is not None and other is not None and other.name == unit.name:
            numbers[where] = numbers[where] * other.factor + other.offset
        elif word.casefold() != common.casefold():
            numbers[where] = np.nan
    return Cells(numbers, unit.name if unit else common)


def _clocks(left: pl.Series) -> Cells | None:
    plain = left.str.replace(r"^(\d{1,2}:\d{2}:\d{2}):(\d{1,6})", "$1.$2").str.replace(",", ".", literal=True)
    parts = plain.str.extract_groups(_CLOCK).struct.unnest()
    if parts.to_series(2).null_count() == len(left):
        return None
    hours, minutes, seconds = (_array(parts.to_series(i).cast(float, strict=False)) for i in range(3))
    values = np.nan_to_num(hours) * 3600 + minutes * 60 + seconds
    return Cells(values + _afternoon(hours, parts.to_series(3)), "s", "clock")


def _afternoon(hours: Floats, letter: pl.Series) -> Floats:
    """Seconds to add for AM and PM on a clock of twelve hours."""
    half = letter.str.to_lowercase()
    pm, am = ((half == word).fill_null(False).to_numpy() for word in "pa")
    return np.where(pm & (hours < 12), 43200.0, np.where(am & (hours == 12), -43200.0, 0.0))


def _stamps(left: pl.Series) -> Cells | None:
    """Dates with a time of day: seconds from the first day's midnight. Time zones are taken to be all one."""
    text = _month_numbers(left.str.replace(",", ".", literal=True))
    parts = text.str.extract_groups(_YEAR_FIRST + r"[T ]\s*" + _OF_DAY).struct.unnest()
    if parts.to_series(0).null_count() == len(left):
        parts = text.str.extract_groups(_YEAR_LAST + r"[T ]\s*" + _OF_DAY).struct.unnest()
    if parts.to_series(0).null_count() == len(left):
        return None
    year, month, day = (_array(parts[name].cast(float, strict=False)) for name in "ymd")
    if np.nanmax(month) > 12:
        month, day = day, month
    hours, minutes, seconds = (_array(parts.to_series(i).cast(float, strict=False)) for i in (3, 4, 5))
    days = _day_number(year, month, day)
    of_day = hours * 3600 + minutes * 60 + np.nan_to_num(seconds) + _afternoon(hours, parts.to_series(6))
    first = float(np.nanmin(days))
    return Cells((days - first) * 86400 + of_day, "s", "date", first_day=first)


def _month_numbers(text: pl.Series) -> pl.Series:
    """Months written as words as numbers: 25-Nov-2026 10:20, Tue Nov 25 10:20:30 2026."""
    if not text.str.contains(r"[A-Za-z]{3}[ -]").any():
        return text
    text = text.str.replace(_SPELLED, "$2-$1-$4 $3")
    for number, name in enumerate(_MONTHS, 1):
        text = text.str.replace(f"(?i)-{name}-", f"-{number}-")
    return text


def _day_number(year: Floats, month: Floats, day: Floats) -> Floats:
    """Days since 1970 in the proleptic Gregorian calendar, NaN kept."""
    good = ~(np.isnan(year) | np.isnan(month) | np.isnan(day)) & (month >= 1) & (month <= 12)
    months = ((year[good] - 1970) * 12 + month[good] - 1).astype("datetime64[M]")
    days = np.full(len(year), np.nan)
    days[good] = months.astype("datetime64[D]").astype(np.int64) + day[good] - 1
    return days


def _logic(left: pl.Series) -> Cells | None:
    import polars as pl

    values = left.str.to_lowercase().replace_strict(LOGIC_WORDS, default=None, return_dtype=pl.Float64)
    if values.null_count() == len(left):
        return None
    return Cells(_array(values))
