"""Which column is the time, in which unit, does it run forward, and is it even."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError, UsageError
from tightside.recordings.headings import find_unit, split_heading, words_of
from tightside.recordings.roles import propose_role
from tightside.recordings.spool import in_blocks
from tightside.recordings.tables import Column, Table
from tightside.records import Floats

BLOCK = 1 << 16
FEW = 256
DAY_S = 86400.0
LONGEST_STEP_S = 60.0  # a recorder that says less often than this what the engine does is no recorder
RESTART_KEEPS = 0.02  # a restarted clock falls back at least to this fraction of what it had reached

LONGEST_EDGE_S = 0.1  # typical time between edges: at least one of crank and cams moves faster even while cranking

_TIME_WORDS = {
    "time",
    "t",
    "timestamp",
    "timestamps",
    "zeit",
    "tiempo",
    "temps",
    "tempo",
    "ts",
    "elapsed",
    "clock",
    "datetime",
    "utc",
}
_RUN_WORDS = {
    "runtime",
    "run",
    "running",
    "seconds",
    "sec",
    "secs",
    "millis",
    "micros",
    "milliseconds",
    "microseconds",
    "date",
    "ms",
    "us",
}
_OTHER_TIMES = {"mil", "codes", "code", "cleared", "clear", "distance", "dtc", "warm", "rise", "fall", "delta", "dwell"}
_COUNT_WORDS = {
    "frame",
    "index",
    "idx",
    "sample",
    "samples",
    "no",
    "nr",
    "row",
    "n",
    "number",
    "point",
    "points",
    "record",
}


@dataclass(frozen=True, slots=True)
class Grid:
    """Evenly spaced times: start_s + i / rate_hz for i in 0..slots; ``missing`` of them have no row."""

    rate_hz: float
    start_s: float
    slots: int
    missing: int = 0


# ------------------------------------------------------------------------------------------------ which column


def time_rank(column: Column) -> int:
    """How much a heading claims to be the time: 3 outright, 2 as running time, 0 not at all, -1 it is another time."""
    words = set(words_of(column.heading)) if column.named else set()
    if words & _OTHER_TIMES:
        return -1
    if words & _TIME_WORDS or column.spelled in ("clock", "date"):
        return 3 if not words & _RUN_WORDS else 2
    unit = find_unit(column.unit or split_heading(column.heading)[1])
    if (unit is not None and unit.name != "s") or propose_role(column.heading, "log").role is not None:
        return -1
    if words & _RUN_WORDS or (words & {"x", "abscissa"} and unit and unit.name == "s"):
        return 2
    if any(len(word) == 4 and SequenceMatcher(None, word, "time").ratio() >= 0.75 for word in words):
        return 2
    return 0


def advances(values: NDArray[Any]) -> float:
    """Fraction of steps that go up; 0 where the column falls anywhere or stands still. NaN are passed over."""
    up = steps = 0
    last = np.empty(0)
    for start in (0, *range(FEW, len(values), BLOCK)):  # a few rows tell most channels from a time
        block = np.concatenate([last, values[start : start + (BLOCK if start else FEW)]])
        step = np.diff(block)
        if len(step) and not step.min() >= 0:  # it falls, or holds something that is no number
            block = block[np.isfinite(block)]
            step = np.diff(block)
            if len(step) and step.min() < 0:
                return 0.0
        up += int(np.count_nonzero(step))
        steps += len(step)
        last = block[-1:]
    return up / steps if steps else 0.0


def counts_on(column: Column) -> bool:
    """Whether the column is headed as a counter and only ever increases: beside a time it says nothing new."""
    words = set(words_of(column.heading)) if column.named else set()
    return bool(words) and words <= _COUNT_WORDS and advances(column.values) > 0.99


def counts_samples(column: Column) -> bool:
    """Whether the column is headed as a counter, and counts on by whole numbers but not by rows: a row per change."""
    words = set(words_of(column.heading)) if column.named else set()
    if not words or not words <= _COUNT_WORDS or column.unit or counts_rows(column):
        return False
    head = column.values[:BLOCK]
    return bool(np.array_equal(head, np.rint(head))) and advances(column.values) > 0.99


def counts_rows(column: Column) -> bool:
    """Whether the column only numbers the rows."""
    values = column.values
    plain = not column.unit and (not column.named or bool(set(words_of(column.heading)) & _COUNT_WORDS))
    start = values[0] if len(values) else np.nan
    if not plain or start not in (0.0, 1.0):
        return False
    blocks = (values[i : i + BLOCK] - start - i for i in range(0, len(values), BLOCK))
    return all(np.array_equal(block, np.arange(len(block))) for block in blocks)


def choose_time(table: Table) -> tuple[Column | None, list[str]]:
    """The column that is the time, and what to say about the choice.

    A heading that says so wins if the column moves on; else one that counts running time; else the first column if it
    only ever increases; else the only other column that does. A heading that says "time" over a column that runs
    backwards is still the time: that is trouble to report, not a reason to look elsewhere.
    """
    claims = [_claim(column) for column in table.columns if column.spelled != "text"]
    moving = [claim for claim in claims if claim[1] > 0 and not counts_rows(claim[2])]
    best = max(moving, key=lambda claim: (claim[0], claim[1], -claim[2].number), default=None)
    falling = next((c for rank, up, c in claims if rank == 3 and up == 0 and np.ptp(_filled(c)) > 0), None)
    if falling is not None and (best is None or best[0] < 2):
        return falling, []
    if best is None:
        return _first_mostly_rising(table), []
    rank, _, column = best
    if rank < 0:
        return None, []
    if rank >= 2:
        return column, _standing_still(claims, column)
    first = next((claim for claim in moving if claim[2].number == 1 and claim[0] == 0), None)
    if first is not None:
        return first[2], [] if not table.headed else [
            f"column '{first[2].heading}' was taken as the time: it only ever increases"
        ]
    strict = [claim for claim in moving if claim[0] == 0 and claim[1] > 0.99]
    if len(strict) == 1:
        return strict[0][2], [
            f"column '{strict[0][2].heading}' was taken as the time: no other one only ever increases"
        ]
    return None, []


def _claim(column: Column) -> tuple[int, float, Column]:
    """Rank by heading, and how steadily it moves on: at its start where a heading speaks for it, else all along."""
    rank = time_rank(column)
    return rank, advances(_filled(column) if rank >= 2 else column.values), column


def _filled(column: Column) -> Floats:
    """Some of the numbers in it: those at its start, without NaN."""
    values = replace(column, values=column.values[: 4 * BLOCK]).numbers()
    filled = values[np.isfinite(values)]
    return filled if len(filled) else np.zeros(1)


def _standing_still(claims: list[tuple[int, float, Column]], taken: Column) -> list[str]:
    still = [c for rank, up, c in claims if rank == 3 and up == 0 and c is not taken]
    return [f"column '{c.heading}' does not move on; '{taken.heading}' was taken as the time" for c in still]


def _first_mostly_rising(table: Table) -> Column | None:
    """A first column without a heading that runs forward but for a step back or two: time that was broken."""
    if table.headed or len(table.columns) < 2:
        return None
    first = table.columns[0]
    values = _filled(first)
    if len(values) < 4 or counts_rows(first):
        return None
    return first if np.mean(np.diff(values) > 0) > 0.9 else None


# ---------------------------------------------------------------------------------------------------- its unit


def seconds_of(column: Column, units: Mapping[str, str], whole_rows: bool) -> tuple[Floats, list[str]]:
    """The time column in seconds, and what was assumed about its unit.

    A unit said by hand (``time=ms``) goes before the heading's. Without any, a plain number is seconds unless it stands
    for a date (counted from 1970) or its steps would be absurdly long: then it counts ms, us or ns, and that is said.
    """
    values = column.numbers()
    if column.spelled in ("clock", "date"):
        return values, []
    named = units.get("time") or units.get(column.heading) or column.unit or split_heading(column.heading)[1]
    unit = find_unit(named) if named else None
    if unit is not None and unit.name == "s":
        return in_blocks(values, lambda part: part * unit.factor) if unit.factor != 1.0 else values, []
    if units.get("time"):
        raise UsageError(
            code="unknown-time-unit",
            what="the unit of the time is not known",
            expected="s, ms, us, ns or min",
            got=named,
        )
    filled = _filled(column)
    factor = _likely_factor(filled, whole_rows)
    if factor == 1.0 and np.any(filled[:BLOCK] != np.rint(filled[:BLOCK])):
        return values, []
    word = {1.0: "seconds", 1e-3: "milliseconds", 1e-6: "microseconds", 1e-9: "nanoseconds"}[factor]
    said = [f"the time has no unit and was taken as {word}; say --unit time=... if that is wrong"]
    return in_blocks(values, lambda part: part * factor) if factor != 1.0 else values, said


def _likely_factor(values: Floats, whole_rows: bool) -> float:
    start = abs(float(values[0]))
    for least, factor in ((1e17, 1e-9), (1e14, 1e-6), (1e11, 1e-3), (1e9, 1.0)):
        if start >= least and start < least * 100:
            return factor
    sample = values[: 1 << 16]
    if np.any(sample != np.round(sample)):
        return 1.0
    steps = np.diff(sample)
    step = float(np.median(steps[steps > 0])) if np.any(steps > 0) else 0.0
    longest = LONGEST_STEP_S if whole_rows else LONGEST_EDGE_S
    return next((factor for factor in (1.0, 1e-3, 1e-6) if step * factor <= longest), 1e-9)


# ------------------------------------------------------------------------------------------------ forward, even


def without_midnight(times_s: Floats) -> Floats:
    """Clock times that run past midnight, carried on."""
    last, days = times_s[:1], 0

    def carried_on(part: Floats) -> Floats:
        nonlocal last, days
        fallen = days + np.cumsum(np.diff(part, prepend=last) < -DAY_S / 2)
        last, days = part[-1:], int(fallen[-1])
        return part + DAY_S * fallen

    return in_blocks(times_s, carried_on) if len(times_s) else times_s


def longest_run(times_s: Floats, table: Table) -> tuple[slice, list[str]]:
    """The rows to use: all of them, or the longest part if the recorder's clock was restarted.

    Raises
    ------
    DataError
        Time runs backwards and it is no plain restart.
    """
    if advances(times_s) > 0:
        return slice(0, len(times_s)), []
    falls = np.concatenate([at + np.flatnonzero(steps < 0) + 1 for at, steps in _steps(times_s)])
    if not len(falls):
        return slice(0, len(times_s)), []
    mostly_back = len(falls) > len(times_s) / 2
    for row in falls:
        base = times_s[0]
        fallen_to, reached = times_s[row] - base, times_s[row - 1] - base
        if row not in table.breaks and (mostly_back or fallen_to > RESTART_KEEPS * reached):
            raise DataError(
                code="time-backwards",
                what="time runs backwards",
                expected=f"more than {times_s[row - 1]:.9g} s",
                got=f"{times_s[row]:.9g} s",
                where=table.place(int(row)),
                hint="If this is not the time column, say which is: --channel time=COLUMN",
            )
    bounds = [0, *falls.tolist(), len(times_s)]
    lengths = np.diff(bounds)
    part = int(np.argmax(lengths))
    said = (
        f"the recorder's clock was restarted {len(falls)} times"
        if len(falls) > 1
        else "the recorder's clock was restarted"
    )
    return slice(bounds[part], bounds[part + 1]), [
        f"{said} ({table.place(int(falls[0]))}); the longest part, {lengths[part]} of {len(times_s)} rows, was used"
    ]


def find_grid(times_s: Floats, gaps: bool = True) -> Grid | None:
    """The even spacing behind the times, or None if there is none.

    Tolerated: jitter up to half a sample about the fitted line, times printed with too few digits, and (with ``gaps``)
    stretches without rows, as long as what remains stands on the same spacing.

    >>> find_grid(np.array([0.0, 0.1, 0.2, 0.3001, 0.4]))
    Grid(rate_hz=9.9998..., start_s=..., slots=5, missing=0)
    """
    rows = len(times_s)
    if rows < 3:
        return None
    step = (times_s[-1] - times_s[0]) / (rows - 1)
    if step <= 0:
        return None
    smallest_step = _smallest_step(times_s)
    allowed = max(0.5 * step, 0.75 * smallest_step)
    intercept, slope, worst = _line(times_s)
    if worst <= allowed:
        return Grid(_rounded_rate(slope, rows, smallest_step), float(intercept), rows)
    return _gapped_grid(times_s) if gaps else None


def _smallest_step(times_s: Floats) -> float:
    """Median of the steps that are not 0: the resolution of times that were printed too short."""
    steps = np.diff(times_s[:BLOCK])
    if steps.min() > 0:
        return 0.0
    rising = steps[steps > 0]
    return float(np.median(rising)) if len(rising) else 0.0


def _line(times_s: Floats) -> tuple[float, float, float]:
    """Least-squares line of time over row number: intercept, slope, largest distance. Block by block."""
    rows = len(times_s)
    middle = (rows - 1) / 2
    first, span = float(times_s[0]), float(times_s[-1] - times_s[0])
    guess = span / (rows - 1)
    total = moment = 0.0
    low, high = np.inf, -np.inf
    counting = np.arange(min(BLOCK, rows), dtype=np.float64)
    for start in range(0, rows, BLOCK):
        rest = times_s[start : start + BLOCK] - (first + guess * start)
        place = counting[: len(rest)]
        rest -= guess * place
        here = float(rest.sum())
        total += here
        moment += float(np.einsum("i,i", rest, place)) + (start - middle) * here  # no BLAS: its threads cost more
        low, high = min(low, float(rest.min())), max(high, float(rest.max()))
    tilt = moment / (rows * (rows * rows - 1) / 12)
    mean = total / rows
    bend = abs(tilt) * middle
    return first + mean - tilt * middle, guess + tilt, max(high - mean, mean - low) + bend


def _rounded_rate(slope_s: float, rows: int, resolution_s: float) -> float:
    """The rate, as a short number where that moves no sample by more than a hundredth of a step."""
    for digits in range(1, 8):
        short = float(f"{1 / slope_s:.{digits}g}")
        if abs(rows * (slope_s - 1 / short)) <= max(0.01 * slope_s, 0.25 * resolution_s):
            return short
    return 1 / slope_s


def strict_grid(times_s: Floats) -> Grid | None:
    """The even spacing of times that all stand nearer to it than half a step: they run forward, and none is missing.

    None where that is not so; there may be a grid all the same, which `find_grid` looks for.
    """
    rows = len(times_s)
    step = (times_s[-1] - times_s[0]) / (rows - 1) if rows > 2 else 0.0
    if not step > 0:
        return None
    intercept, slope, worst = _line(times_s)
    return Grid(_rounded_rate(slope, rows, 0.0), float(intercept), rows) if worst < 0.49 * step else None


def _steps(times_s: Floats) -> Iterator[tuple[int, Floats]]:
    """Differences of neighbours, block by block, each with the number of its first row."""
    for start in range(0, max(len(times_s) - 1, 1), BLOCK):
        yield start, np.diff(times_s[start : start + BLOCK + 1])


def _gapped_grid(times_s: Floats) -> Grid | None:
    step = _even_step(times_s)
    if step is None:
        return None
    rows, first = len(times_s), float(times_s[0])
    sums = np.zeros(4)
    for place, times in _on_grid(times_s, step):  # least squares of what is left beside the even step
        rest = times - first - step * place
        sums += place.sum(), np.einsum("i,i", place, place), rest.sum(), np.einsum("i,i", place, rest)
        last = float(place[-1])
    tilt = (rows * sums[3] - sums[0] * sums[2]) / (rows * sums[1] - sums[0] ** 2)
    intercept, slope = first + (sums[2] - tilt * sums[0]) / rows, step + tilt
    slots = int(last) + 1
    if slots > 3 * rows:
        return None
    if any(np.max(np.abs(times - intercept - slope * place)) > 0.5 * step for place, times in _on_grid(times_s, step)):
        return None
    return Grid(_rounded_rate(slope, slots, 0.0), intercept, slots, slots - rows)


def _even_step(times_s: Floats) -> float | None:
    """Mean of the steps that are not gaps; None if steps differ otherwise, or gaps are many."""
    few = np.concatenate(
        [np.diff(times_s[at : at + BLOCK]) for at in range(0, len(times_s), max(BLOCK, len(times_s) // 16))]
    )
    typical = float(np.median(few))
    gaps, total, count = 0, 0.0, 0
    for _, steps in _steps(times_s):
        if typical <= 0 or steps.min() < 0.5 * typical:
            return None
        even = steps[steps < 1.5 * typical]
        gaps += len(steps) - len(even)
        total, count = total + float(even.sum()), count + len(even)
        if len(even) and max(even.max() - typical, typical - even.min()) > 0.25 * typical:
            return None
    return total / count if gaps <= 0.02 * (len(times_s) - 1) else None


def _on_grid(times_s: Floats, step_s: float) -> Iterator[tuple[Floats, Floats]]:
    """Whole steps from the first row to each, and the times, block by block."""
    reached = 0.0
    yield np.zeros(1), times_s[:1]
    for start, steps in _steps(times_s):
        place = reached + np.cumsum(np.rint(steps / step_s))
        reached = float(place[-1])
        yield place, times_s[start + 1 : start + 1 + len(steps)]


def split_pairs(table: Table) -> list[Table]:
    """A table whose columns come as time, value, time, value: one table for each pair."""
    columns = table.columns
    if len(columns) < 4 or len(columns) % 2 or not all(_is_time_of_pair(c, table.headed) for c in columns[::2]):
        return [table]
    if any(_is_time_of_pair(c, table.headed) for c in columns[1::2]):
        return [table]
    return [
        replace(table, columns=(value,), time=time) for time, value in zip(columns[::2], columns[1::2], strict=True)
    ]


def _is_time_of_pair(column: Column, headed: bool) -> bool:
    values = column.values
    if headed and not _named_time(column):
        return False
    return advances(values) > 0.5 or (
        headed and _named_time(column) and len(_filled(column)) > 1 and advances(values) > 0
    )


def _named_time(column: Column) -> bool:
    return time_rank(column) >= 2 or bool(re.match(r"^t[_ ]?\w*$", split_heading(column.heading)[0].casefold()))
