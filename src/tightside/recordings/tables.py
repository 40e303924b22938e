"""What a format's reader hands on: columns of numbers, before anyone asks what they mean."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tightside.recordings.spool import LARGE_BYTES, in_blocks

Spelling = Literal["number", "clock", "date", "text"]


def _no_progress(_: float) -> None:
    return None


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What the user said about the file; see `tightside.recordings.registry.read_recording`."""

    channels: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    rate_hz: float | None = None
    scales: Mapping[str, float] = field(default_factory=dict)
    dbc: Path | None = None
    memory_limit_bytes: int | None = None
    progress: Callable[[float], None] = _no_progress

    @property
    def large_bytes(self) -> int:
        """Columns above this together are not held in memory."""
        return min(LARGE_BYTES, (self.memory_limit_bytes or 1 << 40) // 4)


def nameless(number: int) -> str:
    """What a column without a heading is called."""
    return f"column {number}"


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One column as written: value = values * scale + offset, NaN where a cell was empty."""

    heading: str
    values: NDArray[Any]  # (S,)
    unit: str = ""
    number: int = 0  # 1-based place in the file
    scale: float = 1.0
    offset: float = 0.0
    spelled: Spelling = "number"

    @property
    def named(self) -> bool:
        """Whether the file gives it a heading."""
        return bool(self.heading) and self.heading != nameless(self.number)

    def numbers(self) -> NDArray[np.float64]:
        """The column in its own unit. (S,)"""
        if self.scale == 1.0 and self.offset == 0.0:
            plain = self.values.dtype == np.float64
            return self.values if plain else in_blocks(self.values, lambda part: part)
        return in_blocks(self.values, lambda part: part * self.scale + self.offset)


def _no_place(_: int) -> str:
    return ""


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Columns of one length on one time base.

    The time base is ``rate_hz`` from ``start_s`` on, or ``time`` (a column known to be the time), or, with neither,
    one of the columns: which one is for `tightside.recordings.timebase` to find.
    """

    columns: tuple[Column, ...]
    time: Column | None = None
    rate_hz: float | None = None
    stated_rate_hz: float | None = None  # said in passing: used if no column is the time
    start_s: float = 0.0
    headed: bool = True
    breaks: tuple[int, ...] = ()  # rows before which the recorder was restarted
    place: Callable[[int], str] = _no_place  # where row i stands in the file, in words


@dataclass(frozen=True, slots=True, eq=False)
class Contents:
    """All that a file holds, and what had to be assumed to read it."""

    tables: tuple[Table, ...]
    warnings: tuple[str, ...] = ()
    kind: Literal["sound"] | None = None
