"""What other people's libraries raise on damaged files, told in one line."""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager

from tightside.errors import DataError

# A cut or scrambled file sends a parser anywhere: wrong sizes, offsets, names, types.
DAMAGE: tuple[type[Exception], ...] = (
    ValueError, KeyError, IndexError, TypeError, AttributeError, OSError, EOFError, OverflowError, AssertionError,
    NotImplementedError, RuntimeError, ZeroDivisionError, struct.error, zlib.error, zipfile.BadZipFile,
)  # fmt: skip


@contextmanager
def damage_told(name: str, kind: str, *more: type[Exception]) -> Iterator[None]:
    """Turn a library's failure on a file into a DataError that says which file and what the library said."""
    try:
        yield
    except (*DAMAGE, *more) as problem:
        words = " ".join(str(problem).split())[:160]
        raise DataError(
            code="file-damaged",
            what=f"{name} looks like a {kind} but cannot be read",
            got=words or type(problem).__name__,
            hint="It may have been cut short: copy or export it again",
        ) from problem
