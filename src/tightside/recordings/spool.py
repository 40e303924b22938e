"""Columns that grow block by block and do not fit in memory: kept in temporary files, seen through the page cache."""

from __future__ import annotations

import mmap
import tempfile
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError


def can_map(count: int) -> bool:
    """Whether the process's address space has room for so many bytes. Asks for it and gives it straight back."""
    try:
        mmap.mmap(-1, max(count, 1)).close()
    except (OSError, MemoryError, OverflowError):
        return False
    return True


class SpooledColumns:
    """Float columns of one length, on disk. The files have no name and go with the last array that looks at them."""

    def __init__(self, count: int) -> None:
        self._files = [tempfile.TemporaryFile() for _ in range(count)]  # noqa: SIM115 - closed in __exit__
        self.rows = 0

    def __enter__(self) -> SpooledColumns:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, at: TracebackType | None
    ) -> None:
        for file in self._files:
            file.close()

    def append(self, columns: list[NDArray[np.float64]]) -> None:
        """Add a block: one array for each column, all of one length."""
        for file, values in zip(self._files, columns, strict=True):
            file.write(np.ascontiguousarray(values, dtype=np.float64).data)
        self.rows += len(columns[0])

    def arrays(self) -> list[NDArray[np.float64]]:
        """The columns. Reading them moves pages in; the system drops these when it needs the memory.

        Raises
        ------
        DataError
            The process may not map that much.
        """
        if not self.rows:
            return [np.empty(0) for _ in self._files]
        try:
            return [np.asarray(np.memmap(file, np.float64, "r", shape=(self.rows,))) for file in self._files]
        except (OSError, MemoryError) as problem:
            raise DataError(
                code="out-of-memory",
                what=f"the recording has {self.rows} rows and does not fit in the memory that this process may use",
                expected="a limit above " + f"{self.rows * 8 * len(self._files) / 2**30:.1f} GiB",
                hint="Cut the recording to the part that matters, or raise the limit",
            ) from problem
