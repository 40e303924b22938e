"""Columns that do not fit in memory: worked on block by block, kept in temporary files, seen through the page cache."""

from __future__ import annotations

import errno
import mmap
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from tightside.errors import DataError, OutsideError

LARGE_BYTES = 1 << 28  # columns above this go through temporary files
BLOCK = 1 << 20  # rows


def can_map(count: int) -> bool:
    """Whether the process's address space has room for so many bytes. Asks for it and gives it straight back."""
    try:
        mmap.mmap(-1, max(count, 1)).close()
    except (OSError, MemoryError, OverflowError):
        return False
    return True


class SpooledColumns:
    """Columns on disk, one file each. The files have no name and go with the last array that looks at them.

    Parameters
    ----------
    dtypes : one for each column, in this machine's byte order
    """

    def __init__(self, dtypes: Sequence[DTypeLike]) -> None:
        self._dtypes = [np.dtype(dtype) for dtype in dtypes]
        self._files = [tempfile.TemporaryFile() for _ in dtypes]  # noqa: SIM115 - closed in __exit__
        self._lengths = [0] * len(self._files)

    def __enter__(self) -> SpooledColumns:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, at: TracebackType | None
    ) -> None:
        for file in self._files:
            file.close()

    @property
    def rows(self) -> int:
        """So far, of the first column."""
        return self._lengths[0] if self._lengths else 0

    def append(self, columns: Sequence[NDArray[Any]]) -> None:
        """Add a block: one array for each column.

        Raises
        ------
        OutsideError
            The disk is full.
        """
        for i, values in enumerate(columns):
            try:
                self._write(i, np.ascontiguousarray(values, dtype=self._dtypes[i]))
            except OSError as problem:
                raise disk_trouble(problem) from problem
            self._lengths[i] += len(values)

    def _write(self, column: int, values: NDArray[Any]) -> None:
        self._files[column].write(values.data)

    def arrays(self) -> list[NDArray[Any]]:
        """The columns. Reading them moves pages in; the system drops these when it needs the memory.

        Raises
        ------
        DataError
            The process may not map that much.
        """
        try:
            for file in self._files:
                file.flush()
            return [
                np.asarray(np.memmap(file, dtype, "r", shape=(length,))) if length else np.empty(0, dtype)
                for file, dtype, length in zip(self._files, self._dtypes, self._lengths, strict=True)
            ]
        except (OSError, MemoryError) as problem:
            count = sum(d.itemsize * length for d, length in zip(self._dtypes, self._lengths, strict=True))
            raise DataError(
                code="out-of-memory",
                what=f"the recording has {self.rows} rows and does not fit in the memory that this process may use",
                expected=f"a limit above {count / 2**30:.1f} GiB",
                hint="Cut the recording to the part that matters, or raise the limit",
            ) from problem


def disk_trouble(problem: OSError) -> OutsideError:
    """What to say when a temporary file cannot be written."""
    full = problem.errno in (errno.ENOSPC, errno.EDQUOT)
    return OutsideError(
        code="no-room-on-disk" if full else "cannot-write",
        what=f"a large recording goes through temporary files in {tempfile.gettempdir()}"
        + (", and the disk is full" if full else ", which cannot be written"),
        got="" if full else problem.strerror or type(problem).__name__,
        hint="Make room there, name another folder in TMPDIR, or cut the recording to the part that matters",
    )


def blocks_of(values: NDArray[Any]) -> Iterator[NDArray[Any]]:
    """The rows of an array in order, some at a time."""
    for start in range(0, len(values), BLOCK):
        yield values[start : start + BLOCK]


def is_mapped(values: NDArray[Any]) -> bool:
    """Whether the array lies on disk."""
    at: Any = values
    while isinstance(at, np.ndarray) and not isinstance(at, np.memmap):
        at = at.base
    return isinstance(at, np.memmap)


def in_blocks(
    values: NDArray[Any], function: Callable[[NDArray[Any]], NDArray[Any]], dtype: DTypeLike = np.float64
) -> NDArray[Any]:
    """What an element-wise function makes of an array: what lies on disk block by block, the result kept there too."""
    if len(values) <= BLOCK or not is_mapped(values):
        return np.asarray(function(values), dtype=dtype)
    return spooled(((function(block),) for block in blocks_of(values)), [dtype])[0]


def in_order(
    values: NDArray[Any], places: Callable[[int, NDArray[Any]], NDArray[np.int64]], slots: int
) -> NDArray[np.float64]:
    """Values put at their places among ``slots``, NaN elsewhere; ``places(start, block)`` says where a block goes."""
    if is_mapped(values):
        with tempfile.TemporaryFile() as file:
            file.truncate(slots * 8)
            spread: NDArray[np.float64] = np.asarray(np.memmap(file, np.float64, "r+", shape=(slots,)))
    else:
        spread = np.empty(slots)
    for part in blocks_of(spread):
        part[:] = np.nan
    for start, part in zip(range(0, len(values), BLOCK), blocks_of(values), strict=True):
        spread[places(start, part)] = part
    return spread


def spooled(blocks: Iterable[Sequence[NDArray[Any]]], dtypes: Sequence[DTypeLike]) -> list[NDArray[Any]]:
    """Blocks of columns, joined on disk."""
    with SpooledColumns(dtypes) as spool:
        for block in blocks:
            spool.append(block)
        return spool.arrays()


def columns_in_one_piece(table: Any, told: Callable[[float], None] = lambda _: None) -> list[NDArray[Any]]:
    """The columns of what does not fit in memory, each in one piece on disk, in this machine's byte order.

    Parameters
    ----------
    table : an array, mapped or not, or what slices like one (a stored data set): (S,), (S, columns), (columns, S), or
        (S,) with named fields.
    told : is told the fraction done.
    """
    dtype, across = np.dtype(table.dtype), len(table.shape) == 2 and table.shape[0] < table.shape[1]
    rows = max(table.shape)
    count = len(dtype.names or "1") if len(table.shape) == 1 else min(table.shape)
    kinds = [dtype[i] for i in range(count)] if dtype.names else [dtype] * count

    def parts() -> Iterator[list[NDArray[Any]]]:
        for start in range(0, rows, BLOCK):
            part = np.asarray(table[:, start : start + BLOCK] if across else table[start : start + BLOCK])
            if dtype.names:
                yield [part[name] for name in dtype.names]
            else:
                yield list(part if across else part.reshape(len(part), -1).T)
            told(min(1.0, (start + BLOCK) / rows))

    return spooled(parts(), [kind.newbyteorder("=") for kind in kinds])
