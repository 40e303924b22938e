"""What other people's libraries raise on damaged files, told in one line."""

from __future__ import annotations

import io
import logging
import os
import struct
import threading
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout

from tightside.errors import DataError, TightsideError

# A cut or scrambled file sends a parser anywhere: wrong sizes, offsets, names, types.
DAMAGE: tuple[type[Exception], ...] = (
    ValueError, KeyError, IndexError, TypeError, AttributeError, OSError, EOFError, OverflowError, AssertionError,
    NotImplementedError, RuntimeError, ZeroDivisionError, SyntaxError, struct.error, zlib.error, zipfile.BadZipFile,
)  # fmt: skip


@contextmanager
def damage_told(name: str, kind: str, *libraries: str) -> Iterator[None]:
    """Turn a library's failure on a file into a DataError that says which file and what the library said.

    Parameters
    ----------
    libraries : str
        Packages whose own exceptions count too, beside the usual ones of a parser that was led astray.
    """
    try:
        yield
    except TightsideError:
        raise
    except BaseException as problem:  # a panic of a library written in Rust is no Exception
        if not (isinstance(problem, DAMAGE) or type(problem).__module__.split(".")[0] in libraries):
            raise
        words = " ".join(str(problem).split())[:160]
        raise DataError(
            code="file-damaged",
            what=f"{name} looks like a {kind} but cannot be read",
            got=words or type(problem).__name__,
            hint="It may have been cut short: copy or export it again",
        ) from problem


_hushing = threading.Lock()
_hushed_by = 0
_standard_error = -1


@contextmanager
def compiled_hushed() -> Iterator[None]:
    """Keep what libraries in C and Rust write straight to standard error from the screen: we say it in one line.

    For short calls only, as a progress bar is turned away too. The first of several threads turns standard error away,
    the last one brings it back.
    """
    global _hushed_by, _standard_error
    with _hushing:
        if _hushed_by == 0:
            _standard_error = _turned_away()
        _hushed_by += 1
    try:
        yield
    finally:
        with _hushing:
            _hushed_by -= 1
            if _hushed_by == 0 and _standard_error >= 0:
                os.dup2(_standard_error, 2)
                os.close(_standard_error)


def _turned_away() -> int:
    """Send standard error nowhere; where it went before, or -1 where there is none."""
    try:
        kept = os.dup(2)
    except OSError:
        return -1
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    return kept


@contextmanager
def hushed(library: str) -> Iterator[None]:
    """Keep a library from logging or printing what we tell in our own words."""
    logger = logging.getLogger(library)
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        with redirect_stdout(io.StringIO()):
            yield
    finally:
        logger.setLevel(before)
