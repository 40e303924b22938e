"""The bytes to read: a file, or what is left of a stream, opened up if it was compressed."""

from __future__ import annotations

import _thread
import bz2
import errno
import gzip
import hashlib
import importlib
import io
import lzma
import os
import tempfile
import threading
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO, cast

from tightside.errors import DataError, UsageError
from tightside.recordings.spool import disk_trouble

HEAD_BYTES = 1 << 16
COPY_BYTES = 1 << 22
IN_MEMORY_BYTES = 1 << 26

PACKED = {
    b"\x1f\x8b": "gzip",
    b"\x28\xb5\x2f\xfd": "zstd",
    b"BZh": "bzip2",
    b"\xfd7zXZ\x00": "xz",
}


class Source:
    """Bytes with a name. Every `open` starts at the first byte.

    Parameters
    ----------
    given : path, or binary stream
        A stream is read from where it stands to its end and is left open.
    limit_bytes : int, optional
        Memory that may be used; what does not fit in an eighth of it goes through a temporary file.
    """

    def __init__(self, given: str | os.PathLike[str] | BinaryIO, limit_bytes: int | None = None) -> None:
        self._in_memory = min(IN_MEMORY_BYTES, (limit_bytes or 1 << 40) // 8)
        self._hash = hashlib.sha256()
        self._given = False  # the file itself is read, not a copy of what was in it
        self.path: Path | None = None  # where the bytes lie on disk, until this is closed
        if isinstance(given, str | os.PathLike):
            self.name, stream = _opened(Path(given))
            try:
                self._store = self._store_of(stream, Path(given))
            finally:
                if not self._given:
                    stream.close()
        else:
            self.name = _stream_name(given)
            self._store = self._store_of(given, None)
        self.size = self._store.seek(0, io.SEEK_END)
        self._store.seek(0)
        self.head = self._store.read(HEAD_BYTES)

    def _store_of(self, stream: BinaryIO, path: Path | None) -> BinaryIO:
        start = stream.read(6)
        packing = next((name for magic, name in PACKED.items() if start.startswith(magic)), "")
        if packing and path is not None:
            return self._unpacked(stream, packing)
        if path is None:
            store = self._spooled(_chunks(stream, start, self._hash))
            return self._unpacked(store, packing) if packing else store
        self.path, self._given = path, True
        return stream

    def __enter__(self) -> Source:
        return self

    def __exit__(self, *_: object) -> None:
        self._store.close()

    def open(self) -> BinaryIO:
        """The bytes as a seekable stream that stands at its start."""
        self._store.seek(0)
        return self._store

    def place(self) -> int:
        """How far it has been read."""
        return 0 if self._store.closed else self._store.tell()

    def whole(self) -> bytes:
        """All of it."""
        return self.open().read()

    def hashed(self) -> str | Hashing:
        """SHA-256 of the file as it was given (packed, if it was packed): begun now where it is not known already."""
        return Hashing(self.path) if self.path is not None and self._given else self._hash.hexdigest()

    def _spooled(self, chunks: Iterator[bytes]) -> BinaryIO:
        """What comes, in memory as long as it is little, else in a temporary file that goes when it is closed."""
        store: Any = io.BytesIO()
        try:
            for chunk in chunks:
                if self.path is None and store.tell() + len(chunk) > self._in_memory:
                    store, little = tempfile.NamedTemporaryFile(prefix="tightside-"), store  # noqa: SIM115
                    self.path = Path(store.name)
                    store.write(little.getbuffer())
                store.write(chunk)
            store.flush()
        except OSError as problem:
            store.close()
            if problem.errno in (errno.ENOSPC, errno.EDQUOT):
                raise disk_trouble(problem) from problem
            raise
        except BaseException:
            store.close()
            raise
        return cast(BinaryIO, store)

    def _unpacked(self, packed: BinaryIO, packing: str) -> BinaryIO:
        """What is in a packed file, which is closed."""
        self.path = None
        with packed:
            packed.seek(0)
            try:
                store = self._spooled(_unpacked_chunks(packing, packed))
            except _damage(packing) as problem:
                raise DataError(
                    code="packed-file-damaged",
                    what=f"{self.name} is a {packing} file that cannot be unpacked",
                    got=str(problem) or type(problem).__name__,
                    hint="It may have been cut short: copy it again from the recorder",
                ) from problem
            self._hash = hashlib.sha256()
            packed.seek(0)
            for _ in _chunks(packed, b"", self._hash):
                pass
        return store


def _opened(path: Path) -> tuple[str, BinaryIO]:
    if path.is_dir():
        raise UsageError(code="is-a-folder", what=f"{path} is a folder", expected="one recording file")
    try:
        return path.name, path.open("rb")
    except FileNotFoundError as problem:
        raise UsageError(code="no-such-file", what=f"there is no file {path}", hint="Check the name") from problem
    except OSError as problem:
        raise UsageError(
            code="file-not-readable", what=f"{path} cannot be opened", got=problem.strerror or "an error"
        ) from problem


def _stream_name(stream: BinaryIO) -> str:
    if isinstance(cast(Any, stream), io.TextIOBase):
        raise UsageError(code="text-stream", what="the stream gives text", expected="a stream opened in binary mode")
    name = getattr(stream, "name", None)
    return Path(name).name if isinstance(name, str) else "stream"


def _chunks(stream: BinaryIO, start: bytes, running: Any) -> Iterator[bytes]:
    if start:
        running.update(start)
        yield start
    while chunk := stream.read(COPY_BYTES):
        running.update(chunk)
        yield chunk


class Hashing:
    """SHA-256 of a file, worked out in a thread of its own: as text it is the digest, once that is there.

    Whoever has the samples need not wait for it. The file is opened at once, so that its name may go.
    """

    def __init__(self, path: Path) -> None:
        self._digest = ""
        self._file = path.open("rb", buffering=0)
        self._done = threading.Lock()
        self._done.acquire()
        try:
            _thread.start_new_thread(self._run, ())  # unlike threading's own, it does not wait until that runs
        except RuntimeError:  # no room for another thread
            self._run()

    def _run(self) -> None:
        try:
            with self._file as file, suppress(OSError):  # the disk went away: no digest is better than a wrong one
                self._digest = hashlib.file_digest(file, "sha256").hexdigest()
        finally:
            self._done.release()

    def __str__(self) -> str:
        with self._done:
            return self._digest

    def __reduce__(self) -> tuple[type[str], tuple[str]]:
        return str, (str(self),)

    def __eq__(self, other: object) -> bool:
        return str(self) == str(other)

    def __hash__(self) -> int:
        return hash(str(self))


def _unpacked_chunks(packing: str, packed: BinaryIO) -> Iterator[bytes]:
    if packing == "zstd":
        yield from _zstd_chunks(packed)
        return
    opened: dict[str, Callable[[], Any]] = {  # each is closed below
        "gzip": lambda: gzip.GzipFile(fileobj=packed, mode="rb"),
        "bzip2": lambda: bz2.BZ2File(packed),
        "xz": lambda: lzma.LZMAFile(packed),  # noqa: SIM115
    }
    with opened[packing]() as stream:
        while chunk := stream.read(COPY_BYTES):
            yield chunk


def _zstd_chunks(packed: BinaryIO) -> Iterator[bytes]:
    """Frame after frame; a frame that does not end is an error, as it is in the other packings."""
    library = needed("zstandard", "zstd files")
    frame, begun = library.ZstdDecompressor().decompressobj(), False
    while chunk := packed.read(COPY_BYTES):
        while chunk:
            yield frame.decompress(chunk)
            begun, chunk = not frame.eof, frame.unused_data
            if frame.eof:
                frame = library.ZstdDecompressor().decompressobj()
    if begun:
        raise EOFError("the last frame does not end")


def _damage(packing: str) -> tuple[type[Exception], ...]:
    """What the unpackers raise on damaged input."""
    known: tuple[type[Exception], ...] = (OSError, EOFError, lzma.LZMAError, zlib.error, ValueError)
    return (*known, needed("zstandard", "zstd files").ZstdError) if packing == "zstd" else known


def needed(module: str, what: str) -> Any:
    """Import an optional library, or say plainly what is missing."""
    try:
        return importlib.import_module(module)
    except ImportError as problem:
        name = module.split(".")[0]
        package = {"can": "python-can"}.get(name, name)
        raise UsageError(
            code="library-missing",
            what=f"{what} need the Python package {package}, which is not installed here",
            hint=f"Install it: pip install {package}",
        ) from problem
