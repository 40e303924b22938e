"""The library of learned engines: one engine file each, in the user's data folder, written whole or not at all."""

from __future__ import annotations

import os
import re
import sys
import tempfile
from pathlib import Path

from tightside.errors import OutsideError, UsageError

DATA_VARIABLE = "TIGHTSIDE_DATA"
ENGINES = "engines"
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._+-]{0,99}")
MAX_BYTES = 2_000_000


def data_folder() -> Path:
    """The user's data folder: ``TIGHTSIDE_DATA`` where it is set, else the platform's usual place.

    Linux and others: ``$XDG_DATA_HOME`` or ``~/.local/share`` (XDG Base Directory Specification); macOS:
    ``~/Library/Application Support``; Windows: ``%LOCALAPPDATA%``.
    """
    chosen = os.environ.get(DATA_VARIABLE)
    if chosen:
        return Path(chosen)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Application Support")
    else:
        base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "tightside"


def library_path(name: str) -> Path:
    """Where the engine of that name is kept.

    Raises
    ------
    UsageError
        If the name would not do as a file name on every system.
    """
    if not NAME.fullmatch(name) or name.endswith((".", " ")):
        raise UsageError(
            code="library-name",
            what="that is no name for an engine in the library",
            expected="up to 100 letters, digits, blanks and . _ + -, beginning with a letter or digit",
            got=repr(name),
        )
    return data_folder() / ENGINES / f"{name.lower().replace(' ', '-')}.yaml"


def library_names() -> tuple[str, ...]:
    """Names of the engines in the library."""
    folder = data_folder() / ENGINES
    return tuple(sorted(p.stem for p in folder.glob("*.yaml"))) if folder.is_dir() else ()


def read_library(name: str) -> str | None:
    """The text of the engine file of that name, or None where there is none.

    Raises
    ------
    OutsideError
        If it is there and cannot be read.
    """
    if not NAME.fullmatch(name) or name.endswith((".", " ")):
        return None
    path = library_path(name)
    try:
        return path.read_text(encoding="utf-8") if path.is_file() and path.stat().st_size <= MAX_BYTES else None
    except (OSError, UnicodeDecodeError) as error:
        raise OutsideError(
            code="library-unreadable",
            what=f"cannot read {path}",
            got=getattr(error, "strerror", None) or "no text",
            hint="See who may read it, or restore it from a copy",
        ) from error


def write_library(name: str, text: str) -> Path:
    """Keep an engine file under that name; the old one stays whole until the new one is.

    Raises
    ------
    OutsideError
        If the data folder cannot be written to.
    """
    path = library_path(name)
    part = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}.", suffix=".part")
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(part).replace(path)
    except OSError as error:
        if part:
            Path(part).unlink(missing_ok=True)
        raise OutsideError(
            code="library-unwritable",
            what=f"cannot write {path}",
            got=error.strerror or type(error).__name__,
            hint=f"Set {DATA_VARIABLE} to a folder that you may write to",
        ) from error
    return path
