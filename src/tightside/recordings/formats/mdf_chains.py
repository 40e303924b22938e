"""Whether the blocks of an MDF file hang together: each list must hold what it should, and come to an end.

A damaged file can send a reader round in circles for ever. Layout: ASAM MDF 4.1 (a block is its mark, its length, the
count of its links and the links; the first link leads to the next of the same kind), and MDF 3 (addresses of 4 bytes).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO

HEADER_AT = 64
MOST_LINKS = 8  # that are looked at: lists hang on the first few


class Chains:
    """The lists of one file.

    Raises
    ------
    ValueError
        From `check`: a list leads back to itself or into another one, or holds what does not belong there.
    """

    def __init__(self, stream: BinaryIO, version: int) -> None:
        self._stream = stream
        self._four = version >= 4
        self._seen: set[int] = set()

    def check(self) -> None:
        """Follow every list of data groups, channel groups, channels, data blocks, comments and attachments."""
        mark, links = self._block(HEADER_AT)
        if not mark.endswith(b"HD") or not links:
            raise ValueError("its header is missing")
        for group in self._list(links[0], b"DG"):
            for channels in self._list(group[1], b"CG"):
                self._channels(channels[1])
            self._data(group[2] if self._four else 0)
        for first, kind in zip(links[1:5] if self._four else (), (b"FH", b"CH", b"AT", b"EV"), strict=False):
            for _ in self._list(first, kind):
                pass

    def _channels(self, first: int) -> None:
        for channel in self._list(first, b"CN"):
            if self._four and channel[1] and self._block(channel[1])[0] == b"##CN":
                self._channels(channel[1])

    def _data(self, first: int) -> None:
        mark, links = self._block(first) if first else (b"", [])
        if mark == b"##HL" and links:
            self._data(links[0])
        elif mark in (b"##DL", b"##LD"):
            for _ in self._list(first, mark[2:]):
                pass

    def _list(self, first: int, kind: bytes) -> Iterator[list[int]]:
        """The links of each block in a list."""
        at = first
        while at:
            mark, links = self._block(at)
            if at in self._seen:
                raise ValueError("a list of its blocks leads back to itself")
            if not mark.endswith(kind) or len(links) < 2:
                raise ValueError(f"a list of its {kind.decode()} blocks holds something else")
            self._seen.add(at)
            yield [*links, 0, 0]
            at = links[0]

    def _block(self, at: int) -> tuple[bytes, list[int]]:
        """Mark and first links; nothing where the file ends before."""
        if not self._four:
            return self._block_3(at)
        self._stream.seek(at)
        heading = self._stream.read(24)
        if len(heading) < 24:
            return b"", []
        mark, count = struct.unpack("<4s12xQ", heading)
        raw = self._stream.read(8 * min(count, MOST_LINKS))
        return mark, list(struct.unpack(f"<{len(raw) // 8}Q", raw[: len(raw) // 8 * 8]))

    def _block_3(self, at: int) -> tuple[bytes, list[int]]:
        self._stream.seek(at)
        heading = self._stream.read(12)
        if len(heading) < 12:
            return b"", []
        mark, first, second = struct.unpack("<2s2x2I", heading)
        return mark, [first, second]
